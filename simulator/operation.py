"""How the plant is run: running, stopped, flushing, cleaning, starting, and its set-points."""

from dataclasses import dataclass
from enum import IntEnum
from typing import TypeAlias

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


@dataclass(frozen=True)
class Logged:
    """One line of the plant's event log."""

    time_s: float
    event: str
    detail: str


def _place(event: Event) -> str:
    """What was replaced, as a technician writes it."""
    if event.stage is None:
        return "all stages"
    if event.vessel is None:
        return f"stage {event.stage}"
    vessel = f"{event.stage}-{event.vessel:02d}"
    return vessel if event.element is None else f"{vessel}/{event.element}"


class Timeline:
    """The whole run, laid out once: planned events of the scenario and random stops of its seed."""

    def __init__(self, scenario: Scenario, seed: int, start_s: float):
        self._start_s = start_s
        self.log: list[Logged] = []
        pauses = self._pauses(scenario, seed)
        times, modes = [-np.inf], [Mode.RUNNING]
        self.cleanings: list[Cleaning] = []
        self.renewals: list[Renewal] = []
        for begin, end, event in pauses:
            if begin < times[-1]:
                continue  # two stops that overlap are one
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
        self._times = np.array(times)
        self._modes = np.array(modes)
        self._set_times, self._permeate, self._recovery = self._setpoints(scenario, seed)

    def _pauses(self, scenario: Scenario, seed: int) -> list[tuple[float, float, Event | None]]:
        """Begin, end and planned event of every standstill; None for one that nobody planned."""
        run = scenario.operation
        pauses: list[tuple[float, float, Event | None]] = [
            (
                self._start_s + event.at_day * DAY_S,
                self._start_s + event.at_day * DAY_S + max(event.hours * 3600.0, FLUSH_AFTER_S),
                event,
            )
            for event in scenario.events
            if event.kind in ("stop", "cleaning", *REPLACEMENTS)
        ]
        if run.stop_every_days > 0.0:
            count = int(HORIZON_DAYS / run.stop_every_days)
            number = np.arange(count)
            when = (number + 0.3 + 0.6 * uniform(key(seed, "stop"), number)) * run.stop_every_days
            hours = run.stop_hours_least + uniform(key(seed, "stop hours"), number) * (
                run.stop_hours_most - run.stop_hours_least
            )
            for day, length in zip(when.tolist(), hours.tolist(), strict=True):
                begin = self._start_s + day * DAY_S
                pauses.append((begin, begin + FLUSH_AFTER_S + length * 3600.0, None))
        return sorted(pauses, key=lambda pause: pause[:2])

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
