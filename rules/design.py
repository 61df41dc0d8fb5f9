"""Levels of new membranes by the element's data sheet, for a baseline from design.

The test of one element is put through the same formulas as the plant: a train of one vessel with
one element, fed with the sodium chloride solution of the test.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rules import sections
from rules.conductivity import nacl_at_temperature, nacl_conductivity_us_cm
from rules.sections import Plan
from rules.train import Compensation, Instrument, Stage, Train

_RAW = Compensation("none")
_SIGNALS = (
    "feed_flow",
    "permeate_flow",
    "feed_temperature",
    "feed_conductivity",
    "permeate_conductivity",
    "1/feed_pressure",
    "1/concentrate_pressure",
    "1/permeate_pressure",
)


@dataclass(frozen=True, slots=True)
class ElementTest:
    """The data sheet of an element, and the conditions of its test.

    nominal_flow_m3d : permeate flow. [m3/d] rejection, recovery : fractions.
    pressure_bar : feed pressure; the drop along the one element is taken as nothing. [bar]
    concentration_mg_l : sodium chloride in the feed. [mg/L]
    """

    nominal_flow_m3d: float
    rejection: float
    pressure_bar: float
    temperature_c: float
    concentration_mg_l: float
    recovery: float


def levels(plan: Plan, test: ElementTest) -> Mapping[str, float]:
    """ln A and ln B at the reference temperature, as `Plan.observe` gives them, for every section.

    returns : observable -> level; permeate flow and salt passage only, because a data sheet says
        nothing of the pressure drop. [-]
    """
    found: dict[str, float] = {}
    for section in plan.sections:
        stages = [plan.train.stages[number - 1] for number in section.stages]
        elements = sum(s.vessels * s.elements_per_vessel for s in stages)
        level = element_levels(plan, test, sum(s.area_m2 for s in stages) / elements)
        for quantity in ("permeate_flow", "salt_passage"):
            if quantity in section.quantities:
                found[f"{section.name}/{quantity}"] = level[quantity]
    return found


def element_levels(plan: Plan, test: ElementTest, area_m2: float) -> dict[str, float]:
    """ln A and ln B of one element of this area, as ``permeate_flow`` and ``salt_passage``."""
    permeate_m3h = test.nominal_flow_m3d / 24.0
    # Rejection is stated against the feed of the test.
    salt_mg_l = np.array([1.0, 1.0 - test.rejection]) * test.concentration_mg_l
    feed_us_cm, permeate_us_cm = nacl_at_temperature(
        nacl_conductivity_us_cm(salt_mg_l), test.temperature_c
    )
    train = Train(
        plan.train.id,
        (Stage(1, 1, area_m2),),
        tuple(Instrument(s, 0.0, compensation=_RAW) for s in _SIGNALS),
        water_activation_k=plan.train.water_activation_k,
        salt_activation_k=plan.train.salt_activation_k,
    )
    values = np.array(
        [
            permeate_m3h / test.recovery,
            permeate_m3h,
            test.temperature_c,
            feed_us_cm,
            permeate_us_cm,
            test.pressure_bar,
            test.pressure_bar,
            0.0,
        ]
    )
    bench = sections.plan(train, means=plan.means)
    observed = dict(zip(bench.observables, bench.observe(values).tolist(), strict=True))
    level = {q: observed[f"1/{q}"] for q in ("permeate_flow", "salt_passage")}
    if not all(np.isfinite(v) for v in level.values()):
        raise ValueError(f"the element test cannot be normalized: {test}")
    return level
