"""Two small tools of every law: a validity range that gives NaN outside, and a polynomial."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def within(x: ArrayLike, low: float, high: float) -> Array:
    """`x` as an array of floats with NaN wherever it lies outside [low, high]; the input is kept."""
    a = np.asarray(x, dtype=np.float64)
    return np.where((a >= low) & (a <= high), a, np.nan)


def polynomial(x: Array, coefficients: tuple[float, ...]) -> Array:
    """Horner's rule, constant term first; same shape as `x`."""
    total = np.full(np.shape(x), coefficients[-1])
    for c in coefficients[-2::-1]:
        total = total * x + c
    return total
