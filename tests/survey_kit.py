"""Blind trials of surveys: stages of the simulated plant with known faults, sampled by a poor meter.

Vessels differ by nature: the membranes of the simulated plant scatter. Earlier surveys are of the sound plant, on
other days.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulator.faults import Fault
from simulator.operation import DAY_S
from simulator.plant import Plant
from simulator.sampling import vessel_salt_mg_l
from simulator.scenario import load
from simulator.vessels import StageShape
from simulator.water import transmitter_conductivity_us_cm

Floats = NDArray[np.float64]
NOW, EARLIER = 40.0, (3.0, 12.0, 25.0)
"""Days of the survey that is judged and of the earlier ones."""

TRIED = 0.003
"""Severity that the size of a fault is measured with."""


@dataclass(frozen=True)
class SurveyTrial:
    """One stage: the vessels at fault, counted from 0, and what the meter showed now and before.

    excess : of each vessel at fault, in errors of the meter. temperature_c : of the samples now.
    """

    truth: tuple[int, ...]
    excess: tuple[float, ...]
    shown_us_cm: Floats
    temperature_c: float
    earlier_us_cm: tuple[Floats, ...]
    earlier_temperature_c: tuple[float, ...]
    meter: float


def trials(
    seed: int, elements: int, *, excess: tuple[float, float] = (4.0, 40.0), vessels: int = 8
) -> Iterator[SurveyTrial]:
    """Two stages, of `vessels` and half of them; none, one or two vessels of each at fault.

    excess : salt that a fault lets in, in meter errors of the vessel's own; drawn evenly in its logarithm.
    """
    rng = np.random.default_rng(seed)
    base = load("healthy")
    counts = (vessels, vessels // 2)
    scenario = replace(
        base,
        plant=replace(base.plant, stages=tuple(StageShape(n, elements) for n in counts)),
        operation=replace(base.operation, permeate_m3h=13.0 / 12.0 * sum(counts) * elements),
    )
    sound = Plant(scenario, seed)
    when = sound.start_s + NOW * DAY_S
    meter = float(rng.choice([0.02, 0.03]))
    faults, truth = [], []
    for stage, count in enumerate(counts, 1):
        number = int(rng.choice([0, 1, 1, 2]))
        chosen = sorted(rng.choice(count, size=min(number, (count - 1) // 2), replace=False))
        found = []
        for v in map(int, chosen):
            size = float(np.exp(rng.uniform(*np.log(excess))))
            found.append((v, size))
            faults.append(_fault(sound, rng, stage, v, elements, meter * size, when))
        truth.append(found)
    plant = Plant(replace(scenario, faults=tuple(faults)), seed)
    for stage, found in enumerate(truth, 1):
        now, temperature = _read(plant, stage, when, meter, rng)
        before = [_read(sound, stage, sound.start_s + d * DAY_S, meter, rng) for d in EARLIER]
        yield SurveyTrial(
            tuple(v for v, _ in found),
            tuple(size for _, size in found),
            now,
            temperature,
            tuple(shown for shown, _ in before),
            tuple(t for _, t in before),
            meter,
        )


def _read(
    plant: Plant, stage: int, at: float, meter: float, rng: np.random.Generator
) -> tuple[Floats, float]:
    salt, temperature = vessel_salt_mg_l(plant, stage, at)
    shown = transmitter_conductivity_us_cm(salt, np.asarray(temperature))
    return np.asarray(shown * (1.0 + meter * rng.standard_normal(len(shown)))), float(temperature)


def _fault(
    plant: Plant,
    rng: np.random.Generator,
    stage: int,
    vessel: int,
    elements: int,
    excess: float,
    when: float,
) -> Fault:
    """A leak or a damaged element that lets in `excess` of the vessel's salt, by one trial of its size."""
    kind = str(rng.choice(["joint", "element"]))
    number = int(rng.integers(0 if kind == "joint" else 1, elements + 1))

    def made(severity: float) -> Fault:
        return Fault(
            "o_ring_leak" if kind == "joint" else "damaged_element",
            NOW - 5.0,
            "step",
            severity=severity,
            stage=stage,
            vessel=vessel + 1,
            joint=number if kind == "joint" else None,
            element=number if kind == "element" else None,
        )

    # What is let in is proportional to the severity within some per cent.
    before = vessel_salt_mg_l(plant, stage, when)[0][vessel]
    trial = Plant(replace(plant.scenario, faults=(made(TRIED),)), plant.seed)
    rise = float(vessel_salt_mg_l(trial, stage, when)[0][vessel]) / before - 1.0
    return made(TRIED * excess / rise)
