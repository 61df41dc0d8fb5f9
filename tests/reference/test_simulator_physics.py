"""The simulator's own physics against closed forms, tight numerical solutions and handbooks."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from simulator import water
from simulator.vessels import (
    StageFlow,
    StageShape,
    StageState,
    Surroundings,
    first_guess,
    pass_through,
)
from simulator.water import Floats, WaterLaw
from tests.reference.tables import columns, rows, worst


@dataclass(frozen=True)
class TableLaw(WaterLaw):
    """The laws that the element table was computed with, as its head states them, at 25 °C."""

    def density_kg_m3(self, temperature_c: Floats) -> Floats:
        return np.full_like(temperature_c, 1000.0)

    def viscosity_mpa_s(self, temperature_c: Floats) -> Floats:
        return np.full_like(temperature_c, 0.890)

    def diffusivity_m2_s(self, temperature_c: Floats) -> Floats:
        return np.full_like(temperature_c, 1.61e-9)

    def osmotic_factor(self, temperature_c: Floats) -> Floats:
        return 0.2654 * (temperature_c + 273.15) / 100.0

    def osmotic_bar(self, salt_mg_l: Floats, factor: Floats) -> Floats:
        return factor * salt_mg_l / (1000.0 - salt_mg_l / 1000.0)


@dataclass(frozen=True)
class IdealLaw(WaterLaw):
    """No polarization (the salt diffuses at once) and osmotic pressure along a given curve."""

    curve_mg_l: tuple[float, ...] = (0.0, 1e9)
    curve_bar: tuple[float, ...] = (0.0, 1e6)

    def diffusivity_m2_s(self, temperature_c: Floats) -> Floats:
        return np.full_like(temperature_c, 1e9)

    def osmotic_bar(self, salt_mg_l: Floats, factor: Floats) -> Floats:
        return np.interp(salt_mg_l, self.curve_mg_l, self.curve_bar)


def even(shape: StageShape, water_lmh_bar: Floats, salt_lmh: Floats, friction: float) -> StageState:
    """A stage whose elements are alike along each vessel."""
    size = (shape.elements, 1, shape.vessels)
    return StageState(
        water=np.broadcast_to(water_lmh_bar, size),
        salt=np.broadcast_to(salt_lmh, size),
        friction=np.full(size, friction),
        bypass=np.zeros(size),
        element_leak=np.zeros(size),
        joint_leak=np.zeros((shape.elements + 1, 1, shape.vessels)),
    )


def settled(
    shape: StageShape,
    state: StageState,
    around: Surroundings,
    *,
    flow: Floats,
    salt: Floats,
    pressure: Floats,
    back: Floats,
) -> StageFlow:
    """Pass until the fluxes stand still."""
    flux, local = first_guess(shape, np.array([5.0]))
    for _ in range(200):
        found = pass_through(shape, state, around, flow, salt, pressure, back, flux, local)
        flux, local = found.flux, found.local_salt
        if found.unsettled < 1e-11:
            return found
    raise AssertionError(f"not settled: {found.unsettled}")


def closed_form(slices: int) -> tuple[Floats, Floats]:
    """Recoveries that the model gives for the areas of the closed-form table, and the table's."""
    t = columns("element_model_closed_form.csv")
    net_bar, feed_m3h, salt = 10.0, 8.0, 2000.0
    shape = StageShape(len(t["SR"]), slices, area_m2=200.0 / slices, length_m=5.0 / slices)
    permeability = t["A_area_dP_over_Qf"] * feed_m3h * 1000.0 / (200.0 * net_bar)
    # One vessel for each row; its feed salt makes the wanted osmotic pressure.
    law = IdealLaw(curve_mg_l=(0.0, 1e9), curve_bar=(0.0, 1e9 * net_bar / salt))
    found = settled(
        shape,
        even(shape, permeability, np.array(0.0), 0.0),
        Surroundings(np.array([[25.0]]), 0.0, 0.0, law),
        flow=np.full((1, shape.vessels), feed_m3h),
        salt=(t["SR"] * salt)[None, :],
        pressure=np.array([[net_bar]]),
        back=np.array([[0.0]]),
    )
    return found.permeate[0] / feed_m3h, t["RR"]


def test_ideal_exchanger() -> None:
    """Closed form of an ideal exchanger (Banchik and others 2014), met with second order in length."""
    coarse, expected = closed_form(60)
    fine, _ = closed_form(240)
    assert worst(fine, expected) < 2e-4
    # Four times the slices, about sixteen times closer: nothing but the slicing is wrong.
    assert np.max(np.abs(fine - expected)) < np.max(np.abs(coarse - expected)) / 10.0
    extrapolated = fine + (fine - coarse) / 15.0
    assert worst(extrapolated, expected) < 2e-5


CASES = {
    # Conditions from the head of element_model_reference.csv: A, B, Qf, Cf, Pf, Pp, elements.
    "BW6-25C": (3.3, 0.12, 9.5, 2000.0, 10.2, 0.5, 6),
    "BW6-25C-A80pct": (2.64, 0.12, 9.5, 2000.0, 12.0, 0.5, 6),
    "SW7-25C": (0.95, 0.050, 9.0, 36000.0, 62.0, 1.0, 7),
    "BW1-25C-test": (3.3, 0.12, 11.0, 2000.0, 15.5, 0.0, 1),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize(("slices", "tolerance"), [(1, 0.03), (20, 0.005)])
def test_vessel_profile(case: str, slices: int, tolerance: float) -> None:
    """Tight ODE solution of the same equations (computed); 3 % with one slice, 0.5 % with twenty."""
    a, b, feed, salt, pressure, back, elements = CASES[case]
    shape = StageShape(1, elements * slices, area_m2=37.2 / slices, length_m=1.0 / slices)
    around = Surroundings(np.array([[25.0]]), 0.0, 0.0, TableLaw())
    found = settled(
        shape,
        even(shape, np.array(a), np.array(b), 1.0),
        around,
        flow=np.array([[feed]]),
        salt=np.array([[salt]]),
        pressure=np.array([[pressure]]),
        back=np.array([[back]]),
    )
    made = found.flux[:, 0, 0] * shape.area_m2 / 1000.0
    carried = made * found.local_salt[:, 0, 0]
    q = made.reshape(elements, slices).sum(axis=1)
    s = carried.reshape(elements, slices).sum(axis=1)
    drop = found.element_drop_bar[:, 0, 0].reshape(elements, slices).sum(axis=1)
    table = [r for r in rows("element_model_reference.csv") if r["case"] == case]
    checked = 0
    for row in table:
        if row["element"] == "vessel":
            assert found.permeate[0, 0] == pytest.approx(float(row["q_perm"]), rel=tolerance)
            mixed = found.permeate_salt[0, 0] / found.permeate[0, 0]
            assert mixed == pytest.approx(float(row["c_perm"]), rel=tolerance)
            assert found.drop_bar[0, 0] == pytest.approx(float(row["dP"]), rel=tolerance)
            continue
        e = int(row["element"]) - 1
        out = feed - q[: e + 1].sum()
        assert q[e] == pytest.approx(float(row["q_perm"]), rel=tolerance)
        assert s[e] / q[e] == pytest.approx(float(row["c_perm"]), rel=tolerance)
        assert drop[e] == pytest.approx(float(row["dP"]), rel=tolerance)
        assert out == pytest.approx(float(row["Q_out"]), rel=tolerance)
        brine = (feed * salt - s[: e + 1].sum()) / out
        assert brine == pytest.approx(float(row["C_out"]), rel=tolerance)
        checked += 1
    assert checked == elements


def test_textbook_permeability() -> None:
    """Geankoplis, example 13.10-1 (from memory, recomputed): permeate flow and salt within 1 %."""
    t = {r["quantity"]: float(r["value"]) for r in rows("textbook_membrane_examples.csv")}
    atm = 1.01325
    law = IdealLaw(
        curve_mg_l=(0.0, t["product_conc"] * 1000.0, t["feed_conc"] * 1000.0),
        curve_bar=(0.0, t["pi_product"] * atm, t["pi_feed"] * atm),
    )
    area_k = t["area"] * 1e-3
    shape = StageShape(1, 1, area_m2=t["area"], length_m=0.05)
    found = settled(
        shape,
        even(shape, np.array(t["Aw"] * 3600.0 / 0.997 / atm), np.array(t["As"] * 3.6e6), 0.0),
        Surroundings(np.array([[25.0]]), 0.0, 0.0, law),
        flow=np.array([[1.0]]),
        salt=np.array([[t["feed_conc"] * 1000.0]]),
        pressure=np.array([[t["dP"] * atm]]),
        back=np.array([[0.0]]),
    )
    assert found.flux[0, 0, 0] * area_k / 3600.0 == pytest.approx(t["product_flow"], rel=0.01)
    passed = found.local_salt[0, 0, 0]
    assert passed == pytest.approx(t["product_conc"] * 1000.0, rel=0.01)
    assert 1.0 - passed / (t["feed_conc"] * 1000.0) == pytest.approx(t["rejection"], abs=0.001)


def test_osmotic_pressure() -> None:
    """Pitzer model through PHREEQC (computed): within 0.3 % to 70 g/L between 5 and 45 °C."""
    t = columns("osmotic_pressure_nacl.csv")
    law = WaterLaw()
    got = law.osmotic_bar(t["C_mg_L"], law.osmotic_factor(t["T_degC"])) * 100.0
    assert worst(got, t["pitzer_kPa"]) < 0.003


def test_water_properties() -> None:
    """IAPWS-95 density within 0.01 %, IAPWS R12-08 viscosity within 0.35 % (computed)."""
    t = columns("water_density_viscosity.csv")
    law = WaterLaw()
    assert worst(law.density_kg_m3(t["T_degC"]), t["density_kg_m3"]) < 1e-4
    assert worst(law.viscosity_mpa_s(t["T_degC"]), t["viscosity_mPa_s"]) < 3.5e-3


def test_conductivity_of_sodium_chloride() -> None:
    """Robinson and Stokes (from memory): 0.5 % to 5844 mg/L, 1 % to 30 g/L, which no brine here passes."""
    t = columns("conductivity_nacl_25C.csv")
    got = water.conductivity_us_cm(t["C_mg_L"], np.asarray(25.0))
    low, high = t["C_mg_L"] <= 5845.0, t["C_mg_L"] <= 30000.0
    assert worst(got[low], t["kappa25_uS_cm"][low]) < 0.005
    assert worst(got[high], t["kappa25_uS_cm"][high]) < 0.01


def test_conductivity_by_temperature() -> None:
    """Limiting conductivities of Robinson and Stokes (from memory): 0.5 % from 5 to 45 °C."""
    t = columns("conductivity_nacl_limiting_temperature.csv")
    usable = t["T_degC"] >= 5.0
    got = water.conductivity_temperature_ratio(t["T_degC"])
    assert worst(got[usable], t["ratio_to_25C"][usable]) < 0.005


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
