"""Units at the edge of the plant against the definitions of the SI."""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from daemon.plantfile.units import kind_of, unit
from rules.train import Stage
from tests.reference.checks import check, relative
from tests.reference.tables import rows

TABLE = "unit_conversions.csv"

BETWEEN = {
    # Name of the row -> the two units of the plant file that it joins.
    "psi_to_bar": ("psi", "bar"),
    "psi_to_kPa": ("psi", "kPa"),
    "degF50_to_degC": ("°F", "°C"),
    "degF104_to_degC": ("degF", "degC"),
}
DERIVED: dict[str, Callable[[float], float]] = {
    # A US gallon a day in m3/d by way of the gallon a minute, and from there the flux per square foot.
    "US_gpd_to_m3d": lambda x: _gallons_a_day(x),
    "gfd_to_LMH": lambda x: _gallons_a_day(x) * 1000.0 / 24.0 / 0.3048**2,
    # The usual element, 40 inches long.
    "inch_to_mm": lambda x: x / 40.0 * Stage(1, 1, 1.0).element_length_mm,
}
REFUSED = {
    "kgf_cm2_to_bar": "kgf/cm2",
    "mH2O_to_bar": "mH2O",
    "mS_m_to_uS_cm": "mS/m",
    "dbar_to_kPa": "dbar",
    "atm_to_bar": "atm",
}
"""Rows not compared, with their unit: the plant file does not take it, and says which it takes."""


def _gallons_a_day(x: float) -> float:
    return unit("m3/d").from_si(unit("gpm").to_si(x / 1440.0))


@check(
    "Units of the plant file",
    source="SI definitions (NIST SP 811)",
    status="computed",
    tolerance=1e-7,
    table=TABLE,
)
def plant_file_units() -> ArrayLike:
    """Every row that joins two units of the plant file, or an element's length."""
    got, expected = [], []
    for row in rows(TABLE):
        name, x = row["conversion"], float(row["input"])
        if name in REFUSED:
            continue
        if name in BETWEEN:
            source, target = BETWEEN[name]
            got.append(unit(target).from_si(unit(source).to_si(x)))
        else:
            got.append(DERIVED[name](x))
        expected.append(float(row["output"]))
    return relative(np.array(got), expected)


@check(
    "Units that the plant file does not take",
    source="SI definitions (NIST SP 811)",
    status="computed",
    tolerance=0,
    measure="mismatches",
    table=TABLE,
)
def refused_units() -> ArrayLike:
    """Units of the rows left out above that are taken after all, and rows that are gone."""
    taken = [name for name in REFUSED.values() if kind_of(name) is not None]
    return np.array(len(taken) + len(set(REFUSED) - {row["conversion"] for row in rows(TABLE)}))
