"""Round trip: constant membranes in the simulator's physics, normalized by the rules, stay flat.

The simulator solves solution-diffusion with film theory element by element and has its own laws of
water; the rules have mean pressures and log means. What is left is the error of normalizing.
"""

from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rules import normalize, profile, sections, water
from rules.train import Instrument, Stage, Train, Water
from simulator.hydraulics import Demand, solve
from simulator.vessels import StageShape, StageState, Surroundings
from simulator.water import transmitter_conductivity_us_cm
from tests.reference.tables import columns, rows, worst

SHAPES = (StageShape(vessels=2, elements=6), StageShape(vessels=1, elements=6))
ELEMENT = Stage(vessels=1, elements_per_vessel=6, element_area_m2=37.2, element_length_mm=1000.0)
ACTIVATION = {"water": 2700.0, "salt": 3300.0}
SIGNALS = (
    "feed_flow",
    "feed_temperature",
    "feed_conductivity",
    "permeate_flow",
    "permeate_conductivity",
    "concentrate_flow",
    *(
        f"{k}/{role}"
        for k in (1, 2)
        for role in (
            "feed_pressure",
            "concentrate_pressure",
            "permeate_pressure",
            "permeate_flow",
            "permeate_conductivity",
        )
    ),
)


def state(shape: StageShape) -> StageState:
    """A stage of like elements: A 3.3 L/m2/h/bar, B 0.12 L/m2/h."""
    size = (shape.elements, 1, shape.vessels)
    none = np.zeros(size)
    return StageState(
        water=np.full(size, 3.3),
        salt=np.full(size, 0.12),
        friction=np.ones(size),
        bypass=none,
        element_leak=none,
        joint_leak=np.zeros((shape.elements + 1, 1, shape.vessels)),
    )


def grid() -> NDArray[np.float64]:
    """Temperature, permeate flow, recovery and feed of 64 operating points; the first is usual."""
    rng = np.random.default_rng(3)
    low = np.array([5.0, 0.85, 0.65, 1000.0])
    high = np.array([35.0, 1.15, 0.78, 2500.0])
    wide = low + (high - low) * rng.random((64, 4))
    wide[0] = (20.0, 1.0, 0.75, 2000.0)
    wide[:, 1] *= 3 * 6 * 37.2 * 0.020  # 20 L/m2/h
    return wide


@cache
def simulated() -> tuple[Train, NDArray[np.float64]]:
    """The train and its noiseless signals at every point of the grid."""
    t, permeate, recovery, salt = grid().T
    result = solve(
        SHAPES,
        [state(s) for s in SHAPES],
        Surroundings(t[:, None], ACTIVATION["water"], ACTIVATION["salt"]),
        Demand(
            permeate_m3h=permeate,
            feed_m3h=permeate / recovery,
            feed_mg_l=salt,
            permeate_static=[np.full(len(t), 0.3)] * 2,
            permeate_line=[0.0, 0.0],
            interstage_bar=0.1,
            highest_bar=60.0,
        ),
    )
    columns = {
        "feed_flow": permeate / recovery,
        "feed_temperature": t,
        "feed_conductivity": transmitter_conductivity_us_cm(salt, t),
        "permeate_flow": result.permeate_m3h,
        "permeate_conductivity": transmitter_conductivity_us_cm(result.permeate_mg_l, t),
        "concentrate_flow": permeate / recovery - result.permeate_m3h,
    }
    for k, stage in enumerate(result.stages, start=1):
        columns |= {
            f"{k}/feed_pressure": stage.feed_bar,
            f"{k}/concentrate_pressure": stage.concentrate_bar,
            f"{k}/permeate_pressure": stage.permeate_bar,
            f"{k}/permeate_flow": stage.permeate_m3h,
            f"{k}/permeate_conductivity": transmitter_conductivity_us_cm(stage.permeate_mg_l, t),
        }
    train = Train(
        id="A",
        stages=tuple(Stage(s.vessels, s.elements, s.area_m2) for s in SHAPES),
        instruments=tuple(Instrument(name, 0.0, 0.005) for name in SIGNALS),
        water=Water("nacl"),
        water_activation_k=ACTIVATION["water"],
        salt_activation_k=ACTIVATION["salt"],
        pressure_drop_exponent=1.7,
    )
    return train, np.column_stack([np.broadcast_to(columns[s], t.shape) for s in SIGNALS])


def spread(means: Literal["d4516", "profile"]) -> dict[str, float]:
    """Largest departure of every observable from the usual operating point."""
    train, values = simulated()
    plan = sections.plan(train, means=means)
    observed = plan.observe(values)
    largest = np.max(np.abs(observed - observed[0]), axis=0)
    return dict(zip(plan.observables, largest.tolist(), strict=True))


def test_exact_means_are_flat() -> None:
    """5 to 35 °C, recovery 0.65 to 0.78, 1 to 2.5 g/L, flow -15 to +15 %: everything within 3 %."""
    worst_seen = spread("profile")
    assert len(worst_seen) == 9
    assert max(worst_seen.values()) < 0.03, worst_seen


def test_means_of_the_standard_are_as_flat_as_they_can_be() -> None:
    """The same grid by D4516: residue up to 10 %, the reference text's warning; balances close."""
    worst_seen = spread("d4516")
    assert max(worst_seen.values()) < 0.10, worst_seen
    assert worst_seen["1/permeate_flow"] < 0.04
    for name in ("water", "permeate_flow", "permeate_salt"):
        assert worst_seen[f"balance/{name}"] < 0.001


def test_falling_permeability_is_seen_as_it_is() -> None:
    """ODE vessel profiles (computed), A 3.3 and 80 % of it: ln 0.8 within 0.02, passage within 0.02."""
    coefficients = {r["case"]: _coefficients(r) for r in _vessels()}
    healthy, worn = coefficients["BW6-25C"], coefficients["BW6-25C-A80pct"]
    for kind in ("d4516", "profile"):
        a, b = (np.log(worn[f"{q} {kind}"] / healthy[f"{q} {kind}"]) for q in "AB")
        assert abs(a - np.log(0.8)) < 0.02
        assert abs(b) < 0.02


def test_exact_means_recover_the_permeabilities() -> None:
    """ODE vessel profiles (computed): A and B of each case within 3 %, seawater too."""
    truth = {"BW6-25C": 3.3, "BW6-25C-A80pct": 2.64, "SW7-25C": 0.95, "BW1-25C-test": 3.3}
    for r in _vessels():
        got = _coefficients(r)
        salt = 0.05 if r["case"].startswith("SW") else 0.12
        assert abs(got["A profile"] / truth[r["case"]] - 1) < 0.03, r["case"]
        assert abs(got["B profile"] / salt - 1) < 0.03, r["case"]


def _vessels() -> list[dict[str, str]]:
    return [r for r in rows("element_model_reference.csv") if r["element"] == "vessel"]


def _coefficients(row: dict[str, str]) -> dict[str, float]:
    """A [L/m2/h/bar] and B [L/m2/h] of a vessel by both means, with the table's own NaCl law."""
    x = {k: float(v) for k, v in row.items() if v and k not in ("case", "element")}
    permeate_bar = {"SW7-25C": 1.0, "BW1-25C-test": 0.0}.get(row["case"], 0.5)
    area = x["q_perm"] / x["flux_LMH"] * 1000.0
    average = float(water.feed_brine_average(x["C_in"], x["recovery"]))
    pi_feed, pi_perm = water.d4516_osmotic_pressure_bar([average, x["c_perm"]], 25.0)
    pressure = x["P_in"] - x["dP"] / 2 - permeate_bar + pi_perm
    transfer = profile.mass_transfer_lmh((x["Q_in"] + x["Q_out"]) / 2, 25.0, ELEMENT)
    piled = float(profile.polarization(x["flux_LMH"], transfer))
    means = profile.exact_means(
        x["Q_in"], x["q_perm"], pressure, pi_feed * x["C_in"] / average * piled
    )
    salty = x["C_in"] * float(means.concentration_ratio) * piled
    found = {}
    for kind, ndp, at_membrane in (
        ("d4516", pressure - pi_feed, average),
        ("profile", means.ndp_bar, salty),
    ):
        found[f"A {kind}"] = 1000.0 * float(
            normalize.water_permeability(x["q_perm"], ndp, 1.0, area_m2=area)
        )
        found[f"B {kind}"] = 1000.0 * float(
            normalize.salt_permeability(x["q_perm"], x["c_perm"], at_membrane, 1.0, area_m2=area)
        )
    return found


def test_closed_form() -> None:
    """Ideal exchanger (Banchik and others 2014, re-derived, computed): dimensionless area to 1e-6."""
    t = columns("element_model_closed_form.csv")
    got = profile.exact_means(1.0, t["RR"], 1.0, t["SR"])
    assert worst(t["RR"] / got.ndp_bar, t["A_area_dP_over_Qf"]) < 1e-6


def test_means_of_the_closed_form_by_integration() -> None:
    """Mean concentration and flow over the membrane as a fine sum along the vessel gives them."""
    for s, y in ((0.2, 0.5), (0.45, 0.4), (0.05, 0.9)):
        # Membrane area is made in proportion to permeate over local driving pressure.
        made = (np.arange(200_000) + 0.5) / 200_000 * y
        left = 1.0 - made
        weight = 1.0 / (1.0 - s / left)
        got = profile.exact_means(1.0, y, 1.0, s)
        assert abs(np.sum(weight / left) / np.sum(weight) / got.concentration_ratio - 1) < 1e-6
        assert abs(np.sum(weight * left) / np.sum(weight) / got.flow_m3h - 1) < 1e-6
        assert abs(y / (np.sum(weight) * y / 200_000) / got.ndp_bar - 1) < 1e-6


def test_exact_means_of_pure_water_are_the_plain_ones() -> None:
    """Without salt the driving pressure is the pressure, the flow the mean of its ends."""
    got = profile.exact_means(10.0, 5.0, 8.0, 0.0)
    assert abs(float(got.ndp_bar) - 8.0) < 1e-12
    assert abs(float(got.flow_m3h) - 7.5) < 1e-12
    assert abs(float(got.concentration_ratio) - np.log(2.0) / 0.5) < 1e-12


def test_brine_beyond_the_pressure_is_nan() -> None:
    """A brine whose osmotic pressure exceeds the pressure cannot be: NaN, no warning."""
    assert np.isnan(profile.exact_means(10.0, 5.0, 8.0, 4.5).ndp_bar)
