"""The steady state of a simulated train: what is refused, with what and where; many instants as each by itself."""

from dataclasses import replace

import numpy as np
import pytest

from simulator.hydraulics import SPARSE, Demand, NotSettled, solve
from simulator.plant import Plant
from simulator.scenario import parse
from simulator.vessels import StageShape, StageState, Surroundings
from tests.simulator_kit import even

SHAPES = (StageShape(2, 6), StageShape(1, 6))
STATES = tuple(even(shape, np.array(3.5), np.array(0.12), 1.0) for shape in SHAPES)


def demand(permeate: np.ndarray, feed: float = 27.0) -> Demand:
    """Of a train of three vessels with 2000 mg/L."""
    one = np.ones_like(permeate)
    return Demand(permeate, feed * one, 2000.0 * one, [0.4 * one] * 2, [0.0, 0.0])


def around(count: int) -> Surroundings:
    """20 °C."""
    return Surroundings(np.full((count, 1), 20.0), 2900.0, 2900.0)


def changed(number: int, name: str, value: float, place: tuple[int, int, int]) -> list[StageState]:
    """The states with one value of one element of a stage replaced."""
    states = list(STATES)
    values = np.array(getattr(states[number], name))
    values[place] = value
    states[number] = replace(states[number], **{name: values})
    return states


@pytest.mark.parametrize(
    ("states", "permeate", "said"),
    [
        (STATES, 27.5, "permeate of 27.5 m3/h cannot be made of a feed of 27 m3/h"),
        (changed(1, "water", 0.0, (2, 0, 0)), 20.0, "element 2-01/3 lets no water through"),
        (changed(0, "bypass", 1.0, (0, 0, 1)), 20.0, "element 1-02/1 gets no feed"),
        (changed(0, "friction", np.nan, (5, 0, 0)), 20.0, "element 1-01/6 has no friction"),
    ],
)
def test_what_cannot_run_is_refused_with_its_place(
    states: list[StageState], permeate: float, said: str
) -> None:
    """Impossible flows and elements are named before anything is solved."""
    with pytest.raises(NotSettled, match=said):
        solve(SHAPES, states, around(1), demand(np.array([permeate])))


def test_a_leak_that_gives_more_than_is_asked_for() -> None:
    """Brine pours through a torn joint: no pressure gives so little permeate, and by how much it is off is told."""
    states = changed(0, "joint_leak", 8.0, (2, 0, 0))
    with pytest.raises(NotSettled, match=r"at a feed pressure of .* bar permeate flow is off by"):
        solve(SHAPES, states, around(1), demand(np.array([3.0])))


def test_the_instant_that_fails_is_told() -> None:
    """Of many instants the one that cannot be is numbered; a plant gives its time."""
    permeate = np.full(7 * SPARSE, 20.0)
    permeate[100] = 28.0
    with pytest.raises(NotSettled) as caught:
        solve(SHAPES, STATES, around(len(permeate)), demand(permeate))
    assert caught.value.instant == 100
    text = """
    title = "t"
    description = "d"
    [[event]]
    kind = "setpoint"
    at_day = 2
    recovery = 1.01
    """
    plant = Plant(parse(text, "t.toml", "t"))
    with pytest.raises(NotSettled, match=r"at 2026-01-07T00:1\d:00Z: .* cannot be made of a feed"):
        plant.sample(plant.start_s + 1.9 * 86400.0 + np.arange(200) * 60.0)


def test_many_instants_are_as_each_by_itself() -> None:
    """A chunk, which is begun from every thirtieth of its instants, ends as each instant alone from nothing."""
    rng = np.random.default_rng(3)
    permeate = 20.0 + np.cumsum(rng.normal(0.0, 0.1, 5 * SPARSE)).clip(-4.0, 4.0)
    permeate[70:90] *= 0.4  # a start
    together = solve(SHAPES, STATES, around(len(permeate)), demand(permeate))
    for at in (0, 29, 71, 89, 91, 149):
        alone = solve(SHAPES, STATES, around(1), demand(permeate[at : at + 1]))
        assert together.stages[0].feed_bar[at] == pytest.approx(
            alone.stages[0].feed_bar[0], rel=3e-6
        )
        assert together.permeate_mg_l[at] == pytest.approx(alone.permeate_mg_l[0], rel=3e-6)
