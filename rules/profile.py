"""Exact means along a section, beside the means of ASTM D4516.

D4516 takes the mean of the two end pressures and the log-mean concentration, which is the mean over
the permeate that is made. Flux falls along a vessel, so the mean over the *membrane* is saltier; how
much depends on recovery and temperature, and salt piles up at the membrane. Over a year of weather
and set-points these are worth several per cent of flow and passage, as much as early fouling.

Here the concentration profile is solved in closed form for a membrane of high rejection under the
mean pressure, with the piled-up salt taken from film theory with one polarization for the section.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.fits import Array, above_zero
from rules.temperature import KELVIN
from rules.train import Stage
from rules.water import density_kg_m3, viscosity_mpa_s

# Feed channels of eight-inch elements: height 0.71 to 0.86 mm, void fraction 0.89 (from memory).
CHANNEL_M: Final = 0.76e-3
VOID: Final = 0.89
DIFFUSIVITY_25_M2_S: Final = 1.61e-9


@dataclass(frozen=True, slots=True)
class ExactMeans:
    """Means over the membrane of a section; arrays of one shape.

    ndp_bar : mean net driving pressure, so that Qp = A · area · ndp_bar.
    concentration_ratio : mean feed-side concentration over the feed's, in the bulk.
    flow_m3h : mean feed-side flow.
    """

    ndp_bar: Array
    concentration_ratio: Array
    flow_m3h: Array


def exact_means(
    feed_flow_m3h: ArrayLike,
    permeate_flow_m3h: ArrayLike,
    pressure_bar: ArrayLike,
    feed_osmotic_bar: ArrayLike,
) -> ExactMeans:
    """Means over the membrane for perfect rejection, even pressure, osmotic pressure ~ concentration.

    pressure_bar : mean pressure across the membrane, permeate osmotic pressure added.
    feed_osmotic_bar : osmotic pressure at the membrane at the feed end, polarization included.
    All broadcast. NaN where the brine's osmotic pressure would exceed the pressure.

    With s = feed_osmotic/pressure and y the recovery, A · area · P / Qf = y + s ln((1−s)/(1−y−s)).
    Source: derived here; the same closed form as Banchik, Sharqawy, Lienhard, J. Membrane Sci. 458
    (2014) 189. Checked against tests/reference/element_model_closed_form.csv.
    """
    with np.errstate(all="ignore"):
        feed = above_zero(feed_flow_m3h)
        pressure = above_zero(pressure_bar)
        y = above_zero(permeate_flow_m3h) / feed
        s = np.asarray(feed_osmotic_bar, dtype=np.float64) / pressure
        left = above_zero(1.0 - y - s)
        log = np.log((1.0 - s) / left)
        area = y + s * log
        return ExactMeans(
            ndp_bar=np.asarray(pressure * y / area),
            concentration_ratio=np.asarray(log / area),
            flow_m3h=np.asarray(feed * (y * (1.0 - y / 2.0) + s * y + s * s * log) / area),
        )


def osmotic_slopes(recovery: float, drive: float) -> tuple[float, float]:
    """What an error of the osmotic pressure does to a section normalized by its exact means.

    recovery : of the section, in (0, 1). drive : mean net driving pressure over the mean pressure across the membrane
        (permeate osmotic pressure added), in (0, 1).
    returns : change of ln(Qp/NDP) and of ln(Qp/mean concentration) for a relative change of the osmotic pressure.
        Small where pressure is plenty, without bound where the tail comes to rest. NaN outside the ranges.

    Source: derivatives of the closed form of `exact_means`, derived here; against finite differences of it in
    tests/unit/test_profile.py.
    """
    y = recovery
    if not (0.0 < y < 1.0 and 0.0 < drive < 1.0):
        return math.nan, math.nan
    area = y / drive

    def log(s: float) -> float:
        return math.log((1.0 - s) / (1.0 - y - s))

    # area grows with s from y at 0 without bound: by halving, to the last digit.
    low, high = 0.0, 1.0 - y
    for _ in range(60):
        s = 0.5 * (low + high)
        if s >= 1.0 - y or y + s * log(s) > area:
            high = s
        else:
            low = s
    s = low
    if s <= 0.0:
        return 0.0, 0.0
    steep = y / ((1.0 - s) * (1.0 - y - s))
    flow = s * (log(s) + s * steep) / area
    return flow, flow - s * steep / log(s)


def mass_transfer_lmh(
    flow_per_vessel_m3h: ArrayLike,
    temperature_c: ArrayLike,
    stage: Stage,
    *,
    channel_m: float = CHANNEL_M,
) -> Array:
    """Mass-transfer coefficient of salt in the feed channel, Sh = 0.065 Re^0.875 Sc^0.25. [L/m2/h]

    channel_m : height of the feed channel. [m]

    Source: Schock and Miquel, Desalination 64 (1987) 339 (from memory); diffusivity of NaCl scaled
    with temperature over viscosity.
    """
    with np.errstate(all="ignore"):
        flow = above_zero(flow_per_vessel_m3h)
        mu = viscosity_mpa_s(temperature_c) / 1000.0
        nu = mu / density_kg_m3(temperature_c)
        t_k = np.asarray(temperature_c, dtype=np.float64) + KELVIN
        d = DIFFUSIVITY_25_M2_S * t_k / 298.15 * (viscosity_mpa_s(25.0) / 1000.0) / mu
        width = stage.element_area_m2 / (2.0 * stage.element_length_mm / 1000.0)
        diameter = 4.0 * VOID / (2.0 / channel_m + (1.0 - VOID) * 8.0 / channel_m)
        speed = flow / 3600.0 / (width * channel_m * VOID)
        sherwood = 0.065 * (speed * diameter / nu) ** 0.875 * (nu / d) ** 0.25
        return np.asarray(sherwood * d / diameter * 3.6e6)


def polarization(flux_lmh: ArrayLike, transfer_lmh: ArrayLike) -> Array:
    """Concentration at the membrane over that of the bulk, exp(J/k), film theory. [-]"""
    with np.errstate(all="ignore"):
        return np.asarray(np.exp(np.asarray(flux_lmh) / above_zero(transfer_lmh)))
