"""How the plant is run: running, stopped, flushing, cleaning, starting, and its set-points."""

from dataclasses import dataclass
from enum import IntEnum
from typing import Self, TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.faults import Cleaning, Renewal
from simulator.noise import gauss, key, uniform
from simulator.scenario import REPLACEMENTS, Event, Scenario
from simulator.water import Floats

Modes: TypeAlias = NDArray[np.int64]

DAY_S = 86400.0
FLUSH_AFTER_S = 600.0
FLUSH_BEFORE_S = 300.0
STARTING_S = 240.0
SETPOINT_RAMP_S = 900.0
HORIZON_DAYS = 1100.0
DIMINISHES = 0.95
"""Each cleaning restores this part of what the one before it would have. Common practice, no source."""


class Mode(IntEnum):
    """What the train is doing."""

    STOPPED = 0
    FLUSHING = 1
    STARTING = 2
    RUNNING = 3
    CLEANING = 4
    TRIPPED = 5


@dataclass(frozen=True)
class Logged:
    """One line of the plant's event log."""

    time_s: float
    event: str
    detail: str


@dataclass(frozen=True)
class Downtime:
    """A standstill that nobody planned: from `begin_s` on, until somebody starts the train at `end_s`.

    mode : TRIPPED, or STOPPED when the train that feeds this one stands still.
    """

    begin_s: float
    reason: str
    end_s: float = np.inf
    mode: Mode = Mode.TRIPPED

    @property
    def running_s(self) -> float:
        """When the train runs as before: after flush and start."""
        return self.end_s + FLUSH_BEFORE_S + STARTING_S

    def over(self, mode: Modes, since: Floats, time_s: Floats) -> tuple[Modes, Floats]:
        """Mode and its age at each time, where without it they would be `mode` and `since`."""
        flushed_s = self.end_s + FLUSH_BEFORE_S
        moving = (mode == Mode.RUNNING) | (mode == Mode.STARTING)
        for begin, end, state in (
            (self.begin_s, self.end_s, self.mode),
            (self.end_s, flushed_s, Mode.FLUSHING),
            (flushed_s, self.running_s, Mode.STARTING),
        ):
            here = (time_s >= begin) & (time_s < end)
            if state in (Mode.FLUSHING, Mode.STARTING):
                here &= moving
            if np.any(here):
                mode, since = np.where(here, state, mode), np.where(here, time_s - begin, since)
        return mode, since


@dataclass
class _Span:
    """A planned or usual standstill: the flush before it begins at `begin`, that after it at `end`."""

    begin: float
    end: float
    event: Event | None

    @property
    def running_s(self) -> float:
        return self.end + FLUSH_BEFORE_S + STARTING_S


def _place(event: Event) -> str:
    """What was replaced, as a technician writes it."""
    if event.stage is None:
        return "all stages"
    if event.vessel is None:
        return f"stage {event.stage}"
    vessel = f"{event.stage}-{event.vessel:02d}"
    return vessel if event.element is None else f"{vessel}/{event.element}"


class Timeline:
    """The whole run, laid out once: planned events of the scenario and random stops of its seed.

    upstream : of the train whose permeate feeds this one; when that stands still, this one does.
    """

    def __init__(self, scenario: Scenario, seed: int, start_s: float, upstream: Self | None = None):
        self._start_s = start_s
        self.log: list[Logged] = []
        self.standstills = self._standstills(scenario, seed, upstream)
        times, modes = [-np.inf], [Mode.RUNNING]
        self.cleanings: list[Cleaning] = []
        self.renewals: list[Renewal] = []
        for span in self.standstills:
            begin, end, event = span.begin, span.end, span.event
            kind = event.kind if event is not None else "stop"
            inner = Mode.CLEANING if kind == "cleaning" else Mode.STOPPED
            steps = (
                (begin, Mode.FLUSHING),
                (begin + FLUSH_AFTER_S, inner),
                (end, Mode.FLUSHING),
                (end + FLUSH_BEFORE_S, Mode.STARTING),
                (end + FLUSH_BEFORE_S + STARTING_S, Mode.RUNNING),
            )
            times += [step[0] for step in steps]
            modes += [step[1] for step in steps]
            if event is None:
                continue
            day = (end - start_s) / DAY_S
            if kind == "cleaning":
                detail = f"all stages{', ' + event.chemistry if event.chemistry else ''}"
                self.log.append(Logged(begin + FLUSH_AFTER_S, "cleaning_start", detail))
                self.log.append(Logged(end, "cleaning_end", detail))
                restores = event.restores * DIMINISHES ** len(self.cleanings)
                self.cleanings.append(Cleaning(day, restores, event.chemistry))
            elif kind in REPLACEMENTS:
                self.log.append(Logged(end, REPLACEMENTS[kind], _place(event)))
                self.renewals += [
                    Renewal(day, stage, event.vessel, event.element, kind == "replace_seals")
                    for stage in range(1, len(scenario.plant.stages) + 1)
                    if event.stage in (None, stage)
                ]
        self.starts = tuple((span.end - start_s) / DAY_S for span in self.standstills)
        self._times = np.array(times)
        self._modes = np.array(modes)
        self._set_times, self._permeate, self._recovery = self._setpoints(scenario, seed)

    def _standstills(
        self, scenario: Scenario, seed: int, upstream: "Timeline | None"
    ) -> list[_Span]:
        """All standstills in their order; those that overlap are one."""
        found: list[_Span] = []
        for span in self._pauses(scenario, seed):
            # What was planned comes first in this list: a chance stop never pushes a cleaning out.
            if all(span.begin >= s.running_s or s.begin >= span.running_s for s in found):
                found.append(span)
        found.sort(key=lambda span: span.begin)
        if upstream is None:
            return found
        found += [_Span(span.begin, span.running_s, None) for span in upstream.standstills]
        merged: list[_Span] = []
        for span in sorted(found, key=lambda span: span.begin):
            if not merged or span.begin >= merged[-1].running_s:
                merged.append(span)
                continue
            last = merged[-1]
            last.end = max(last.end, span.end)
            last.event = last.event or span.event
        return merged

    def _pauses(self, scenario: Scenario, seed: int) -> list[_Span]:
        """Every standstill of the train itself: the planned ones, then (without an event) the others."""
        run = scenario.operation
        planned = [
            _Span(
                self._start_s + event.at_day * DAY_S,
                self._start_s + event.at_day * DAY_S + max(event.hours * 3600.0, FLUSH_AFTER_S),
                event,
            )
            for event in scenario.events
            if event.kind in ("stop", "cleaning", *REPLACEMENTS)
        ]
        planned.sort(key=lambda span: (span.begin, span.end))
        others: list[_Span] = []
        if run.stop_every_days > 0.0:
            count = int(HORIZON_DAYS / run.stop_every_days)
            number = np.arange(count)
            when = (number + 0.3 + 0.6 * uniform(key(seed, "stop"), number)) * run.stop_every_days
            hours = run.stop_hours_least + uniform(key(seed, "stop hours"), number) * (
                run.stop_hours_most - run.stop_hours_least
            )
            for day, length in zip(when.tolist(), hours.tolist(), strict=True):
                begin = self._start_s + day * DAY_S
                others.append(_Span(begin, begin + FLUSH_AFTER_S + length * 3600.0, None))
        return planned + others

    def _setpoints(self, scenario: Scenario, seed: int) -> tuple[Floats, Floats, Floats]:
        run = scenario.operation
        changes = [(self._start_s, run.permeate_m3h, run.recovery)]
        if run.setpoint_every_days > 0.0:
            number = np.arange(int(HORIZON_DAYS / run.setpoint_every_days))
            when = number + 0.2 + 0.6 * uniform(key(seed, "set"), number)
            flows = run.permeate_m3h * (
                1.0 + run.setpoint_spread * np.clip(gauss(key(seed, "set flow"), number), -2, 2)
            )
            recoveries = run.recovery + 0.25 * run.setpoint_spread * np.clip(
                gauss(key(seed, "set recovery"), number), -2, 2
            )
            begins = self._start_s + when * run.setpoint_every_days * DAY_S
            changes += zip(begins.tolist(), flows.tolist(), recoveries.tolist(), strict=True)
        changes += [
            (self._start_s + e.at_day * DAY_S, e.permeate_m3h, e.recovery)
            for e in scenario.events
            if e.kind == "setpoint"
        ]
        times, flows_at, recoveries_at = [], [], []
        flow, recovery = run.permeate_m3h, run.recovery
        for begin, new_flow, new_recovery in sorted(changes):
            times += [begin, begin + SETPOINT_RAMP_S]
            flows_at.append(flow)
            recoveries_at.append(recovery)
            flow = flow if np.isnan(new_flow) else new_flow
            recovery = recovery if np.isnan(new_recovery) else new_recovery
            flows_at.append(flow)
            recoveries_at.append(recovery)
        return np.array(times), np.array(flows_at), np.array(recoveries_at)

    def mode(self, time_s: Floats) -> tuple[Modes, Floats]:
        """The mode at each time, and since how many seconds it lasts."""
        place = np.searchsorted(self._times, time_s, side="right") - 1
        return self._modes[place].astype(np.int64), time_s - self._times[place]

    def setpoints(self, time_s: Floats) -> tuple[Floats, Floats]:
        """Permeate flow [m3/h] and recovery [-] that the controllers are given."""
        return (
            np.interp(time_s, self._set_times, self._permeate),
            np.interp(time_s, self._set_times, self._recovery),
        )
