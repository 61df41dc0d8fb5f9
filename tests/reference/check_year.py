"""A year of weather through the simulator's physics: membranes that lose 5 % a year are seen to lose 5 %.

The true membranes follow temperature 15 % more or less than the constants in use, which over a season
is worth as much as the customary cleaning limit. Three plants: two stages of brackish water with all
stage instruments; one stage of brackish water with the instruments of a train; one stage at 8 g/L.
The transmitters have the noise of ordinary ones, half of it wandering slowly.
"""

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules import robust, sections
from rules.dependence import Dependence
from rules.digest import CHANNELS, OPERATING, operating_names
from rules.train import Instrument, Stage, Train
from simulator.plant import Plant
from simulator.scenario import Ageing, Feed, Operation, PlantSpec, Scenario
from simulator.vessels import StageShape
from tests.reference.checks import check

Array = NDArray[np.float64]

TEXTBOOK_K = 2640.0
RATE = float(np.log1p(-0.05))
"""Water permeability and pressure drop aside, what the membranes lose in a year. [1/yr]"""

DAYS = 368.0
HOUR_S, DAY_S, BIN_S = 3600.0, 86400.0, 6 * 3600.0
BASELINE_BINS = 12

REPEATS = {"pressure": 0.0015}
"""Repeatability of pressure transmitters, of the reading; of flows and conductivities 0.5 %, of temperature 0.03 K.
Common practice, no source. Their accuracy is worse, but a constant error does not drift. [-]"""

TRAIN = ("feed_flow", "feed_temperature", "feed_conductivity", "permeate_flow")
STAGE = ("feed_pressure", "concentrate_pressure", "permeate_pressure")
SOURCE = "the simulator's own physics, element by element, at known permeabilities"


def brackish() -> Scenario:
    """8:4 vessels of six elements, 2 g/L, 75 % recovery, river-fed: 18 ± 5.5 °C."""
    return Scenario("two stages", "", "", DAYS)


def small() -> Scenario:
    """Four vessels of six elements, 1.5 g/L, 50 % recovery, 15 ± 8 °C."""
    return Scenario(
        "one stage",
        "",
        "",
        DAYS,
        plant=PlantSpec(stages=(StageShape(4, 6),)),
        feed=Feed(temperature_mean_c=15.0, temperature_season_c=8.0, salt_mg_l=1500.0),
        operation=Operation(permeate_m3h=20.0, recovery=0.5),
    )


def salty() -> Scenario:
    """Eight vessels of seven elements, 8 g/L, 60 % recovery, 20 ± 5 °C."""
    return Scenario(
        "salty",
        "",
        "",
        DAYS,
        plant=PlantSpec(
            stages=(StageShape(8, 7),), water_lmh_bar=2.5, salt_lmh=0.08, highest_feed_bar=45.0
        ),
        feed=Feed(
            temperature_mean_c=20.0,
            temperature_season_c=5.0,
            salt_mg_l=8000.0,
            salt_spread=0.02,
        ),
        operation=Operation(permeate_m3h=40.0, recovery=0.60),
    )


PLANTS = {"two stages": brackish, "one stage": small, "8 g/L": salty}
OFF = (0.85, 1.15)


def _signals(scenario: Scenario) -> tuple[str, ...]:
    count = len(scenario.plant.stages)
    own = ("permeate_flow", "permeate_conductivity") if count > 1 else ()
    stages = [f"{k}/{role}" for k in range(1, count + 1) for role in (*STAGE, *own)]
    return (*TRAIN, *(("permeate_conductivity",) if count == 1 else ()), *stages)


def _noise(shape: tuple[int, int], seed: int) -> Array:
    """Unit noise of transmitters, one row each hour: half of the variance wanders over half a day."""
    rng = np.random.default_rng(seed)
    slow = np.zeros(shape)
    keep = np.exp(-1.0 / 12.0)
    for i in range(1, shape[0]):
        slow[i] = keep * slow[i - 1] + np.sqrt(1.0 - keep**2) * rng.standard_normal(shape[1])
    return np.sqrt(0.5) * (slow + rng.standard_normal(shape))


@cache
def year(plant_type: str, off: float) -> dict[str, tuple[float, float, float, float]]:
    """Observable -> yearly rate found, rate without what was learned, and both over the first half.

    off : the plant's own activation energies over the textbook's. [-] Rates. [1/yr]
    """
    scenario = PLANTS[plant_type]()
    spec = replace(
        scenario.plant,
        water_activation_k=TEXTBOOK_K * off,
        salt_activation_k=TEXTBOOK_K * off,
    )
    scenario = replace(
        scenario,
        plant=spec,
        ageing=Ageing(water_percent_year=-5.0, salt_percent_year=-5.0),
        operation=replace(scenario.operation, stop_every_days=0.0),
    )
    plant = Plant(scenario, seed=3)
    times = plant.start_s + np.arange(0.0, DAYS * DAY_S, HOUR_S)
    truth = plant.truth(times)
    signals = _signals(scenario)
    values = np.column_stack([truth[s] for s in signals])
    noise = _noise(values.shape, 7)
    error = np.abs(values) * [REPEATS.get(s.rpartition("_")[2], 0.005) for s in signals]
    error[:, signals.index("feed_temperature")] = 0.03
    train = Train(
        id="A",
        stages=tuple(Stage(s.vessels, s.elements, s.area_m2) for s in spec.stages),
        instruments=tuple(Instrument(name, 0.0, 0.005) for name in signals),
    )
    return _rates(train, times, values + error * noise)


def _rates(train: Train, times: Array, values: Array) -> dict[str, tuple[float, ...]]:
    plan = sections.plan(train)
    observed, inputs = plan.observe(values), plan.inputs(values)
    columns = []
    for section in plan.sections:
        i = inputs[section.name]
        known = {
            "flux_lmh": i.flux_lmh,
            "feed_brine_mg_l": i.feed_brine_mg_l,
            "average_flow_m3h": (i.feed_flow_m3h + i.concentrate_flow_m3h) / 2.0,
            "temperature_c": i.temperature_c,
        }
        columns += [known.get(key, np.full(len(times), np.nan)) for key in OPERATING]
    points = np.column_stack(columns)
    per_bin = int(BIN_S / HOUR_S)

    def medians(rows: Array) -> Array:
        return robust.median(
            rows[: len(rows) // per_bin * per_bin].reshape(-1, per_bin, rows.shape[1]), 1
        )

    levels, points, starts = medians(observed), medians(points), medians(times[:, None])[:, 0]
    reference = robust.median(levels[:BASELINE_BINS])
    operating = operating_names(plan)[: -len(CHANNELS)]
    at = dict(zip(operating, robust.median(points[:BASELINE_BINS]).tolist(), strict=True))
    at = {k: v for k, v in at.items() if np.isfinite(v)}
    hours = BASELINE_BINS * per_bin
    spread = dict(zip(plan.observables, robust.sigma(observed[:hours]).tolist(), strict=True))
    model = Dependence(plan.observables, operating, at, spread)
    deviations = levels - reference
    for t, row, point in zip(starts, deviations, points, strict=True):
        model.take(t, per_bin, row, point)
    corrected = deviations - model.correction(points)
    years = (starts - starts[0]) / (365.25 * DAY_S)
    half = years < 0.5

    def rate(rows: Array) -> float:
        return float(np.polyfit(years[: len(rows)], rows, 1)[0])

    found = {}
    for j, name in enumerate(plan.observables):
        if not name.startswith("balance/"):
            found[name] = (
                rate(corrected[:, j]),
                rate(deviations[:, j]),
                rate(corrected[half, j]),
                rate(deviations[half, j]),
            )
    return found


def permeabilities(plant_type: str) -> Array:
    """Errors of the yearly rate of water and salt permeability, both constants. [1/yr]"""
    return np.array(
        [
            rates[0] - RATE
            for off in OFF
            for name, rates in year(plant_type, off).items()
            if not name.endswith("pressure_drop")
        ]
    )


@check(
    "Loss of permeability over a year, two stages",
    source=SOURCE,
    status="computed",
    tolerance=0.005,
    measure="absolute",
    unit="/yr",
)
def two_stages() -> ArrayLike:
    """Both stages of the brackish plant with stage instruments."""
    return permeabilities("two stages")


@check(
    "Loss of permeability over a year, one stage",
    source=SOURCE,
    status="computed",
    tolerance=0.005,
    measure="absolute",
    unit="/yr",
)
def one_stage() -> ArrayLike:
    """The small brackish plant with the instruments of a train."""
    return permeabilities("one stage")


@check(
    "Loss of permeability over a year, 8 g/L",
    source=SOURCE,
    status="computed",
    tolerance=0.005,
    measure="absolute",
    unit="/yr",
)
def salty_stage() -> ArrayLike:
    """The plant at 8 g/L."""
    return permeabilities("8 g/L")


@check(
    "Change of the pressure drop over a year without any",
    source=SOURCE,
    status="computed",
    tolerance=0.01,
    measure="absolute",
    unit="/yr",
)
def pressure_drops() -> ArrayLike:
    """Sound spacers in all three plants: friction of the simulator follows the power 1.7, the rules begin at 1.6."""
    return np.array(
        [
            rates[0]
            for plant_type in PLANTS
            for off in OFF
            for name, rates in year(plant_type, off).items()
            if name.endswith("pressure_drop")
        ]
    )
