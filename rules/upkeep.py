"""What people do to a train, followed: its cleanings, repairs, calibrations and returns to service.

It remembers the six-hour medians since the baseline and what people entered since the membranes; both follow
from stored digests and events. How far a return to service has come is stored, and read back after a restart.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rules import assessment, digest, robust, service
from rules.assessment import Assessment
from rules.baseline import Baseline
from rules.cleanings import Cleanings, Done, jobs
from rules.findings import Finding
from rules.levels import Levels
from rules.performance import Performance
from rules.sections import Plan
from rules.series import Bin
from rules.service import Service, Window

Array = NDArray[np.float64]

MEMBRANES = "membranes_replaced"
ASSESSED = frozenset(
    {"cleaning_start", "cleaning_end", "element_replaced", "seals_replaced", "calibrated"}
)


class Upkeep:
    """See the module. One for each watch.

    design : levels of new membranes by the data sheet, empty without one. [-]
    """

    def __init__(self, plan: Plan, design: Mapping[str, float]) -> None:
        self._plan = plan
        self._design = design
        self._done: list[Done] = []
        self._performance: Performance | None = None
        self._levels: Levels | None = None
        self._old: Baseline | None = None
        self._fresh: list[Assessment] = []
        self._asked = True
        self.cleanings: Cleanings | None = None
        self.service: Service | None = None

    # -- what is known of the train -----------------------------------------------------------

    def adopt(self, performance: Performance) -> None:
        """A baseline is in force: what is done from now on is judged against it."""
        self._performance = performance
        baseline = performance.baseline
        self._levels = Levels(self._plan.observables, baseline.spread)
        self.cleanings = Cleanings(self._plan.train, self._levels, performance.cause_of)
        replaced = [d.at for d in self._done if d.event == MEMBRANES]
        if replaced and self._old is not None:
            self._fresh.append(assessment.membranes(replaced[-1], self._old, baseline))
        if self.service is not None:
            self.service = self._against_baseline(self.service)
        self._asked = True

    def _against_baseline(self, begun: Service) -> Service:
        """A return to service whose level was stated by itself, held against the baseline that there is now."""
        if begun.against_baseline or self._performance is None:
            return begun
        values = self._performance.baseline.values
        reference = {o: v - values[o] for o, v in begun.reference.items() if o in values}
        return replace(begun, reference=reference, against_baseline=True)

    def absorb_old_baseline(self, baseline: Baseline) -> None:
        """Take the baseline of the membranes that were replaced last."""
        self._old = baseline

    def absorb_service(self, stored: Service) -> None:
        """Take how far a return to service had come, when it is the one that is followed."""
        now = self.service
        if now is not None and (now.event, now.at) == (stored.event, stored.at):
            self.service = self._against_baseline(stored)

    def learn(self, closed: Bin) -> None:
        """Take six hours of digests since the baseline."""
        if self._performance is not None and self._levels is not None:
            deviation = self._performance.deviations(closed.levels, closed.point)
            self._levels.add(closed.time, closed.count, deviation)
            self._asked = True

    # -- what people did ------------------------------------------------------------------------

    def event(self, time: float, kind: str, detail: str) -> None:
        """Take what people entered. [s since 1970-01-01 UTC]"""
        now = self.service
        # What was done to several vessels at once is one return to service.
        if kind in service.JOBS and (
            now is None or time > now.at or (time == now.at and kind != now.event)
        ):
            self.service = self._begin(time, kind)
        if kind == MEMBRANES:
            if self._performance is not None:
                self._old = self._performance.baseline
            self._performance = self._levels = self.cleanings = None
            self._done = [d for d in self._done if d.at >= time]
        if kind in ASSESSED or kind == MEMBRANES:
            self._done.append(Done(time, kind, detail))
            self._asked = True

    def _begin(self, time: float, kind: str) -> Service:
        """A return to service from `time` on, with the level it has to come back to."""
        baseline = self._performance.baseline if self._performance is not None else None
        begun = Service(kind, time, {}, False, "", None, time)
        if baseline is not None:
            begun = replace(begun, feed_ph=baseline.signals.get("feed_ph"))
        if kind == MEMBRANES:
            if self._design:
                return replace(begun, reference=self._design, basis="the data sheet")
            if baseline is None:
                return begun
            return replace(
                begun, reference=dict(baseline.values), basis="the old membranes when new"
            )
        levels = self._levels
        if levels is None:
            return begun
        if kind == "cleaning_end":
            over, _ = jobs([*self._done, Done(time, kind)])
            before = levels.before(
                over[-1].begin, assessment.BEFORE_S, assessment.LONGEST_BEFORE_S, 1
            )
            values = before.values if before is not None else np.zeros(len(levels.observables))
            basis = "the level before it" if before is not None else "the baseline"
        else:
            signs = np.array([assessment.sign_of(name) for name in levels.observables])
            values = levels.best(time - assessment.EARLIER_S, time, signs)
            basis = "the best of the weeks before"
        reference = digest.finite(levels.observables, values)
        return replace(begun, reference=reference, against_baseline=True, basis=basis)

    # -- as time goes on --------------------------------------------------------------------------

    def minute(self, time: float, values: Array, *, producing: bool) -> None:
        """Count one minute toward a return to service."""
        if self.service is not None:
            signals = self._plan.train.signals
            feed = values[signals.index("feed_flow")] if "feed_flow" in signals else np.nan
            self.service = self.service.minute(time, producing=producing, feed_m3h=float(feed))

    def returning(self, rows: Sequence[tuple[float, Array]], now: float) -> Service | None:
        """Judge a return to service by the minutes of production up to `now`, the newest last.

        returns : how far it has come, when there is one that is followed.
        """
        if self.service is None or not self.service.followed or now < self.service.at:
            return None
        window = self._window([r for r in rows if r[0] >= self.service.at], now)
        # Levels cannot be held against a baseline that is gone.
        comparable = self._performance is not None or not self.service.against_baseline
        if window is not None and comparable:
            self.service = service.judge(self.service, window, now)
        return self.service

    def _window(self, rows: Sequence[tuple[float, Array]], now: float) -> Window | None:
        chosen = [r for r in rows if r[0] >= now - service.WINDOW_S]
        if len(chosen) < service.FEWEST_MINUTES:
            # Where minutes come seldom, the last few.
            chosen = list(rows[-service.FEWEST_MINUTES :])
        if len(chosen) < service.FEWEST_MINUTES or chosen[-1][0] < now - service.WINDOW_S:
            return None
        table = np.array([values for _, values in chosen])
        half = len(table) // 2
        halves = np.array([robust.median(table[:half]), robust.median(table[half:])])
        levels = self._plan.observe(halves)
        if self._performance is not None:
            points = np.array([self._point(row) for row in halves])
            levels = self._performance.deviations(levels, points)
        names = self._plan.observables
        signals = self._plan.train.signals
        ph = halves[1, signals.index("feed_ph")] if "feed_ph" in signals else np.nan
        return Window(
            digest.finite(names, levels[0]),
            digest.finite(names, levels[1]),
            assessment.known(float(ph)),
        )

    def _point(self, row: Array) -> Array:
        found = digest.operating_point(self._plan, row)
        return np.array([found.get(n, np.nan) for n in digest.operating_names(self._plan)])

    def told(self, now: float) -> list[Finding]:
        """What is to be told of a return to service. [s]"""
        if self.service is None or now < self.service.at:
            return []
        return service.findings(self._plan.train.id, self.service, now)

    def assess(self, now: float) -> tuple[Assessment, ...]:
        """Judge what was done, when there is something new to judge by; those that are new or changed. [s]"""
        if self.cleanings is None or not self._asked:
            return ()
        self._asked = False
        fresh, self._fresh = self._fresh, []
        done = [d for d in self._done if d.event in ASSESSED]
        return (*fresh, *self.cleanings.judge(done, now))
