"""Cleanings: what each restored, how long it lasted, and whether cleaning still pays.

A cleaning is judged on each loss against the baseline: its level before, its level once the membranes have
settled, the share that was restored, with errors; and on the days until half of that was lost again.
Cleanings that follow one another within days are one job. Everything here is a function of six-hour medians
(`rules.levels`) and of what people entered, so that a replay says the same as the daemon did.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import log

import numpy as np

from rules import assessment, noise
from rules.actions import ACTION, CHEMISTRY
from rules.assessment import Assessment, Effect, Verdict, sign_of
from rules.explain import LONGEST_MESSAGE
from rules.findings import CauseProbability, Finding, Presence
from rules.levels import Level, Levels
from rules.series import DAY_S
from rules.train import Limits, Train
from rules.words import SHORT_WORDS, day, percent, place

SETTLED_S = 48 * 3600.0
"""An alkaline clean swells the membrane: flow and passage are up for 24 to 48 hours. Common practice, no
source (criteria.csv in the tests' reference folder). Nothing is judged before, and no other clean advised. [s]"""

AFTER_S = 3 * DAY_S
"""The level after a cleaning is that of so long after settling. [s]"""

ONE_JOB_S = 3 * DAY_S
"""Cleanings with less than this between them are one job (acid after alkaline). Common practice, no source. [s]"""

TARGET_FLOW, TARGET_DROP = log(0.95), log(1.10)
"""What a correct clean reaches: 95 to 100 % of the clean flow, pressure drop within 10 %. Common practice, no
source (criteria.csv). [-]"""

FAILED_FLOW = log(0.90)
"""Under this a clean has failed. Common practice, no source (criteria.csv). [-]"""

NOTHING = 0.1
"""A share restored under this, or within two standard errors of none, is none. Common practice, no source. [-]"""

MISSES = 2
"""So many correct cleans in a row short of the target, and cleaning has stopped paying (criteria.csv)."""

SHORTEST_INTERVAL_S = 365.25 / 12.0 * DAY_S
"""Cleans that are needed more often than monthly have stopped paying (criteria.csv). [s]"""

SHORT_INTERVALS = 2
"""So many such intervals in a row: one may come from a bad week of the feed. Common practice, no source."""

NEEDED = 0.8
"""Share of a limit from which on a clean was needed, not preventive. Common practice, no source."""

IRREVERSIBLE_FLOW, IRREVERSIBLE_PASSAGE = log(0.75), log(2.0)
"""Loss that is left after a correct clean from which on membranes are replaced: 20 to 30 % of flow, 1.5 to 2
times the passage (criteria.csv). [-]"""

CAUSE_SURE = 0.5
"""Probability from which on a deposit is held for known."""

WORDS = {
    "alkaline": (" alkali", " caustic ", " high ph ", " naoh "),
    "acid": (" acid", " citric ", " low ph ", " hcl "),
}
"""How people write the chemistry of a cleaning; without a blank at its end, a word may go on."""

STARTS, ENDS = "cleaning_start", "cleaning_end"
REPAIRS = ("element_replaced", "seals_replaced")

CauseOf = Callable[[Level], CauseProbability | None]
"""The likeliest cause of a level of deviations, None when nothing stands out."""


@dataclass(frozen=True, slots=True)
class Done:
    """What people entered: an event of `daemon.record.EVENTS`, when, and in their words. [s]"""

    at: float
    event: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Job:
    """One cleaning, or several within days. [s]"""

    begin: float
    end: float
    chemistry: tuple[str, ...]


def chemistry(text: str) -> tuple[str, ...]:
    """The chemistries that people's words name, in the order of `WORDS`."""
    plain = "".join(c if c.isalnum() else " " for c in text.lower())
    plain = f" {' '.join(plain.split())} "
    return tuple(name for name, words in WORDS.items() if any(w in plain for w in words))


def jobs(done: Sequence[Done]) -> tuple[list[Job], float | None]:
    """The cleanings that are over, in order of time, and since when one is under way (None when none is)."""
    found: list[Job] = []
    begun: float | None = None
    said: list[str] = []
    for one in sorted(done, key=lambda d: d.at):
        if one.event == STARTS:
            begun, said = one.at, [one.detail]
        elif one.event == ENDS:
            begin = one.at if begun is None else begun
            used = chemistry(" ".join([*said, one.detail]))
            if found and begin - found[-1].end < ONE_JOB_S:
                before = found.pop()
                begin, used = before.begin, tuple(dict.fromkeys([*before.chemistry, *used]))
            found.append(Job(begin, one.at, used))
            begun, said = None, []
    return found, begun


class Cleanings:
    """What was done to a train since its baseline, judged.

    levels : its six-hour medians. cause_of : names the deposit that explains a level.
    """

    def __init__(self, train: Train, levels: Levels, cause_of: CauseOf) -> None:
        self._train = train
        self._levels = levels
        self._cause_of = cause_of
        self._done: tuple[Done, ...] = ()
        self._final: dict[tuple[str, float, float, float], Assessment] = {}
        self._before: dict[float, tuple[Level | None, str | None]] = {}
        self.history: tuple[Assessment, ...] = ()
        self.under_way: float | None = None
        self.last_end: float | None = None
        self.reasons: tuple[str, ...] = ()

    def judge(self, done: Sequence[Done], now: float) -> tuple[Assessment, ...]:
        """Judge everything that was done; returns the assessments that are new or another than before.

        done : all that people entered since the baseline or the membranes, in any order.
        now : how far the train has been watched. [s]
        """
        over, self.under_way = jobs(done)
        self.last_end = over[-1].end if over else None
        others = sorted(d.at for d in done if d.event in (*REPAIRS, "calibrated"))
        found: list[Assessment] = []
        for i, job in enumerate(over):
            following = over[i + 1].begin if i + 1 < len(over) else self.under_way
            following = np.inf if following is None else following
            key = ("cleaning_end", job.begin, job.end, following)
            if key not in self._final:
                made = self._cleaning(job, now, following)
                if made.final and np.isfinite(following) and now >= following:
                    self._final[key] = made
                found.append(made)
            else:
                found.append(self._final[key])
        work = sorted({(d.at, d.event) for d in done if d.event in (*REPAIRS, "calibrated")})
        for at, event in work:
            later = [t for t in [*others, *(j.begin for j in over)] if t > at]
            until = min(later, default=np.inf)
            key = (event, at, at, until)
            if key not in self._final:
                made = (
                    assessment.calibration(at, self._levels, now, until)
                    if event == "calibrated"
                    else assessment.repair(event, at, self._levels, self._train.limits, now, until)
                )
                if made.final:
                    self._final[key] = made
                found.append(made)
            else:
                found.append(self._final[key])
        found.sort(key=lambda e: (e.end, e.event))
        before = {(e.event, e.end): e for e in self.history}
        self.history = tuple(found)
        self.reasons = self._no_longer_pays()
        return tuple(e for e in found if before.get((e.event, e.end)) != e)

    # -- one cleaning -----------------------------------------------------------------------

    def _cleaning(self, job: Job, now: float, following: float) -> Assessment:
        levels = self._levels
        before, cause = self._standing(job.begin)
        if before is None:
            return Assessment(
                ENDS, job.begin, job.end, "unknown", final=True, chemistry=job.chemistry
            )
        settled = job.end + SETTLED_S
        end = min(settled + AFTER_S, following)
        after = levels.level(settled, end, assessment.FEWEST_BINS)
        told = Assessment(
            ENDS,
            job.begin,
            job.end,
            "pending",
            cause=cause,
            chemistry=job.chemistry,
            counts=_correct(cause, job.chemistry),
        )
        if after is None:
            late = now >= min(job.end + assessment.GIVEN_UP_S, following)
            return replace(told, verdict="unknown" if late else "pending", final=late)
        effects = assessment.effects_of(levels.observables, before, after)
        effects = tuple(
            self._lasting(e, job.end, now, following) if now >= end else e
            for e in effects
            if noise.split(e.observable)[0] != "balance"
        )
        lead = assessment.leading_loss(effects, self._train.limits)
        return replace(
            told,
            verdict=_verdict(effects, lead),
            effects=effects,
            leading=lead.observable if lead else "",
            final=now >= end,
        )

    def _standing(self, begin: float) -> tuple[Level | None, str | None]:
        """The level before a cleaning, and the deposit that explains it. It is judged once. [s]"""
        if begin not in self._before:
            before = self._levels.before(
                begin, assessment.BEFORE_S, assessment.LONGEST_BEFORE_S, assessment.FEWEST_BINS
            )
            named = self._cause_of(before) if before is not None else None
            sure = named is not None and named.probability >= CAUSE_SURE
            found = before, named.cause if named is not None and sure else None
            if self._levels.last < begin:
                return found  # there may be more of it
            self._before[begin] = found
        return self._before[begin]

    def _lasting(self, effect: Effect, end: float, now: float, following: float) -> Effect:
        """How long a cleaning that ended at `end` lasted, as far as that is known at `now`. [s]"""
        if effect.restored is None or effect.before is None or effect.after is None:
            return effect
        error = np.hypot(effect.before_error or 0.0, effect.after_error or 0.0)
        sign = sign_of(effect.observable)
        if sign * (effect.before - effect.after) <= 2.0 * error:
            return effect  # nothing was restored that could be lost again
        half = (effect.before + effect.after) / 2.0
        column = self._levels.observables.index(effect.observable)
        until = min(now, following)
        back = self._levels.first_beyond(column, half, sign, end + SETTLED_S, until)
        if back is not None:
            return replace(effect, half_back_d=(back - end) / DAY_S)
        if now >= following:
            return replace(effect, held_d=(following - end) / DAY_S)
        return effect

    # -- whether it pays ----------------------------------------------------------------------

    def _counted(self) -> list[Assessment]:
        """Correct cleanings with a level after them, since elements were replaced last."""
        fresh = max((e.end for e in self.history if e.event == "element_replaced"), default=-np.inf)
        return [
            e for e in self.history if e.event == ENDS and e.effects and e.counts and e.end > fresh
        ]

    def _no_longer_pays(self) -> tuple[str, ...]:
        """Why cleaning has stopped paying, one clause each; nothing while it pays."""
        counted = self._counted()
        if not counted:
            return ()
        found = []
        last = counted[-MISSES:]
        if len(last) == MISSES and all(e.verdict in ("partly_restored", "failed") for e in last):
            found.append(f"the last {MISSES} cleans missed their target")
        apart = [b.begin - a.end for a, b in pairwise(counted[-1 - SHORT_INTERVALS :])]
        if (
            len(apart) == SHORT_INTERVALS
            and max(apart) < SHORTEST_INTERVAL_S
            and all(_needed(e, self._train.limits) for e in counted[-SHORT_INTERVALS:])
        ):
            days = " and ".join(f"{seconds / DAY_S:.0f}" for seconds in apart)
            found.append(f"cleans were needed after {days} days")
        for effect in counted[-1].effects:
            quantity = noise.split(effect.observable)[1]
            if effect.after is None or effect.after_error is None:
                continue
            if (
                quantity == "permeate_flow"
                and effect.after + effect.after_error < IRREVERSIBLE_FLOW
            ):
                found.append(f"{percent(effect.after)} of flow is lost for good")
            if (
                quantity == "salt_passage"
                and effect.after - effect.after_error > IRREVERSIBLE_PASSAGE
            ):
                found.append(f"salt passage stays {np.exp(effect.after):.1f} times what it was")
        return tuple(found)

    @property
    def exhausted(self) -> bool:
        """Cleaning has stopped paying: membranes want to be replaced, not cleaned."""
        return bool(self.reasons)

    def settling(self, now: float) -> bool:
        """A clean is under way, or its membranes have not settled at `now`: no other is to be advised. [s]"""
        if self.under_way is not None:
            return True
        return self.last_end is not None and now < self.last_end + SETTLED_S

    def finding(self) -> Finding:
        """Whether to replace what is not restored by cleaning any more."""
        if not self.reasons:
            return Finding(matter="cleanings", presence=Presence.ABSENT)
        counted = self._counted()
        last = counted[-1]
        section = noise.split(last.leading)[0] if last.leading else ""
        stage = int(section) if section.isdigit() else None
        # Since the first of the cleans that fell short one after the other.
        since = last.end
        for one in reversed(counted):
            if one.verdict not in ("partly_restored", "failed"):
                break
            since = one.end
        return Finding(
            matter="cleanings",
            presence=Presence.PRESENT,
            stage=stage,
            causes=(CauseProbability(last.cause, CAUSE_SURE),) if last.cause else (),
            action="replace",
            priority="medium",
            since=since,
            deviation=_deviation(last.effects),
            evidence=tuple(_told(e) for e in counted[-3:])
            + tuple(f"{r[0].upper()}{r[1:]}." for r in self.reasons),
            message=_message(self._train.id, stage, self.reasons, counted[-MISSES:]),
        )


def _correct(cause: str | None, chemistry: tuple[str, ...]) -> bool:
    """Whether a clean can be held against the membrane: the deposit can be cleaned, and was with what it asks for.

    Where the deposit or the chemistry is not known, it is taken to have been right.
    """
    if cause is None:
        return True
    if ACTION[cause] != "clean":
        return False
    return not chemistry or any(CHEMISTRY[cause].startswith(used) for used in chemistry)


def _verdict(effects: Sequence[Effect], lead: Effect | None) -> Verdict:
    """Against the target, clearly: by more than the standard error."""
    if lead is None:
        return "nothing_to_restore"
    if (lead.restored or 0.0) < max(NOTHING, 2.0 * (lead.restored_error or 0.0)):
        return "failed"
    verdict: Verdict = "restored"
    for effect in effects:
        quantity = noise.split(effect.observable)[1]
        if effect.restored is None or effect.after is None or effect.after_error is None:
            continue
        if quantity == "permeate_flow":
            if effect.after + effect.after_error < FAILED_FLOW:
                return "failed"
            if effect.after + effect.after_error < TARGET_FLOW:
                verdict = "partly_restored"
        if quantity == "pressure_drop" and effect.after - effect.after_error > TARGET_DROP:
            verdict = "partly_restored"
    return verdict


def _needed(one: Assessment, limits: Limits) -> bool:
    """Whether some loss before a clean was near its limit or past it."""
    for effect in one.effects:
        quantity = noise.split(effect.observable)[1]
        limit = float(np.log1p(getattr(limits, quantity)))
        if effect.restored is not None and (effect.before or 0.0) / limit >= NEEDED:
            return True
    return False


def _deviation(effects: Sequence[Effect]) -> dict[str, dict[str, float]]:
    table: dict[str, dict[str, float]] = {}
    for effect in effects:
        section, quantity = noise.split(effect.observable)
        if effect.after is not None:
            table.setdefault(section, {})[quantity] = effect.after
    return table


def _told(one: Assessment) -> str:
    """One cleaning in a sentence: ``Clean of 28 Apr (alkaline): flow of stage 1 -14.2 % before, ...``."""
    used = f" ({' and '.join(one.chemistry)})" if one.chemistry else ""
    lead = one.effect(one.leading)
    if lead is None:
        return f"Clean of {day(one.end)}{used}: nothing was lost before it."
    text = assessment.sentence(lead)
    return f"Clean of {day(one.end)}{used}: {text[0].lower()}{text[1:]}"


def _message(
    train: str, stage: int | None, reasons: Sequence[str], last: Sequence[Assessment]
) -> str:
    parts = [f"{place(train, stage)}: cleaning has stopped paying; {', '.join(reasons)}"]
    for one in last:
        lead = one.effect(one.leading)
        if lead is not None and lead.after is not None:
            quantity = SHORT_WORDS[noise.split(lead.observable)[1]]
            parts.append(
                f"Clean of {day(one.end)}: {quantity} {percent(lead.before or 0.0)} before,"
                f" {percent(lead.after)} after ({assessment.share(lead)} restored)"
            )
    parts.append("Plan replacement")
    text = ". ".join(p.rstrip(".") for p in parts) + "."
    return text if len(text) <= LONGEST_MESSAGE else text[: LONGEST_MESSAGE - 1].rstrip() + "…"
