"""Slope and monotone trend that one odd value cannot spoil: Theil-Sen and Mann-Kendall.

Both look at all pairs of values: work and memory grow with the square of their number, at most `LARGEST`.
`Window` keeps a bounded number of the newest values with their slopes sorted, for a cost by sample
that does not depend on how long it has been running.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules import normal, robust

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

LARGEST = 1000
"""Most values taken; half a million pairs, 4 MB a series. Condense longer series to medians first."""

EXACT = 40
"""Up to so many values without ties the probability is counted exactly, beyond by the normal distribution."""


@dataclass(frozen=True, slots=True)
class Line:
    """A Theil-Sen line value = intercept + slope · time. Fields have the leading shape of the values (...).

    slope : median of the slopes of all pairs. low, high : its confidence interval. Units of value over time.
    intercept : median of the values − slope · median of their times. Units of the values.
    count : values that were used. NaN and 0 where there is nothing to say.
    """

    slope: Array
    low: Array
    high: Array
    intercept: Array
    count: Counts


@dataclass(frozen=True, slots=True)
class Trend:
    """A Mann-Kendall test. Fields have the leading shape of the values (...).

    s : rising pairs less falling pairs. variance : of s when there is no trend.
    z : (s ∓ 1)/√variance, 0 for s = 0. p : two-sided probability of so large a |s| without a trend. [-]
    tau : Kendall's tau-b, −1 to 1. [-] count : values that were used.
    NaN under three values, or where all values are the same (s is 0 then).
    """

    s: Array
    variance: Array
    z: Array
    p: Array
    tau: Array
    count: Counts


def theil_sen(times: ArrayLike, values: ArrayLike, *, confidence: float = 0.95) -> Line:
    """Theil-Sen line with the confidence interval of Sen.

    times : (n,) finite, in any order, n <= `LARGEST`. values : (..., n); what is not finite is left out.
        Pairs at the same time have no slope and are left out.
    confidence : of the interval, above 0, below 1.
    returns : see `Line`; slope NaN under two times, interval NaN under three values. For correlated values the
        interval is too narrow: by `rules.runlength.widening`, roughly.

    Raises ValueError for other shapes, times that are not finite, too many values. Source: Sen (1968) J. Am.
    Stat. Assoc. 63: ranks (N ∓ z·√Var S)/2 of the N slopes, rounded; variance of S with ties after
    Kendall. Checked against tests/reference/theil_sen_mann_kendall.csv.
    """
    z = _two_sided(confidence)
    t, y = _checked(times, values)
    first, second = np.triu_indices(len(t), 1)
    found = _slopes(t[first], y[..., first], t[second], y[..., second])
    found.sort(axis=-1)
    return _line(t, y, found, z)


def _two_sided(confidence: float) -> float:
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must be above 0 and below 1, got {confidence!r}")
    return -normal.quantile((1.0 - confidence) / 2.0)


def _checked(times: ArrayLike, values: ArrayLike) -> tuple[Array, Array]:
    t, y = np.asarray(times, dtype=float), np.asarray(values, dtype=float)
    if t.ndim != 1 or y.ndim == 0 or y.shape[-1] != len(t):
        raise ValueError(f"values must be (..., n) for times (n,), got {y.shape} and {t.shape}")
    if not np.isfinite(t).all():
        raise ValueError("times must be finite")
    if len(t) > LARGEST:
        raise ValueError(f"at most {LARGEST} values, got {len(t)}: condense them first")
    return t, np.where(np.isfinite(y), y, np.nan)


def _slopes(t0: Array, y0: Array, t1: Array, y1: Array) -> Array:
    """Slopes of pairs; NaN where a value is, or where both are at one time."""
    apart = np.where(t1 == t0, np.nan, t1 - t0)
    return np.asarray((y1 - y0) / apart)


def _line(t: Array, y: Array, slopes: Array, z: float) -> Line:
    """The line from sorted slopes (..., N), NaN last."""
    known = ~np.isnan(y)
    pairs = slopes.shape[-1] - np.isnan(slopes).sum(axis=-1)
    slope = _ranked_middle(slopes, pairs)
    at = np.where(known, t, np.nan)
    # Without a slope there is no line, though there may be one value.
    intercept = np.asarray(robust.median(y, -1) - slope * robust.median(at, -1))
    half = z * np.sqrt(_variance(t, y)[0])
    enough = (known.sum(axis=-1) >= 3) & (pairs > 0)
    with np.errstate(invalid="ignore"):
        low = np.where(enough, np.rint((pairs - half) / 2.0) - 1.0, 0.0)
        high = np.where(enough, np.rint((pairs + half) / 2.0), 0.0)
    ends = [
        np.where(enough, _taken(slopes, np.clip(rank, 0, np.maximum(pairs - 1, 0))), np.nan)
        for rank in (low, high)
    ]
    return Line(slope, ends[0], ends[1], intercept, np.asarray(known.sum(axis=-1)))


def _taken(ordered: Array, rank: Array) -> Array:
    if ordered.shape[-1] == 0:
        return np.full(ordered.shape[:-1], np.nan)
    return np.take_along_axis(ordered, rank.astype(np.int64)[..., None], -1)[..., 0]


def _ranked_middle(ordered: Array, count: Counts) -> Array:
    """Median of the first `count` of sorted values; NaN of none."""
    low, high = (np.maximum(count - 1, 0) // 2, np.minimum(count // 2, np.maximum(count - 1, 0)))
    middle = (_taken(ordered, low) + _taken(ordered, high)) / 2.0
    return np.where(count > 0, middle, np.nan)


def mann_kendall(times: ArrayLike, values: ArrayLike, *, correlation: float = 0.0) -> Trend:
    """Whether values rise or fall with time, whatever the shape of it.

    times : (n,) finite, in any order, n <= `LARGEST`. values : (..., n); what is not finite is left out.
    correlation : lag-one correlation of neighboring values (AR(1), evenly spaced), from 0 on, below 1. It widens
        the variance: without, correlated noise passes for a trend far too often.
    returns : see `Trend`. p is exact up to `EXACT` values without ties and without correlation, else
        that of z.

    Raises ValueError for other shapes, times that are not finite, too many values. Source: Mann (1945), Kendall
    (1975), variance with ties in both; correlated values: Hamed and Rao (1998) J. Hydrology 204,
    from memory, held against simulation in tests/unit/test_sequential.py.
    Checked against tests/reference/theil_sen_mann_kendall.csv.
    """
    if not 0.0 <= correlation < 1.0:
        raise ValueError(f"correlation must be from 0 to below 1, got {correlation!r}")
    t, y = _checked(times, values)
    n = len(t)
    s: Array = np.zeros(y.shape[:-1])
    with np.errstate(invalid="ignore"):
        for i in range(n):  # by rows of pairs: less memory than all at once
            signs = np.sign(y[..., i + 1 :] - y[..., i, None]) * np.sign(t[i + 1 :] - t[i])
            s = np.asarray(s + np.nansum(signs, axis=-1))
    count = np.asarray((~np.isnan(y)).sum(axis=-1))
    variance, pairs_t, pairs_y = _variance(t, y)
    with np.errstate(invalid="ignore", divide="ignore"):
        tau = np.where(count > 1, s / np.sqrt(pairs_t * pairs_y), np.nan)
        variance = np.where((count > 2) & (variance > 0.0), variance, np.nan)
        variance = variance * _inflation(count, correlation)
        z = (s - np.sign(s)) / np.sqrt(variance)
    p = np.asarray(2.0 * normal.below(-np.abs(z)))
    if correlation == 0.0:
        whole = count * (count - 1) / 2.0
        exact = (count > 2) & (count <= EXACT) & (pairs_t == whole) & (pairs_y == whole)
        for at in np.argwhere(exact):
            where = tuple(at)
            p[where] = _exact_p(int(count[where]), round(abs(float(s[where]))))
    return Trend(s, np.asarray(variance), np.asarray(z), p, tau, count)


def _variance(t: Array, y: Array) -> tuple[Array, Array, Array]:
    """Variance of S without trend, with ties in both; pairs not tied in time, in value. (...)"""
    known = ~np.isnan(y)
    n = known.sum(axis=-1).astype(float)
    same_t = _ties(np.where(known, t, np.nan))
    same_y = _ties(y)

    def total(c: Array, power: int) -> Array:
        # Sums over groups of c, as sums over members.
        terms = {1: c - 1.0, 2: (c - 1.0) * (c - 2.0), 3: (c - 1.0) * (2.0 * c + 5.0)}
        return np.asarray(np.where(known, terms[power], 0.0).sum(axis=-1))

    twos, threes = n * (n - 1.0), n * (n - 1.0) * (n - 2.0)
    variance = (twos * (2.0 * n + 5.0) - total(same_t, 3) - total(same_y, 3)) / 18.0
    variance += total(same_t, 1) * total(same_y, 1) / np.maximum(2.0 * twos, 1.0)
    variance += total(same_t, 2) * total(same_y, 2) / np.maximum(9.0 * threes, 1.0)
    return variance, (twos - total(same_t, 1)) / 2.0, (twos - total(same_y, 1)) / 2.0


def _ties(values: Array) -> Array:
    """How many values of its series equal each one, itself included; NaN equals nothing. (..., n)"""
    if values.size == 0:
        return np.zeros(values.shape)
    ordered = np.sort(values, axis=-1)
    flat, rows = ordered.reshape(-1, values.shape[-1]), values.reshape(-1, values.shape[-1])
    found = np.zeros(rows.shape)
    for k, (row, sought) in enumerate(zip(flat, rows, strict=True)):
        found[k] = np.searchsorted(row, sought, "right") - np.searchsorted(row, sought, "left")
    return found.reshape(values.shape)


def _inflation(count: Counts, correlation: float) -> Array:
    """Variance of S of an AR(1) process over that of independent values, by Hamed and Rao. (...)"""
    if correlation == 0.0:
        return np.ones(count.shape)
    lag = np.arange(1.0, LARGEST)
    ranks = 6.0 / math.pi * np.arcsin(correlation**lag / 2.0)
    n = count[..., None].astype(float)
    left = np.maximum(n - lag, 0.0)
    terms = left * np.maximum(left - 1.0, 0.0) * np.maximum(left - 2.0, 0.0) * ranks
    whole = np.maximum(n * (n - 1.0) * (n - 2.0), 1.0)[..., 0]
    return np.asarray(1.0 + 2.0 / whole * terms.sum(axis=-1))


@lru_cache(maxsize=EXACT)
def _inversions(n: int) -> tuple[float, ...]:
    """Part of the permutations of n that have 0, 1, 2, ... inversions."""
    part = np.ones(1)
    for k in range(2, n + 1):
        part = np.convolve(part, np.full(k, 1.0 / k))
    return tuple(part.tolist())


def _exact_p(n: int, s: int) -> float:
    """Probability of |S| >= s over all orders of n different values."""
    if s == 0:
        return 1.0
    swaps = (n * (n - 1) // 2 - s) // 2
    return min(1.0, 2.0 * math.fsum(_inversions(n)[: swaps + 1]))


@dataclass(frozen=True, slots=True)
class Window:
    """The newest values of one series, with the slopes of their pairs sorted.

    size : most values kept, 3 to `LARGEST`. times, values : (m,) oldest first. slopes : (m(m−1)/2,) rising.
    A sample costs of the order of size² simple operations, however long the series has been.
    """

    size: int
    times: Array
    values: Array
    slopes: Array

    @classmethod
    def empty(cls, size: int) -> Self:
        """A window before its first value."""
        if not 3 <= size <= LARGEST:
            raise ValueError(f"size must be 3 to {LARGEST}, got {size!r}")
        nothing = np.empty(0)
        return cls(size, nothing, nothing, nothing)

    def add(self, time: float, value: float) -> Self:
        """The window with one more value; unchanged by one that is not finite.

        time : later than all before, else ValueError.
        """
        if not math.isfinite(time) or (len(self.times) and time <= self.times[-1]):
            raise ValueError(f"times must be finite and rise, got {time!r}")
        if not math.isfinite(value):
            return self
        t, y, slopes = self.times, self.values, self.slopes
        if len(t) == self.size:
            gone = np.sort(_slopes(t[0], y[0], t[1:], y[1:]))
            # Equal slopes stand side by side: each takes the next one of its kind.
            again = np.arange(len(gone)) - np.searchsorted(gone, gone)
            slopes = np.delete(slopes, np.searchsorted(slopes, gone) + again)
            t, y = t[1:], y[1:]
        new = np.sort(_slopes(t, y, np.array(time), np.array(value)))
        slopes = np.insert(slopes, np.searchsorted(slopes, new), new)
        return type(self)(self.size, np.append(t, time), np.append(y, value), slopes)

    def line(self, *, confidence: float = 0.95) -> Line:
        """The Theil-Sen line of the values kept: that of `theil_sen`."""
        return _line(self.times, self.values, self.slopes, _two_sided(confidence))

    def trend(self, *, correlation: float = 0.0) -> Trend:
        """The Mann-Kendall test of the values kept: that of `mann_kendall`."""
        return mann_kendall(self.times, self.values, correlation=correlation)
