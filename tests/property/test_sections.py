"""Sections of arbitrary instrument sets: every plan keeps its promises."""

from dataclasses import replace
from typing import Literal

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rules import sections
from rules.train import QUANTITIES, Compensation, Instrument, Stage, Train, Water, signal

ROW = {
    "feed_flow": 120.0,
    "feed_temperature": 19.0,
    "feed_conductivity": 4200.0,
    "permeate_flow": 93.0,
    "permeate_conductivity": 95.0,
    "permeate_pressure": 0.5,
    "concentrate_flow": 27.0,
    "concentrate_conductivity": 15_000.0,
    "running": 1.0,
    "1/feed_pressure": 15.5,
    "1/concentrate_pressure": 13.9,
    "1/permeate_flow": 50.0,
    "1/permeate_conductivity": 40.0,
    "1/permeate_pressure": 0.6,
    "2/feed_pressure": 13.8,
    "2/concentrate_pressure": 12.5,
    "2/permeate_flow": 30.0,
    "2/permeate_conductivity": 110.0,
    "2/permeate_pressure": 0.5,
    "3/feed_pressure": 12.4,
    "3/concentrate_pressure": 11.2,
    "3/permeate_flow": 13.0,
    "3/permeate_conductivity": 300.0,
    "3/permeate_pressure": 0.4,
}
STAGES = tuple(
    Stage(vessels=n, elements_per_vessel=6, element_area_m2=37.0, element_length_mm=1016.0)
    for n in (8, 5, 3)
)


@st.composite
def trains(draw: st.DrawFn) -> Train:
    """A train of one to three stages with any choice of instruments, in any order."""
    count = draw(st.integers(1, 3))
    names = [n for n in ROW if "/" not in n or int(n[0]) <= count]
    lost = draw(st.sets(st.sampled_from(names), max_size=6))
    order = draw(st.permutations([n for n in names if n not in lost]))
    return Train(
        id="A",
        stages=STAGES[:count],
        instruments=tuple(Instrument(n, 0.02, 0.005) for n in order),
        water=draw(st.sampled_from([Water("nacl"), Water("seawater"), Water("nacl", factor=0.6)])),
    )


@given(trains(), st.sampled_from(["d4516", "profile"]))
@settings(max_examples=60, deadline=None)
def test_every_promise_is_kept(train: Train, means: Literal["d4516", "profile"]) -> None:
    """Any instruments: each observable is a number on good readings, and all others have a reason."""
    plan = sections.plan(train, means=means)
    row = np.array([ROW[s] for s in plan.signals])
    got = plan.observe(row)
    assert np.isfinite(got).all()
    assert np.isfinite(plan.uncertainty(row)).all()
    assert (plan.uncertainty(row) > 0).all()
    names = {s.name for s in plan.sections}
    for section in plan.sections:
        for quantity in QUANTITIES:
            has = quantity in section.quantities
            assert has == (f"{section.name}/{quantity}" in plan.observables)
            assert has or section.missing.get(quantity) or section.name == "train"
    if "train" not in names:
        for k in range(1, len(train.stages) + 1):
            lacking = str(k) not in names
            assert not lacking or any(r.startswith(f"stage {k}:") for r in plan.reasons)
    assert plan.usable == bool(names)
    for observable in plan.observables:
        assert plan.needs(observable) <= set(train.signals)


def central(plan: sections.Plan, row: np.ndarray) -> np.ndarray:
    """Plain central differences of all observables by all signals through the whole plan."""
    step = 1e-5 * np.maximum(np.abs(row), 1.0)
    moved = np.diag(step)
    return np.asarray(
        (plan.observe(row + moved) - plan.observe(row - moved)) / (2 * step[:, None])
    ).T


@given(trains(), st.sampled_from(["d4516", "profile"]))
@settings(max_examples=60, deadline=None)
def test_slopes_are_those_of_plain_differences(
    train: Train, means: Literal["d4516", "profile"]
) -> None:
    """Reverse accumulation gives the Jacobian and the uncertainty of perturbing signal by signal."""
    plan = sections.plan(train, means=means)
    if not plan.signals:
        return
    row = np.array([ROW[s] for s in plan.signals])
    slope = plan.jacobian(row)
    for k, observable in enumerate(plan.observables):
        used = np.array([s in plan.needs(observable) for s in plan.signals])
        assert (slope[k, ~used] == 0.0).all()
    # One part in 1e6 of what a change of a signal by its own size does.
    size = np.maximum(np.abs(row), 1.0)
    expected = central(plan, row)
    np.testing.assert_allclose(slope * size, expected * size, rtol=1e-6, atol=2e-7)
    sigma = [i.standard_uncertainty(x) for i, x in zip(train.instruments, row, strict=True)]
    total = np.sqrt(((expected * sigma) ** 2).sum(axis=1))
    np.testing.assert_allclose(plan.uncertainty(row), total, rtol=1e-6)


@given(
    st.integers(2, 3),
    st.sampled_from(["d4516", "profile"]),
    st.floats(0.3, 1.5),
    st.floats(0.0, 3.0),
)
@settings(max_examples=40, deadline=None)
def test_split_permeate_of_any_train(
    count: int, means: Literal["d4516", "profile"], salt: float, booster_bar: float
) -> None:
    """Two or three stages without flow meters: flows add up, all permeabilities are one."""
    names = [
        n for n in ROW if ("/" not in n or int(n[0]) <= count) and not n.endswith("/permeate_flow")
    ]
    train = Train("A", STAGES[:count], tuple(Instrument(n, 0.02, 0.005) for n in names))
    plan = sections.plan(train, means=means)
    changed = ROW | {"permeate_flow": 70.0, "feed_conductivity": 4200.0 * salt}
    for end in ("feed", "concentrate"):
        changed[f"2/{end}_pressure"] += booster_bar
    row = np.array([changed[s] for s in plan.signals])
    inputs = plan.inputs(row)
    flows = [float(inputs[str(k)].permeate_flow_m3h) for k in range(1, count + 1)]
    assert abs(sum(flows) / 70.0 - 1.0) < 1e-12
    levels = [
        flow / float(inputs[str(k)].ndp_bar) / STAGES[k - 1].area_m2
        for k, flow in enumerate(flows, start=1)
    ]
    np.testing.assert_allclose(levels, levels[0], rtol=1e-8)
    scale = np.maximum(np.abs(row), 1.0)
    np.testing.assert_allclose(
        plan.jacobian(row) * scale, central(plan, row) * scale, rtol=1e-5, atol=1e-6
    )


@given(trains(), st.data())
@settings(max_examples=40, deadline=None)
def test_only_needed_signals_matter(train: Train, data: st.DataObject) -> None:
    """A dead signal takes exactly the observables that need it; the others do not move a bit."""
    plan = sections.plan(train)
    if not plan.signals:
        return
    row = np.array([ROW[s] for s in plan.signals])
    j = data.draw(st.integers(0, len(row) - 1))
    dead = row.copy()
    dead[j] = np.nan
    before, after = plan.observe(row), plan.observe(dead)
    for k, observable in enumerate(plan.observables):
        if plan.signals[j] in plan.needs(observable):
            assert np.isnan(after[k])
        else:
            assert after[k] == before[k]


@given(trains(), st.randoms(use_true_random=False))
@settings(max_examples=30, deadline=None)
def test_order_of_the_instruments_does_not_matter(train: Train, random: object) -> None:
    """The same instruments in another order give the same observables."""
    mixed = list(train.instruments)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    other = replace(train, instruments=tuple(mixed))
    one, two = sections.plan(train), sections.plan(other)
    assert one.observables == two.observables
    np.testing.assert_array_equal(
        one.observe(np.array([ROW[s] for s in one.signals])),
        two.observe(np.array([ROW[s] for s in two.signals])),
    )


@given(st.floats(0.3, 3.0))
def test_a_larger_plant_of_the_same_membranes(size: float) -> None:
    """Flows and area grown together change neither flow nor passage; the balances stay."""
    instruments = tuple(Instrument(n, 0.02) for n in ROW if not n.startswith("3/"))
    small = Train(id="A", stages=STAGES[:2], instruments=instruments)
    large = replace(
        small,
        stages=tuple(replace(s, element_area_m2=37.0 * size) for s in STAGES[:2]),
    )
    plan, grown = sections.plan(small), sections.plan(large)
    row = np.array([ROW[s] for s in plan.signals])
    scale = np.array([size if s.endswith("flow") else 1.0 for s in plan.signals])
    before, after = plan.observe(row), grown.observe(row * scale)
    for k, observable in enumerate(plan.observables):
        expected = -1.6 * np.log(size) if observable.endswith("pressure_drop") else 0.0
        assert abs(after[k] - before[k] - expected) < 1e-9, observable


@given(st.floats(6.0, 40.0))
def test_compensation_without_temperature_error_is_neutral(temperature_c: float) -> None:
    """Natural water read by transmitters of its own law keeps its concentration at any temperature."""
    names = (
        "feed_temperature",
        "feed_conductivity",
        "feed_flow",
        "permeate_flow",
        "1/feed_pressure",
    )
    train = Train(
        id="A",
        stages=STAGES[:1],
        instruments=tuple(
            Instrument(n, 0.02, compensation=Compensation("natural"))
            for n in (*names, signal("concentrate_pressure", 1))
        ),
        water=Water("nacl", factor=0.6),
    )
    plan = sections.plan(train)
    row = np.array([temperature_c, 4000.0, 100.0, 50.0, 15.0, 13.5])
    assert abs(float(plan.inputs(row)["1"].feed_mg_l) - 2400.0) < 1e-6
