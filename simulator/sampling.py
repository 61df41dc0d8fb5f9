"""The water that a person with a meter finds: permeate of each vessel, and along its permeate tube."""

from dataclasses import dataclass

import numpy as np

from simulator.hydraulics import TrainResult
from simulator.plant import Plant
from simulator.water import Floats, transmitter_conductivity_us_cm

ADAPTER_MM = 200.0
LEAST_DRAWN_MM = 1.0  # a probe tip draws water over some length, at the blocked end too


@dataclass(frozen=True)
class TubeReading:
    """Conductivity at the tip of the probe tube, `distance_mm` from the permeate port."""

    distance_mm: float
    conductivity_us_cm: float


@dataclass(frozen=True)
class Tube:
    """The permeate tube of one vessel at one instant.

    The permeate leaves at the concentrate end: the water met at a point is all that was made, or
    leaked in, between the blocked feed end and that point.

    length_mm : of one element. made, salt : water and its salt that each element lets in, evenly
    over its length, feed end first. joint, joint_salt : what leaks in at each joint, the feed
    adapter first. [m3/h, g/h]
    """

    length_mm: float
    made: Floats
    salt: Floats
    joint: Floats
    joint_salt: Floats

    @property
    def deepest_mm(self) -> float:
        """Distance from the permeate port to the blocked end of the tube. [mm]"""
        return ADAPTER_MM + len(self.made) * self.length_mm

    def salt_mg_l(self, depth_mm: float) -> float:
        """Salt of the water at a distance from the permeate port; a leak at that very point counts. [mg/L]"""
        if not 0.0 <= depth_mm <= self.deepest_mm:
            raise ValueError(
                f"depth {depth_mm:g} mm: the tube can be probed from 0 at the permeate port "
                f"to {self.deepest_mm:g} mm"
            )
        whole = len(self.made) * self.length_mm
        place = min(max(self.deepest_mm - depth_mm, LEAST_DRAWN_MM), whole)
        e = min(int(place // self.length_mm), len(self.made) - 1)
        part = place / self.length_mm - e
        joints = e + 2 if part >= 1.0 else e + 1
        water = self.joint[:joints].sum() + self.made[:e].sum() + part * self.made[e]
        load = self.joint_salt[:joints].sum() + self.salt[:e].sum() + part * self.salt[e]
        return float(load / water)


def _solved_now(plant: Plant, at_s: float) -> tuple[TrainResult, Floats]:
    times = np.array([at_s])
    permeate, feed = plant.drawn(times, *plant.timeline.setpoints(times))
    temperature = plant.feed.temperature_c(times)
    result = plant.solved(
        times,
        permeate=permeate,
        feed=feed,
        temperature_c=temperature,
        salt_mg_l=plant.feed.salt_mg_l(times),
    )
    return result, temperature


def vessel_salt_mg_l(plant: Plant, stage: int, at_s: float) -> tuple[Floats, float]:
    """Salt of the permeate of each vessel of a running stage, and its temperature. [mg/L], [degC]"""
    result, temperature = _solved_now(plant, at_s)
    flow = result.stages[stage - 1].flow
    load = plant.permeate_load(stage, flow, np.array([at_s]))
    return load[0] / flow.permeate[0], float(temperature[0])


def tube(plant: Plant, stage: int, vessel: int, at_s: float) -> tuple[Tube, float]:
    """The permeate tube of a vessel of a running stage, and the temperature of its water. [degC]"""
    result, temperature = _solved_now(plant, at_s)
    shape = plant.shapes[stage - 1]
    flow = result.stages[stage - 1].flow
    pick = vessel - 1
    # What the meters in the permeate lines see just after a start, or of new elements, is in the tube too.
    old, extra = plant.washout(np.array([at_s])), plant.preservative(stage, np.array([at_s]))
    new = 0.0 if extra is None else extra[:, 0, pick]
    made = flow.flux[:, 0, pick] * shape.area_m2 / 1000.0
    salt = made * flow.local_salt[:, 0, pick] * (old + new)
    found = Tube(
        length_mm=shape.length_m * 1000.0,
        made=made + flow.leaked[:, 0, pick],
        salt=salt + flow.leaked_salt[:, 0, pick] * old,
        joint=flow.joint_leaked[:, 0, pick],
        joint_salt=flow.joint_leaked_salt[:, 0, pick] * old,
    )
    return found, float(temperature[0])


def vessel_conductivity(plant: Plant, stage: int, at_s: float) -> Floats:
    """Permeate conductivity of each vessel of a stage, without meter error. [uS/cm at 25 degC]"""
    salt, temperature = vessel_salt_mg_l(plant, stage, at_s)
    return transmitter_conductivity_us_cm(salt, np.array([temperature]))


def tube_profile(plant: Plant, stage: int, vessel: int, at_s: float) -> list[TubeReading]:
    """Conductivity along the permeate tube of one vessel, deepest reading first, without meter error.

    Readings stand at the middle of each element and 50 mm on either side of each joint, so that a
    joint and an element can be told apart; a leak at a joint enters between the two.
    """
    found, temperature = tube(plant, stage, vessel, at_s)
    readings = []
    for e in range(len(found.made)):
        for place in (50.0, found.length_mm / 2.0, found.length_mm - 50.0):
            distance = found.deepest_mm - e * found.length_mm - place
            salt = np.array([found.salt_mg_l(distance)])
            shown = transmitter_conductivity_us_cm(salt, np.array([temperature]))
            readings.append(TubeReading(distance, float(shown[0])))
    return readings
