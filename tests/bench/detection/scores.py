"""What came of a case, and the figures over many of them with their 95 per cent intervals."""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from daemon.judgement import Round
from daemon.rows import Notice
from rules.baseline import BaselineRule
from rules.watch import Watch
from rules.words import CAUSE_WORDS
from tests.bench.detection import baselines
from tests.bench.detection.cases import ACTIONS, FAMILY, Case
from tests.bench.detection.histories import DAY_S, History, recorded

LIMITS = {
    "permeate_flow": np.log(0.90),
    "salt_passage": np.log(1.10),
    "pressure_drop": np.log(1.15),
}
LAST_LINE = "limit:"


@dataclass(frozen=True, slots=True)
class Line:
    """One raised, updated or cleared. alike : causes that by its evidence nothing tells from the first."""

    day: float
    event: str
    matter: str
    cause: str
    causes: tuple[tuple[str, float, str | None], ...]
    stage: int | None
    action: str
    message: str
    alike: frozenset[str] = frozenset()

    @property
    def point(self) -> str | None:
        """Signal of the transmitter that is named first."""
        point = self.causes[0][2] if self.causes else None
        return point.partition("/")[2] if point else None


@dataclass(frozen=True, slots=True)
class Outcome:
    """A case and all that was told. crossed : day on which a customary criterion was truly crossed, inf if never."""

    case: Case
    lines: tuple[Line, ...]
    crossed: float
    passage: float
    stages_known: bool
    fixed: tuple[baselines.Alarm, ...] = ()
    daily: tuple[baselines.Alarm, ...] = ()

    @property
    def raised(self) -> list[Line]:
        """Notices raised, the last line (absolute limits) left out."""
        return [x for x in self.lines if x.event == "raised" and not x.matter.startswith(LAST_LINE)]

    @property
    def first(self) -> Line | None:
        """First notice after the onset."""
        return next((x for x in self.raised if x.day >= self.case.onset), None)


def told(history: History, every: int = 1) -> list[Line]:
    """All that the daemon would tell of a history; `every` digest is judged, the others are learned from."""
    watch = Watch(history.plan, dict.fromkeys(history.plan.train.signals, "plc"), BaselineRule())
    train = history.plan.train.id
    live: dict[str, Notice] = {}
    lines: list[Line] = []
    last: float | None = None
    numbers = itertools.count(1)
    for one in history.told:
        findings = [f for f in one.findings if not f.matter.startswith(LAST_LINE)]
        digest = one.digest
        if digest is not None:
            if watch.baseline is None or int(digest.start // 900) % every == 0:
                findings += watch.digest(digest).findings
            else:
                watch.absorb_digest(digest)
        round_ = Round(
            train, one.time, last, one.state, numbers.__next__, refresh=digest is not None
        )
        round_.run(live, findings)
        for notice in round_.changed.values():
            live[notice.matter] = notice
        live = {m: n for m, n in live.items() if n.live}
        for step in round_.steps:
            if step.event not in ("raised", "updated", "cleared"):
                continue
            causes = tuple((c["cause"], c["probability"], c["point"]) for c in step.body["causes"])
            lines.append(
                Line(
                    (one.time - history.start) / DAY_S,
                    step.event,
                    step.notice.matter,
                    step.body["cause"],
                    causes,
                    step.body["stage"],
                    step.body["action"],
                    step.body["message"],
                    alike_told(step.notice.evidence),
                )
            )
        last = one.time
    return lines


NOT_TOLD_APART = "The instruments of this train do not tell it from "


def alike_told(evidence: Sequence[str]) -> frozenset[str]:
    """Causes that the evidence of a notice says are not to be told from the first."""
    said = next((line for line in evidence if line.startswith(NOT_TOLD_APART)), "")
    names = said.removeprefix(NOT_TOLD_APART).rstrip(".").split(" or ") if said else []
    words = {word: cause for cause, word in CAUSE_WORDS.items()}
    return frozenset(words.get(name, "instrument_fault") for name in names)


def _crossed(history: History) -> tuple[float, float]:
    """Day of the first true crossing after the onset, and the largest true change of salt passage."""
    onset = history.case.onset
    if not np.isfinite(onset):
        return np.inf, 0.0
    before = int(np.searchsorted(history.days, onset))
    first, passage = np.inf, 0.0
    for quantities in history.condition.values():
        for quantity, values in quantities.items():
            change = np.array(values) - values[max(before - 1, 0)]
            beyond = np.flatnonzero(change / LIMITS[quantity] >= 1.0)
            beyond = beyond[beyond >= before]
            if len(beyond):
                first = min(first, float(history.days[beyond[0]]))
            if quantity == "salt_passage":
                passage = max(passage, float(np.expm1(change[before:].max(initial=0.0))))
    return first, passage


def outcome(case: Case, step_s: float, cache: Path | None, every: int = 1) -> Outcome:
    """Record (or read back) a case and judge it."""
    history = recorded(case, step_s, cache)
    names = {s.name for s in history.plan.sections if s.quantities}
    crossed, passage = _crossed(history)
    return Outcome(
        case,
        tuple(told(history, every)),
        crossed,
        passage,
        "1" in names and "train" not in names,
        tuple(baselines.fixed_limits(history)),
        tuple(baselines.daily_criteria(history)),
    )


# -- figures ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Figure:
    """One row of the table: value with 95 per cent interval over `count` cases."""

    name: str
    value: float
    low: float
    high: float
    count: int
    unit: str = "%"

    @property
    def short(self) -> str:
        """The value alone."""
        return f"{self.value:.{1 if self.unit == '%' else 2}f}" if self.count else "-"

    def __str__(self) -> str:
        if not self.count:
            return "-"
        digits = 1 if self.unit == "%" else 2
        if not np.isfinite(self.low):
            return self.short
        return f"{self.short} ({self.low:.{digits}f} to {self.high:.{digits}f})"


def wilson(hits: int, count: int) -> tuple[float, float]:
    """95 per cent interval of a share. Source: Wilson 1927, J. Am. Stat. Assoc. 22, 209, from memory."""
    if not count:
        return 0.0, 1.0
    z, share = 1.96, hits / count
    middle = share + z * z / (2 * count)
    half = z * np.sqrt(share * (1 - share) / count + z * z / (4 * count**2))
    scale = 1 + z * z / count
    return max(0.0, float((middle - half) / scale)), min(1.0, float((middle + half) / scale))


def share(name: str, hits: Sequence[bool]) -> Figure:
    """A share of cases in per cent."""
    low, high = wilson(sum(hits), len(hits))
    value = 100.0 * sum(hits) / len(hits) if len(hits) else np.nan
    return Figure(name, value, 100 * low, 100 * high, len(hits))


def quantile(name: str, values: Sequence[float], q: float, unit: str) -> Figure:
    """A quantile with its interval by order statistics (bootstrap of 1000, fixed seed)."""
    if not len(values):
        return Figure(name, np.nan, np.nan, np.nan, 0, unit)
    rng = np.random.default_rng(1)
    data = np.array(values)
    drawn = np.quantile(rng.choice(data, (1000, len(data))), q, axis=1)
    low, high = np.quantile(drawn, (0.025, 0.975))
    return Figure(name, float(np.quantile(data, q)), float(low), float(high), len(data), unit)


def rate(name: str, events: int, years: float) -> Figure:
    """Events a year; interval of a Poisson count (Wilson-Hilferty approximation of chi-squared)."""
    if years <= 0:
        return Figure(name, np.nan, np.nan, np.nan, 0, "/yr")

    def bound(n: float, z: float) -> float:
        return n * (1 - 1 / (9 * n) + z / (3 * np.sqrt(n))) ** 3 if n > 0 else 0.0

    return Figure(
        name,
        events / years,
        bound(events, -1.96) / years,
        bound(events + 1, 1.96) / years,
        round(years),
        "/yr",
    )


def right_cause(case: Case, line: Line, cause: str, point: str | None) -> bool:
    """Whether a cause is the true one; O-ring and damaged element are one for a train's instruments."""
    if case.cause == "instrument_fault":
        return cause == case.cause and (point or "").partition("/")[2] in case.points
    pair = {"o_ring_leak", "damaged_element"}
    return cause == case.cause or {cause, case.cause} <= pair


MEMBRANE = {"fouling", "scaling", "membrane damage", "seal leak", "bypass", "compaction"}


def figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """The table of the evaluation."""
    faulty = [o for o in outcomes if o.case.cause != "none"]
    sound = [o for o in outcomes if o.case.cause == "none"]
    noticed = [o for o in faulty if o.first is not None]
    firsts = [(o, o.first) for o in noticed if o.first is not None]
    staged = [
        (o, f)
        for o, f in firsts
        if o.stages_known
        and len(o.case.scenario.plant.stages) > 1
        and o.case.family in MEMBRANE | {"operation"}
    ]
    slow = [
        o for o in faulty if o.case.slow and np.isfinite(o.crossed) and o.case.family in MEMBRANE
    ]
    leads = [o.crossed - (o.first.day if o.first else o.case.scenario.days) for o in slow]
    weeks = [lead for o, lead in zip(slow, leads, strict=True) if o.crossed - o.case.onset >= 21.0]
    part = [lead / (o.crossed - o.case.onset) for o, lead in zip(slow, leads, strict=True)]
    leaks = [
        o for o in faulty if o.case.family == "seal leak" and not o.case.slow and o.passage >= 0.15
    ]
    delays = [24 * ((o.first.day if o.first else np.inf) - o.case.onset) for o in leaks]
    meters = [(o, f) for o, f in firsts if o.case.family == "instrument"]
    years = sum(o.case.scenario.days for o in sound) / 365.25
    early = sum(1 for o in faulty for x in o.raised if x.day < o.case.onset)
    quiet_years = sum(o.case.onset for o in faulty) / 365.25
    false = sum(1 for o in sound for x in o.raised)
    return [
        share("family right first", [FAMILY.get(f.cause) == o.case.family for o, f in firsts]),
        share(
            "family within first two",
            [o.case.family in {FAMILY.get(c[0]) for c in f.causes[:2]} for o, f in firsts],
        ),
        share(
            "family right first, or said not to be told apart",
            [o.case.family in {FAMILY.get(c) for c in (f.cause, *f.alike)} for o, f in firsts],
        ),
        share(
            "cause right first",
            [right_cause(o.case, f, f.cause, f.causes[0][2]) for o, f in firsts],
        ),
        share("stage right", [f.stage == o.case.stage for o, f in staged]),
        share("action right", [f.action in ACTIONS[o.case.family] for o, f in firsts]),
        share("missed", [o.first is None for o in faulty]),
        quantile("lead, median", leads, 0.5, "d"),
        quantile("lead, 90 % have more than", leads, 0.1, "d"),
        quantile("lead where a crossing takes three weeks or more, median", weeks, 0.5, "d"),
        quantile("lead where it takes that long, 90 % have more than", weeks, 0.1, "d"),
        quantile("lead over time from onset to crossing, median", part, 0.5, ""),
        quantile("leak delay, median", delays, 0.5, "h"),
        quantile("leak delay, 90 % within", delays, 0.9, "h"),
        rate("notices, sound", false, years),
        rate("notices before onset", early, quiet_years),
        share("meter blamed on membranes", [FAMILY.get(f.cause) in MEMBRANE for _, f in meters]),
        Figure(
            "notices per fault",
            float(np.mean([sum(x.day >= o.case.onset for x in o.raised) for o in noticed]))
            if noticed
            else np.nan,
            np.nan,
            np.nan,
            len(noticed),
            "",
        ),
        calibration(firsts),
    ]


def calibration(firsts: Sequence[tuple[Outcome, Line]], bins: int = 10) -> Figure:
    """Expected calibration error: mean over bins of probability of |share right - mean probability|."""
    if not firsts:
        return Figure("calibration error", np.nan, np.nan, np.nan, 0, "")
    said, hit = [], []
    for o, f in firsts:
        cause, p, point = f.causes[0]
        pair = {"o_ring_leak", "damaged_element"}
        said.append(min(1.0, sum(c[1] for c in f.causes if c[0] in pair)) if cause in pair else p)
        hit.append(right_cause(o.case, f, cause, point))
    p, h = np.array(said), np.array(hit, dtype=float)
    at = np.minimum((p * bins).astype(int), bins - 1)
    error = sum(abs(h[at == b].mean() - p[at == b].mean()) * (at == b).sum() for b in np.unique(at))
    return Figure("calibration error", float(error / len(p)), np.nan, np.nan, len(p), "")


def plain(
    outcomes: Sequence[Outcome], which: Callable[[Outcome], tuple[baselines.Alarm, ...]]
) -> list[Figure]:
    """The figures that a plain method can be asked for."""
    faulty = [o for o in outcomes if o.case.cause != "none"]
    sound = [o for o in outcomes if o.case.cause == "none"]
    firsts = [(o, next((a for a in which(o) if a.day >= o.case.onset), None)) for o in faulty]
    named = [(o, a) for o, a in firsts if a is not None]
    slow = [
        (o, a)
        for o, a in firsts
        if o.case.slow and np.isfinite(o.crossed) and o.case.family in MEMBRANE
    ]
    leads = [o.crossed - (a.day if a else o.case.scenario.days) for o, a in slow]
    years = sum(o.case.scenario.days for o in sound) / 365.25
    quiet = sum(o.case.onset for o in faulty) / 365.25
    meters = [(o, a) for o, a in named if o.case.family == "instrument"]
    return [
        share("family right first", [FAMILY.get(a.cause) == o.case.family for o, a in named]),
        share("missed", [a is None for _, a in firsts]),
        quantile("lead, median", leads, 0.5, "d"),
        quantile("lead, 90 % have more than", leads, 0.1, "d"),
        rate("notices, sound", sum(len(which(o)) for o in sound), years),
        rate(
            "notices before onset",
            sum(a.day < o.case.onset for o in faulty for a in which(o)),
            quiet,
        ),
        share("meter blamed on membranes", [FAMILY.get(a.cause) in MEMBRANE for _, a in meters]),
    ]
