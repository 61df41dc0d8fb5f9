"""What is really true of a run: its faults by day, and the condition of its stages."""

from datetime import UTC, datetime
from typing import Any

import numpy as np

from simulator.faults import Fault
from simulator.operation import DAY_S
from simulator.plant import Plant
from simulator.site import Site
from simulator.water import Floats

PUMP_EFFICIENCY = 0.8
"""Of pump and motor together. Common practice, no source. [-]"""


def iso(time_s: float) -> str:
    """A time as ISO 8601 in UTC."""
    return datetime.fromtimestamp(time_s, UTC).isoformat().replace("+00:00", "Z")


def truth_of(site: Site, days: float) -> dict[str, Any]:
    """What really happened: faults with size by day, condition of each train's stages, expected outcome."""
    day = np.arange(0.0, days + 1e-9, 1.0)
    expected = site.scenario.expected
    faults = []
    for fault in site.scenario.faults:
        train = site.train(fault.train)
        moments = train.timeline.cleanings, train.timeline.starts
        size, onset_day = fault.size(day, *moments), fault.begins(*moments)
        assert onset_day is not None, "the plant has refused such a fault"
        faults.append(
            {
                "train": train.id,
                "kind": fault.kind,
                "onset": iso(site.start_s + onset_day * DAY_S),
                "full": iso(site.start_s + (onset_day + fault.grows_days) * DAY_S),
                "growth": fault.growth,
                "stages": list(fault.stages(len(train.shapes))) if not fault.tag else [],
                "vessel": fault.vessel,
                "element": fault.element,
                "joint": fault.joint,
                "point": f"{train.id}/{fault.tag}" if fault.tag else None,
                "severity_by_day": np.round(size * _full_size(fault), 6).tolist(),
            }
        )
    return {
        "scenario": site.scenario.name,
        "title": site.scenario.title,
        "seed": site.seed,
        "start": iso(site.start_s),
        "days": days,
        "expected": {
            "outcome": expected.outcome,
            "train": _expected_train(site),
            "cause": expected.cause,
            "stage": expected.stage,
            "action": expected.action,
            "point": f"{_expected_train(site)}/{expected.point}" if expected.point else None,
        },
        "faults": faults,
        "condition_by_day": {train.id: condition(train, day) for train in site.trains},
        "energy_by_day": {train.id: energy(train, day) for train in site.trains},
        "trips": trips(site),
    }


def _expected_train(site: Site) -> str | None:
    """The train of which something is to be said."""
    expected = site.scenario.expected
    return site.train(expected.train).id if expected.outcome != "silence" else None


def trips(site: Site) -> list[dict[str, Any]]:
    """When trains stopped because they could not run, why, and when they were started again."""
    return [
        {
            "train": train.id,
            "at": iso(trip.begin_s),
            "reason": trip.reason,
            "until": iso(trip.end_s) if np.isfinite(trip.end_s) else None,
        }
        for train in site.trains
        for trip in train.trips
    ]


def _full_size(fault: Fault) -> float:
    if fault.kind in ("transmitter_drift", "transmitter_span"):
        return float(fault.percent or fault.offset)
    if fault.kind == "transmitter_offset":
        return float(fault.offset or fault.percent)
    return float(fault.severity)


def condition(plant: Plant, day: Floats) -> dict[str, dict[str, list[float]]]:
    """Change of each stage since day 0, as natural logarithms, by day of `day`.

    `permeate_flow` is the mean water permeability of the stage, `salt_passage` the salt of its
    permeate and `pressure_drop` its drop, these two with the train at one operating point (mean
    temperature, usual salt, set-points of the scenario) so that only the membranes differ.
    """
    times = plant.start_s + day * DAY_S
    solved = plant.at_one_point(day)
    out: dict[str, dict[str, list[float]]] = {}
    for number, stage in enumerate(solved.stages, 1):
        state = plant.stage_state(number, times)
        values = {
            "permeate_flow": state.water.mean(axis=(0, 2)),
            "salt_passage": stage.permeate_mg_l,
            "pressure_drop": stage.feed_bar - stage.concentrate_bar,
        }
        out[str(number)] = {
            name: np.round(np.log(value / value[0]), 5).tolist() for name, value in values.items()
        }
    return out


def energy(plant: Plant, day: Floats) -> dict[str, list[float]]:
    """What the pumps need with the train at the operating point of `condition`, by day of `day`.

    `pump_kw` is the shaft power of high-pressure pump and boosters at `PUMP_EFFICIENCY`, `kwh_m3` that over the
    permeate: what a fouled train costs more.
    """
    solved = plant.at_one_point(day)
    spec = plant.scenario.plant
    lifted = solved.stages[0].feed_m3h * solved.stages[0].feed_bar
    for stage in solved.stages[1:]:
        lifted = lifted + stage.feed_m3h * spec.booster_bar
    kw = lifted * 1e5 / 3.6e6 / PUMP_EFFICIENCY
    return {
        "pump_kw": np.round(kw, 3).tolist(),
        "kwh_m3": np.round(kw / solved.permeate_m3h, 5).tolist(),
    }
