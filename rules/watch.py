"""The watch over one train: takes minutes, gives digests, baselines and findings.

The only place in `rules` that remembers. What it remembers is bounded and follows from the stored
digests and the minutes of the last hours, so that a restarted daemon rebuilds it from history:
`absorb_digest`, `absorb_baseline` and `absorb_minute` take what was worked on before, `minute` works on what is new.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules import absolute, design, thumb, transmitters
from rules import baseline as baselines
from rules import digest as digests
from rules.assessment import Assessment
from rules.baseline import Baseline, BaselineRule
from rules.dependence import Learned
from rules.digest import BLOCK_S, Digest, operating_names
from rules.findings import CauseProbability, Finding, Presence
from rules.performance import Performance
from rules.sections import Plan
from rules.series import BIN_S, DAY_S, Series
from rules.service import Service
from rules.signs import CLEANED_S
from rules.state import CLEANING, PRODUCING, STARTING, STEADY, UNKNOWN, StateGate
from rules.train import STATUS_ROLES, Train
from rules.upkeep import Upkeep
from rules.words import day, place

Array = NDArray[np.float64]

MEMORY_S = 3 * 3600.0
FEWEST_REMEMBERED = 3 * transmitters.FEWEST_REPEATS
LONGEST_MEMORY_S = 24 * 3600.0
"""Minutes are remembered for three hours; where they come seldom, so many of them, for a day at most. [s]"""

SEEN_FROM_S = CLEANED_S + 3600.0
"""So far back minutes are wanted after a restart: a clean is remembered for two days. [s]"""

SETTLED_S = 24 * 3600.0
"""After a replacement, this much time passes before a new baseline begins. Common practice, no source. [s]"""

LINK_CONFIRM_S = 300.0
VALUE_CONFIRM_S = 1800.0

MINUTE_S = 60.0

NEW_BASELINE = frozenset({"membranes_replaced"})
"""Events after which the old baseline no longer holds."""

MAKING_PERMEATE = PRODUCING | {STARTING}
"""States in which permeate is made, settled or not."""


@dataclass(frozen=True, slots=True)
class Step:
    """What one minute brought: the train's state, and whatever of the rest there is.

    learned : what is known of the train's own constants, when something new was learned of them.
    assessments : of what people did, those that are new or another than before.
    service : how far a train is on its way back to service, when that changed.
    """

    state: str
    digest: Digest | None = None
    baseline: Baseline | None = None
    learned: tuple[Learned, ...] | None = None
    findings: tuple[Finding, ...] = ()
    assessments: tuple[Assessment, ...] = ()
    service: Service | None = None


@dataclass(frozen=True, slots=True)
class _Row:
    time: float
    values: Array
    down: tuple[str, ...]
    state: str


class Watch:
    """See the module. One for each train.

    device_of : signal -> device that measures it.
    rule : how the baseline is made.
    """

    def __init__(
        self,
        plan: Plan,
        device_of: Mapping[str, str],
        rule: BaselineRule,
    ) -> None:
        self.plan = plan
        self.train: Train = plan.train
        self._device_of = dict(device_of)
        self._devices = tuple(sorted(set(self._device_of.values())))
        self._columns_of = {
            device: [i for i, s in enumerate(plan.signals) if self._device_of[s] == device]
            for device in self._devices
        }
        self._rule = rule
        self._gate = StateGate(self.train.signals, sum(s.area_m2 for s in self.train.stages))
        self._series = self._empty_series()
        self._memory: deque[_Row] = deque()
        self._learning: list[Digest] = []
        self._learn_from = -np.inf
        self._replaced = False
        # Cleanings by time, so that minutes read back after a restart get the state they had.
        self._cleanings: list[tuple[float, bool]] = []
        # End of the last clean that the plant's own bit, or people, told.
        self._cleaned = -np.inf
        self._usual: Array | None = None
        self._design = design.levels(plan, rule.element_test) if rule.element_test else {}
        self._performance: Performance | None = None
        self.upkeep = Upkeep(plan, self._design)
        self._healthy: dict[tuple[str, str], Finding] = {}

    def _empty_series(self) -> Series:
        return Series(self.plan.observables, operating_names(self.plan))

    # -- what was worked on before ----------------------------------------------------------

    def absorb_digest(self, digest: Digest) -> bool:
        """Take a digest that was stored earlier, in order of time.

        returns : whether something new was learned of the residual dependence.
        """
        learned = self._take(digest)
        # What became of people's work by it was told then.
        self.upkeep.assess(digest.start + BLOCK_S)
        return learned

    def _take(self, digest: Digest) -> bool:
        if digest.start < self._learn_from:
            return False
        rule = self._rule_now
        if self._performance is None and (rule.kind != "window" or baselines.inside(rule, digest)):
            self._learning.append(digest)
        closed = self._series.add(digest)
        # A bin that began before the baseline was made holds part of what it rests on.
        if (
            closed is not None
            and self._performance is not None
            and closed.time // BIN_S * BIN_S >= self._performance.baseline.made_at
        ):
            self._performance.learn(closed)
            self.upkeep.learn(closed)
            return True
        return False

    def absorb_baseline(self, baseline: Baseline) -> None:
        """Take a baseline that was made earlier, after the digests it rests on.

        BasisChanged when it rests on another basis than the plan.
        """
        baselines.check_basis(baseline, self.plan.basis)
        self._adopt(baseline)
        self.upkeep.assess(baseline.made_at)

    def absorb_minute(self, time: float, values: Array, down: Sequence[str]) -> None:
        """Take a minute whose findings were written earlier, in order of time."""
        self._remember(time, values, down)

    def absorb_old_baseline(self, baseline: Baseline) -> None:
        """Take the baseline of the membranes before the last replacement."""
        self.upkeep.absorb_old_baseline(baseline)

    def absorb_service(self, stored: Service) -> None:
        """Take how far a return to service had come, after the events and before the minutes."""
        self.upkeep.absorb_service(stored)

    def event(self, time: float, kind: str, detail: str = "") -> None:
        """Take a maintenance event that bears on the rules, with what people said of it. [s since 1970-01-01 UTC]"""
        self.upkeep.event(time, kind, detail)
        for row in self._memory:
            # It may be entered late: what has been seen since counts.
            self.upkeep.minute(row.time, row.values, producing=row.state in MAKING_PERMEATE)
        if kind in NEW_BASELINE:
            self._learn_from, self._replaced = time + SETTLED_S, True
            # An event may be entered late: what has been seen of the new membranes is kept.
            seen = self._series.digests
            self._performance, self._usual, self._learning = None, None, []
            self._series = self._empty_series()
            for digest in seen:
                self._take(digest)
        elif kind in ("cleaning_start", "cleaning_end"):
            self._cleanings.append((time, kind == "cleaning_start"))
            self._cleanings.sort()

    def _is_cleaning(self, time: float) -> bool:
        """Whether people have said that the train is being cleaned in the minute from `time`."""
        said = [start for at, start in self._cleanings if at < time + MINUTE_S]
        return bool(said) and said[-1]

    # -- what is new ------------------------------------------------------------------------

    def minute(self, time: float, values: Array, down: Sequence[str] = ()) -> Step:
        """Work on one minute.

        time : its start; later than all before. [s since 1970-01-01 UTC]
        values : (n_signals,) means of good readings in SI units, NaN where there were none.
        down : devices that did not answer in the whole minute.
        """
        if values.shape != (len(self.train.signals),):
            raise ValueError(f"expected {len(self.train.signals)} values, got shape {values.shape}")
        step = Step(UNKNOWN)
        if self._memory and time // BLOCK_S != self._memory[-1].time // BLOCK_S:
            step = self._close_block(self._memory[-1].time // BLOCK_S * BLOCK_S)
        first_of_block = not self._memory or time // BLOCK_S != self._memory[-1].time // BLOCK_S
        row = self._remember(time, values, down)
        findings = step.findings
        if row.down or first_of_block:
            findings = (*findings, *self._links(row))
        return replace(step, state=row.state, findings=findings)

    def _remember(self, time: float, values: Array, down: Sequence[str]) -> _Row:
        if self._memory and time <= self._memory[-1].time:
            raise ValueError(f"minutes must come in order: {time} after {self._memory[-1].time}")
        baseline = self.baseline
        usual = self._usual if baseline is not None and time >= baseline.made_at else None
        state = self._gate.minute(time, values, usual, cleaning=self._is_cleaning(time))
        if state == CLEANING:
            self._cleaned = time + MINUTE_S
        row = _Row(time, np.array(values, dtype=float), tuple(down), state)
        self._memory.append(row)
        self.upkeep.minute(time, row.values, producing=state in MAKING_PERMEATE)
        while self._memory[0].time < time - LONGEST_MEMORY_S or (
            len(self._memory) > FEWEST_REMEMBERED and self._memory[0].time < time - MEMORY_S
        ):
            self._memory.popleft()
        oldest = time - LONGEST_MEMORY_S - MINUTE_S
        while len(self._cleanings) > 1 and self._cleanings[1][0] < oldest:
            self._cleanings.pop(0)
        return row

    def _close_block(self, start: float) -> Step:
        end = start + BLOCK_S
        findings = self._values(end) + self._window_missed(end)
        rows = [r for r in self._memory if r.time >= start]
        running = [r for r in self._memory if r.state in PRODUCING]
        stuck = self._frozen() if rows[-1].state in PRODUCING else None
        if stuck is not None:
            findings += self._frozen_findings(stuck, end)
        doubtful = {**dict.fromkeys(stuck.undecided, -np.inf), **stuck.since} if stuck else {}
        digest = self._digest(start, rows, running, doubtful)
        step = Step(UNKNOWN) if digest is None else self.digest(digest)
        making = [(r.time, r.values) for r in self._memory if r.state in MAKING_PERMEATE]
        returning = self.upkeep.returning(making, end)
        findings += self.upkeep.told(end)
        return replace(step, findings=(*findings, *step.findings), service=returning)

    def digest(self, digest: Digest) -> Step:
        """Take a new digest, later than all before, and judge the membranes by it."""
        end = digest.start + BLOCK_S
        learned = self.learned if self._take(digest) else None
        made = self._learn(end)
        findings = absolute.drops(self.plan, digest)
        if self._performance is not None:
            digest = replace(digest, explained=self._performance.explained(digest))
            findings += absolute.backpressures(self.plan, digest, self._performance.baseline)
            findings += self._judged(self._performance, end)
            findings += self._raw(digest, self._performance.baseline)
        assessments = self.upkeep.assess(end)
        if self.upkeep.cleanings is not None:
            findings.append(self.upkeep.cleanings.finding())
        return Step(STEADY, digest, made, learned, tuple(findings), assessments)

    def _judged(self, performance: Performance, end: float) -> list[Finding]:
        """What the deviations from the baseline say at `end`."""
        cleanings = self.upkeep.cleanings
        entered = cleanings.last_end if cleanings is not None else None
        cleaned = self._cleaned if entered is None else max(entered, self._cleaned)
        return performance.evaluate(self._series, end, cleaned)

    def _raw(self, digest: Digest, baseline: Baseline) -> list[Finding]:
        """What raw values say, where nothing of a section is normalized."""
        if not thumb.speaks(self.train.signals):
            return []
        if any(not name.startswith("balance/") for name in digest.values):
            return [Finding(matter=thumb.MATTER, presence=Presence.ABSENT, clear_s=DAY_S)]
        return [thumb.finding(self.train.id, self._series.digests, baseline.signals)]

    def _digest(
        self,
        start: float,
        rows: Sequence[_Row],
        running: Sequence[_Row],
        stuck: Mapping[str, float],
    ) -> Digest | None:
        """A digest of the block when all of it is production, complete and steady; else None."""
        # The last minute's steadiness covers the whole block and the end of the one before.
        if any(r.state not in PRODUCING for r in rows) or rows[-1].state != STEADY:
            return None
        recent = sum(1 for r in self._memory if r.time >= start - 3 * BLOCK_S)
        if len(rows) < max(1, recent // 8):
            return None
        minutes = np.array([r.values for r in rows])
        for name, since in stuck.items():
            minutes[np.array([r.time >= since for r in rows]), self.train.signals.index(name)] = (
                np.nan
            )
        alive = transmitters.alive(self.train.signals, np.array([r.values for r in running]))
        made = digests.summarize(self.plan, start, minutes, alive)
        return made if made.values or thumb.speaks(self.train.signals) else None

    # -- baseline -----------------------------------------------------------------------------

    @property
    def _rule_now(self) -> BaselineRule:
        """A window is about the membranes of its time: after a replacement the first hours count."""
        if self._replaced and self._rule.kind == "window":
            return BaselineRule("first_steady", self._rule.hours)
        return self._rule

    def _learn(self, until: float) -> Baseline | None:
        if self._performance is not None:
            return None
        rule = self._rule_now
        source: baselines.Source = rule.kind
        if self._replaced and rule.kind != "design":
            source = "after_replacement"
        made = baselines.make(rule, self._learning, source, until, self._design)
        if made is not None:
            made = replace(made, basis=self.plan.basis)
            self._adopt(made)
        return made

    def _window_missed(self, end: float) -> list[Finding]:
        """A baseline window that has passed without enough steady operation never gives a baseline."""
        rule = self._rule_now
        if rule.kind != "window" or rule.start is None or rule.end is None:
            return []
        missed = self._performance is None and end >= rule.end
        found = len(self._learning)
        missed = missed and found < baselines.FEWEST_DIGESTS
        return [
            Finding(
                matter="baseline",
                presence=Presence.PRESENT if missed else Presence.ABSENT,
                causes=(CauseProbability("none", 1.0),) if missed else (),
                action="watch",
                priority="low",
                since=rule.end if missed else None,
                message=f"{place(self.train.id, None)}: no baseline. Its window {day(rule.start)} to "
                f"{day(rule.end)} holds {found} quarter hours of steady operation, "
                f"{baselines.FEWEST_DIGESTS} are needed. Membranes cannot be judged until the plant "
                "file names another window or the first steady hours."
                if missed
                else "",
                suppressible=False,
            )
        ]

    def _adopt(self, baseline: Baseline) -> None:
        self._performance = Performance(self.plan, baseline)
        self.upkeep.adopt(self._performance)
        self._usual = np.array([baseline.signals.get(s, np.nan) for s in self.train.signals])
        self._learning = []

    @property
    def baseline(self) -> Baseline | None:
        """The baseline in force, None while it is being learned."""
        return self._performance.baseline if self._performance else None

    @property
    def learned(self) -> tuple[Learned, ...]:
        """What is known of the train's own constants beside the textbook's."""
        return self._performance.learned if self._performance else ()

    # -- transmitters and links ---------------------------------------------------------------

    def _links(self, row: _Row) -> list[Finding]:
        found = []
        for device in self._devices:
            lost = device in row.down
            found.append(
                Finding(
                    matter=f"link:{device}",
                    presence=Presence.PRESENT if lost else Presence.ABSENT,
                    causes=(CauseProbability("instrument_fault", 1.0),) if lost else (),
                    action="check_instrument",
                    priority="high",
                    notice_class="alarm",
                    since=self._down_since(device) if lost else None,
                    message=f"{place(self.train.id, None)}: no answer from {device}. "
                    "Nothing is known of what it measures until it answers. Check its power, network and address.",
                    confirm_s=LINK_CONFIRM_S,
                    clear_s=LINK_CONFIRM_S,
                    suppressible=False,
                )
            )
        return found

    def _down_since(self, device: str) -> float:
        since = self._memory[-1].time
        for row in reversed(self._memory):
            if device not in row.down:
                break
            since = row.time
        return since

    def _values(self, end: float) -> list[Finding]:
        """Transmitters that gave no good value in the last two quarter hours while their device answered.

        When that is so of most transmitters of a device, the device is the matter, not each of them; status bits may
        go on.
        """
        rows = [r for r in self._memory if r.time >= end - 2 * BLOCK_S]
        known = np.isfinite(np.array([r.values for r in rows]))
        since = rows[0].time
        found = []
        for device, columns in self._columns_of.items():
            answered = np.array([device not in r.down for r in rows])
            if not answered.any():
                continue
            some = known[answered].any(axis=0)
            measured = [c for c in columns if self.train.signals[c] not in STATUS_ROLES] or columns
            usable = int(some[measured].sum())
            silent = len(measured) > 1 and 2 * usable < len(measured)
            found.append(self._device(device, since if silent else None, usable, len(measured)))
            if not silent:
                found += [
                    self._transmitter(self.train.signals[c], "value", bad=not some[c], since=since)
                    for c in columns
                ]
        return found

    def _device(self, device: str, since: float | None, usable: int, measured: int) -> Finding:
        """The finding about a device of which few values are usable since a time, or not (None)."""
        values = (
            f"only {usable} of its {measured} values have" if usable else "none of its values has"
        )
        return Finding(
            matter=f"values:{device}",
            presence=Presence.ABSENT if since is None else Presence.PRESENT,
            causes=() if since is None else (CauseProbability("instrument_fault", 1.0),),
            action="check_instrument",
            priority="high",
            notice_class="alarm",
            since=since,
            message=f"{place(self.train.id, None)}: {device} answers, but {values} been "
            "usable for half an hour. Check its clock, its program and the addresses in the plant file.",
            confirm_s=VALUE_CONFIRM_S,
            clear_s=VALUE_CONFIRM_S,
            suppressible=False,
        )

    def _frozen(self) -> transmitters.Frozen | None:
        """Frozen transmitters of a running train, None when that cannot be told yet.

        Minutes of standstill count too: what did not move through a stop and a start is frozen.
        """
        baseline = self.baseline
        if baseline is None:
            return None
        times = np.array([r.time for r in self._memory])
        table = np.array([r.values for r in self._memory])
        return transmitters.frozen(self.train.signals, times, table, baseline.alive)

    def _frozen_findings(self, stuck: transmitters.Frozen, end: float) -> list[Finding]:
        baseline = self.baseline
        lively = (
            [s for s, a in baseline.alive.items() if a >= transmitters.ALIVE] if baseline else []
        )
        return [
            self._transmitter(s, "frozen", bad=s in stuck.since, since=stuck.since.get(s, end))
            for s in lively
            if s not in stuck.undecided
        ]

    def _transmitter(self, name: str, kind: str, *, bad: bool, since: float) -> Finding:
        if not bad:
            # Told every quarter hour for every transmitter: made once.
            key = (name, kind)
            if key not in self._healthy:
                self._healthy[key] = self._about(name, kind, None)
            return self._healthy[key]
        return self._about(name, kind, since)

    def _about(self, name: str, kind: str, since: float | None) -> Finding:
        """The finding about a transmitter that is bad since a time, or healthy (None)."""
        bad = since is not None
        tag = f"{self.train.id}/{name}"
        section = name.rpartition("/")[0].partition("-")[0]
        words = {
            "value": f"{tag} has given no usable value for half an hour although its device answers. "
            "Check its wiring, range and address.",
            "frozen": f"{tag} has not moved at all while the train runs: frozen. Do not trust it; "
            "what is computed from it is left out. Check the transmitter and its impulse line.",
        }[kind]
        return Finding(
            matter=f"{kind}:{tag}",
            presence=Presence.PRESENT if bad else Presence.ABSENT,
            stage=int(section) if section.isdigit() else None,
            causes=(CauseProbability("instrument_fault", 0.99, tag),) if bad else (),
            action="check_instrument",
            priority="medium" if kind == "value" else "high",
            notice_class="advisory" if name in STATUS_ROLES else "alarm",
            since=since,
            message=f"{place(self.train.id, None)}: {words}",
            confirm_s=VALUE_CONFIRM_S if kind == "value" else 0.0,
            clear_s=VALUE_CONFIRM_S,
            suppressible=kind == "frozen",
        )
