"""Water laws against general libraries on dense grids: gsw, iapws, pyEQL and the PHREEQC it brings.

What these libraries know and do not know decides the grid:

gsw : TEOS-10 for seawater. Its conductivity is PSS-78 from practical salinity 2 to 42, the extension
    of Hill below 2, and the formula of PSS-78 run on above 42, which nobody has measured for us.
pyEQL : its own engine ("native"). The Pitzer coefficients are those of 25 °C at all temperatures, so
    osmotic pressure away from 25 °C is compared where they hardly count (to 1 g/L); conductivity is
    scaled by the viscosity of water, which is 5 % off the measured ions at 5 °C and 7 % at 45 °C, so
    it is compared at 25 °C only.
PHREEQC : pitzer.dat with its temperature terms; the source of our fit, here off the fitted points.
    Its conductivity scales with the viscosity too and is compared at 25 °C, to 0.1 mol/kg.
"""

from functools import cache

import gsw
import numpy as np
import pyEQL
from iapws import IAPWS95
from numpy.typing import ArrayLike
from phreeqpython import PhreeqPython

from rules import conductivity, water
from rules.fits import KELVIN
from rules.train import Compensation, Water
from tests.reference.checks import absolute, check, relative

PLAIN = Compensation("none")
SALINITY = 35.16504 / 35.0
"""Absolute over practical salinity of the reference composition."""


@cache
def _iapws() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Temperature, density and viscosity of water every half degree."""
    t = np.arange(0.25, 50.0, 0.5)
    states = [IAPWS95(T=x + KELVIN, P=0.101325) for x in t]
    return t, np.array([s.rho for s in states]), np.array([s.mu for s in states])


@check(
    "Density of water on a grid of 100 temperatures",
    source="iapws, IAPWS-95",
    status="computed",
    tolerance=1e-6,
)
def density() -> ArrayLike:
    """0.25 to 49.75 °C."""
    t, rho, _ = _iapws()
    return relative(water.density_kg_m3(t), rho)


@check(
    "Viscosity of water on a grid of 100 temperatures",
    source="iapws, IAPWS R12-08",
    status="computed",
    tolerance=2e-5,
)
def viscosity() -> ArrayLike:
    """0.25 to 49.75 °C."""
    t, _, mu = _iapws()
    return relative(water.viscosity_mpa_s(t), mu * 1e3)


@check(
    "Density of seawater on a grid, 0.1 to 110 g/kg, 0 to 45 °C",
    source="gsw, TEOS-10",
    status="computed",
    tolerance=0.16,
    measure="absolute",
    unit="kg/m3",
)
def seawater_density() -> ArrayLike:
    """At atmospheric pressure; to 42 g/kg within 0.03 kg/m3."""
    s, t = np.meshgrid(np.linspace(0.1, 110.0, 111), np.linspace(0.0, 45.0, 46))
    return absolute(water.seawater_density_kg_m3(t, s), gsw.rho_t_exact(s, t, 0.0))


@check(
    "Salinity of seawater from mg/L at 25 °C on a grid, 0.1 to 109 g/kg",
    source="gsw, TEOS-10",
    status="computed",
    tolerance=1e-4,
)
def salinity() -> ArrayLike:
    """Absolute Salinity times density at 25 °C, taken back."""
    s = np.linspace(0.1, 109.0, 500)
    return relative(water.seawater_salinity_g_kg(s * gsw.rho_t_exact(s, 25.0, 0.0)), s)


@check(
    "Osmotic pressure of seawater on a grid, 0.1 to 110 g/kg, 0 to 45 °C",
    source="gsw, TEOS-10: pressure at which water has the chemical potential of pure water",
    status="computed",
    tolerance=1e-3,
)
def osmotic_pressure_of_seawater() -> ArrayLike:
    """Newton's rule on the chemical potential, from no pressure; its slope is the partial volume."""
    s, t = np.meshgrid(np.linspace(0.1, 110.0, 111), np.linspace(0.0, 45.0, 46))
    pure = gsw.chem_potential_water_t_exact(np.zeros_like(s), t, 0.0)
    pi_dbar = np.zeros_like(s)
    for _ in range(4):
        here = gsw.chem_potential_water_t_exact(s, t, pi_dbar)
        slope = gsw.chem_potential_water_t_exact(s, t, pi_dbar + 1.0) - here
        pi_dbar = pi_dbar + (pure - here) / slope
    return relative(water.seawater_osmotic_pressure_bar(s, t), pi_dbar / 10.0)


def _seawater(practical: np.ndarray, warm: np.ndarray) -> ArrayLike:
    """Concentration from conductivity, and what a meter shows for the concentration."""
    sp, t = np.meshgrid(practical, warm)
    k = 1000.0 * gsw.C_from_SP(sp, t, 0.0)
    c = conductivity.concentration_mg_l(k, t, PLAIN, Water("seawater"))
    known = sp * SALINITY * gsw.rho_t_exact(sp * SALINITY, 25.0, 0.0)
    shown = conductivity.displayed_us_cm(known, t, PLAIN, Water("seawater"))
    return np.concatenate([relative(c, known), relative(shown, k)])


@check(
    "Seawater both ways, practical salinity 0.3 to 42, 1 to 35 °C",
    source="gsw, PSS-78 and its extension below 2",
    status="computed",
    tolerance=1e-3,
)
def seawater_conductivity() -> ArrayLike:
    """The range in which the scale is defined."""
    return _seawater(np.geomspace(0.3, 42.0, 80), np.linspace(1.0, 35.0, 35))


@check(
    "Seawater both ways, practical salinity 42 to 60 (85 mS/cm), 1 to 45 °C, beyond the scale",
    source="gsw, the formula of PSS-78 run on",
    status="computed",
    tolerance=5e-4,
)
def strong_seawater_conductivity() -> ArrayLike:
    """No measurement stands behind gsw there; we continue as it does."""
    return _seawater(np.linspace(42.0, 60.0, 37), np.linspace(1.0, 45.0, 45))


@check(
    "Seawater both ways, practical salinity 0.05 (108 µS/cm) to 0.3, 1 to 45 °C",
    source="gsw, Hill's extension of PSS-78",
    status="computed",
    tolerance=1e-2,
)
def weak_seawater_conductivity() -> ArrayLike:
    """Below that the extension departs from the limiting ionic conductivities, in which ours ends."""
    return _seawater(np.geomspace(0.05, 0.3, 30), np.linspace(1.0, 45.0, 45))


def _salt(mg_l: float, warm: float) -> pyEQL.Solution:
    ions = {"Na+": f"{mg_l * 22.98977 / 58.443} mg/L", "Cl-": f"{mg_l * 35.453 / 58.443} mg/L"}
    return pyEQL.Solution(ions, temperature=f"{warm} degC", engine="native")


STRENGTHS = np.array([20.0, 100.0, 500.0, 2000.0, 5000.0, 10_000.0, 20_000.0, 35_000.0, 60_000.0])


@cache
def _pyeql_25() -> tuple[np.ndarray, np.ndarray]:
    """Conductivity and osmotic pressure of `STRENGTHS` at 25 °C. [µS/cm, bar]"""
    found = [_salt(float(c), 25.0) for c in STRENGTHS]
    k = [s.conductivity.to("uS/cm").magnitude for s in found]
    return np.array(k), np.array([s.osmotic_pressure.to("bar").magnitude for s in found])


@check(
    "Conductivity of NaCl at 25 °C, 20 mg/L to 5 g/L, both ways",
    source="pyEQL native",
    status="computed",
    tolerance=5e-3,
)
def conductivity_by_pyeql() -> ArrayLike:
    """Its own diffusion coefficients and activity."""
    weak = STRENGTHS <= 5000
    k = _pyeql_25()[0][weak]
    there = relative(conductivity.nacl_conductivity_us_cm(STRENGTHS[weak]), k)
    return np.concatenate(
        [there, relative(conductivity.nacl_concentration_mg_l(k), STRENGTHS[weak])]
    )


@check(
    "Conductivity of NaCl at 25 °C, 10 to 35 g/L",
    source="pyEQL native",
    status="computed",
    tolerance=2.5e-2,
)
def strong_conductivity_by_pyeql() -> ArrayLike:
    """Robinson and Stokes measured there and pyEQL extrapolates."""
    strong = (STRENGTHS >= 10_000) & (STRENGTHS <= 35_000)
    return relative(conductivity.nacl_conductivity_us_cm(STRENGTHS[strong]), _pyeql_25()[0][strong])


@check(
    "Osmotic pressure of NaCl at 25 °C, 20 mg/L to 60 g/L",
    source="pyEQL native, Pitzer",
    status="computed",
    tolerance=2e-3,
)
def osmotic_pressure_by_pyeql() -> ArrayLike:
    """Pitzer coefficients from another compilation."""
    return relative(water.nacl_osmotic_pressure_bar(STRENGTHS, 25.0), _pyeql_25()[1])


@check(
    "Osmotic pressure of NaCl to 1 g/L, 1 to 45 °C",
    source="pyEQL native, Pitzer coefficients of 25 °C",
    status="computed",
    tolerance=2e-3,
)
def osmotic_pressure_with_temperature_by_pyeql() -> ArrayLike:
    """Where only the Debye-Hückel slope, the density and T move."""
    found = []
    for warm in (1.0, 12.0, 35.0, 45.0):
        for c in (100.0, 1000.0):
            pi = _salt(c, warm).osmotic_pressure.to("bar").magnitude
            found.append(relative(water.nacl_osmotic_pressure_bar(c, warm), pi))
    return np.concatenate(found)


@cache
def _phreeqc() -> tuple[np.ndarray, ...]:
    """NaCl from 0.3 mmol to 1.6 mol/kg, 1 to 45 °C: molality, °C, ln a_w, mg/L, µS/cm."""
    molality, warm = np.meshgrid(np.geomspace(3e-4, 1.6, 40), np.linspace(1.0, 45.0, 23))
    text = [
        "SELECTED_OUTPUT\n-reset false",
        "USER_PUNCH\n-headings lnaw volume sc\n-start",
        '10 PUNCH LOG10(ACT("H2O"))*LOG(10), SOLN_VOL, SC\n-end',
    ]
    text += [
        f"SOLUTION {i}\nunits mol/kgw\ntemp {t}\npH 7\nNa {m}\nCl {m}"
        for i, (m, t) in enumerate(zip(molality.flat, warm.flat, strict=True), start=1)
    ]
    engine = PhreeqPython(database="pitzer.dat").ip
    engine.run_string("\n".join([*text, "END"]))
    table = engine.get_selected_output_array()
    assert len(table) == molality.size + 1
    ln_aw, liters, sc = np.array(table[1:], dtype=float).T
    return molality.ravel(), warm.ravel(), ln_aw, molality.ravel() * 58443.0 / liters, sc


@check(
    "Osmotic pressure of NaCl on a grid, 0.02 to 90 g/L, 1 to 45 °C",
    source="PHREEQC (pitzer.dat) through phreeqpython: −(R T/Vw) ln a_w",
    status="computed",
    tolerance=1e-3,
)
def osmotic_pressure_by_phreeqc() -> ArrayLike:
    """Vw from the density of pure water."""
    _, warm, ln_aw, c, _ = _phreeqc()
    per_m3 = water.density_kg_m3(warm) / 0.018015268
    pi = -8.314462618e-5 * (warm + KELVIN) * per_m3 * ln_aw
    return relative(water.nacl_osmotic_pressure_bar(c, warm), pi)


@check(
    "Conductivity of NaCl at 25 °C to 0.1 mol/kg",
    source="PHREEQC (pitzer.dat) through phreeqpython",
    status="computed",
    tolerance=1.5e-2,
)
def conductivity_by_phreeqc() -> ArrayLike:
    """It falls below Robinson and Stokes as salt rises: 1 % at 0.1 mol/kg, 5 % at 1."""
    molality, warm, _, c, sc = _phreeqc()
    weak = (warm == 25.0) & (molality <= 0.1)
    return relative(conductivity.nacl_conductivity_us_cm(c[weak]), sc[weak])
