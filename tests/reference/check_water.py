"""Density, viscosity and osmotic pressure against tables of other authors."""

import numpy as np
from numpy.typing import ArrayLike

from rules import water
from tests.reference.checks import absolute, check, relative
from tests.reference.tables import columns

PURE = "water_density_viscosity.csv"
SEA = "seawater_viscosity_density.csv"
PI_NACL = "osmotic_pressure_nacl.csv"
PI_SEA = "osmotic_pressure_seawater.csv"


@check(
    "Density of water",
    source="IAPWS-95 by the iapws library",
    status="computed",
    tolerance=1e-6,
    table=PURE,
)
def density() -> ArrayLike:
    """0 to 50 °C at atmospheric pressure."""
    t = columns(PURE)
    return relative(water.density_kg_m3(t["T_degC"]), t["density_kg_m3"])


@check(
    "Viscosity of water",
    source="IAPWS R12-08 by the iapws library",
    status="computed",
    tolerance=2e-5,
    table=PURE,
)
def viscosity() -> ArrayLike:
    """0 to 50 °C at atmospheric pressure; R12-08 itself is good to 1 %."""
    t = columns(PURE)
    return relative(water.viscosity_mpa_s(t["T_degC"]), t["viscosity_mPa_s"])


@check(
    "Viscosity of seawater",
    source="Sharqawy, Lienhard and Zubair (2010) eq. 22",
    status="computed",
    tolerance=3e-4,
    table=SEA,
)
def seawater_viscosity() -> ArrayLike:
    """The same formula on another viscosity of pure water; it is good to 1.5 % itself."""
    t = columns(SEA)
    cold = t["T_degC"] <= water.VALID_C[1]
    got = water.seawater_viscosity_mpa_s(t["T_degC"], t["S_g_kg"])
    return relative(got[cold], t["viscosity_mPa_s"][cold])


@check(
    "Density of seawater",
    source="TEOS-10 by gsw",
    status="computed",
    tolerance=5e-5,
    table=SEA,
)
def seawater_density() -> ArrayLike:
    """0 to 45 g/kg."""
    t = columns(SEA)
    cold = t["T_degC"] <= water.VALID_C[1]
    got = water.seawater_density_kg_m3(t["T_degC"], t["S_g_kg"])
    return relative(got[cold], t["density_kg_m3"][cold])


@check(
    "Osmotic pressure of NaCl to 10 g/L",
    source="Pitzer model by PHREEQC (pitzer.dat)",
    status="computed",
    tolerance=1e-3,
    table=PI_NACL,
)
def osmotic_pressure_of_brackish_salt() -> ArrayLike:
    """5 to 45 °C."""
    t = columns(PI_NACL)
    low = t["C_mg_L"] <= 10_000
    got = 100.0 * water.nacl_osmotic_pressure_bar(t["C_mg_L"], t["T_degC"])
    return relative(got[low], t["pitzer_kPa"][low])


@check(
    "Osmotic pressure of NaCl, all strengths",
    source="Pitzer model by PHREEQC (pitzer.dat)",
    status="computed",
    tolerance=2e-3,
    table=PI_NACL,
)
def osmotic_pressure_of_salt() -> ArrayLike:
    """100 mg/L to 70 g/L, 5 to 45 °C."""
    t = columns(PI_NACL)
    got = 100.0 * water.nacl_osmotic_pressure_bar(t["C_mg_L"], t["T_degC"])
    return relative(got, t["pitzer_kPa"])


@check(
    "Osmotic coefficient of NaCl at 25 °C",
    source="Robinson and Stokes, Electrolyte Solutions, at 0.1, 0.5 and 1 mol/kg",
    status="from memory",
    tolerance=3e-3,
)
def osmotic_coefficient() -> ArrayLike:
    """Concentration from molality by the handbook's apparent molar volume, about 18 cm3/mol."""
    molality = np.array([0.1, 0.5, 1.0])
    rho_w = 997.047
    ideal_bar = 2e-5 * molality * 8.314462618 * 298.15 * rho_w
    liters = (1000.0 / rho_w * 1000.0 + molality * 18.0) / 1000.0
    got = water.nacl_osmotic_pressure_bar(molality * 58443.0 / liters, 25.0) / ideal_bar
    return relative(got, [0.9324, 0.9209, 0.9355])


@check(
    "Osmotic pressure of NaCl by the correlation of D4516",
    source="ASTM D4516 (from memory)",
    status="from memory",
    tolerance=1e-6,
    table=PI_NACL,
)
def d4516_correlation() -> ArrayLike:
    """Exact to the printed digits."""
    t = columns(PI_NACL)
    got = 100.0 * water.d4516_osmotic_pressure_bar(t["C_mg_L"], t["T_degC"])
    return relative(got, t["d4516_kPa"])


@check(
    "What the correlation of D4516 departs by from Pitzer at 25 °C",
    source="hand comparison: −5.3, −2.8, −1.7, +0.1, +1.5, +3.4 % at 0.1, 1, 2, 5, 10, 32 g/L",
    status="computed",
    tolerance=0.001,
    measure="absolute",
)
def d4516_against_pitzer() -> ArrayLike:
    """Two laws for the same readings: why a plant keeps one."""
    c = np.array([100.0, 1000.0, 2000.0, 5000.0, 10_000.0, 32_000.0])
    pitzer = water.nacl_osmotic_pressure_bar(c, 25.0)
    got = water.d4516_osmotic_pressure_bar(c, 25.0) / pitzer - 1.0
    return absolute(got, [-0.053, -0.028, -0.017, 0.001, 0.015, 0.034])


@check(
    "Osmotic pressure of seawater",
    source="TEOS-10 by gsw",
    status="computed",
    tolerance=1e-3,
    table=PI_SEA,
)
def osmotic_pressure_of_seawater() -> ArrayLike:
    """1 to 105 g/kg."""
    t = columns(PI_SEA)
    got = 100.0 * water.seawater_osmotic_pressure_bar(t["S_g_kg"], t["T_degC"])
    return relative(got, t["teos10_kPa"])


@check(
    "Osmotic pressure of seawater, another correlation",
    source="Sharqawy, Lienhard and Zubair (2010), osmotic coefficient (from memory)",
    status="from memory",
    tolerance=1e-2,
    table=PI_SEA,
)
def osmotic_pressure_of_seawater_by_another() -> ArrayLike:
    """10 g/kg and above; it departs from TEOS-10 itself by 0.6 to 0.8 %."""
    t = columns(PI_SEA)
    got = 100.0 * water.seawater_osmotic_pressure_bar(t["S_g_kg"], t["T_degC"])
    return relative(got, t["sharqawy_kPa"])


@check(
    "Salinity of seawater from mg/L at 25 °C",
    source="TEOS-10 density by gsw",
    status="computed",
    tolerance=1e-4,
    table=PI_SEA,
)
def salinity() -> ArrayLike:
    """1 to 105 g/kg."""
    t = columns(PI_SEA)
    at_25 = t["T_degC"] == 25
    return relative(water.seawater_salinity_g_kg(t["C_mg_L"][at_25]), t["S_g_kg"][at_25])
