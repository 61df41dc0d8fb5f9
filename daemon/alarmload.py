"""How much the alarms of a plant ask of people: the load figures of ISA-18.2 and IEC 62682, from the journal.

Limits and definitions: ANSI/ISA-18.2-2016 and IEC 62682, performance metrics, and EEMUA 191, from memory, partly
read; tests/reference/alarm_metrics.csv. They are for one operator position and at least 30 days. Only notices
of class alarm count: advisories wait for working hours and ask nobody to act within minutes.
"""

import json
import math
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from daemon.rows import JournalLine, Notice

DAY_S, HOUR_S, TEN_MIN_S, MINUTE_S = 86400.0, 3600.0, 600.0, 60.0

FLOOD_STARTS_ABOVE, FLOOD_ENDS_BELOW = 10, 5
"""Alarms in ten minutes above which a flood starts and below which it ends."""

CHATTERS_FROM = 3
"""Transitions of one alarm within a minute from which on it chatters."""

STALE_S = DAY_S
"""An alarm that stands for longer is stale. [s]"""

BUSY_HOUR = 30
"""Alarms in an hour above which it counts as a busy one."""

MOST_FREQUENT = 10
"""Alarms whose share of the load is looked at together."""

LEAST_S = 30 * DAY_S
"""Figures of a shorter time say little. [s]"""

FEWEST = 100
"""Shares of fewer alarms are not judged: one alarm would be a per cent or more. A choice of ours."""

Verdict = Literal["acceptable", "manageable", "too high", "not judged"]


@dataclass(frozen=True, slots=True)
class Limit:
    """What a figure may be. `below` : the acceptable value itself is too much already."""

    acceptable: float
    manageable: float | None = None
    below: bool = False


LIMITS: Mapping[str, Limit] = {
    "per_day": Limit(150, 300),
    "per_hour": Limit(6, 12),
    "per_10_min": Limit(1, 2),
    "busy_hours": Limit(0.01, below=True),
    "busy_10_min": Limit(0.01, below=True),
    "largest_10_min": Limit(10),
    "flood": Limit(0.01, below=True),
    "most_frequent": Limit(0.01, 0.05),
    "chattering": Limit(0),
    "stale": Limit(5, below=True),
    "high": Limit(0.05),
    "medium": Limit(0.15),
}
"""Figure -> its limits; the largest share of the most frequent ones is "1 % to 5 %, with an action plan"."""

SHARES_OF_ALARMS = ("most_frequent", "high", "medium")
"""Figures that are not judged for fewer than `FEWEST` alarms."""

Kind = Literal["announced", "returned", "set aside"]


@dataclass(frozen=True, slots=True)
class Change:
    """One transition of one alarm. source : train and matter, the same each time it comes. at : plant time. [s]"""

    at: float
    train: str
    source: str
    kind: Kind
    priority: str


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the load: a count, a rate or a share [-], and how it stands against `LIMITS`."""

    name: str
    value: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Load:
    """The load of a time. [s] figures : in the order of `LIMITS`. priorities : alarms of each.

    most_frequent : the alarms that came most often, with how often. chattering, stale : which they are.
    """

    since: float
    until: float
    alarms: int
    figures: tuple[Figure, ...]
    priorities: Mapping[str, int]
    most_frequent: tuple[tuple[str, int], ...]
    chattering: tuple[str, ...]
    stale: tuple[str, ...]

    @property
    def days(self) -> float:
        """Length of the time. [d]"""
        return (self.until - self.since) / DAY_S

    @property
    def long_enough(self) -> bool:
        """Whether the time is as long as the limits are meant for."""
        return self.until - self.since >= LEAST_S

    def figure(self, name: str) -> Figure:
        """The figure of this name."""
        return next(f for f in self.figures if f.name == name)


def changes(lines: Iterable[JournalLine], notices: Mapping[str, Notice]) -> list[Change]:
    """Transitions of every notice that has been told as an alarm, in the order of the journal.

    notices : by id; those of the journal. An alarm is announced when it is raised, when it comes back after it had
    cleared, and when it comes off the shelf, out of suppression or into service while its condition stands,
    unless it had been acknowledged. An advisory that becomes an alarm is announced by the update that first
    has high priority, which every alarm here has: the journal does not name the class of a step.
    """
    found: list[Change] = []
    present: dict[str, bool] = {}
    aside: dict[str, bool] = {}
    acknowledged: dict[str, bool] = {}
    counts: dict[str, bool] = {}
    priority: dict[str, str] = {}
    for line in lines:
        notice = notices[line.notice]
        if "alarm" not in notice.classes_told:
            continue
        name = line.notice
        kind: Kind | None = None
        body = json.loads(line.body)
        was = present.get(name, False)
        priority[name] = body.get("priority", priority.get(name, "low"))
        counted = counts.get(name, False)
        if not counted and (notice.classes_told[0] == "alarm" or priority[name] == "high"):
            counts[name] = True
        if line.event in ("raised", "updated"):
            present[name] = True
            if not was:
                acknowledged[name] = False
            if not aside.get(name) and not (was and counted):
                kind = "announced"
        elif line.event == "cleared":
            present[name] = False
            kind = "returned" if was and not aside.get(name) else None
        elif line.event == "acknowledged":
            acknowledged[name] = True
        elif line.event in ("shelved", "suppressed", "out_of_service"):
            kind = "set aside" if was and not aside.get(name) else None
            aside[name] = True
        elif line.event in ("unshelved", "unsuppressed", "in_service"):
            aside[name] = False
            # Suppression keeps an acknowledgement, people's setting aside does not.
            if was and not (line.event == "unsuppressed" and acknowledged.get(name)):
                kind = "announced"
        if kind is not None and counts.get(name):
            source = f"{line.train}/{notice.matter}"
            found.append(Change(line.at, line.train, source, kind, priority[name]))
    return found


def load(found: Sequence[Change], since: float, until: float) -> Load:
    """The load figures from `since` to before `until`. [s]

    found : changes before `since` tell what stood already. Raises ValueError when there is
    no time between the two.
    """
    if not until > since:
        raise ValueError(f"until must be after since, got {until!r} and {since!r}")
    found = sorted(found, key=lambda c: c.at)
    announced = [c for c in found if c.kind == "announced" and since <= c.at < until]
    times = [c.at for c in announced]
    span = until - since
    often = Counter(c.source for c in announced)
    most = tuple(often.most_common(MOST_FREQUENT))
    priorities = Counter(c.priority for c in announced)
    chattering, stale = _chattering(found, since, until), _stale(found, since, until)
    n = len(times)
    values = {
        "per_day": n / span * DAY_S,
        "per_hour": n / span * HOUR_S,
        "per_10_min": n / span * TEN_MIN_S,
        "busy_hours": _share_of_periods(times, since, until, HOUR_S, BUSY_HOUR),
        "busy_10_min": _share_of_periods(times, since, until, TEN_MIN_S, FLOOD_STARTS_ABOVE),
        "largest_10_min": float(_largest(times)),
        "flood": _flooded(times, until) / span,
        "most_frequent": sum(count for _, count in most) / n if n else math.nan,
        "chattering": float(len(chattering)),
        "stale": float(_most_in_a_day(stale)),
        "high": priorities["high"] / n if n else math.nan,
        "medium": priorities["medium"] / n if n else math.nan,
    }
    return Load(
        since,
        until,
        n,
        tuple(Figure(name, values[name], _verdict(name, values[name], n)) for name in LIMITS),
        dict(priorities),
        most,
        chattering,
        tuple(sorted({source for source, _, _ in stale})),
    )


def _verdict(name: str, value: float, alarms: int) -> Verdict:
    limit = LIMITS[name]
    if math.isnan(value) or (name in SHARES_OF_ALARMS and alarms < FEWEST):
        return "not judged"
    if value < limit.acceptable or (value == limit.acceptable and not limit.below):
        return "acceptable"
    if limit.manageable is not None and value <= limit.manageable:
        return "manageable"
    return "too high"


def _share_of_periods(
    times: Sequence[float], since: float, until: float, length_s: float, above: int
) -> float:
    """Share of the periods of this length, counted from `since`, with more than `above` alarms."""
    counts = Counter(math.floor((t - since) / length_s) for t in times)
    return sum(c > above for c in counts.values()) / math.ceil((until - since) / length_s)


def _largest(times: Sequence[float]) -> int:
    """Most alarms within any ten minutes."""
    return max((k + 1 - bisect_right(times, t - TEN_MIN_S) for k, t in enumerate(times)), default=0)


def _flooded(times: Sequence[float], until: float) -> float:
    """Time in flood until `until`. [s]"""
    steps = sorted([(t, 1) for t in times] + [(t + TEN_MIN_S, -1) for t in times])
    within, began, total = 0, None, 0.0
    for t, step in steps:
        if t >= until:
            break
        within += step
        if began is None and within > FLOOD_STARTS_ABOVE:
            began = t
        elif began is not None and within < FLOOD_ENDS_BELOW:
            total, began = total + t - began, None
    return total if began is None else total + until - began


def _chattering(found: Sequence[Change], since: float, until: float) -> tuple[str, ...]:
    """Alarms with `CHATTERS_FROM` or more transitions within a minute."""
    by_source: dict[str, list[float]] = defaultdict(list)
    for change in found:
        if change.kind != "set aside" and since <= change.at < until:
            by_source[change.source].append(change.at)
    return tuple(
        sorted(
            source
            for source, times in by_source.items()
            if any(
                last - first < MINUTE_S
                for first, last in zip(times, times[CHATTERS_FROM - 1 :], strict=False)
            )
        )
    )


def _stale(found: Sequence[Change], since: float, until: float) -> list[tuple[str, float, float]]:
    """Alarm, begin and end of every time in which it was stale. [s]"""
    standing: dict[str, float] = {}
    stale = []
    for change in [c for c in found if c.at < until]:
        if change.kind == "announced":
            standing.setdefault(change.source, change.at)
        elif change.source in standing:
            stale.append((change.source, standing.pop(change.source) + STALE_S, change.at))
    stale += [(source, begin + STALE_S, until) for source, begin in standing.items()]
    return [(name, max(a, since), b) for name, a, b in stale if b > max(a, since)]


def _most_in_a_day(stale: Sequence[tuple[str, float, float]]) -> int:
    """Most alarms that were stale on one day (UTC)."""
    days: dict[int, set[str]] = defaultdict(set)
    for source, begin, end in stale:
        for day in range(math.floor(begin / DAY_S), math.ceil(end / DAY_S)):
            days[day].add(source)
    return max(map(len, days.values()), default=0)
