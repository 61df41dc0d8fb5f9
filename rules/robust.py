"""Statistics that one odd value cannot spoil: median, scaled median absolute deviation."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MAD_TO_SIGMA = 1.4826
"""Scale of the median absolute deviation to the standard deviation of a normal distribution."""

MEDIAN_EFFICIENCY = 1.2533
"""Standard error of a median over that of a mean, normal data: sqrt(pi/2)."""


def median(values: Array, axis: int = 0) -> Array:
    """Median along `axis`, ignoring NaN; NaN where nothing is left.

    values : any shape. returns : the shape without `axis`.
    """
    values = np.moveaxis(np.asarray(values, dtype=float), axis, 0)
    if values.shape[0] == 0:
        return np.full(values.shape[1:], np.nan)
    ordered = np.sort(values, axis=0)  # NaN sorts last
    n = len(ordered)
    if not np.isnan(ordered[-1]).any():
        return np.asarray((ordered[(n - 1) // 2] + ordered[n // 2]) / 2.0)
    count = n - np.isnan(ordered).sum(axis=0)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, n - 1)
    middle = (
        np.take_along_axis(ordered, low[None], 0) + np.take_along_axis(ordered, high[None], 0)
    )[0] / 2.0
    return np.where(count > 0, middle, np.nan)


def sigma(values: Array, axis: int = 0) -> Array:
    """Robust standard deviation, 1.4826 * MAD, along `axis`, ignoring NaN; NaN under two values.

    Source: common robust statistics; checked against tests/reference/robust_location_scale.csv.
    """
    values = np.asarray(values, dtype=float)
    centre = np.expand_dims(median(values, axis), axis)
    spread = MAD_TO_SIGMA * median(np.abs(values - centre), axis)
    enough = np.sum(~np.isnan(values), axis=axis) >= 2
    return np.where(enough, spread, np.nan)


def standard_error(values: Array, axis: int = 0) -> Array:
    """Standard error of the median of independent values along `axis`; NaN under three values."""
    count = np.sum(~np.isnan(np.asarray(values, dtype=float)), axis=axis)
    with np.errstate(divide="ignore", invalid="ignore"):
        error = MEDIAN_EFFICIENCY * sigma(values, axis) / np.sqrt(count)
    return np.where(count >= 3, error, np.nan)
