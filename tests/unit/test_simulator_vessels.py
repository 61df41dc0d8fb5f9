"""The simulator's vessels by their behavior; against tables: tests/reference/check_simulator.py."""

from dataclasses import replace

import numpy as np

from simulator.vessels import StageShape, Surroundings
from tests.reference.check_simulator import closed_form
from tests.simulator_kit import even, settled


def test_slicing_is_of_second_order() -> None:
    """Four times the slices, about sixteen times closer to the closed form: nothing but the slicing is wrong."""
    coarse, expected = closed_form(60)
    fine, _ = closed_form(240)
    assert np.max(np.abs(fine - expected)) < np.max(np.abs(coarse - expected)) / 10.0


def test_typical_element() -> None:
    """A lead element works at 8 to 12 % recovery and polarizes 1.1 to 1.2 (common values, from memory)."""
    shape = StageShape(1, 6)
    found = settled(
        shape,
        even(shape, np.array(3.5), np.array(0.12), 1.0),
        Surroundings(np.array([[25.0]]), 2900.0, 2900.0),
        flow=np.array([[9.5]]),
        salt=np.array([[2000.0]]),
        pressure=np.array([[10.2]]),
        back=np.array([[0.4]]),
    )
    made = found.flux[:, 0, 0] * shape.area_m2 / 1000.0
    assert 0.08 < made[0] / 9.5 < 0.12
    # The local passage shows the polarization: Cp J = B (Cb - Cp) times the factor.
    local = found.local_salt[0, 0, 0]
    middle = 2000.0 * 9.5 / (9.5 - 0.5 * made[0])
    factor = local * found.flux[0, 0, 0] / (0.12 * (middle - local))
    assert 1.1 < factor < 1.2


def test_friction_multiplier() -> None:
    """Twice the friction gives close to twice the pressure drop at the same flows (definition)."""
    shape = StageShape(1, 6)
    state = even(shape, np.array(3.5), np.array(0.12), 1.0)
    around = Surroundings(np.array([[20.0]]), 2900.0, 2900.0)
    drops = []
    for doubled in (state, replace(state, friction=2.0 * state.friction)):
        found = settled(
            shape,
            doubled,
            around,
            flow=np.array([[9.5]]),
            salt=np.array([[2000.0]]),
            pressure=np.array([[12.0]]),
            back=np.array([[0.4]]),
        )
        drops.append(found.drop_bar[0, 0])
    # A little more: less pressure makes less permeate, so more brine flows at the tail.
    assert 2.0 < drops[1] / drops[0] < 2.2
