"""Small tools of every law: validity ranges that give NaN outside, a polynomial, long arrays in blocks."""

import functools
from collections.abc import Callable
from typing import Final, ParamSpec

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
KELVIN: Final = 273.15
"""0 °C in kelvin."""
BLOCK: Final = 16384
"""Elements worked on at a time: the intermediate arrays of a law then stay in the processor's cache."""
ROUNDING: Final = 1e-9
"""Relative distance beyond an edge of validity that is rounding, not a value outside."""

P = ParamSpec("P")


def within(x: ArrayLike, low: float, high: float) -> Array:
    """`x` as an array of floats with NaN wherever it lies outside [low, high]; the input is kept."""
    a = np.asarray(x, dtype=np.float64)
    return np.where((a >= low) & (a <= high), a, np.nan)


def settled(x: ArrayLike, low: float, high: float) -> Array:
    """As `within` for a result: beyond an edge by no more than `ROUNDING` it is the edge itself.

    low, high : above zero. So the inverse of a law gives the edge of its range back, not NaN.
    """
    a = np.asarray(x, dtype=np.float64)
    inside = (a >= low * (1.0 - ROUNDING)) & (a <= high * (1.0 + ROUNDING))
    return np.where(inside, np.clip(a, low, high), np.nan)


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


def in_blocks(arrays: int) -> Callable[[Callable[P, Array]], Callable[P, Array]]:
    """Decorator: a law worked out block by block where its arguments are long, with the same results.

    arrays : how many of the first arguments are arrays, elementwise and broadcast together. Blocks
        are taken where these are given by position, of one shape (or single numbers) and longer
        than two blocks; a year of minutes is then two to four times as fast.
    """

    def decorate(law: Callable[P, Array]) -> Callable[P, Array]:
        @functools.wraps(law)
        def wrapped(*args: P.args, **kwargs: P.kwargs) -> Array:
            given = [np.asarray(a, dtype=np.float64) for a in args[:arrays]]
            long = [a for a in given if a.ndim]
            if (
                len(given) < arrays
                or not long
                or long[0].size <= 2 * BLOCK
                or any(a.shape != long[0].shape for a in long)
                or (long[0].ndim > 1 and not all(a.flags.c_contiguous for a in long))
            ):
                return law(*args, **kwargs)
            flat = [a.reshape(-1) if a.ndim else a for a in given]
            out = np.empty(long[0].size)
            for start in range(0, out.size, BLOCK):
                part = slice(start, start + BLOCK)
                pieces = (a[part] if a.ndim else a for a in flat)
                out[part] = law(*pieces, *args[arrays:], **kwargs)  # type: ignore[arg-type]
            return out.reshape(long[0].shape)

        return wrapped

    return decorate
