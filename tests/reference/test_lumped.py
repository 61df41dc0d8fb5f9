"""The lumped physics that histories of another kind come from, against closed forms."""

import numpy as np
import pytest

from tests.bench.lumped.physics import (
    CELLS,
    LEAST_LMH,
    Feed,
    Membrane,
    Train,
    Vessels,
    conductivity_us_cm,
    osmotic_bar,
)
from tests.reference.tables import rows

MEMBRANE = Membrane(3.0, 0.1, 0.03, 0.04, 1.6)


def stage(area_m2: float = 400.0, friction_bar: float = 1.0) -> Vessels:
    """A stage of two vessels as it was made."""
    ones, none = np.ones((CELLS, 1)), np.zeros(1)
    return Vessels(
        2, area_m2, friction_bar, ones, ones.copy(), ones.copy(), np.zeros((CELLS, 1)), none, none
    )


def feed(salt_mg_l: float, flow_m3h: float = 16.0) -> Feed:
    """One instant at 25 °C."""
    return Feed(np.array([flow_m3h]), np.array([salt_mg_l]), np.array([25.0]))


def test_water_and_salt_are_kept() -> None:
    """What flows in flows out, water and salt, over two stages with a leak (mass balance)."""
    first, second = stage(), stage(200.0)
    first.leak[3] = 2.0
    inlet = feed(2000.0)
    made = Train([first, second], MEMBRANE).at_pressure(inlet, np.array([12.0]))
    water = made.total_m3h + made.concentrate_m3h
    salt = made.total_m3h * made.mixed_mg_l + made.concentrate_m3h * made.concentrate_mg_l
    assert water == pytest.approx(inlet.flow_m3h, rel=1e-12)
    assert salt == pytest.approx(inlet.flow_m3h * inlet.salt_mg_l, rel=1e-12)


def test_fresh_water_without_friction_goes_by_pressure_alone() -> None:
    """Pure water: flux is permeability times pressure (Darcy's law, closed form)."""
    made = Train([stage(friction_bar=0.0)], MEMBRANE).at_pressure(
        feed(1e-9, 100.0), np.array([8.3])
    )
    assert made.total_m3h == pytest.approx(np.array([3.0 * 8.0 * 400.0 / 1000.0]), rel=1e-8)


def test_no_flux_below_the_osmotic_pressure() -> None:
    """Salt water under less than its osmotic pressure makes hardly any permeate (van 't Hoff)."""
    inlet = feed(20_000.0)
    assert float(osmotic_bar(inlet.salt_mg_l, inlet.temperature_c)[0]) == pytest.approx(15.6)
    made = Train([stage()], MEMBRANE).at_pressure(inlet, np.array([12.0]))
    assert made.total_m3h == pytest.approx(np.array([LEAST_LMH * 400.0 / 1000.0]), rel=1e-6)


def test_salt_passage_of_a_short_vessel() -> None:
    """At hardly any recovery and polarization permeate is feed times B/(J + B) (solution-diffusion)."""
    made = Train([stage(area_m2=1.0, friction_bar=0.0)], MEMBRANE).at_pressure(
        feed(500.0, 4e4), np.array([10.3]), rounds=80
    )
    flux = 3.0 * (10.0 - 0.39)
    expected = 500.0 * 0.1 / (flux + 0.1)
    assert made.mixed_mg_l == pytest.approx(np.array([expected]), rel=0.01)


def test_flow_control_finds_its_pressure() -> None:
    """The pump is controlled to a permeate flow; more than the feed cannot be made."""
    inlet = feed(2000.0)
    made = Train([stage()], MEMBRANE).at_flow(inlet, np.array([9.0]), 10.0)
    assert made.total_m3h == pytest.approx(np.array([9.0]), rel=1e-3)
    with pytest.raises(ArithmeticError, match="no feed pressure"):
        Train([stage()], MEMBRANE).at_flow(inlet, np.array([20.0]), 10.0)


def test_conductivity_of_another_law() -> None:
    """Its conductivity is within 9 % of the table of sodium chloride at 25 °C: close, and not our own law."""
    known = [r for r in rows("conductivity_nacl_25C.csv") if float(r["c_mol_L"]) <= 0.6]
    assert known
    for row in known:
        salt = float(row["C_mg_L"])
        got = float(conductivity_us_cm(np.array([salt]))[0])
        assert got == pytest.approx(float(row["kappa25_uS_cm"]), rel=0.09)
