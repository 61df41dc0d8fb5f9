"""The normalization loop: where minutes of readings meet the rules, and findings become notices.

Live operation, `replay` and the catching up after a restart all go through `Normalizer.take`,
minute by minute in order of time. What it has to remember is rebuilt from history by `rebuild`.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from heapq import merge

import numpy as np

from daemon.minutes import MINUTE_S, Minute
from daemon.notices import Notices
from daemon.plantfile.result import TrainConfig
from daemon.record import Record
from daemon.rows import JournalLine, MaintenanceEvent
from daemon.sqlite import StoreError
from rules import sections
from rules.baseline import Baseline, BaselineRule, BasisChanged
from rules.design import ElementTest
from rules.digest import BLOCK_S, Digest
from rules.series import BIN_S, COARSE_S
from rules.service import Service
from rules.watch import NEW_BASELINE, SEEN_FROM_S, Watch

REBUILD_S = COARSE_S + 86400.0
"""Digests of this long a time are read back after a restart, and all since the baseline: what the rules
remember, and what they learn from. [s]"""

READ_AT_ONCE = 500
"""Digests read back at a time: a year of them would not fit a gateway's memory."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one minute brought.

    time : start of the minute. [s since 1970-01-01 UTC] lines : what was journalled.
    state : the operating state. changed : whether it is a new one. learned : a baseline is in force.
    """

    time: float
    lines: tuple[JournalLine, ...]
    state: str
    changed: bool
    learned: bool


class Normalizer:
    """Judges the minutes of one train.

    train : the train of the plant file. record, notices : where conclusions go, in one transaction.
    """

    def __init__(self, train: TrainConfig, record: Record, notices: Notices) -> None:
        self.train = train
        self.plan = sections.plan(train.model)
        self._record = record
        self._notices = notices
        device = {point.signal: point.device for point in train.points}
        self._watch = Watch(self.plan, device, _rule(train))
        self._events: list[MaintenanceEvent] = []
        self._events_version: tuple[int, int] | None = None
        self._applied: set[int] = set()
        self._state: str | None = None

    @property
    def judged_until(self) -> float:
        """Start of the last minute whose conclusions are in the record; -inf when there is none."""
        progress = self._record.progress(self.train.id)
        return progress.minute if progress else -np.inf

    @property
    def baseline(self) -> Baseline | None:
        """The baseline in force."""
        return self._watch.baseline

    @property
    def state(self) -> str:
        """Operating state at the last minute."""
        return self._state or "unknown"

    @property
    def memory_from(self) -> float:
        """Minutes from here to `judged_until` are wanted by `rebuild`. [s]"""
        return self.judged_until - SEEN_FROM_S - MINUTE_S

    def rebuild(self, minutes: Iterable[Minute]) -> None:
        """Bring the rules to where they were when the last conclusions were written.

        minutes : those from `memory_from` to `judged_until`, both included, in order of time.
        """
        until = self.judged_until
        if not np.isfinite(until):
            return
        train = self.train.id
        events = [e for e in self._record.events(train) if e.t <= until]
        fresh = max((e.t for e in events if e.event in NEW_BASELINE), default=-np.inf)
        made = [Baseline(**body) for body in self._record.baselines(train)]
        for old in [b for b in made if b.made_at <= fresh][-1:]:
            self._watch.absorb_old_baseline(old)
        made = [b for b in made if b.made_at > fresh]
        after = fresh
        if made:
            after = max(fresh, min(until - REBUILD_S, made[-1].made_at - BIN_S))
        few: list[tuple[float, int, Digest | Baseline | MaintenanceEvent]] = []
        few += [(e.t, 0, e) for e in events]
        few += [(b.made_at, 2, b) for b in made]
        few.sort(key=lambda item: item[:2])
        many = ((d.start + BLOCK_S, 1, d) for d in self._digests(after, until))
        for _, _, thing in merge(few, many, key=lambda item: item[:2]):
            if isinstance(thing, Digest):
                self._watch.absorb_digest(thing)
            elif isinstance(thing, Baseline):
                self._take_baseline(thing)
            else:
                self._watch.event(thing.t, thing.event, thing.detail)
                self._applied.add(thing.id)
        for body in self._record.services(train)[-1:]:
            self._watch.absorb_service(Service.from_json(body))
        for minute in minutes:
            if minute.time <= until:
                self._watch.absorb_minute(float(minute.time), minute.values, minute.down)
        progress = self._record.progress(train)
        self._state = progress.state if progress else None

    def _digests(self, after: float, until: float) -> Iterator[Digest]:
        """Stored digests that start in (after, until], in order."""
        while bodies := self._record.digests(self.train.id, after, until, limit=READ_AT_ONCE):
            for body in bodies:
                yield Digest(**body)
            after = float(bodies[-1]["start"])

    def _take_baseline(self, baseline: Baseline) -> None:
        try:
            self._watch.absorb_baseline(baseline)
        except BasisChanged as error:
            raise StoreError(
                f"{self._record.path}: train {self.train.id}: {error}. What is stored cannot be compared "
                "with what would be computed now: take the plant file back to what it was, or give it a "
                "new [store] folder"
            ) from error

    def take(self, minute: Minute) -> Outcome:
        """Judge one minute that is later than all before, and write what follows from it."""
        self._take_events(minute.time + MINUTE_S)
        step = self._watch.minute(float(minute.time), minute.values, minute.down)
        changed = step.state != self._state
        lines: list[JournalLine] = []
        stored = (step.digest, step.baseline, step.service)
        if step.findings or changed or any(thing is not None for thing in stored):
            lines = self._notices.process(
                self.train.id,
                float(minute.time),
                step.findings,
                state=step.state,
                progress=minute.time,
                digest=step.digest,
                baseline=step.baseline,
                learned=step.learned,
                assessments=step.assessments,
                service=step.service,
            )
        self._state = step.state
        return Outcome(
            float(minute.time),
            tuple(lines),
            step.state,
            changed,
            self._watch.baseline is not None,
        )

    def _take_events(self, until: float) -> None:
        """Give the rules the maintenance events that people have entered up to this minute."""
        version = self._record.version()
        if version != self._events_version:
            self._events_version = version
            events = self._record.events(self.train.id)
            self._events = [e for e in events if e.id not in self._applied]
        for event in [e for e in self._events if e.t < until]:
            self._watch.event(event.t, event.event, event.detail)
            self._applied.add(event.id)
            self._events.remove(event)


def _rule(train: TrainConfig) -> BaselineRule:
    config, test = train.baseline, train.element_test
    if config.kind == "window":
        return BaselineRule("window", config.hours, config.start, config.end)
    if config.kind == "design" and test is not None:  # a plant file without it is refused
        return BaselineRule(
            "design",
            config.hours,
            element_test=ElementTest(
                nominal_flow_m3d=test.nominal_flow_m3d,
                rejection=test.rejection,
                pressure_bar=test.pressure_bar,
                temperature_c=test.temperature_c,
                concentration_mg_l=test.concentration_mg_l,
                recovery=test.recovery,
            ),
        )
    return BaselineRule("first_steady", config.hours)
