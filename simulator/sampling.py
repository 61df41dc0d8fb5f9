"""What a person with a meter finds: permeate of each vessel, and along a vessel's permeate tube."""

from dataclasses import dataclass

import numpy as np

from simulator.hydraulics import TrainResult
from simulator.plant import Plant
from simulator.water import Floats, transmitter_conductivity_us_cm

ADAPTER_MM = 200.0


@dataclass(frozen=True)
class TubeReading:
    """Conductivity at the tip of the probe tube, `distance_mm` from the permeate port."""

    distance_mm: float
    conductivity_us_cm: float


def _solved_now(plant: Plant, at_s: float) -> tuple[TrainResult, Floats]:
    times = np.array([at_s])
    permeate, recovery = plant.timeline.setpoints(times)
    temperature = plant.feed.temperature_c(times)
    result = plant.solved(
        times,
        permeate=permeate,
        feed=plant.inlet_m3h(permeate, recovery),
        temperature_c=temperature,
        salt_mg_l=plant.feed.salt_mg_l(times),
    )
    return result, temperature


def vessel_conductivity(plant: Plant, stage: int, at_s: float) -> Floats:
    """Permeate conductivity of each vessel of a stage, without meter error. [uS/cm at 25 degC]"""
    result, temperature = _solved_now(plant, at_s)
    flow = result.stages[stage - 1].flow
    return transmitter_conductivity_us_cm(flow.permeate_salt[0] / flow.permeate[0], temperature)


def tube_profile(plant: Plant, stage: int, vessel: int, at_s: float) -> list[TubeReading]:
    """Conductivity along the permeate tube of one vessel, deepest reading first.

    The permeate leaves at the concentrate end: the water met at a point is all that was made, or
    leaked in, between the blocked feed end and that point. Readings stand at the middle of each
    element and 50 mm on either side of each joint, so that a joint and an element can be told
    apart; a leak at a joint enters between the two.
    """
    result, temperature = _solved_now(plant, at_s)
    shape = plant.shapes[stage - 1]
    flow = result.stages[stage - 1].flow
    pick = vessel - 1
    area_k = shape.area_m2 / 1000.0
    made = flow.flux[:, 0, pick] * area_k
    salt = made * flow.local_salt[:, 0, pick]
    hole, hole_salt = flow.leaked[:, 0, pick], flow.leaked_salt[:, 0, pick]
    joint, joint_salt = flow.joint_leaked[:, 0, pick], flow.joint_leaked_salt[:, 0, pick]
    made, salt = made + hole, salt + hole_salt
    length_mm = shape.length_m * 1000.0
    readings = []
    water, load = float(joint[0]), float(joint_salt[0])
    for e in range(shape.elements):
        for part in (50.0 / length_mm, 0.5, 1.0 - 50.0 / length_mm):
            here = (load + part * salt[e]) / (water + part * made[e])
            shown = transmitter_conductivity_us_cm(np.array([here]), temperature)
            distance = ADAPTER_MM + (shape.elements - e - part) * length_mm
            readings.append(TubeReading(distance, float(shown[0])))
        water += float(made[e] + joint[e + 1])
        load += float(salt[e] + joint_salt[e + 1])
    return readings
