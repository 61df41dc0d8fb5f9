"""Water: density, viscosity, osmotic pressure and the average concentration along a membrane.

One osmotic law belongs to one plant (`rules.train.Water`) and is frozen into its baseline: two laws
for the same readings differ by more than half of a cleaning trigger.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.fits import KELVIN, Array, in_blocks, polynomial, within
from rules.train import Water

VALID_C = (0.0, 50.0)
"""Temperatures of the fits. [°C]"""
VALID_NACL_MG_L = (0.0, 100_000.0)
VALID_SALINITY_G_KG = (0.0, 110.0)
VALID_SEAWATER_MG_L = (0.0, 118_000.0)
GAS_CONSTANT: Final = 8.314462618
NACL_G_MOL: Final = 58.443

# Polynomials in x = (T − 25)/25, fitted to IAPWS-95 and IAPWS R12-08 at 0.101325 MPa, 0 to 50 °C:
# density within 2e-7, viscosity within 5e-6 of them.
_DENSITY: Final = (
    997.0476435198584,
    -6.4129264707570375,
    -2.978807581422746,
    0.4708231649169565,
    -0.11818439352170564,
    0.037969401836801774,
    -0.011566394066413596,
)
_LN_VISCOSITY: Final = (
    -0.1165087205350479,
    -0.5696559286485061,
    0.09963761173429042,
    -0.022272792693680467,
    0.005919380555942831,
    -0.0017614393700090558,
    0.0004537518295159917,
)
# g/kg for each g/L of seawater at 25 °C, in C / (100 g/L); TEOS-10 within 0.0015 g/kg to 110 g/kg.
_KG_PER_L: Final = (
    1.0029194823099554,
    -0.07466711527180889,
    0.009058848211705932,
    -0.0007769793442106305,
)
# ln(π / (S·T_K)) of seawater: rows by power of x = (T − 25)/25 from 0, columns by power of
# r = sqrt(S/100) from 0.
_SEAWATER_PI: Final = (
    (
        -5.93705434963462,
        -0.6948891968831067,
        1.7317103544745251,
        -1.7423320791415688,
        0.7433180244855476,
        0.2335094857245824,
        -0.1875414684610819,
    ),
    (
        -0.007241960699501966,
        -0.04003991861987883,
        0.14423161745605398,
        -0.13273800742699485,
        0.04275909734621482,
    ),
    (-0.0019475523198566012, -0.009564215042508073, -0.0018381132107108422),
    (0.002877958588502534,),
)


def _x(temperature_c: ArrayLike) -> Array:
    return np.asarray((within(temperature_c, *VALID_C) - 25.0) / 25.0)


@in_blocks(1)
def density_kg_m3(temperature_c: ArrayLike) -> Array:
    """Density of pure water at atmospheric pressure. NaN outside `VALID_C`. [kg/m3]

    Source: IAPWS-95, own fit. Checked against tests/reference/water_density_viscosity.csv.
    """
    return polynomial(_x(temperature_c), _DENSITY)


@in_blocks(1)
def viscosity_mpa_s(temperature_c: ArrayLike) -> Array:
    """Viscosity of pure water at atmospheric pressure. NaN outside `VALID_C`. [mPa·s]

    Source: IAPWS R12-08, own fit. Checked against tests/reference/water_density_viscosity.csv.
    """
    return np.asarray(np.exp(polynomial(_x(temperature_c), _LN_VISCOSITY)))


@in_blocks(2)
def seawater_viscosity_mpa_s(temperature_c: ArrayLike, salinity_g_kg: ArrayLike) -> Array:
    """Viscosity of seawater, pure water times 1 + A S + B S². Broadcasts; NaN outside validity. [mPa·s]

    Source: Sharqawy, Lienhard, Zubair, Desalination and Water Treatment 16 (2010) 354, eq. 22.
    """
    t = within(temperature_c, *VALID_C)
    s = within(salinity_g_kg, *VALID_SALINITY_G_KG) / 1000.0
    a = 1.541 + 1.998e-2 * t - 9.52e-5 * t * t
    b = 7.974 - 7.561e-2 * t + 4.724e-4 * t * t
    return np.asarray(viscosity_mpa_s(t) * (1.0 + a * s + b * s * s))


@in_blocks(2)
def seawater_density_kg_m3(temperature_c: ArrayLike, salinity_g_kg: ArrayLike) -> Array:
    """Density of seawater at atmospheric pressure. Broadcasts; NaN outside validity. [kg/m3]

    Source: TEOS-10, own fit within 0.15 kg/m3 to 110 g/kg.
    Checked against tests/reference/seawater_viscosity_density.csv.
    """
    s = within(salinity_g_kg, *VALID_SALINITY_G_KG)
    x = _x(temperature_c)
    r = np.sqrt(s / 100.0)
    slope = (
        0.7587443
        + r * (-0.06624479 + r * (0.10509813 - 0.04177564 * r))
        + x * (-0.03262067 + x * (0.02601441 - 0.00581596 * x))
        + r * x * (-0.00471582 - 0.01532978 * x + 0.00607253 * r)
    )
    return np.asarray(density_kg_m3(temperature_c) + slope * s)


@in_blocks(1)
def seawater_salinity_g_kg(concentration_mg_l: ArrayLike) -> Array:
    """Absolute Salinity of seawater from its concentration at 25 °C. [g/kg]

    Source: TEOS-10 density, own fit within 0.0015 g/kg.
    """
    y = within(concentration_mg_l, *VALID_SEAWATER_MG_L) / 1e5
    return np.asarray(y * 100.0 * polynomial(y, _KG_PER_L))


@in_blocks(2)
def nacl_osmotic_pressure_bar(concentration_mg_l: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Osmotic pressure of sodium chloride in water.

    concentration_mg_l, temperature_c : broadcast together. [mg/L, °C]
    returns : [bar] NaN outside `VALID_NACL_MG_L` and `VALID_C`.

    Source: Pitzer's equation for the osmotic coefficient, Pitzer and Mayorga (1973), first
    temperature coefficients of Silvester and Pitzer (1977), from memory; the higher ones and the
    Debye-Hückel slope's fitted to PHREEQC (pitzer.dat) within 0.09 % over 0 to 50 °C, to 1.9 mol/kg;
    π = φ·2 m R T ρw. Checked against tests/reference/osmotic_pressure_nacl.csv, a grid of PHREEQC
    to 1.6 mol/kg, pyEQL at 25 °C and Robinson and Stokes.
    """
    c = within(concentration_mg_l, *VALID_NACL_MG_L) / 1000.0
    t = within(temperature_c, *VALID_C)
    d = t - 25.0
    rho_w = density_kg_m3(t)
    # Salt takes the room of about 0.3 of its own mass of water: fitted within 0.02 % of the water left.
    room = 0.283796 + d * (1.58434e-3 - 3.19806e-5 * d) + (4.44776e-3 - 3.10178e-5 * d) * np.sqrt(c)
    m = c / NACL_G_MOL * 1000.0 / (rho_w - room * c)
    root = np.sqrt(m)
    a_phi = 0.3915 + d * (5.54347e-4 + d * 3.43632e-6)
    beta_0 = 0.0765 + d * (7.159e-4 + d * (-1.226474e-5 + d * 8.510e-8))
    beta_1 = 0.2664 + d * (7.005e-4 + d * 1.694591e-5)
    c_phi = 0.00127 + d * (-1.054e-4 + d * 1.476218e-6)
    phi = 1.0 - a_phi * root / (1.0 + 1.2 * root)
    phi = phi + m * (beta_0 + beta_1 * np.exp(-2.0 * root) + m * c_phi)
    return np.asarray(phi * m * (2e-5 * GAS_CONSTANT) * (t + KELVIN) * rho_w)


@in_blocks(2)
def d4516_osmotic_pressure_bar(concentration_mg_l: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Osmotic pressure of sodium chloride by the correlation of ASTM D4516, for conformity. [bar]

    Up to 5 % from `nacl_osmotic_pressure_bar`; never mix the two in one plant.
    Source: 0.2654 C T / (1000 − C/1000) kPa, from memory. Below Pitzer in thin water (−5.3 % at
    100 mg/L, −1.7 % at 2000), equal near 5000, above in strong (+3.4 % at 32 g/L), all at 25 °C.
    """
    c = within(concentration_mg_l, *VALID_NACL_MG_L)
    t_k = within(temperature_c, *VALID_C) + KELVIN
    return np.asarray(0.002654 * c * t_k / (1000.0 - c / 1000.0))


@in_blocks(2)
def seawater_osmotic_pressure_bar(salinity_g_kg: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Osmotic pressure of seawater against pure water.

    salinity_g_kg : Absolute Salinity. temperature_c : broadcast together. [g/kg, °C]
    returns : [bar] NaN outside `VALID_SALINITY_G_KG` and `VALID_C`.

    Source: TEOS-10 chemical potential of water, own fit within 0.1 % to 110 g/kg.
    Checked against tests/reference/osmotic_pressure_seawater.csv and gsw.
    """
    s = within(salinity_g_kg, *VALID_SALINITY_G_KG)
    x = _x(temperature_c)
    r = np.asarray(np.sqrt(s / 100.0))
    ln_pi = _SEAWATER_PI[3][0] * x
    for row in _SEAWATER_PI[2:0:-1]:
        ln_pi = (ln_pi + polynomial(r, row)) * x
    ln_pi = ln_pi + polynomial(r, _SEAWATER_PI[0])
    return np.asarray(np.exp(ln_pi) * s * (25.0 * x + (25.0 + KELVIN)))


@in_blocks(2)
def osmotic_pressure_bar(
    concentration_mg_l: ArrayLike, temperature_c: ArrayLike, water: Water
) -> Array:
    """Osmotic pressure by the one law of the plant. [bar]"""
    if water.kind == "seawater":
        return seawater_osmotic_pressure_bar(
            seawater_salinity_g_kg(concentration_mg_l), temperature_c
        )
    return nacl_osmotic_pressure_bar(concentration_mg_l, temperature_c)


@in_blocks(2)
def feed_brine_average(feed: ArrayLike, recovery: ArrayLike) -> Array:
    """Average concentration on the feed side by the log mean, C_f ln(1/(1−Y))/Y. Broadcasts.

    Exact mean over permeate produced when nothing passes the membrane.
    recovery : permeate over feed flow; NaN unless 0 < Y < 1. [-]
    Source: ASTM D4516 (read in a secondary page). Checked against feed_brine_average.csv.
    """
    c = np.asarray(feed, dtype=np.float64)
    y = np.asarray(recovery, dtype=np.float64)
    y = np.where((y > 0) & (y < 1), y, np.nan)
    return np.asarray(c * -np.log1p(-y) / y)


@in_blocks(3)
def feed_brine_average_exact(feed: ArrayLike, recovery: ArrayLike, rejection: ArrayLike) -> Array:
    """Average over permeate produced for a constant local rejection R, C_f [1−(1−Y)^(1−R)]/[(1−R)Y].

    Source: salt balance along the membrane. NaN unless 0 < Y < 1 and R < 1.
    """
    c = np.asarray(feed, dtype=np.float64)
    y = np.asarray(recovery, dtype=np.float64)
    y = np.where((y > 0) & (y < 1), y, np.nan)
    r = np.asarray(rejection, dtype=np.float64)
    p = np.where(r < 1, 1.0 - r, np.nan)
    return np.asarray(c * -np.expm1(p * np.log1p(-y)) / (p * y))
