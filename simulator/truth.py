"""What is really true of a run: its faults by day, and the condition of its stages."""

from datetime import UTC, datetime
from typing import Any

import numpy as np

from simulator.faults import Fault
from simulator.hydraulics import TrainResult
from simulator.operation import DAY_S
from simulator.plant import TRAIN, Plant
from simulator.water import Floats

PUMP_EFFICIENCY = 0.8
"""Of pump and motor together. Common practice, no source. [-]"""


def iso(time_s: float) -> str:
    """A time as ISO 8601 in UTC."""
    return datetime.fromtimestamp(time_s, UTC).isoformat().replace("+00:00", "Z")


def truth_of(plant: Plant, days: float) -> dict[str, Any]:
    """What really happened: faults with size by day, condition of the stages, expected outcome."""
    day = np.arange(0.0, days + 1e-9, 1.0)
    expected = plant.scenario.expected
    faults = []
    for fault in plant.scenario.faults:
        size = fault.size(day, plant.timeline.cleanings)
        faults.append(
            {
                "kind": fault.kind,
                "onset": iso(plant.start_s + fault.onset_day * DAY_S),
                "full": iso(plant.start_s + (fault.onset_day + fault.grows_days) * DAY_S),
                "growth": fault.growth,
                "stages": list(fault.stages(len(plant.shapes))) if not fault.tag else [],
                "vessel": fault.vessel,
                "element": fault.element,
                "joint": fault.joint,
                "point": f"{TRAIN}/{fault.tag}" if fault.tag else None,
                "severity_by_day": np.round(size * _full_size(fault), 6).tolist(),
            }
        )
    return {
        "scenario": plant.scenario.name,
        "title": plant.scenario.title,
        "seed": plant.seed,
        "start": iso(plant.start_s),
        "days": days,
        "expected": {
            "outcome": expected.outcome,
            "cause": expected.cause,
            "stage": expected.stage,
            "action": expected.action,
            "point": f"{TRAIN}/{expected.point}" if expected.point else None,
        },
        "faults": faults,
        "condition_by_day": condition(plant, day),
        "energy_by_day": energy(plant, day),
    }


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
    temperature, mean salt, set-points of the scenario) so that only the membranes differ.
    """
    times = plant.start_s + day * DAY_S
    solved = _at_one_point(plant, day)
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
    solved = _at_one_point(plant, day)
    spec = plant.scenario.plant
    lifted = solved.stages[0].feed_m3h * solved.stages[0].feed_bar
    for stage in solved.stages[1:]:
        lifted = lifted + stage.feed_m3h * spec.booster_bar
    kw = lifted * 1e5 / 3.6e6 / PUMP_EFFICIENCY
    return {
        "pump_kw": np.round(kw, 3).tolist(),
        "kwh_m3": np.round(kw / solved.permeate_m3h, 5).tolist(),
    }


def _at_one_point(plant: Plant, day: Floats) -> TrainResult:
    """The train at mean temperature, mean salt and the set-points of its scenario, as it is on each day."""
    spec = plant.scenario
    one = np.ones_like(day)
    times = plant.start_s + day * DAY_S
    return plant.solved(
        times,
        permeate=spec.operation.permeate_m3h * one,
        feed=plant.inlet_m3h(spec.operation.permeate_m3h * one, spec.operation.recovery * one),
        temperature_c=spec.feed.temperature_mean_c * one,
        salt_mg_l=spec.feed.salt_mg_l * one,
        highest_bar=80.0,
    )
