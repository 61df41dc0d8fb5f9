"""Robust location and scale against general tables."""

import numpy as np
from numpy.typing import ArrayLike

from rules import robust
from tests.reference.checks import absolute, check
from tests.reference.tables import rows

TABLE = "robust_location_scale.csv"


def _data(row: dict[str, str], column: str = "data") -> np.ndarray:
    return np.array([float(x) for x in row[column].split(";")])


@check(
    "Median and 1.4826 MAD",
    source="NIST/SEMATECH e-Handbook 1.3.5.17",
    status="computed",
    tolerance=1e-4,
    measure="absolute",
    table=TABLE,
)
def location_and_scale() -> ArrayLike:
    """Median and scaled median absolute deviation of each set."""
    found = []
    for row in rows(TABLE):
        got = [robust.median(_data(row)), robust.sigma(_data(row))]
        found.append(absolute(got, [float(row["median"]), float(row["sigma_MAD"])]))
    return np.concatenate(found)


@check(
    "Modified z-scores",
    source="Iglewicz and Hoaglin, in NIST/SEMATECH e-Handbook 1.3.5.17",
    status="computed",
    tolerance=1e-4,
    measure="absolute",
    table=TABLE,
)
def modified_z_scores() -> ArrayLike:
    """Distance from the median over the scale, by 0.6745 · 1.4826."""
    found = []
    for row in rows(TABLE):
        data = _data(row)
        z = (data - robust.median(data)) / robust.sigma(data) * (0.6745 * robust.MAD_TO_SIGMA)
        found.append(absolute(z, _data(row, "modified_z")))
    return np.concatenate(found)
