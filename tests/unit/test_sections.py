"""Sections: what instruments allow, where each quantity comes from, and the numbers that are judged.

Expected numbers are hand balances with a natural-water factor of 0.5 mg/L per µS/cm at 25 °C, where
concentration is simply half of conductivity; the plant is invented.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from rules import normalize, sections, temperature, water
from rules.sections import Plan
from rules.train import Compensation, Instrument, Stage, Train, Water

STAGES = (
    Stage(vessels=10, elements_per_vessel=6, element_area_m2=37.0),
    Stage(vessels=5, elements_per_vessel=6, element_area_m2=37.0),
)
# Hand balance: 100 m3/h of 2000 mg/L; stage 1 makes 50 m3/h of 20 mg/L and leaves 50 of 3980;
# stage 2 makes 25 m3/h of 80 mg/L and leaves 25 of 7880; together 75 m3/h of 40 mg/L.
HEALTHY = {
    "feed_flow": 100.0,
    "feed_temperature": 25.0,
    "feed_conductivity": 4000.0,
    "permeate_flow": 75.0,
    "permeate_conductivity": 80.0,
    "permeate_pressure": 0.5,
    "concentrate_flow": 25.0,
    "concentrate_conductivity": 15760.0,
    "running": 1.0,
    "1/feed_pressure": 14.0,
    "1/concentrate_pressure": 12.4,
    "1/permeate_flow": 50.0,
    "1/permeate_conductivity": 40.0,
    "1/permeate_pressure": 0.6,
    "2/feed_pressure": 12.4,
    "2/concentrate_pressure": 11.2,
    "2/permeate_flow": 25.0,
    "2/permeate_conductivity": 160.0,
    "2/permeate_pressure": 0.4,
}
EVERYTHING = tuple(HEALTHY)
SIGMA = {"flow": (0.0, 0.005), "temperature": (0.2, 0.0), "conductivity": (0.0, 0.02)}


def standard_plan(train: Train) -> sections.Plan:
    """A plan with the standard's own means, for which the hand calculations here are made."""
    return sections.plan(train, means="d4516")


def instrument(name: str) -> Instrument:
    """An ordinary instrument for a signal."""
    for kind, (absolute, relative) in SIGMA.items():
        if name.endswith(kind):
            return Instrument(name, absolute, relative)
    return Instrument(name, 0.05 if name.endswith("pressure") else 0.0)


def train(names: Sequence[str] = EVERYTHING, stages: tuple[Stage, ...] = STAGES) -> Train:
    """A train with these instruments."""
    return Train(
        id="A",
        stages=stages,
        instruments=tuple(instrument(n) for n in names),
        water=Water("nacl", factor=0.5),
        salt_activation_k=3000.0,
    )


def without(*lost: str) -> tuple[str, ...]:
    return tuple(n for n in EVERYTHING if n not in lost)


def values(plan: Plan, **changed: float) -> NDArray[np.float64]:
    """The healthy row in the order of the plan's signals; `changed` by names with _ for /."""
    row = dict(HEALTHY)
    for name, value in changed.items():
        row[name if name in row else name.removeprefix("s").replace("_", "/", 1)] = value
    return np.array([row[s] for s in plan.signals])


def single() -> tuple[Plan, NDArray[np.float64]]:
    names = [
        "feed_flow",
        "feed_temperature",
        "feed_conductivity",
        "permeate_flow",
        "permeate_conductivity",
        "1/feed_pressure",
        "1/concentrate_pressure",
    ]
    plan = standard_plan(train(names, STAGES[:1]))
    row = values(plan)
    row[plan.signals.index("permeate_flow")] = 50.0
    row[plan.signals.index("permeate_conductivity")] = 40.0
    return plan, row


def test_fully_instrumented_train_has_its_stages_and_every_balance() -> None:
    """Full stage instruments: both stages with all three quantities, five balances, nothing lacking."""
    plan = standard_plan(train())
    assert plan.observables == (
        "1/permeate_flow",
        "1/salt_passage",
        "1/pressure_drop",
        "2/permeate_flow",
        "2/salt_passage",
        "2/pressure_drop",
        "balance/water",
        "balance/permeate_flow",
        "balance/permeate_salt",
        "balance/salt",
        "balance/stage_1_to_2_pressure",
    )
    assert plan.balances == (
        "water",
        "permeate_flow",
        "permeate_salt",
        "salt",
        "stage_1_to_2_pressure",
    )
    assert [s.stages for s in plan.sections] == [(1,), (2,)]
    assert plan.reasons == ()
    assert plan.notes == ()
    assert plan.usable


def test_inputs_follow_the_hand_balance() -> None:
    """Flows, pressures and concentrations of both stages as balanced by hand."""
    plan = standard_plan(train())
    inputs = plan.inputs(values(plan))
    one, two = inputs["1"], inputs["2"]
    assert float(one.feed_mg_l) == pytest.approx(2000.0, rel=1e-9)
    assert float(one.permeate_mg_l) == pytest.approx(20.0, rel=1e-9)
    assert float(one.recovery) == pytest.approx(0.5)
    assert float(one.flux_lmh) == pytest.approx(50_000.0 / (60 * 37.0))
    assert float(one.feed_brine_mg_l) == pytest.approx(2772.589, rel=1e-6)  # 2000 ln 2 / 0.5
    assert float(two.feed_flow_m3h) == pytest.approx(50.0)
    assert float(two.concentrate_flow_m3h) == pytest.approx(25.0)
    assert float(two.feed_mg_l) == pytest.approx(3980.0, rel=1e-9)
    assert float(two.permeate_pressure_bar) == 0.4
    # By hand: mean feed-side pressure less permeate pressure less the osmotic difference.
    expected = (
        (14.0 + 12.4) / 2
        - 0.6
        - water.nacl_osmotic_pressure_bar(2772.589, 25.0)
        + water.nacl_osmotic_pressure_bar(20.0, 25.0)
    )
    assert float(one.ndp_bar) == pytest.approx(float(expected), rel=1e-6)


def test_observables_are_logarithms_of_the_coefficients() -> None:
    """ln A, ln B, ln K of stage 1 as computed by hand from the definitions."""
    plan = standard_plan(train())
    row = values(plan, feed_temperature=25.0)
    got = dict(zip(plan.observables, plan.observe(row), strict=True))
    ndp = float(plan.inputs(row)["1"].ndp_bar)
    area = 10 * 6 * 37.0
    assert got["1/permeate_flow"] == pytest.approx(np.log(50.0 / (area * ndp)), rel=1e-9)
    assert got["1/salt_passage"] == pytest.approx(
        np.log(50.0 * 20.0 / (area * 2772.5887)), rel=1e-7
    )
    mu = float(water.viscosity_mpa_s(25.0))
    assert got["1/pressure_drop"] == pytest.approx(np.log(1.6 / (75.0**1.6 * mu**0.4)), rel=1e-9)


def test_deviation_is_the_standardized_change() -> None:
    """A difference of observables equals the logarithm of the D4516 standardized values' ratio."""
    plan = standard_plan(train())
    base = values(plan)
    now = values(
        plan,
        feed_temperature=13.0,
        s1_feed_pressure=19.0,
        s1_concentrate_pressure=17.1,
        s1_permeate_flow=48.0,
        feed_conductivity=4300.0,
        s1_permeate_conductivity=33.0,
    )
    change = dict(zip(plan.observables, plan.observe(now) - plan.observe(base), strict=True))
    b, n = plan.inputs(base)["1"], plan.inputs(now)["1"]
    k = plan.train.water_activation_k
    flow = normalize.standardized_permeate_flow(
        n.permeate_flow_m3h,
        n.ndp_bar,
        temperature.arrhenius_factor(n.temperature_c, activation_k=k),
        reference_ndp_bar=b.ndp_bar,
        reference_water_factor=1.0,
    )
    assert change["1/permeate_flow"] == pytest.approx(float(np.log(flow / 50.0)), abs=1e-12)
    passage = normalize.standardized_salt_passage(
        n.permeate_mg_l / n.feed_mg_l,
        n.permeate_flow_m3h,
        temperature.arrhenius_factor(n.temperature_c, activation_k=3000.0),
        n.feed_mg_l,
        n.feed_brine_mg_l,
        reference_permeate_flow_m3h=50.0,
        reference_salt_factor=1.0,
        reference_feed_mg_l=b.feed_mg_l,
        reference_feed_brine_mg_l=b.feed_brine_mg_l,
    )
    fixed = float(np.log(passage / (b.permeate_mg_l / b.feed_mg_l)))
    assert change["1/salt_passage"] == pytest.approx(fixed, abs=1e-12)
    drop = normalize.standardized_pressure_drop(
        n.feed_pressure_bar - n.concentrate_pressure_bar,
        (n.feed_flow_m3h + n.concentrate_flow_m3h) / 2,
        water.viscosity_mpa_s(n.temperature_c),
        reference_average_flow_m3h=75.0,
        reference_viscosity_mpa_s=water.viscosity_mpa_s(25.0),
        exponent=1.6,
    )
    assert change["1/pressure_drop"] == pytest.approx(float(np.log(drop / 1.6)), abs=1e-12)


def test_balances_close_on_the_hand_balance() -> None:
    """Every balance residual of a consistent train is zero."""
    plan = standard_plan(train())
    got = dict(zip(plan.observables, plan.observe(values(plan)), strict=True))
    for name in plan.balances:
        assert got[f"balance/{name}"] == pytest.approx(0.0, abs=1e-9), name


@pytest.mark.parametrize(
    ("signal", "factor", "moved"),
    [
        ("concentrate_flow", 1.1, {"water": np.log(102.5 / 100.0)}),
        ("permeate_flow", 1.1, {"permeate_flow": np.log(1.1)}),
        ("permeate_conductivity", 1.1, {"permeate_salt": np.log(1.1), "salt": np.log(2003 / 2000)}),
        ("concentrate_conductivity", 1.1, {"salt": np.log((1.1 * 1970 + 30) / 2000)}),
        ("feed_conductivity", 1.1, {"salt": -np.log(1.1)}),
        ("2/feed_pressure", 1.1, {"stage_1_to_2_pressure": np.log(1.1)}),
        ("1/concentrate_pressure", 1.1, {"stage_1_to_2_pressure": -np.log(1.1)}),
    ],
)
def test_a_wrong_transmitter_moves_its_own_balances(
    signal: str, factor: float, moved: dict[str, float]
) -> None:
    """One transmitter 10 % high moves exactly the balances it enters, by the hand-computed amount."""
    plan = standard_plan(train())
    row = values(plan)
    row[plan.signals.index(signal)] *= factor
    got = dict(zip(plan.observables, plan.observe(row), strict=True))
    for name in plan.balances:
        assert got[f"balance/{name}"] == pytest.approx(moved.get(name, 0.0), abs=1e-7), name


def test_concentrate_meter_is_kept_for_the_balance() -> None:
    """With feed and permeate measured, the concentrate meter enters nothing but the water balance."""
    plan = standard_plan(train())
    assert {o for o in plan.observables if "concentrate_flow" in plan.needs(o)} == {"balance/water"}
    assert "permeate_flow" not in plan.needs("1/permeate_flow")


def test_stage_flow_by_difference() -> None:
    """Without the meter of stage 2 its flow is the train's less stage 1, and no balance is invented."""
    plan = standard_plan(train(without("2/permeate_flow")))
    inputs = plan.inputs(values(plan, permeate_flow=76.0))
    assert float(inputs["2"].permeate_flow_m3h) == pytest.approx(26.0)
    assert "permeate_flow" not in plan.balances
    assert "2/permeate_flow" in plan.observables
    assert "permeate_flow" in plan.needs("2/permeate_flow")


def test_train_permeate_by_feed_less_concentrate() -> None:
    """With no permeate meter of the train, feed less concentrate stands in, and closes no balance."""
    plan = standard_plan(train(without("2/permeate_flow", "permeate_flow")))
    assert float(plan.inputs(values(plan))["2"].permeate_flow_m3h) == pytest.approx(25.0)
    assert "water" not in plan.balances


def test_feed_by_permeate_plus_concentrate() -> None:
    """Without a feed meter the feed is permeate plus concentrate."""
    plan = standard_plan(train(without("feed_flow")))
    assert float(plan.inputs(values(plan))["1"].feed_flow_m3h) == pytest.approx(100.0)
    assert "water" not in plan.balances


def test_interstage_pressure_serves_both_stages() -> None:
    """One transmitter between the stages is the end of one and the start of the other."""
    for lost in ("1/concentrate_pressure", "2/feed_pressure"):
        plan = standard_plan(train(without(lost)))
        row = values(plan)
        inputs = plan.inputs(row)
        assert float(inputs["1"].concentrate_pressure_bar) == 12.4
        assert float(inputs["2"].feed_pressure_bar) == 12.4
        assert plan.reasons == ()
        assert len(plan.notes) == 1
        assert "booster pump" in plan.notes[0]


def test_permeate_pressure_of_the_train_or_none() -> None:
    """A stage without its own permeate pressure takes the train's; with neither, 0 bar, and says so."""
    plan = standard_plan(train(without("2/permeate_pressure")))
    assert float(plan.inputs(values(plan))["2"].permeate_pressure_bar) == 0.5
    assert plan.notes == ()
    plan = standard_plan(train(without("2/permeate_pressure", "permeate_pressure")))
    assert float(plan.inputs(values(plan))["2"].permeate_pressure_bar) == 0.0
    assert plan.notes == ("stage 2: the permeate pressure is not measured and taken as 0 bar",)


def test_permeate_conductivity_by_blend_difference() -> None:
    """One stage's permeate concentration follows from the train's and the other's: 80 mg/L by hand."""
    plan = standard_plan(train(without("2/permeate_conductivity")))
    assert float(plan.inputs(values(plan))["2"].permeate_mg_l) == pytest.approx(80.0, rel=1e-9)
    assert "permeate_salt" not in plan.balances
    plan = standard_plan(train(without("1/permeate_conductivity")))
    assert float(plan.inputs(values(plan))["1"].permeate_mg_l) == pytest.approx(20.0, rel=1e-9)


def test_feed_concentration_from_the_concentrate() -> None:
    """Without feed conductivity the salt balance over the train gives the feed: 2000 mg/L by hand."""
    plan = standard_plan(train(without("feed_conductivity")))
    assert float(plan.inputs(values(plan))["1"].feed_mg_l) == pytest.approx(2000.0, rel=1e-9)
    assert plan.balances == ("water", "permeate_flow", "permeate_salt", "stage_1_to_2_pressure")
    assert any("computed from the concentrate" in n for n in plan.notes)


def test_without_any_feed_salt_only_the_pressure_drop_remains() -> None:
    """No feed and no concentrate conductivity: flow and passage are refused with what would do."""
    plan = standard_plan(train(without("feed_conductivity", "concentrate_conductivity")))
    assert plan.observables == (
        "1/pressure_drop",
        "2/pressure_drop",
        "balance/water",
        "balance/permeate_flow",
        "balance/permeate_salt",
        "balance/stage_1_to_2_pressure",
    )
    assert len(plan.reasons) == 3  # two stages and the train
    assert all("feed_conductivity" in r for r in plan.reasons)
    assert plan.reasons[0].startswith("stage 1: permeate flow and salt passage cannot")


def test_quantities_that_stages_lack_are_normalized_over_the_train() -> None:
    """Only the train's permeate conductivity: flow and drop by stage, passage over the train."""
    plan = standard_plan(train(without("1/permeate_conductivity", "2/permeate_conductivity")))
    assert [s.name for s in plan.sections] == ["1", "2", "train"]
    assert plan.sections[2].quantities == ("salt_passage",)
    assert plan.sections[0].quantities == ("permeate_flow", "pressure_drop")
    assert "1/permeate_conductivity" in plan.sections[0].missing["salt_passage"]
    got = plan.inputs(values(plan))["train"]
    assert float(got.recovery) == pytest.approx(0.75)
    assert float(got.permeate_mg_l) == pytest.approx(40.0, rel=1e-9)
    assert got.permeate_pressure_bar == 0.5


def test_train_only() -> None:
    """Train instruments alone: one section from the first feed to the last concentrate pressure."""
    names = [n for n in EVERYTHING if not n.startswith(("1/", "2/"))]
    plan = standard_plan(train([*names, "1/feed_pressure", "2/concentrate_pressure"]))
    assert [(s.name, s.stages) for s in plan.sections] == [("train", (1, 2))]
    assert plan.sections[0].quantities == ("permeate_flow", "salt_passage", "pressure_drop")
    inputs = plan.inputs(values(plan))["train"]
    assert float(inputs.feed_pressure_bar - inputs.concentrate_pressure_bar) == pytest.approx(2.8)
    assert plan.balances == ("water", "salt")
    assert any(r.startswith("stage 1:") for r in plan.reasons)


def test_single_stage_takes_the_instruments_of_the_train() -> None:
    """One stage: the train's flow and conductivity are the stage's, and the section is called 1."""
    plan, row = single()
    assert plan.observables == ("1/permeate_flow", "1/salt_passage", "1/pressure_drop")
    assert np.isfinite(plan.observe(row)).all()
    assert float(plan.inputs(row)["1"].permeate_mg_l) == pytest.approx(20.0, rel=1e-9)


def test_without_temperature_nothing_can_be_normalized() -> None:
    """No feed temperature: not usable, and every reason names it."""
    plan = standard_plan(train(without("feed_temperature")))
    assert not plan.usable
    assert plan.sections == ()
    assert all("feed_temperature" in r for r in plan.reasons)
    assert plan.observables == (
        "balance/water",
        "balance/permeate_flow",
        "balance/stage_1_to_2_pressure",
    )


def test_no_instruments_at_all() -> None:
    """A train without instruments has a plan that says so and computes nothing."""
    plan = standard_plan(train(()))
    assert not plan.usable
    assert plan.observe(np.empty((4, 0))).shape == (4, 0)
    assert plan.uncertainty(np.empty((4, 0))).shape == (4, 0)
    assert plan.reasons


def test_a_dead_signal_blinds_only_what_needs_it() -> None:
    """NaN in one signal is NaN in exactly the observables that need it, for every signal."""
    plan = standard_plan(train())
    row = values(plan)
    for j, name in enumerate(plan.signals):
        dead = row.copy()
        dead[j] = np.nan
        lost = {o for o, x in zip(plan.observables, plan.observe(dead), strict=True) if np.isnan(x)}
        assert lost == {o for o in plan.observables if name in plan.needs(o)}, name


def test_no_other_source_takes_over() -> None:
    """When a stage meter fails, its flow is not silently taken from the train's meter."""
    plan = standard_plan(train())
    row = values(plan, s2_permeate_flow=np.nan)
    assert np.isnan(plan.inputs(row)["2"].permeate_flow_m3h)


@pytest.mark.parametrize(
    ("changed", "lost"),
    [
        ({"s1_permeate_flow": 0.0}, {"1/permeate_flow", "1/salt_passage"}),
        ({"s1_permeate_flow": -1.0}, {"1/permeate_flow", "1/salt_passage"}),
        (
            {"feed_flow": 0.0},
            {"1/permeate_flow", "1/salt_passage", "balance/water", "balance/salt"},
        ),
        ({"s1_feed_pressure": 1.0}, {"1/pressure_drop"}),
        (
            {"s1_feed_pressure": 1.0, "s1_concentrate_pressure": 0.5},
            {"1/permeate_flow"},
        ),
        ({"s2_concentrate_pressure": 12.4}, {"2/pressure_drop"}),
        ({"feed_temperature": 99.0}, {"1/permeate_flow", "2/pressure_drop", "balance/salt"}),
        ({"s1_permeate_conductivity": -3.0}, {"1/salt_passage", "balance/permeate_salt"}),
        ({"feed_flow": np.inf}, {"balance/water"}),
    ],
)
def test_impossible_readings_give_nan(changed: dict[str, float], lost: set[str]) -> None:
    """Stopped, reversed, out of range or infinite: NaN without a warning."""
    plan = standard_plan(train())
    got = dict(zip(plan.observables, plan.observe(values(plan, **changed)), strict=True))
    assert all(np.isnan(got[o]) for o in lost)
    assert not any(np.isinf(x) for x in got.values())


def test_shapes_and_inputs_unchanged() -> None:
    """Leading axes of any number, also empty; the same numbers in blocks as row by row."""
    plan = standard_plan(train())
    rng = np.random.default_rng(5)
    many = values(plan) * (1.0 + 0.01 * rng.standard_normal((9000, len(plan.signals))))
    kept = many.copy()
    got = plan.observe(many)
    assert plan.observe(many.reshape(90, 100, -1)).shape == (90, 100, len(plan.observables))
    np.testing.assert_array_equal(plan.observe(many.reshape(90, 100, -1)).reshape(got.shape), got)
    for i in (0, 8191, 8192, 8999):
        np.testing.assert_allclose(plan.observe(many[i]), got[i], rtol=1e-13, atol=1e-13)
    assert plan.observe(many[:0]).shape == (0, len(plan.observables))
    assert plan.inputs(many[:7])["2"].feed_mg_l.shape == (7,)
    assert plan.jacobian(many[:7]).shape == (7, len(plan.observables), len(plan.signals))
    assert plan.uncertainty(many[:7]).shape == (7, len(plan.observables))
    np.testing.assert_array_equal(many, kept)


def test_jacobian_by_hand() -> None:
    """Slopes that can be written down: drop by pressures, balance by flows, zero where unused."""
    plan = standard_plan(train())
    slope = plan.jacobian(values(plan))

    def at(observable: str, signal: str) -> float:
        return float(slope[plan.observables.index(observable), plan.signals.index(signal)])

    assert at("1/pressure_drop", "1/feed_pressure") == pytest.approx(1 / 1.6, rel=1e-6)
    assert at("1/pressure_drop", "1/concentrate_pressure") == pytest.approx(-1 / 1.6, rel=1e-6)
    assert at("1/pressure_drop", "feed_flow") == pytest.approx(-1.6 / 75.0, rel=1e-6)
    assert at("balance/water", "feed_flow") == pytest.approx(-1 / 100.0, rel=1e-6)
    assert at("balance/permeate_flow", "2/permeate_flow") == pytest.approx(-1 / 75.0, rel=1e-6)
    assert at("1/salt_passage", "1/permeate_conductivity") == pytest.approx(1 / 40.0, rel=1e-6)
    ndp = float(plan.inputs(values(plan))["1"].ndp_bar)
    assert at("1/permeate_flow", "1/permeate_pressure") == pytest.approx(1 / ndp, rel=1e-6)
    assert at("1/permeate_flow", "running") == 0.0
    assert at("1/permeate_flow", "2/permeate_flow") == 0.0


def test_uncertainty_agrees_with_the_jacobian() -> None:
    """First-order uncertainty equals the Jacobian's sum (Monte Carlo: tests/reference/check_uncertainty.py)."""
    plan = standard_plan(train())
    row = values(plan)
    sigma = np.array(
        [i.standard_uncertainty(v) for i, v in zip(plan.train.instruments, row, strict=True)]
    )
    got = plan.uncertainty(row)
    np.testing.assert_allclose(
        got, np.sqrt(((plan.jacobian(row) * sigma) ** 2).sum(axis=-1)), rtol=1e-12
    )


def test_one_pass_gives_what_the_single_ones_give() -> None:
    """`evaluate` is `observe`, `uncertainty` and `inputs` together, also over more than one block."""
    plan = sections.plan(train(without("2/permeate_conductivity")))
    rng = np.random.default_rng(7)
    many = values(plan) * (1.0 + 0.01 * rng.standard_normal((3, 3000, len(plan.signals))))
    many[0, 5, plan.signals.index("1/feed_pressure")] = np.nan
    got = plan.evaluate(many)
    np.testing.assert_allclose(got.observables, plan.observe(many), rtol=1e-13, atol=1e-13)
    np.testing.assert_array_equal(got.uncertainty, plan.uncertainty(many))
    np.testing.assert_array_equal(np.isnan(got.uncertainty), np.isnan(got.observables))
    inputs = plan.inputs(many)
    assert inputs.keys() == got.inputs.keys()
    for name, section in inputs.items():
        np.testing.assert_allclose(got.inputs[name].ndp_bar, section.ndp_bar, rtol=1e-12)
        assert section.ndp_bar.shape == (3, 3000)


def test_standard_uncertainty_of_an_instrument() -> None:
    """By hand: 0.03 of accuracy, 0.04 of half a year's drift, 0.12/√12 of resolution, 3 % and 4 % of 2."""
    instrument = Instrument(
        "feed_flow",
        0.03,
        0.03,
        resolution=0.12,
        drift_per_year=0.04,
        relative_drift_per_year=0.04,
        calibration_years=2.0,
    )
    expected = np.sqrt(0.05**2 + 0.12**2 / 12.0 + 0.1**2)
    assert float(instrument.standard_uncertainty(-2.0)) == pytest.approx(float(expected))
    assert instrument.standard_uncertainty(np.ones((2, 3))).shape == (2, 3)
    assert np.isnan(instrument.standard_uncertainty(np.nan))


def test_means_of_the_train_are_those_of_the_plan() -> None:
    """Without a word the plan takes the means that the train has."""
    assert sections.plan(replace(train(), means="d4516")).means == "d4516"
    assert sections.plan(train()).means == "profile"


def test_compensation_of_each_transmitter_is_undone() -> None:
    """Cold water read with linear, natural or no compensation gives the same observables."""
    base = train()
    actual = values(standard_plan(base), feed_temperature=8.0)
    results = []
    # At 8 °C: the printed ISO 7888 factor is 1.505; linear at 1.9 %/K divides by 1 - 0.323.
    for law, factor in (
        (Compensation("none"), 1.0),
        (Compensation("linear", 1.9), 1.0 / (1.0 - 0.019 * 17.0)),
        (Compensation("natural"), 1.505),
    ):
        instruments = tuple(replace(i, compensation=law) for i in base.instruments)
        plan = standard_plan(replace(base, instruments=instruments))
        row = actual.copy()
        for j, name in enumerate(plan.signals):
            if name.endswith("conductivity"):
                row[j] *= factor
        results.append(plan.observe(row))
    np.testing.assert_allclose(results[1], results[0], rtol=1e-9, atol=1e-9)
    # The printed factor and the law's formula differ by up to 0.3 %.
    np.testing.assert_allclose(results[2], results[0], atol=5e-3)


def test_seawater_train() -> None:
    """A single-stage seawater train is normalized by the seawater law: 25.9 bar at 35.165 g/kg feed."""
    names = (
        "feed_flow",
        "feed_temperature",
        "feed_conductivity",
        "permeate_flow",
        "permeate_conductivity",
        "1/feed_pressure",
        "1/concentrate_pressure",
    )
    plan = standard_plan(replace(train(names, STAGES[:1]), water=Water("seawater")))
    # 53.07 mS/cm at 25 °C is SP 35 (PSS-78), 35.165 g/kg, 2592 kPa (TEOS-10, reference table).
    row = np.array([100.0, 25.0, 53_070.0, 40.0, 500.0, 58.0, 56.5])
    got = plan.inputs(row)["1"]
    pi = float(water.osmotic_pressure_bar(got.feed_mg_l, 25.0, plan.train.water))
    assert pi == pytest.approx(25.92, rel=2e-3)
    assert np.isfinite(plan.observe(row)).all()


@pytest.mark.parametrize("shape", [(), (3,), (4, 7)])
def test_wrong_number_of_columns_raises(shape: tuple[int, ...]) -> None:
    """Values that do not fit the signals are a mistake of the caller."""
    plan = standard_plan(train())
    with pytest.raises(ValueError, match="columns"):
        plan.observe(np.zeros(shape))


def test_means_change_only_what_they_are_means_of() -> None:
    """The exact means see a lower driving pressure and a saltier membrane; the balances are the same."""
    standard, exact = standard_plan(train()), sections.plan(train(), means="profile")
    row = values(standard)
    change = dict(zip(exact.observables, exact.observe(row) - standard.observe(row), strict=True))
    for k in ("1", "2"):
        assert 0.0 < change[f"{k}/permeate_flow"] < 0.5
        assert -0.5 < change[f"{k}/salt_passage"] < 0.0
        assert 0.0 < change[f"{k}/pressure_drop"] < 0.1
    assert all(change[f"balance/{b}"] == 0.0 for b in exact.balances)
    with pytest.raises(ValueError, match="profile"):
        sections.plan(train(), means="best")  # type: ignore[arg-type]


def test_impossible_trains_raise() -> None:
    """A signal listed twice, or no stage at all, is refused with its name."""
    with pytest.raises(ValueError, match="feed_flow"):
        standard_plan(train(("feed_flow", "feed_flow")))
    with pytest.raises(ValueError, match="no stages"):
        standard_plan(train(stages=()))
