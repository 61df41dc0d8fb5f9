"""Conductivity: compensation to 25 °C and back, and conversion to concentration and back.

A ratio of conductivities is not a ratio of concentrations, and a transmitter's own compensation is
seldom that of the water it measures. So readings are first taken back to the temperature of the
water, then brought to 25 °C by the law of the water, then made into mg/L; only then compared.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.fits import Array, in_blocks, polynomial, settled, within
from rules.train import Compensation, Water
from rules.water import viscosity_mpa_s

VALID_C = (0.0, 50.0)
"""Water temperatures of the laws. [°C]"""
VALID_READING_US_CM = (0.0, 1e9)
"""What can be a reading at all, for laws that only scale one. [µS/cm]"""
VALID_US_CM = (1.0, 90_000.0)
"""Conductivities at 25 °C of the laws; below 1 µS/cm water's own ions begin to count. [µS/cm]"""

# ln(mg/L per µS/cm) as a polynomial in sqrt(k25 / 10 mS/cm). NaCl: fitted to the molar conductivity
# Λ = Λ0 − (0.2300 Λ0 + 60.65)√c/(1 + b√c) + d c + e c^1.5 (Onsager slope; b, d, e fitted to Robinson
# and Stokes, 0.0005 to 1 mol/L); the polynomial departs from that by at most 0.002 %.
_NACL: Final = (
    -0.7713214774837588,
    0.1997154740099067,
    -0.038287828994388214,
    0.0027835862995104124,
    0.0005359714433244983,
    0.0004495551037200131,
    -0.00020896385502249082,
    3.090053947482543e-05,
)
# Seawater: fitted to PSS-78/TEOS-10 from 0.3 to 92 mS/cm within 0.035 %, and below that to the limiting ionic
# conductivities of the reference composition (0.4536 mg/L per µS/cm at zero concentration).
_SEAWATER: Final = (
    -0.7903287829253075,
    0.25616986404863334,
    0.13615937364535285,
    -0.4657222448726965,
    0.5148039816978968,
    -0.3070815546095504,
    0.10445945156213468,
    -0.019005500171784432,
    0.0014353325841594542,
)
# ln(k_25/k_T) with x = (T − 25)/25 and s = sqrt(k_T / 10 mS/cm): a part without s, different for
# each water, and the part with s of seawater (rows: powers of s from 1; columns: powers of x from 1).
# NaCl: minus the limiting ionic conductivities of Robinson and Stokes, appendix 6.2 (from memory);
# that its concentration moves the ratio as that of sea salt does is our assumption. Below 10 mS/cm it
# matters by under 1 %, and the KCl standards agree with it within 0.15 %. Near 1 mol/kg they ask for
# up to 1.7 % more (at 50 °C), the ionic model of McCleskey and others (2012) for 0.9 % less: ours lies
# between the two. Seawater: PSS-78 at zero pressure, within 0.025 % for SP 2 to 42, 0.12 % outside.
_NACL_T: Final = (
    -0.520704449976891,
    0.08988586446723194,
    -0.017160979911957454,
    0.0010459222221707069,
)
_SEAWATER_T: Final = (-0.51343011, 0.097015185, -0.019794273, 0.0053133223, -0.00039896203)
_SALT_T: Final = (
    (0.0076762677, -0.0049832884, 0.0025307447, -0.0017798221),
    (0.00095518983, -0.00025731914, 0.00029161383),
    (-0.00012485122,),
)


def _per_us_cm(k25_us_cm: Array, coefficients: tuple[float, ...]) -> Array:
    return np.asarray(np.exp(polynomial(np.sqrt(k25_us_cm / 1e4), coefficients)))


def _inverse(concentration_mg_l: ArrayLike, coefficients: tuple[float, ...]) -> Array:
    """Conductivity that gives a concentration: Newton's rule on ln k; four steps leave 1e-14."""
    ln_c = np.log(within(concentration_mg_l, 1e-3, 1e6))
    slope = tuple(i * a / 2 for i, a in enumerate(coefficients))  # d ln factor / d ln k
    ln_k = ln_c + 0.65
    for _ in range(4):
        s = np.exp(0.5 * np.clip(ln_k, -5.0, 11.5)) / 100.0
        miss = ln_k + polynomial(s, coefficients) - ln_c
        ln_k = ln_k - miss / (1.0 + polynomial(s, slope))
    return settled(np.exp(ln_k), *VALID_US_CM)


@in_blocks(1)
def nacl_concentration_mg_l(conductivity_25_us_cm: ArrayLike) -> Array:
    """Sodium chloride in water from its conductivity at 25 °C.

    conductivity_25_us_cm : any shape. [µS/cm at 25 °C]
    returns : same shape. [mg/L NaCl] NaN outside `VALID_US_CM`.

    Source: molar conductivities of Robinson and Stokes with the Onsager limiting slope, own fit.
    Checked against tests/reference/conductivity_nacl_25C.csv and pyEQL.
    """
    k = within(conductivity_25_us_cm, *VALID_US_CM)
    return np.asarray(k * _per_us_cm(k, _NACL))


@in_blocks(1)
def nacl_conductivity_us_cm(concentration_mg_l: ArrayLike) -> Array:
    """Conductivity at 25 °C of sodium chloride in water; the exact inverse of `nacl_concentration_mg_l`."""
    return _inverse(concentration_mg_l, _NACL)


@in_blocks(1)
def seawater_concentration_mg_l(conductivity_25_us_cm: ArrayLike) -> Array:
    """Sea salt in water (diluted or concentrated seawater) from its conductivity at 25 °C.

    conductivity_25_us_cm : any shape. [µS/cm at 25 °C]
    returns : same shape. [mg/L at 25 °C: Absolute Salinity times density] NaN outside `VALID_US_CM`.

    Source: own fit to PSS-78/TEOS-10, reference composition. PSS-78 itself ends at SP 42 (62 mS/cm);
    above that its formula is run on, as gsw does (within 0.05 % to SP 60, 85 mS/cm): no measurement
    stands behind it there. Below SP 0.05 (108 µS/cm), where its extension turns away from what ions
    can have, ours ends in the limiting ionic conductivities.
    Checked against tests/reference/conductivity_seawater.csv and gsw.
    """
    k = within(conductivity_25_us_cm, *VALID_US_CM)
    return np.asarray(k * _per_us_cm(k, _SEAWATER))


@in_blocks(1)
def seawater_conductivity_us_cm(concentration_mg_l: ArrayLike) -> Array:
    """Conductivity at 25 °C of sea salt in water; the exact inverse of `seawater_concentration_mg_l`."""
    return _inverse(concentration_mg_l, _SEAWATER)


@in_blocks(1)
def linear_ratio(temperature_c: ArrayLike, *, alpha_percent_per_k: float) -> Array:
    """Conductivity at T over that at 25 °C, 1 + alpha (T − 25). NaN outside `VALID_C`. [-]

    Source: ISO 7888:1985, linear compensation.
    """
    t = within(temperature_c, *VALID_C)
    ratio = 1.0 + alpha_percent_per_k / 100.0 * (t - 25.0)
    return np.where(ratio > 0, ratio, np.nan)


def _drag(temperature_c: ArrayLike) -> Array:
    """What 1.116 is multiplied with in the law of natural waters; 1 at 20 °C, 1/1.116 at 25 °C."""
    eta = viscosity_mpa_s(temperature_c) / 1.00161  # IAPWS R12-08 at 20 °C
    return np.asarray((1.0 - 0.962144) + 0.962144 * eta**0.965078)


_DRAG_25: Final = float(_drag(25.0))


@in_blocks(1)
def natural_ratio(temperature_c: ArrayLike) -> Array:
    """Conductivity at T over that at 25 °C of natural waters (nonlinear). NaN outside `VALID_C`. [-]

    Source: ISO 7888:1985 / EN 27888, 1/f25 with f25 = 1.116 [(1−a) + a (η_T/η_20)^n], constants from
    memory; agrees with the printed table within 0.3 % over its 0 to 35.9 °C, continued above.
    """
    return np.asarray(_DRAG_25 / _drag(temperature_c))


@in_blocks(1)
def nacl_ratio(temperature_c: ArrayLike) -> Array:
    """Conductivity at T over that at 25 °C of dilute sodium chloride. NaN outside `VALID_C`. [-]

    Source: limiting ionic conductivities, Robinson and Stokes, appendix 6.2 (from memory), own fit.
    """
    x = (within(temperature_c, *VALID_C) - 25.0) / 25.0
    return np.asarray(np.exp(-x * polynomial(x, _NACL_T)))


def _ln_to_25(
    temperature_c: ArrayLike, coefficients: tuple[float, ...]
) -> tuple[Array, tuple[Array, Array, Array]]:
    """ln(k_25/k_T) at a temperature: the part without salt, and what multiplies s, s² and s³."""
    x = np.asarray((within(temperature_c, *VALID_C) - 25.0) / 25.0)
    by_salt = tuple(x * polynomial(x, column) for column in _SALT_T)
    return x * polynomial(x, coefficients), (by_salt[0], by_salt[1], by_salt[2])


def _at_25(
    conductivity_us_cm: ArrayLike, temperature_c: ArrayLike, coefficients: tuple[float, ...]
) -> Array:
    k_t = within(conductivity_us_cm, 1e-3, 2e5)  # the fit turns back far above what water can have
    plain, (b1, b2, b3) = _ln_to_25(temperature_c, coefficients)
    s = np.sqrt(k_t / 1e4)
    return settled(k_t * np.exp(plain + s * (b1 + s * (b2 + s * b3))), *VALID_US_CM)


def _at_temperature(
    conductivity_25_us_cm: ArrayLike, temperature_c: ArrayLike, coefficients: tuple[float, ...]
) -> Array:
    """Inverse of `_at_25`: Newton's rule on ln s, from a start within 0.05; three steps leave 1e-15."""
    k25 = within(conductivity_25_us_cm, *VALID_US_CM)
    plain, (b1, b2, b3) = _ln_to_25(temperature_c, coefficients)
    wanted = np.log(k25 / 1e4) - plain
    ln_s = 0.5 * wanted
    for _ in range(3):
        s = np.exp(ln_s)
        miss = 2.0 * ln_s + s * (b1 + s * (b2 + s * b3)) - wanted
        ln_s = ln_s - miss / (2.0 + s * (b1 + s * (2.0 * b2 + s * (3.0 * b3))))
    return np.asarray(1e4 * np.exp(2.0 * ln_s))


@in_blocks(2)
def nacl_at_25(conductivity_us_cm: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Conductivity at 25 °C of sodium chloride in water measured at `temperature_c`. [µS/cm]

    Broadcasts; NaN outside `VALID_C` and where the result leaves `VALID_US_CM`.
    Source: limiting ionic conductivities, Robinson and Stokes (from memory); the effect of
    concentration taken from seawater. Checked against conductivity_nacl_temperature.csv, the KCl
    standards and the handbook at 20 °C: good to 0.5 % to 0.1 mol/kg, to 2 % at 1 mol/kg.
    """
    return _at_25(conductivity_us_cm, temperature_c, _NACL_T)


@in_blocks(2)
def nacl_at_temperature(conductivity_25_us_cm: ArrayLike, temperature_c: ArrayLike) -> Array:
    """The inverse of `nacl_at_25`. [µS/cm]"""
    return _at_temperature(conductivity_25_us_cm, temperature_c, _NACL_T)


@in_blocks(2)
def seawater_at_25(conductivity_us_cm: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Conductivity at 25 °C of seawater measured at `temperature_c`. [µS/cm]

    Broadcasts; NaN outside `VALID_C` and where the result leaves `VALID_US_CM`.
    Source: PSS-78 (TEOS-10) at zero pressure, own fit. Checked against gsw.
    """
    return _at_25(conductivity_us_cm, temperature_c, _SEAWATER_T)


@in_blocks(2)
def seawater_at_temperature(conductivity_25_us_cm: ArrayLike, temperature_c: ArrayLike) -> Array:
    """The inverse of `seawater_at_25`. [µS/cm]"""
    return _at_temperature(conductivity_25_us_cm, temperature_c, _SEAWATER_T)


def _display_ratio(temperature_c: ArrayLike, compensation: Compensation) -> Array:
    """Conductivity at T over what a transmitter with `compensation` shows. [-]"""
    if compensation.kind == "none":
        return within(temperature_c, *VALID_C) * 0.0 + 1.0
    if compensation.kind == "natural":
        return natural_ratio(temperature_c)
    return linear_ratio(temperature_c, alpha_percent_per_k=compensation.alpha)


@in_blocks(2)
def displayed_to_actual(
    conductivity_us_cm: ArrayLike, temperature_c: ArrayLike, compensation: Compensation
) -> Array:
    """Undo a transmitter's compensation: from the reading to the conductivity at temperature. [µS/cm]

    conductivity_us_cm, temperature_c : broadcast together. [µS/cm, °C]
    returns : NaN outside `VALID_C` and `VALID_READING_US_CM`, and where a linear coefficient has no
        conductivity left (below 0 °C for 4 %/K).
    """
    k = within(conductivity_us_cm, *VALID_READING_US_CM)
    return np.asarray(k * _display_ratio(temperature_c, compensation))


@in_blocks(2)
def actual_to_displayed(
    conductivity_us_cm: ArrayLike, temperature_c: ArrayLike, compensation: Compensation
) -> Array:
    """What a transmitter with `compensation` shows for a conductivity at temperature. [µS/cm]

    The inverse of `displayed_to_actual`.
    """
    k = within(conductivity_us_cm, *VALID_READING_US_CM)
    return np.asarray(k / _display_ratio(temperature_c, compensation))


def displayed_at_25_us_cm(
    displayed_us_cm: ArrayLike, temperature_c: ArrayLike, compensation: Compensation, water: Water
) -> Array:
    """Conductivity at 25 °C by the law of a plant's water, from what a meter shows. [µS/cm]

    displayed_us_cm, temperature_c : broadcast together. [µS/cm, °C] NaN outside the validity of the laws.
    The reading is taken back to temperature, then brought to 25 °C (a natural water, `water.factor`
    given: ISO 7888 nonlinear; else NaCl or seawater).
    """
    actual = displayed_to_actual(displayed_us_cm, temperature_c, compensation)
    if water.factor is not None:
        return settled(actual / natural_ratio(temperature_c), *VALID_US_CM)
    if water.kind == "seawater":
        return seawater_at_25(actual, temperature_c)
    return nacl_at_25(actual, temperature_c)


@in_blocks(2)
def concentration_mg_l(
    displayed_us_cm: ArrayLike, temperature_c: ArrayLike, compensation: Compensation, water: Water
) -> Array:
    """Concentration of a plant's water from what its transmitter shows.

    displayed_us_cm, temperature_c : broadcast together. [µS/cm, °C]
    returns : [mg/L] NaN outside the validity of the laws.

    The reading is brought to 25 °C by `displayed_at_25_us_cm` and converted.
    """
    k25 = displayed_at_25_us_cm(displayed_us_cm, temperature_c, compensation, water)
    if water.factor is not None:
        return np.asarray(k25 * water.factor)
    if water.kind == "seawater":
        return seawater_concentration_mg_l(k25)
    return nacl_concentration_mg_l(k25)


@in_blocks(2)
def displayed_us_cm(
    concentration_mg_l: ArrayLike,
    temperature_c: ArrayLike,
    compensation: Compensation,
    water: Water,
) -> Array:
    """What a plant's transmitter shows for a concentration: the inverse of `concentration_mg_l`.

    concentration_mg_l, temperature_c : broadcast together. [mg/L, °C]
    returns : [µS/cm as displayed] NaN outside the validity of the laws.
    """
    if water.factor is not None:
        k25 = settled(within(concentration_mg_l, 1e-3, 1e6) / water.factor, *VALID_US_CM)
        actual = np.asarray(k25 * natural_ratio(temperature_c))
    elif water.kind == "seawater":
        k25 = seawater_conductivity_us_cm(concentration_mg_l)
        actual = seawater_at_temperature(k25, temperature_c)
    else:
        actual = nacl_at_temperature(nacl_conductivity_us_cm(concentration_mg_l), temperature_c)
    return actual_to_displayed(actual, temperature_c, compensation)
