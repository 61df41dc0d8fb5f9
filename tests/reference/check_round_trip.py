"""Round trip: constant membranes in the simulator's physics, normalized by the rules, stay flat.

The simulator solves solution-diffusion with film theory element by element and has its own laws of
water; the rules have mean pressures and log means. What is left is the error of normalizing.
"""

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules import normalize, profile, sections, water
from rules.train import Instrument, Means, Stage, Train, Water
from simulator.hydraulics import Demand, solve
from simulator.vessels import StageShape, StageState, Surroundings
from simulator.water import transmitter_conductivity_us_cm
from tests.reference.checks import check, relative
from tests.reference.tables import columns, rows

CLOSED_FORM = "element_model_closed_form.csv"
ELEMENTS = "element_model_reference.csv"
SIMULATED = "solution-diffusion with film theory, element by element, of the simulator"
ODE = (
    "solution-diffusion with film theory (Schock and Miquel 1987, from memory), tight ODE solution"
)
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


def spread(means: Means) -> dict[str, float]:
    """Largest departure of every observable from the usual operating point."""
    train, values = simulated()
    plan = sections.plan(train, means=means)
    observed = plan.observe(values)
    largest = np.max(np.abs(observed - observed[0]), axis=0)
    return dict(zip(plan.observables, largest.tolist(), strict=True))


def without_stage_flows() -> tuple[Train, NDArray[np.float64]]:
    """The same train and signals with pressures, but no flow meters, at its stages."""
    train, values = simulated()
    lost = ("1/permeate_flow", "2/permeate_flow")
    kept = [j for j, name in enumerate(train.signals) if name not in lost]
    few = replace(train, instruments=tuple(train.instruments[j] for j in kept))
    return few, values[:, kept]


# 64 operating points: 5 to 35 °C, recovery 0.65 to 0.78, 1 to 2.5 g/L, flow -15 to +15 %.


@check(
    "Constant membranes stay flat by the exact means, 64 operating points",
    source=SIMULATED,
    status="computed",
    tolerance=0.03,
    measure="absolute",
    unit="ln",
)
def flat_by_exact_means() -> ArrayLike:
    """Every observable of a two-stage train."""
    return list(spread("profile").values())


@check(
    "Constant membranes by the means of D4516, 64 operating points",
    source=SIMULATED,
    status="computed",
    tolerance=0.10,
    measure="absolute",
    unit="ln",
)
def flat_by_log_mean() -> ArrayLike:
    """The residue that the standard's means leave."""
    return list(spread("d4516").values())


@check(
    "Permeate of each stage, split without flow meters by one permeability",
    source=SIMULATED,
    status="computed",
    tolerance=0.04,
)
def permeate_split() -> ArrayLike:
    """Stages of equal membranes, the same 64 operating points."""
    train, values = without_stage_flows()
    inputs = sections.plan(train, means="profile").inputs(values)
    full, all_values = simulated()
    names = list(full.signals)
    return np.concatenate(
        [
            relative(inputs[k].permeate_flow_m3h, all_values[:, names.index(f"{k}/permeate_flow")])
            for k in ("1", "2")
        ]
    )


@check(
    "Constant membranes stay flat without flow meters at the stages, 64 operating points",
    source=SIMULATED,
    status="computed",
    tolerance=0.03,
    measure="absolute",
    unit="ln",
)
def flat_with_split() -> ArrayLike:
    """Pressure drop of each stage, flow and passage of the train."""
    train, values = without_stage_flows()
    observed = sections.plan(train, means="profile").observe(values)
    return observed - observed[0]


@check(
    "Water and salt permeability of vessels by the exact means",
    source=ODE,
    status="computed",
    tolerance=0.03,
    table=ELEMENTS,
)
def permeabilities() -> ArrayLike:
    """A and B of brackish and seawater vessels."""
    truth = {"BW6-25C": 3.3, "BW6-25C-A80pct": 2.64, "SW7-25C": 0.95, "BW1-25C-test": 3.3}
    found = []
    for row in vessels():
        got = coefficients(row)
        salt = 0.05 if row["case"].startswith("SW") else 0.12
        found += [got["A profile"] / truth[row["case"]] - 1, got["B profile"] / salt - 1]
    return found


@check(
    "Fall of the water permeability by a fifth as normalized",
    source=ODE,
    status="computed",
    tolerance=0.02,
    measure="absolute",
    unit="ln",
    table=ELEMENTS,
)
def falling_permeability() -> ArrayLike:
    """ln 0.8 of flow and nothing of passage, by both means."""
    by_case = {row["case"]: coefficients(row) for row in vessels()}
    healthy, worn = by_case["BW6-25C"], by_case["BW6-25C-A80pct"]
    return [
        np.log(worn[f"{q} {means}"] / healthy[f"{q} {means}"]) - expected
        for means in ("d4516", "profile")
        for q, expected in (("A", np.log(0.8)), ("B", 0.0))
    ]


@check(
    "Exact means: dimensionless area of the ideal exchanger",
    source="Banchik, Sharqawy, Lienhard, J. Membrane Sci. 458 (2014) 189 (re-derived)",
    status="computed",
    tolerance=1e-6,
    table=CLOSED_FORM,
)
def closed_form() -> ArrayLike:
    """Recovery over mean driving pressure."""
    t = columns(CLOSED_FORM)
    got = profile.exact_means(1.0, t["RR"], 1.0, t["SR"])
    return relative(t["RR"] / got.ndp_bar, t["A_area_dP_over_Qf"])


def vessels() -> list[dict[str, str]]:
    """Whole vessels of the table."""
    return [r for r in rows("element_model_reference.csv") if r["element"] == "vessel"]


def coefficients(row: dict[str, str]) -> dict[str, float]:
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
