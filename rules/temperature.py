"""Temperature factors of water and salt transport: every factor is flow at T over flow at the reference.

A factor is above 1 when the feed is warmer than the reference. Divide a measured flow by it to
bring the flow to the reference temperature; published tables come both ways round.
"""

import numpy as np
from numpy.typing import ArrayLike

from rules.fits import Array, within

VALID_C = (0.0, 50.0)
"""Feed temperatures for which the laws are published and membranes are used. [°C]"""
KELVIN = 273.15
REFERENCE_C = 25.0


def arrhenius_factor(
    temperature_c: ArrayLike, *, activation_k: float, reference_c: float = REFERENCE_C
) -> Array:
    """Permeability at `temperature_c` over that at `reference_c`, Arrhenius law.

    temperature_c : any shape. Feed temperature. [°C]
    activation_k : E/R from the data sheet or fitted; 2500 to 3500 for water, to 4000 for salt. [K]
    returns : same shape. [-] NaN outside `VALID_C`.

    Source: exp(E/R · (1/T_ref − 1/T)), T in kelvin. Checked against tests/reference/tcf_laws.csv.
    """
    if not activation_k > 0:
        raise ValueError(f"activation_k must be above 0 K, got {activation_k!r}")
    t_k = within(temperature_c, *VALID_C) + KELVIN
    return np.asarray(np.exp(activation_k * (1.0 / (reference_c + KELVIN) - 1.0 / t_k)))


def two_slope_factor(
    temperature_c: ArrayLike,
    *,
    warm_activation_k: float = 2640.0,
    cold_activation_k: float = 3020.0,
) -> Array:
    """Arrhenius factor to 25 °C with one constant from 25 °C upward and another below.

    temperature_c : any shape. [°C]
    returns : same shape. [-] NaN outside `VALID_C`.

    Source: common practice, no citable source; the constants are those met in secondary pages.
    """
    if not (warm_activation_k > 0 and cold_activation_k > 0):
        raise ValueError("both activation constants must be above 0 K")
    t = within(temperature_c, *VALID_C)
    slope = np.where(t >= REFERENCE_C, warm_activation_k, cold_activation_k)
    return np.asarray(np.exp(slope * (1.0 / (REFERENCE_C + KELVIN) - 1.0 / (t + KELVIN))))


def geometric_factor(
    temperature_c: ArrayLike, *, base: float = 1.03, reference_c: float = REFERENCE_C
) -> Array:
    """base^(T − T_ref): the default when a supplier gives no factor.

    temperature_c : any shape. [°C]
    base : 1.03 is the default of ASTM D4516 (from memory); 1.028 reproduces the 79-row table of
        TM 10-4610-309-14. [1/K]
    returns : same shape. [-] NaN outside `VALID_C`.
    """
    if not base > 0:
        raise ValueError(f"base must be above 0, got {base!r}")
    return np.asarray(base ** (within(temperature_c, *VALID_C) - reference_c))
