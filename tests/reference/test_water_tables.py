"""Density, viscosity and osmotic pressure against the check tables and general libraries."""

import gsw
import numpy as np
from iapws import IAPWS95

from rules import water
from tests.reference.tables import columns, worst


def test_density_of_water() -> None:
    """IAPWS-95 by the iapws library (computed): density within the stated 0.01 %."""
    t = columns("water_density_viscosity.csv")
    assert worst(water.density_kg_m3(t["T_degC"]), t["density_kg_m3"]) < 1e-4


def test_viscosity_of_water() -> None:
    """IAPWS R12-08 by the iapws library (computed): viscosity within 0.01 %, stated 0.3 %."""
    t = columns("water_density_viscosity.csv")
    within = t["T_degC"] <= water.VALID_C[1]
    got = water.viscosity_mpa_s(t["T_degC"])
    assert worst(got[within], t["viscosity_mPa_s"][within]) < 1e-4
    assert np.isnan(got[~within]).all()


def test_viscosity_and_density_of_water_against_iapws() -> None:
    """The iapws library itself, at temperatures that no table lists."""
    for t in (0.7, 8.3, 17.9, 31.1, 48.6):
        state = IAPWS95(T=t + 273.15, P=0.101325)
        assert abs(water.density_kg_m3(t) / state.rho - 1) < 1e-6
        assert abs(water.viscosity_mpa_s(t) / (state.mu * 1e3) - 1) < 2e-5


def test_viscosity_of_seawater() -> None:
    """Sharqawy and others (2010) eq. 22 (computed): the same formula, within the stated 0.1 %."""
    t = columns("seawater_viscosity_density.csv")
    cold = t["T_degC"] <= water.VALID_C[1]
    got = water.seawater_viscosity_mpa_s(t["T_degC"], t["S_g_kg"])
    assert worst(got[cold], t["viscosity_mPa_s"][cold]) < 1e-3


def test_density_of_seawater() -> None:
    """TEOS-10 by gsw (computed): density within the stated 0.05 %."""
    t = columns("seawater_viscosity_density.csv")
    cold = t["T_degC"] <= water.VALID_C[1]
    got = water.seawater_density_kg_m3(t["T_degC"], t["S_g_kg"])
    assert worst(got[cold], t["density_kg_m3"][cold]) < 5e-4


def test_osmotic_pressure_of_sodium_chloride() -> None:
    """Pitzer model by PHREEQC (computed): within the stated 0.5 % from 100 mg/L to 70 g/L."""
    t = columns("osmotic_pressure_nacl.csv")
    got = 100.0 * water.nacl_osmotic_pressure_bar(t["C_mg_L"], t["T_degC"])
    assert worst(got, t["pitzer_kPa"]) < 5e-3
    brackish = t["C_mg_L"] <= 10_000
    assert worst(got[brackish], t["pitzer_kPa"][brackish]) < 2e-3


def test_osmotic_coefficient_of_robinson_and_stokes() -> None:
    """Robinson and Stokes at 25 °C, 0.1, 0.5 and 1 mol/kg (from memory): within 0.3 %."""
    for molality, phi in ((0.1, 0.9324), (0.5, 0.9209), (1.0, 0.9355)):
        rho_w = 997.047
        ideal_bar = 2e-5 * molality * 8.314462618 * 298.15 * rho_w
        # Density of the solution by the handbook's apparent molar volume, about 18 cm3/mol.
        liters = (1000.0 / rho_w * 1000.0 + molality * 18.0) / 1000.0
        c = molality * 58443.0 / liters
        got = float(water.nacl_osmotic_pressure_bar(c, 25.0)) / ideal_bar
        assert abs(got / phi - 1) < 3e-3


def test_d4516_correlation() -> None:
    """ASTM D4516 NaCl correlation (from memory): exact to the printed digits."""
    t = columns("osmotic_pressure_nacl.csv")
    got = 100.0 * water.d4516_osmotic_pressure_bar(t["C_mg_L"], t["T_degC"])
    assert worst(got, t["d4516_kPa"]) < 1e-6


def test_osmotic_pressure_of_seawater() -> None:
    """TEOS-10 by gsw (computed): within 0.1 %, stated 0.5 %."""
    t = columns("osmotic_pressure_seawater.csv")
    got = 100.0 * water.seawater_osmotic_pressure_bar(t["S_g_kg"], t["T_degC"])
    assert worst(got, t["teos10_kPa"]) < 1e-3


def test_salinity_from_concentration_at_25() -> None:
    """TEOS-10 density by gsw (computed): salinity from mg/L at 25 °C within 0.01 %."""
    t = columns("osmotic_pressure_seawater.csv")
    at_25 = t["T_degC"] == 25
    got = water.seawater_salinity_g_kg(t["C_mg_L"][at_25])
    assert worst(got, t["S_g_kg"][at_25]) < 1e-4


def test_seawater_density_and_salinity_against_gsw() -> None:
    """The gsw library itself on a dense grid: density within 0.16 kg/m3, salinity within 0.01 %."""
    s, t = np.meshgrid(np.linspace(0.1, 110.0, 60), np.linspace(0.5, 45.0, 30))
    density = gsw.rho_t_exact(s, t, 0.0)
    assert np.max(np.abs(water.seawater_density_kg_m3(t, s) - density)) < 0.16
    salinity = np.linspace(0.1, 100.0, 200)
    c = salinity * gsw.rho_t_exact(salinity, 25.0, 0.0)
    assert worst(water.seawater_salinity_g_kg(c), salinity) < 1e-4


def test_seawater_osmotic_pressure_balances_the_chemical_potential() -> None:
    """The gsw library itself: under the osmotic pressure, water in seawater equals pure water."""
    s, t = np.meshgrid(np.linspace(2.0, 105.0, 25), np.linspace(2.0, 44.0, 8))
    pi_dbar = water.seawater_osmotic_pressure_bar(s, t) * 10.0
    pure = gsw.chem_potential_water_t_exact(np.zeros_like(s), t, 0.0)
    salty = gsw.chem_potential_water_t_exact(s, t, 0.0)
    pressed = gsw.chem_potential_water_t_exact(s, t, pi_dbar)
    assert np.max(np.abs((pressed - pure) / (salty - pure))) < 1.1e-3
