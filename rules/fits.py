"""Small tools of every law: validity ranges that give NaN outside, and a polynomial."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def within(x: ArrayLike, low: float, high: float) -> Array:
    """`x` as an array of floats with NaN wherever it lies outside [low, high]; the input is kept."""
    a = np.asarray(x, dtype=np.float64)
    return np.where((a >= low) & (a <= high), a, np.nan)


def above_zero(x: ArrayLike) -> Array:
    """`x` as an array of floats with NaN wherever it is not above zero; the input is kept."""
    a = np.asarray(x, dtype=np.float64)
    return np.where(a > 0.0, a, np.nan)


def polynomial(x: Array, coefficients: tuple[float, ...]) -> Array:
    """Horner's rule, constant term first; same shape as `x`."""
    if len(coefficients) == 1:
        return np.full(np.shape(x), coefficients[0])
    total = x * coefficients[-1]
    for c in coefficients[-2:0:-1]:
        total += c
        total *= x
    return np.asarray(total + coefficients[0])
