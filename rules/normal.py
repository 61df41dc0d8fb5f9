"""The normal distribution: density, distribution function and quantile."""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def density(z: ArrayLike) -> Array:
    """Density of the standard normal distribution at `z`, any shape; NaN in, NaN out."""
    z = np.asarray(z, dtype=float)
    return np.asarray(np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi))


def below(z: ArrayLike) -> Array:
    """Probability below `z`, any shape, accurate in the lower tail; NaN in, NaN out."""
    z = np.asarray(z, dtype=float)
    found = [0.5 * math.erfc(-x / math.sqrt(2.0)) for x in z.ravel().tolist()]
    return np.array(found, dtype=float).reshape(z.shape)


def quantile(probability: float) -> float:
    """The z below which `probability` (above 0, below 1) lies.

    Newton's method on `below`, on the logarithm of the nearer tail; to rounding.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability must lie between 0 and 1, got {probability!r}")
    lower = min(probability, 1.0 - probability)
    z = -math.sqrt(-2.0 * math.log(2.0 * lower))  # below the answer: the tail is under exp(-z²/2)/2
    for _ in range(100):
        tail = 0.5 * math.erfc(-z / math.sqrt(2.0))
        # The logarithm of the tail is concave: steps from below never go past the answer.
        step = math.log(lower / tail) * tail * math.sqrt(2.0 * math.pi) * math.exp(0.5 * z * z)
        z += step
        if abs(step) < 1e-14 * max(1.0, abs(z)):
            break
    return z if probability <= 0.5 else -z
