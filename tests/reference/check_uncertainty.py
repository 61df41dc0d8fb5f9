"""Propagated uncertainty against random draws."""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules import sections
from rules.train import Instrument, Stage, Train, Water
from tests.reference.checks import check, relative
from tests.unit import test_sections

SOURCE = "JCGM 101:2008 propagation of distributions (method from memory)"
DRAWS = 40_000

SEAWATER = {
    "feed_flow": (100.0, Instrument("feed_flow", 0.0, 0.005)),
    "feed_temperature": (19.0, Instrument("feed_temperature", 0.19, resolution=0.1)),
    "feed_conductivity": (47_000.0, Instrument("feed_conductivity", 0.0, 0.01)),
    "permeate_flow": (42.0, Instrument("permeate_flow", 0.0, 0.005)),
    "permeate_conductivity": (
        500.0,
        Instrument("permeate_conductivity", 0.0, 0.02, relative_drift_per_year=0.02),
    ),
    "permeate_pressure": (1.0, Instrument("permeate_pressure", 0.01)),
    "concentrate_flow": (58.0, Instrument("concentrate_flow", 0.0, 0.005)),
    "concentrate_conductivity": (71_000.0, Instrument("concentrate_conductivity", 0.0, 0.01)),
    # 0.1 % of 80 bar, and as much drift in a year.
    "1/feed_pressure": (60.0, Instrument("1/feed_pressure", 0.08, drift_per_year=0.08)),
    "1/concentrate_pressure": (
        58.4,
        Instrument("1/concentrate_pressure", 0.08, drift_per_year=0.08),
    ),
}
"""Readings and instruments of an invented seawater train."""


def _deviations(plan: sections.Plan, row: NDArray[np.float64]) -> ArrayLike:
    """Propagated over drawn standard uncertainty − 1, of every observable."""
    sigma = np.array(
        [float(i.standard_uncertainty(x)) for i, x in zip(plan.train.instruments, row, strict=True)]
    )
    rng = np.random.default_rng(11)
    drawn = plan.observe(row + sigma * rng.standard_normal((DRAWS, len(row))))
    assert np.isfinite(drawn).all()
    return relative(plan.uncertainty(row), drawn.std(axis=0))


@check(
    "Uncertainty of every observable of a brackish two-stage train",
    source=SOURCE,
    status="computed",
    tolerance=0.05,
)
def brackish() -> ArrayLike:
    """Fully instrumented, both means."""
    train = replace(test_sections.train(), water=Water("nacl"))
    plans = [sections.plan(train, means=means) for means in ("d4516", "profile")]
    return np.concatenate([_deviations(plan, test_sections.values(plan)) for plan in plans])


@check(
    "Uncertainty where the permeate of the stages is split",
    source=SOURCE,
    status="computed",
    tolerance=0.05,
)
def without_stage_flows() -> ArrayLike:
    """The same train without flow meters at the stages."""
    few = test_sections.without("1/permeate_flow", "2/permeate_flow")
    plan = sections.plan(replace(test_sections.train(few), water=Water("nacl")))
    return _deviations(plan, test_sections.values(plan))


@check(
    "Uncertainty of every observable of a seawater train",
    source=SOURCE,
    status="computed",
    tolerance=0.05,
)
def seawater() -> ArrayLike:
    """One stage, with resolution and drift."""
    train = Train(
        id="S",
        stages=(Stage(vessels=12, elements_per_vessel=7, element_area_m2=37.0),),
        instruments=tuple(instrument for _, instrument in SEAWATER.values()),
        water=Water("seawater"),
    )
    return _deviations(sections.plan(train), np.array([x for x, _ in SEAWATER.values()]))
