"""Temperature factors of water and salt transport: every factor is flow at T over flow at the reference.

A factor is above 1 when the feed is warmer than the reference. *Divide* a measured flow of water
or of salt by it to bring the flow to the reference temperature; published tables come both ways
round. Water and salt take a factor each, with constants of their own: salt moves with heat at least
as strongly as water, so one factor for both makes the passage of salt follow the season.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.fits import KELVIN as KELVIN
from rules.fits import Array, in_blocks, within
from rules.water import GAS_CONSTANT, viscosity_mpa_s

VALID_C = (0.0, 50.0)
"""Feed temperatures for which the laws are published and membranes are used. [°C]"""
REFERENCE_C: Final = 25.0
D4516_BASE: Final = 1.03
"""Base of the geometric law that ASTM D4516 takes when a supplier gives none (from memory). [1/K]"""
MILITARY_BASE: Final = 1.028
"""Base that gives all 79 rows of table 3 of TM 10-4610-309-14. [1/K]"""


def activation_from_kj_mol(kj_mol: float) -> float:
    """E/R of an activation energy, the constant of `arrhenius_factor`. [K]

    kj_mol : 15 to 25 for water, about 25 for salt (one secondary sheet; from memory). [kJ/mol]
    """
    if not kj_mol > 0:
        raise ValueError(f"the activation energy must be above 0 kJ/mol, got {kj_mol!r}")
    return kj_mol * 1000.0 / GAS_CONSTANT


@in_blocks(1)
def arrhenius_factor(
    temperature_c: ArrayLike, *, activation_k: float, reference_c: float = REFERENCE_C
) -> Array:
    """Permeability at `temperature_c` over that at `reference_c`, Arrhenius law.

    Above 1 when warmer than the reference: divide a measured flow by it.

    temperature_c : any shape. Feed temperature. [°C]
    activation_k : E/R from the data sheet or fitted; 2500 to 3500 for water, to 4000 for salt; from
        kJ/mol by `activation_from_kj_mol`. [K]
    returns : same shape. [-] NaN outside `VALID_C`.

    Source: exp(E/R · (1/T_ref − 1/T)), T in kelvin. Checked against tests/reference/tcf_laws.csv.
    """
    if not activation_k > 0:
        raise ValueError(f"activation_k must be above 0 K, got {activation_k!r}")
    t_k = within(temperature_c, *VALID_C) + KELVIN
    return np.asarray(np.exp(activation_k * (1.0 / (reference_c + KELVIN) - 1.0 / t_k)))


@in_blocks(1)
def two_slope_factor(
    temperature_c: ArrayLike,
    *,
    warm_activation_k: float = 2640.0,
    cold_activation_k: float = 3020.0,
) -> Array:
    """Permeability at T over that at 25 °C, Arrhenius law with one constant from 25 °C up, one below.

    Above 1 when warmer than 25 °C: divide a measured flow by it.

    temperature_c : any shape. [°C]
    returns : same shape. [-] NaN outside `VALID_C`.

    Source: common practice, no citable source; the constants are those met in secondary pages.
    """
    if not (warm_activation_k > 0 and cold_activation_k > 0):
        raise ValueError("both activation constants must be above 0 K")
    t = within(temperature_c, *VALID_C)
    slope = np.where(t >= REFERENCE_C, warm_activation_k, cold_activation_k)
    return np.asarray(np.exp(slope * (1.0 / (REFERENCE_C + KELVIN) - 1.0 / (t + KELVIN))))


@in_blocks(1)
def geometric_factor(
    temperature_c: ArrayLike, *, base: float = D4516_BASE, reference_c: float = REFERENCE_C
) -> Array:
    """Permeability at T over that at T_ref, base^(T − T_ref): the default when a supplier gives none.

    Above 1 when warmer than the reference: divide a measured flow by it.

    temperature_c : any shape. [°C]
    base : `D4516_BASE` or `MILITARY_BASE`. [1/K]
    returns : same shape. [-] NaN outside `VALID_C`.
    """
    if not base > 0:
        raise ValueError(f"base must be above 0, got {base!r}")
    return np.asarray(base ** (within(temperature_c, *VALID_C) - reference_c))


@in_blocks(1)
def viscosity_factor(temperature_c: ArrayLike, *, reference_c: float = REFERENCE_C) -> Array:
    """Permeability at T over that at T_ref when only water's viscosity counts, μ(T_ref)/μ(T).

    Above 1 when warmer than the reference: divide a measured flow by it. Weaker than any membrane
    has been seen to follow: about 2.0 to 2.5 %/K.

    temperature_c : any shape. [°C]
    returns : same shape. [-] NaN outside `VALID_C`.

    Source: IAPWS R12-08 by `rules.water.viscosity_mpa_s`. Checked against tcf_laws.csv.
    """
    if not VALID_C[0] <= reference_c <= VALID_C[1]:
        raise ValueError(f"reference_c must lie in {VALID_C} °C, got {reference_c!r}")
    return np.asarray(viscosity_mpa_s(reference_c) / viscosity_mpa_s(temperature_c))
