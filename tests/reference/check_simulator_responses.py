"""What a simulated train answers to temperature, recovery, salinity and leaks, and what it conserves."""

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from simulator.hydraulics import TrainResult
from simulator.plant import Plant
from simulator.scenario import PlantSpec, load
from simulator.vessels import StageFlow, StageShape, Surroundings
from simulator.water import LAWS, Floats
from tests.reference.checks import check, relative
from tests.reference.tables import columns
from tests.simulator_kit import IdealLaw, even, settled

BRINE = "feed_brine_average.csv"
SLICES = 240
FAR_BAR = 20.0


def exchanger(recovery: Floats, passage: float) -> tuple[StageShape, StageFlow, Floats]:
    """One vessel for each recovery: no osmotic pressure, no polarization, no drop, so the same flux everywhere."""
    area, permeability = 200.0, 3.0
    flux = permeability * FAR_BAR
    shape = StageShape(len(recovery), SLICES, area_m2=area / SLICES, length_m=5.0 / SLICES)
    feed = flux * area / 1000.0 / recovery
    salt = np.array(flux * passage / (1.0 - passage))
    found = settled(
        shape,
        even(shape, np.array(permeability), salt, 0.0),
        Surroundings(np.array([[25.0]]), 0.0, 0.0, IdealLaw(curve_bar=(0.0, 0.0))),
        flow=feed[None, :],
        salt=np.full((1, len(recovery)), 1000.0),
        pressure=np.array([[FAR_BAR]]),
        back=np.array([[0.0]]),
    )
    return shape, found, feed


@check(
    "Simulator: brine by recovery, nothing passes",
    source="log mean of ASTM D4516 and mass balance, evaluated",
    status="computed",
    tolerance=1e-4,
    table=BRINE,
)
def concentrating() -> ArrayLike:
    """Permeate-weighted mean of the brine, and its salt at the end."""
    t = columns(BRINE)
    shape, found, feed = exchanger(t["Y"], 0.0)
    made = found.flux[:, 0] * shape.area_m2 / 1000.0
    middle = feed - np.cumsum(made, axis=0) + 0.5 * made
    mean = np.sum(made * feed / middle, axis=0) / np.sum(made, axis=0)
    end = found.concentrate_salt[0] / found.concentrate[0]
    return np.concatenate(
        [relative(mean, t["factor_log_mean"]), relative(end * t["Cf_mg_L"] / 1000.0, t["Cc_R100"])]
    )


@check(
    "Simulator: salt passage and brine by recovery, 1 % passes everywhere",
    source="Rayleigh's formula, evaluated",
    status="computed",
    tolerance=2e-4,
    table=BRINE,
)
def passing() -> ArrayLike:
    """More recovery, more passage of the whole."""
    t = columns(BRINE)
    _, found, _ = exchanger(t["Y"], 0.01)
    passed = found.permeate_salt[0] / found.permeate[0] / 1000.0 * 100.0
    end = found.concentrate_salt[0] / found.concentrate[0] * t["Cf_mg_L"] / 1000.0
    return np.concatenate([relative(passed, t["SP_system_pct_R99"]), relative(end, t["Cc_R99"])])


def one_element(
    warm: Floats, flow: Floats, spec: PlantSpec, salt_mg_l: float, bar: float, water: str = "nacl"
) -> StageFlow:
    """A new element of a plant at many temperatures and flows, (time, 1)."""
    shape = StageShape(1, 1)
    one = np.ones_like(warm)
    return settled(
        shape,
        even(shape, np.array(spec.water_lmh_bar), np.array(spec.salt_lmh), 1.0),
        Surroundings(
            warm,
            spec.water_activation_k,
            spec.salt_activation_k,
            LAWS[water],
            salt_mg_l * 1.1 * one,
        ),
        flow=flow,
        salt=salt_mg_l * one,
        pressure=bar * one,
        back=0.0 * one,
    )


@check(
    "Simulator: permeate of an element by temperature, 5 to 40 °C",
    source="two-slope Arrhenius law",
    status="common practice, no source",
    tolerance=0.05,
    table="tcf_laws.csv",
)
def warmer() -> ArrayLike:
    """Nearly fresh water at one pressure; the invented membrane is 10 % more sensitive than its textbook above 25."""
    t = columns("tcf_laws.csv")
    usable = t["T_degC"] <= 40.0
    warm = np.append(25.0, t["T_degC"][usable])[:, None]
    found = one_element(warm, np.full_like(warm, 10.0), PlantSpec(), 20.0, 10.0)
    return relative(found.permeate[1:, 0] / found.permeate[0, 0], t["arrhenius_two_slope"][usable])


@check(
    "Simulator: pressure drop by flow and temperature",
    source="f = 6.23 Re^-0.3 (Schock and Miquel 1987, from memory) with IAPWS density and viscosity",
    status="mixed",
    tolerance=0.002,
    table="water_density_viscosity.csv",
)
def friction() -> ArrayLike:
    """As flow^1.7 viscosity^0.3 density^0.7, for a membrane that lets next to nothing through."""
    t = columns("water_density_viscosity.csv")
    usable = (t["T_degC"] >= 5.0) & (t["T_degC"] <= 40.0)
    spec = replace(PlantSpec(), water_lmh_bar=1e-3, salt_lmh=1e-4)
    warm = np.tile(t["T_degC"][usable], 2)[:, None]
    flow = np.repeat([5.0, 10.0], usable.sum())[:, None]
    drop = one_element(warm, flow, spec, 20.0, 10.0).drop_bar[:, 0]
    law = flow[:, 0] ** 1.7
    law = (
        law
        * np.tile(t["viscosity_mPa_s"] ** 0.3 * t["density_kg_m3"] ** 0.7, 2)[np.tile(usable, 2)]
    )
    return relative(drop / drop[0], law / law[0])


# Usual test conditions: feed mg/L, bar, recovery; and what elements of 37 m2 then give: m3/d and rejection.
TESTS = {
    "nacl": (2000.0, 15.5, 0.15, (36.0, 46.0), (0.994, 0.998)),
    "seawater": (32000.0, 55.2, 0.08, (20.0, 34.0), (0.996, 0.999)),
}


@check(
    "Simulator: elements at usual test conditions, brackish (15.5 bar) and seawater (55.2 bar)",
    source="the range of elements of 37 m2",
    status="common practice, no source",
    tolerance=0.0,
    measure="mismatches",
)
def element_tests() -> ArrayLike:
    """Permeate and rejection of sodium chloride at 25 °C."""
    specs = {"nacl": PlantSpec(), "seawater": load("healthy_seawater").plant}
    outside = 0
    for water, (salt, bar, recovery, flows, rejections) in TESTS.items():
        flow = np.array([[8.0]])
        for _ in range(30):
            # Both are tested with sodium chloride.
            found = one_element(np.array([[25.0]]), flow, specs[water], salt, bar)
            flow = found.permeate / recovery
        per_day = 24.0 * float(found.permeate[0, 0])
        rejected = 1.0 - float(found.permeate_salt[0, 0] / found.permeate[0, 0]) / salt
        outside += not flows[0] < per_day < flows[1]
        outside += not rejections[0] < rejected < rejections[1]
    return [outside]


def at(plant: Plant, **changed: float) -> TrainResult:
    """The sound demo train at 78 m3/h, 75 %, 20 °C, 2000 mg/L, with changes."""
    c = {"permeate": 78.0, "recovery": 0.75, "temperature": 20.0, "salt": 2000.0} | changed
    one = np.ones(1)
    return plant.solved(
        np.array([plant.start_s]),
        permeate=c["permeate"] * one,
        feed=c["permeate"] / c["recovery"] * one,
        temperature_c=c["temperature"] * one,
        salt_mg_l=c["salt"] * one,
    )


@check(
    "Simulator: feed pressure by salinity, 1 to 4 g/L at 75 % recovery",
    source="1 psi for each 100 mg/L of the mean of feed and concentrate (EPA 814-B-96-003)",
    status="from memory",
    tolerance=0.2,
)
def saltier() -> ArrayLike:
    """Sodium chloride has a sixth more osmotic pressure than the natural water of the rule, and polarizes."""
    plant = Plant("healthy")
    salts = np.array([1000.0, 2000.0, 4000.0])
    bars = np.array([at(plant, salt=salt).stages[0].feed_bar[0] for salt in salts])
    rule = np.diff(salts) * 0.5 * (1.0 + 1.0 / 0.25) / 100.0 * 0.0689476
    return relative(np.diff(bars), rule)


@check(
    "Simulator: salt of the permeate by flux, temperature and salinity",
    source="solution-diffusion: salt flux follows the salt permeability and the brine, not the water flux",
    status="computed",
    tolerance=0.06,
)
def permeate_salt() -> ArrayLike:
    """A fifth more flux, ten kelvin more, twice the salt at one recovery; polarization makes the rest."""
    plant = Plant("healthy")
    base = at(plant)
    k = 1.0 / 293.15 - 1.0 / 303.15
    cases = (
        ({"permeate": 78.0 * 1.2}, 1.0 / 1.2),
        ({"temperature": 30.0}, np.exp(plant.scenario.plant.salt_activation_k * k)),
        ({"salt": 4000.0}, 2.0),
    )
    got = [at(plant, **change).permeate_mg_l[0] / base.permeate_mg_l[0] for change, _ in cases]
    return relative(got, [size for _, size in cases])


@check(
    "Simulator: what a leak adds to the permeate of its vessel",
    source="leak part times (feed-side salt / permeate salt - 1), mass balance",
    status="computed",
    tolerance=0.01,
)
def leaking() -> ArrayLike:
    """Four leaks at four joints of the vessels of a stage."""
    shape = StageShape(4, 6)
    leaky = even(shape, np.array(3.5), np.array(0.12), 1.0)
    joints = np.zeros((7, 1, 4))
    joints[[0, 2, 4, 6], 0, np.arange(4)] = (0.002, 0.004, 0.001, 0.003)
    around = Surroundings(np.array([[20.0]]), 2900.0, 2900.0)
    conditions = {
        "flow": np.full((1, 4), 9.5),
        "salt": np.full((1, 4), 2000.0),
        "pressure": np.full((1, 4), 12.0),
        "back": np.full((1, 4), 0.4),
    }
    sound = settled(shape, leaky, around, **conditions)
    found = settled(shape, replace(leaky, joint_leak=joints), around, **conditions)
    before = sound.permeate_salt[0] / sound.permeate[0]
    after = found.permeate_salt[0] / found.permeate[0]
    part = found.joint_leaked.sum(axis=0)[0] / found.permeate[0]
    beside = found.joint_leaked_salt.sum(axis=0)[0] / found.joint_leaked.sum(axis=0)[0]
    return relative(after / before, 1.0 + part * (beside / before - 1.0))


SCENARIOS = (
    "healthy",
    "o_ring_leak",
    "brine_seal_bypass",
    "tail_scaling",
    "delamination_at_shutdown",
    "healthy_three_stages",
    "healthy_recirculation",
    "healthy_booster",
    "seawater_leak",
)


@cache
def balances() -> Floats:
    """Relative errors of water and salt over trains, stages and vessels of many scenarios, on 20 days each."""
    errors = []
    for name in SCENARIOS:
        plant = Plant(name)
        run = plant.scenario.operation
        day = np.linspace(0.5, 19.5, 20)
        solved = plant.at_one_point(day)
        fresh = run.permeate_m3h / run.recovery
        back = fresh * plant.scenario.plant.recirculated
        last = solved.stages[-1]
        salt = plant.scenario.feed.salt_mg_l
        out = solved.permeate_m3h + last.concentrate_m3h - back
        carried = (
            solved.permeate_m3h * solved.permeate_mg_l
            + (last.concentrate_m3h - back) * last.concentrate_mg_l
        )
        errors += [out / fresh - 1.0, carried / (fresh * salt) - 1.0]
        inlet, load = (
            solved.stages[0].feed_m3h,
            solved.stages[0].feed_m3h * solved.stages[0].feed_mg_l,
        )
        for stage in solved.stages:
            flow = stage.flow
            made = flow.permeate.sum(axis=1)
            errors += [(made + flow.concentrate.sum(axis=1)) / inlet - 1.0]
            errors += [(flow.permeate_salt + flow.concentrate_salt).sum(axis=1) / load - 1.0]
            inlet, load = flow.concentrate.sum(axis=1), flow.concentrate_salt.sum(axis=1)
    return np.concatenate([np.ravel(e) for e in errors])


@check(
    "Simulator: water and salt over trains and stages, nine scenarios, before instruments",
    source="conservation of mass",
    status="computed",
    tolerance=1e-6,
)
def conserved() -> ArrayLike:
    """Leaks, bypass, scale, boosters, recirculated concentrate, seawater."""
    return balances()


@check(
    "Simulator: pressure drop of the vessels of a stage, all alike, eight scenarios",
    source="vessels share their headers",
    status="computed",
    tolerance=1e-5,
)
def shared_headers() -> ArrayLike:
    """Each vessel takes the flow at which it loses as much as the others."""
    errors = []
    for name in SCENARIOS[:-1]:
        plant = Plant(name)
        for stage in plant.at_one_point(np.linspace(0.5, 19.5, 10)).stages:
            drops = stage.flow.drop_bar
            errors.append(np.ravel(drops / drops.mean(axis=1, keepdims=True) - 1.0))
    return np.concatenate(errors)
