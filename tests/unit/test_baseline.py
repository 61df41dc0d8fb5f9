"""Baselines: when one is made, from which digests, and what a data sheet says of new membranes."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules import baseline as baselines
from rules import design, sections
from rules.baseline import Baseline, BaselineRule
from rules.design import ElementTest
from rules.digest import Digest
from rules.train import Water
from rules.watch import Watch
from tests.simulated import Run, run
from tests.unit.test_sections import train

HOUR = 3600.0
TEST = ElementTest(40.0, 0.996, 15.5, 25.0, 2000.0, 0.15)


def made(start: float, level: float = 0.0, extra: bool = True) -> Digest:
    """A digest with one or two observables."""
    values = {"1/permeate_flow": level} | ({"2/permeate_flow": level} if extra else {})
    return Digest(start, 15, {"feed_flow": 100.0 + level}, {}, {}, values, {}, {})


def test_first_steady_waits_for_its_hours() -> None:
    """The first steady hours make a baseline as soon as the digests stand for so many hours."""
    rule = BaselineRule(hours=10.0)
    digests = [made(900.0 * i) for i in range(40)]
    assert baselines.make(rule, digests[:39], "first_steady", 0.0) is None
    found = baselines.make(rule, digests, "first_steady", 0.0)
    assert found is not None
    assert (found.start, found.end, found.digests) == (0.0, 10 * HOUR, 40)


def test_gaps_are_not_operation() -> None:
    """The time between two digests counts up to one hour only."""
    assert baselines.steady_seconds([made(0.0), made(900.0)]) == 1800.0
    assert baselines.steady_seconds([made(0.0), made(50 * HOUR)]) == HOUR + 900.0
    assert baselines.steady_seconds([]) == 0.0


def test_window_takes_what_lies_in_it() -> None:
    """A window makes its baseline from the digests wholly inside, once it has passed."""
    rule = BaselineRule("window", start=10 * HOUR, end=20 * HOUR)
    digests = [made(900.0 * i, level=1.0 if 40 <= i < 80 else 9.0) for i in range(100)]
    assert baselines.make(rule, digests, "window", 19 * HOUR) is None
    found = baselines.make(rule, digests, "window", 20 * HOUR)
    assert found is not None
    assert found.values["1/permeate_flow"] == 1.0
    assert (found.start, found.end, found.digests) == (10 * HOUR, 20 * HOUR, 40)
    assert baselines.make(rule, digests[:63], "window", 20 * HOUR) is None  # 23 inside


def test_what_half_of_the_digests_do_not_know_is_left_out() -> None:
    """An observable that fewer than half of the digests know gets no level."""
    digests = [made(900.0 * i, extra=i % 3 == 0) for i in range(48)]
    found = baselines.summarize(digests, "first_steady")
    assert set(found.values) == {"1/permeate_flow"}


def test_wrong_rules_are_refused() -> None:
    """A window without its ends and a design without its data sheet raise."""
    with pytest.raises(ValueError, match="window needs start and end"):
        BaselineRule("window", start=1.0)
    with pytest.raises(ValueError, match="element test"):
        BaselineRule("design")
    with pytest.raises(ValueError, match="element test"):
        BaselineRule(element_test=TEST)


def test_json_reads_back_exactly() -> None:
    """A baseline written as JSON reads back equal, to the last bit."""
    found = baselines.summarize([made(900.0 * i, i / 3.0) for i in range(30)], "window")
    assert Baseline.from_json(found.to_json()) == found


def test_data_sheet_by_hand() -> None:
    """Levels from a data sheet agree with a hand calculation of A and B within the polarization's reach.

    Hand: 40 m3/d = 1.667 m3/h through 37 m2; mean feed-side NaCl 2000 ln(1/0.85)/0.15 = 2167 mg/L or
    1.72 bar (0.2654 kPa/K per g/kg and 298.15 K, D4516 constant); NDP = 15.5 - 1.72 + 0.01 = 13.79 bar;
    A = 3.27e-3 m/h/bar. B = 1.667 · 8 / (37 · 2167) = 1.66e-4 m/h. Polarization (beta 1.1 to 1.2 at
    such a flux) raises A and lowers B.
    """
    levels = design.levels(sections.plan(train()), TEST)
    assert set(levels) == {f"{s}/{q}" for s in (1, 2) for q in ("permeate_flow", "salt_passage")}
    assert 1.0 <= np.exp(levels["1/permeate_flow"]) / 3.27e-3 <= 1.04
    assert 1 / 1.25 <= np.exp(levels["1/salt_passage"]) / 1.66e-4 <= 1.0
    assert levels["1/permeate_flow"] == levels["2/permeate_flow"]


def test_an_impossible_data_sheet_is_refused() -> None:
    """A test pressure below the osmotic pressure of its feed raises."""
    with pytest.raises(ValueError, match="cannot be normalized"):
        design.levels(sections.plan(train()), ElementTest(40.0, 0.996, 1.0, 25.0, 20000.0, 0.15))


def simulated_test(plant: Run) -> ElementTest:
    """What a test bench shows for the simulator's own A and B, by solution-diffusion and film theory.

    Equations and constants of tests/reference/element_model_reference.csv's source (Schock and Miquel
    1987 for mass transfer), osmotic pressure of dilute NaCl 0.789 bar per g/L at 25 °C (handbook):
    solved for one element of 37.2 m2 at 15.5 bar, 2000 mg/L, 25 °C, 15 % recovery.
    """
    a, b, area = 3.5, 0.12, 37.2  # L/m2/h/bar, L/m2/h: simulator.scenario.PlantSpec
    feed, recovery, pressure = 2.0, 0.15, 15.5
    bulk = feed * np.log(1.0 / (1.0 - recovery)) / recovery
    flux, permeate = 40.0, 0.0
    for _ in range(200):
        beta = np.exp(flux / transfer_lmh(flux * area / 1000.0 / recovery, recovery))
        wall = permeate + (bulk - permeate) * beta
        flux += 0.3 * (a * (pressure - 0.789 * (wall - permeate)) - flux)
        permeate = b * wall / (flux + b)
    assert plant.train.stages[0].element_area_m2 == area
    return ElementTest(flux * area * 24e-3, 1.0 - permeate / feed, pressure, 25.0, 2000.0, recovery)


def transfer_lmh(feed_m3h: float, recovery: float) -> float:
    """Mass transfer coefficient of an eight-inch channel at the mean flow, Sh = 0.065 Re^0.875 Sc^0.25."""
    height, void, width, diffusivity, viscosity = (
        0.76e-3,
        0.89,
        37.2 / 2.0 / 0.96,
        1.61e-9,
        0.893e-6,
    )
    hydraulic = 4.0 * void / (2.0 / height + (1.0 - void) * 8.0 / height)
    velocity = feed_m3h * (1.0 - recovery / 2.0) / 3600.0 / (width * height * void)
    sherwood = (
        0.065 * (velocity * hydraulic / viscosity) ** 0.875 * (viscosity / diffusivity) ** 0.25
    )
    return float(sherwood * diffusivity / hydraulic * 3.6e6)


def test_a_new_plant_stands_near_its_design_baseline() -> None:
    """With a data sheet made from the simulator's A and B, a new train deviates by a few per cent at most."""
    plant = run("healthy", 3.0, 900.0)
    watch: Watch = plant.watch(BaselineRule("design", element_test=simulated_test(plant)))
    deviations = []
    for time, row in plant.rows():
        step = watch.minute(time, row)
        if watch.baseline is not None and step.digest is not None:
            reference = watch.baseline.values
            deviations.append([v - reference[o] for o, v in step.digest.values.items()])
    assert watch.baseline is not None
    assert watch.baseline.source == "design"
    middle = dict(zip(step_names(watch), np.median(deviations, axis=0).tolist(), strict=True))
    for section in ("1", "2"):
        # 4 % scatter of A and 8 % of B between 24 to 48 elements average out; the rest is the law of
        # temperature (2640 K in the plant file, 2900 K in the plant) at 13 °C: 3.5 %.
        assert abs(middle[f"{section}/permeate_flow"]) < 0.07
        assert abs(middle[f"{section}/salt_passage"]) < 0.10
        assert abs(middle[f"{section}/pressure_drop"]) < 0.03


def step_names(watch: Watch) -> tuple[str, ...]:
    """Observables in the order of a complete digest."""
    return watch.plan.observables


@pytest.mark.parametrize(
    ("start", "fresh", "expected"),
    [
        (50, [], 100),
        (100, [], 100),
        (250, [], 200),
        (250, [150], 200),
        (180, [150], 200),
        (140, [150], 100),
        (400, [300], None),
        (250, [300], 200),
    ],
)
def test_the_baseline_of_a_digest(start: float, fresh: list[float], expected: float | None) -> None:
    """The last one begun, else the first; none from before the membranes were replaced."""
    begins = [100.0, 200.0]
    (index,) = baselines.in_force(begins, [start], fresh)
    assert (begins[index] if index >= 0 else None) == expected


def test_another_basis_is_refused() -> None:
    """A baseline of another water law is not taken by a watch: its levels would mean something else."""
    plan = sections.plan(train())
    rest = {"values": {}, "spread": {}, "signals": {}, "alive": {}, "operating": {}}
    old = Baseline(0.0, 0.0, 0.0, "first_steady", 30, **rest, basis="means profile, water seawater")
    watch = Watch(plan, {s: "plc1" for s in plan.signals}, BaselineRule())
    with pytest.raises(
        baselines.BasisChanged, match="made with: means profile, water seawater; now it is: "
    ):
        watch.absorb_baseline(old)


@pytest.mark.parametrize(
    "change",
    [{"water": Water("seawater")}, {"pressure_drop_exponent": 1.7}, {"salt_activation_k": 2700.0}],
)
def test_the_basis_names_what_gives_the_numbers_their_meaning(change: dict[str, Any]) -> None:
    """Water law, exponent and activation energies are part of it."""
    assert sections.plan(train()).basis != sections.plan(replace(train(), **change)).basis
