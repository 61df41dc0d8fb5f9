"""The steady state of a simulated train over a wide range: found, or refused with what and where; never nonsense."""

import re
from typing import Any

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simulator.faults import EFFECTS, LEAKS, Cleaning, Fault, apply
from simulator.hydraulics import Demand, NotSettled, Start, TrainResult, solve
from simulator.vessels import StageShape, StageState, Surroundings
from simulator.water import LAWS
from tests.simulator_kit import even

Case = dict[str, Any]
MOST_SEVERITY = 50.0
CLEANED = Cleaning(0.9, 0.0)
PLACE = re.compile(
    r"(vessel|element) \d-\d\d|permeate (flow is off|of .* cannot be made)|flows without"
)


@st.composite
def trains(draw: st.DrawFn) -> Case:
    """A train of brackish water or seawater as one would be designed, with a fault of any kind and size."""
    sea = draw(st.booleans())
    stages = 1 if sea else draw(st.integers(1, 3))
    vessels = draw(st.integers(1, 8))
    elements = draw(st.integers(5, 8))
    kind = draw(st.sampled_from(["", *EFFECTS, *LEAKS]))
    most = 0.3 if kind in LEAKS else MOST_SEVERITY
    return {
        "sea": sea,
        "shapes": [StageShape(max(1, vessels >> k), elements) for k in range(stages)],
        "water": draw(st.floats(0.7, 1.6) if sea else st.floats(1.5, 8.0)),
        "part": draw(st.floats(0.02, 0.06)),
        "recovery": draw(st.floats(0.3, 0.5)) + (0.0 if sea else 0.1 * stages),
        "flux": draw(st.floats(8.0, 18.0) if sea else st.floats(12.0, 30.0)),
        "salt": draw(st.floats(25e3, 45e3) if sea else st.floats(200.0, 8000.0)),
        "temperature": draw(st.floats(4.0, 38.0)),
        "kind": kind,
        "severity": draw(st.floats(0.01, most)),
        "stage": draw(st.integers(1, stages)),
    }


def settled(case: Case, start: Start | None = None, **changed: float) -> TrainResult:
    """The steady state of a case at one instant, with other conditions where they are given."""
    c: Case = case | changed
    shapes = c["shapes"]
    permeate = c["flux"] * sum(s.vessels * s.elements * s.area_m2 for s in shapes) / 1000.0
    faults = []
    if c["kind"]:
        faults = [
            Fault(c["kind"], 0.0, "step", severity=c["severity"], stage=c["stage"], vessel=None)
        ]
    vessel_permeate = permeate / sum(s.vessels for s in shapes)

    def state(at: int, shape: StageShape) -> StageState:
        sound = even(shape, np.array(c["water"]), np.array(c["water"] * c["part"]), 1.0)
        # Every kind has come by day 1: after a cleaning and a start.
        day = np.array([1.0])
        return apply(
            sound, shape, at, len(shapes), faults, day, vessel_permeate, [CLEANED], (), [0.5]
        )

    salt = np.array([c["salt"]])
    law = LAWS["seawater" if c["sea"] else "nacl"]
    return solve(
        shapes,
        [state(at, shape) for at, shape in enumerate(shapes, 1)],
        Surroundings(np.array([[c["temperature"]]]), 2900.0, 2900.0, law, salt[:, None]),
        Demand(
            permeate_m3h=np.array([permeate]),
            feed_m3h=np.array([permeate / c["recovery"]]),
            feed_mg_l=salt,
            permeate_static=[np.array([0.4])] * len(shapes),
            permeate_line=[4e-3 / s.vessels**2 for s in shapes],
            highest_bar=90.0 if c["sea"] else 40.0,
        ),
        start,
    )


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(trains())
def test_steady_state_makes_sense_or_is_refused(case: Case) -> None:
    """Water and salt balance to 1e-6, the demand is met or the pump is at its end; else the place is named."""
    found, said = None, ""
    try:
        found = settled(case)
    except NotSettled as exc:
        said = str(exc)
    if found is None:
        assert PLACE.search(said), said
        assert case["severity"] > 3.0 or case["kind"] in LEAKS, said
        return
    last = found.stages[-1]
    feed, salt = found.stages[0].feed_m3h, found.stages[0].feed_mg_l
    np.testing.assert_allclose(found.permeate_m3h + last.concentrate_m3h, feed, rtol=1e-6)
    carried = (
        found.permeate_m3h * found.permeate_mg_l + last.concentrate_m3h * last.concentrate_mg_l
    )
    np.testing.assert_allclose(carried, feed * salt, rtol=1e-6)
    short = 1.0 - found.permeate_m3h / (feed * case["recovery"])
    at_its_end = found.stages[0].feed_bar >= (90.0 if case["sea"] else 40.0)
    assert np.all((np.abs(short) < 1e-5) | (at_its_end & (short > 0.0)))
    for stage in found.stages:
        assert np.all(stage.flow.flux > 0.0)
        assert np.all(stage.flow.concentrate > 0.0)
        assert np.all(stage.feed_bar > stage.concentrate_bar)
        assert np.all(stage.permeate_mg_l > 0.0)
        assert np.all(stage.permeate_mg_l < stage.concentrate_mg_l)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    trains(), st.floats(4.0, 38.0), st.floats(0.3, 1.6), st.floats(0.4, 1.3), st.floats(0.4, 1.2)
)
def test_start_from_elsewhere_ends_at_the_same(
    case: Case, temperature: float, flux: float, recovery: float, salt: float
) -> None:
    """Whatever instant a solution begins from, at other temperature, flow, recovery and salt, it ends the same."""
    elsewhere = {
        "temperature": temperature,
        "flux": flux * case["flux"],
        "recovery": recovery * case["recovery"],
        "salt": salt * case["salt"],
    }
    try:
        start = settled(case | {"kind": ""}, **elsewhere).start
        cold = settled(case)
    except NotSettled:
        return  # the test above judges whether it may be refused
    warm = settled(case, start)
    np.testing.assert_allclose(warm.stages[0].feed_bar, cold.stages[0].feed_bar, rtol=2e-5)
    np.testing.assert_allclose(warm.permeate_mg_l, cold.permeate_mg_l, rtol=2e-5)
