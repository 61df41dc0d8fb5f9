"""Normalization after ASTM D4516: permeate flow, salt passage, pressure drop, and their coefficients.

A standardized value is what the membrane would give at the reference operation (the baseline). It
carries the same information as a coefficient of the membrane: Qps/Qp_reference = A/A_reference,
fixed-convention passage = B/B_reference, normalized drop = K/K_reference. The coefficients need no
reference, so `rules.sections` works with them.

All functions broadcast. Zero or negative flows, net driving pressures and drops give NaN.
The standard's own scope: membranes of high rejection without significant feed-to-permeate leaks, a
brine-staged system stage by stage. Its coefficient of performance is not claimed here.
"""

import numpy as np
from numpy.typing import ArrayLike

from rules.fits import Array, above_zero

EXPONENTS = (1.4, 1.75)
"""Flow exponents of the pressure drop met in publications for spacer-filled channels. [-]"""


def net_driving_pressure_bar(
    feed_pressure_bar: ArrayLike,
    pressure_drop_bar: ArrayLike,
    permeate_pressure_bar: ArrayLike,
    feed_brine_osmotic_bar: ArrayLike,
    permeate_osmotic_bar: ArrayLike,
) -> Array:
    """Pf − ΔP/2 − Pp − (π_fb − π_p), with gauge pressures. [bar]

    Source: ASTM D4516-19a 6.1 (read in a secondary text).
    Checked against tests/reference/worked_examples_standardisation.csv.
    """
    feed, drop, permeate, pi_feed, pi_permeate = (
        np.asarray(a, dtype=np.float64)
        for a in (
            feed_pressure_bar,
            pressure_drop_bar,
            permeate_pressure_bar,
            feed_brine_osmotic_bar,
            permeate_osmotic_bar,
        )
    )
    return np.asarray(feed - drop / 2.0 - permeate - pi_feed + pi_permeate)


def water_permeability(
    permeate_flow_m3h: ArrayLike, ndp_bar: ArrayLike, water_factor: ArrayLike, *, area_m2: float
) -> Array:
    """A = Qp / (area · TCF · NDP): permeability at the reference temperature. [m/h/bar]

    water_factor : permeability at T over that at the reference (`rules.temperature`). [-]
    Source: D4516-19a 6.1 solved for the membrane.
    """
    _positive("area_m2", area_m2)
    with np.errstate(all="ignore"):
        return np.asarray(
            above_zero(permeate_flow_m3h)
            / (area_m2 * above_zero(water_factor) * above_zero(ndp_bar))
        )


def salt_permeability(
    permeate_flow_m3h: ArrayLike,
    permeate_mg_l: ArrayLike,
    feed_brine_mg_l: ArrayLike,
    salt_factor: ArrayLike,
    *,
    area_m2: float,
) -> Array:
    """B = Qp Cp / (area · STCF · Cfb): permeability at the reference temperature. [m/h]

    Concentrations, not conductivities.
    Source: salt flux = B · STCF · Cfb, solution-diffusion at high rejection.
    """
    _positive("area_m2", area_m2)
    with np.errstate(all="ignore"):
        flux = above_zero(permeate_flow_m3h) * above_zero(permeate_mg_l) / area_m2
        return np.asarray(flux / (above_zero(salt_factor) * above_zero(feed_brine_mg_l)))


def pressure_drop_coefficient(
    pressure_drop_bar: ArrayLike,
    average_flow_m3h: ArrayLike,
    viscosity_mpa_s: ArrayLike,
    *,
    exponent: float,
) -> Array:
    """K = ΔP / (Qavg^n · μ^(2−n)). [bar/(m3/h)^n/(mPa·s)^(2−n)]

    average_flow_m3h : mean of feed and concentrate flow.
    exponent : n. The viscosity exponent is tied to it by the friction law f = c Re^(n−2).
    Source: Schock and Miquel, Desalination 64 (1987) 339, n = 1.7 (from memory); others 1.4 to 1.75.
    """
    _exponent(exponent)
    with np.errstate(all="ignore"):
        drag = above_zero(average_flow_m3h) ** exponent * above_zero(viscosity_mpa_s) ** (
            2.0 - exponent
        )
        return np.asarray(above_zero(pressure_drop_bar) / drag)


def standardized_permeate_flow(
    permeate_flow_m3h: ArrayLike,
    ndp_bar: ArrayLike,
    water_factor: ArrayLike,
    *,
    reference_ndp_bar: ArrayLike,
    reference_water_factor: ArrayLike,
) -> Array:
    """Qps = Qp · (NDP · TCF at the reference) / (NDP · TCF now). [m3/h]

    Source: ASTM D4516-19a 6.1 (read in a secondary text).
    """
    with np.errstate(all="ignore"):
        reference = above_zero(reference_ndp_bar) * above_zero(reference_water_factor)
        now = above_zero(ndp_bar) * above_zero(water_factor)
        return np.asarray(above_zero(permeate_flow_m3h) * reference / now)


def standardized_salt_passage(
    salt_passage: ArrayLike,
    permeate_flow_m3h: ArrayLike,
    salt_factor: ArrayLike,
    feed_mg_l: ArrayLike,
    feed_brine_mg_l: ArrayLike,
    *,
    reference_permeate_flow_m3h: ArrayLike,
    reference_salt_factor: ArrayLike,
    reference_feed_mg_l: ArrayLike,
    reference_feed_brine_mg_l: ArrayLike,
) -> Array:
    """SPs = SP · (Qp/Qp_s) · (STCF_s/STCF) · (Cfb_s/Cfb) · (Cf/Cf_s). [-, as `salt_passage`]

    reference_permeate_flow_m3h decides the convention, and it must be stored which one is used:
        fixed : the permeate flow of the baseline. The result follows the salt permeability only;
            this tool diagnoses with it.
        standardized : today's `standardized_permeate_flow`. The result also rises when flow falls,
            so that every fouling looks like a salt leak.
    Source: ASTM D4516 (equation from memory, re-derived from solution-diffusion).
    """
    with np.errstate(all="ignore"):
        flow = above_zero(permeate_flow_m3h) / above_zero(reference_permeate_flow_m3h)
        factor = above_zero(reference_salt_factor) / above_zero(salt_factor)
        average = above_zero(reference_feed_brine_mg_l) / above_zero(feed_brine_mg_l)
        feed = above_zero(feed_mg_l) / above_zero(reference_feed_mg_l)
        return np.asarray(above_zero(salt_passage) * flow * factor * average * feed)


def standardized_pressure_drop(
    pressure_drop_bar: ArrayLike,
    average_flow_m3h: ArrayLike,
    viscosity_mpa_s: ArrayLike,
    *,
    reference_average_flow_m3h: ArrayLike,
    reference_viscosity_mpa_s: ArrayLike,
    exponent: float,
) -> Array:
    """ΔPs = ΔP · (Q_s/Q)^n · (μ_s/μ)^(2−n), tied exponents. [bar]

    Source: as `pressure_drop_coefficient`. Checked against tests/reference/dp_normalisation.csv.
    """
    _exponent(exponent)
    with np.errstate(all="ignore"):
        flow = above_zero(reference_average_flow_m3h) / above_zero(average_flow_m3h)
        viscosity = above_zero(reference_viscosity_mpa_s) / above_zero(viscosity_mpa_s)
        return np.asarray(
            above_zero(pressure_drop_bar) * flow**exponent * viscosity ** (2.0 - exponent)
        )


def mean_power_flow(feed_m3h: ArrayLike, concentrate_m3h: ArrayLike, *, exponent: float) -> Array:
    """Mean of Q^n along a flow that falls linearly from feed to concentrate. [(m3/h)^n]

    (Qf^(n+1) − Qc^(n+1)) / ((n+1)(Qf − Qc)); the plain (mean Q)^n is 2 % lower at 50 % recovery and
    cancels against the baseline while the recovery stays.
    Source: integral of the friction law along the vessel.
    """
    _exponent(exponent)
    with np.errstate(all="ignore"):
        f, c = np.broadcast_arrays(above_zero(feed_m3h), above_zero(concentrate_m3h))
        # Near equal flows the quotient is 0/0; the first terms of its series are exact to 1e-13 there.
        middle, half = (f + c) / 2.0, (f - c) / 2.0
        near = np.abs(half) < 1e-3 * middle
        series = middle**exponent * (1.0 + exponent * (exponent - 1.0) / 6.0 * (half / middle) ** 2)
        exact = (f ** (exponent + 1.0) - c ** (exponent + 1.0)) / ((exponent + 1.0) * (f - c))
        return np.asarray(np.where(near, series, exact), dtype=np.float64)


def _positive(name: str, value: float) -> None:
    if not value > 0:
        raise ValueError(f"{name} must be above 0, got {value!r}")


def _exponent(value: float) -> None:
    if not 1.0 <= value <= 2.0:
        raise ValueError(f"exponent must lie within 1 (laminar) and 2 (turbulent), got {value!r}")
