"""How long a chart runs until it signals: average run lengths, limits for a wanted rate of false alarms.

Run lengths are means over independent normal samples of known mean and standard deviation. Digests of a plant
are neither independent nor of exactly known mean: `widening` says how correlation counts, and a baseline
of n samples is itself off by σ/√n, which to a chart is a shift.
"""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rules import normal

Array = NDArray[np.float64]

NODES = 80
"""Fewest points of Gauss-Legendre quadrature; more where the kernel is narrow in the interval."""

PER_SIGMA = 8.0
"""Points of quadrature for each standard deviation of the kernel, at least."""

LARGEST = 1e12
"""Average run lengths beyond this cannot be told from never in double precision. [samples]"""


def cusum_arl(
    shift: float, *, reference: float, limit: float, head_start: float = 0.0, two_sided: bool = True
) -> float:
    """Average number of samples until a CUSUM (`rules.sequential.Cusum`) signals.

    shift : of the mean from the target, since the start of the chart. Standard deviations of a sample.
    reference, limit, head_start : k, h and head start, in the same. At most k + h/2 for the head start of two
        sums, else both can be up together and the equations say nothing; at most h for one.
    two_sided : False for the upper sum alone.
    returns : samples; inf beyond 1e12. Raises ValueError for lengths that are negative or not finite.

    Source: Page (1954) integral equation; two sums by 1/ARL = 1/up + 1/down; with head start, Lucas
    and Crosier (1982), from memory, exact as long as one sum is at 0 when the other signals.
    Checked against tests/reference/cusum_arl.csv.
    """
    _nonnegative(reference=reference, limit=limit, head_start=head_start)
    if not math.isfinite(shift):
        raise ValueError(f"shift must be a number, got {shift!r}")
    highest = min(limit, reference + limit / 2.0) if two_sided else limit
    if head_start > highest:
        raise ValueError(f"head_start must be at most {highest!r}, got {head_start!r}")
    up, up_0 = _one_sided(shift - reference, limit, head_start)
    if not two_sided:
        return _told(up)
    down, down_0 = _one_sided(-shift - reference, limit, head_start)
    # Divided by the product, so that an endless side does no harm.
    return _told((up / up_0 + down / down_0 - 1.0) / (1.0 / up_0 + 1.0 / down_0))


def _one_sided(drift: float, limit: float, start: float) -> tuple[float, float]:
    """Average run length of max(0, S + x), x normal about `drift`, from `start` and from 0."""
    count = max(NODES, math.ceil(PER_SIGMA * limit))
    at, weight = np.polynomial.legendre.leggauss(count)
    at, weight = (at + 1.0) * limit / 2.0, weight * limit / 2.0
    # Unknown: the run length from 0 first, then from each node.
    places = np.concatenate([[0.0], at])
    kernel = np.empty((count + 1, count + 1))
    kernel[:, 0] = normal.below(-places - drift)
    kernel[:, 1:] = weight * normal.density(at[None, :] - places[:, None] - drift)
    length = _solve(kernel)
    begin = float(normal.below(-start - drift)) * length[0]
    begin += float(weight * normal.density(at - start - drift) @ length[1:])
    return 1.0 + begin, float(length[0])


def ewma_arl(shift: float, *, weight: float, factor: float) -> float:
    """Average number of samples until an EWMA with constant limits signals, from the target on.

    shift : of the mean, since the start. Standard deviations of a sample. weight, factor : λ and L.
    returns : samples; inf beyond 1e12. With the exact limits of the first samples, which are narrower
    (`rules.sequential.Ewma`), the run is a little shorter.

    Source: integral equation of Crowder (1987) Technometrics 29; checked against tests/reference/ewma_arl.csv.
    """
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"weight must be above 0 and at most 1, got {weight!r}")
    if not math.isfinite(shift):
        raise ValueError(f"shift must be a number, got {shift!r}")
    _nonnegative(factor=factor)
    edge = factor * math.sqrt(weight / (2.0 - weight))
    count = max(NODES, math.ceil(PER_SIGMA * 2.0 * edge / weight))
    nodes, share = np.polynomial.legendre.leggauss(count)
    at = np.concatenate([[0.0], nodes * edge])
    kernel = np.zeros((count + 1, count + 1))
    moved = (at[None, 1:] - (1.0 - weight) * at[:, None]) / weight - shift
    kernel[:, 1:] = share * (edge / weight) * normal.density(moved)
    return _told(float(_solve(kernel)[0]))


def _solve(kernel: Array) -> Array:
    """Run lengths L = 1 + kernel · L."""
    return np.asarray(np.linalg.solve(np.eye(len(kernel)) - kernel, np.ones(len(kernel))))


def _told(length: float) -> float:
    # Where a signal all but never comes the equations are singular to rounding, and any number may come out.
    return length if 0.0 < length < LARGEST else math.inf


def cusum_limit(arl: float, *, reference: float, head_start: float = 0.0) -> float:
    """Decision limit of a two-sided CUSUM for a wanted average run between false alarms.

    arl : samples, 2 to 1e8; a year of 15-minute digests is 35 064. reference : k. [standard deviations]
    head_start : as a part of the limit, 0 to 0.5.
    returns : h, to 1e-9. [standard deviations] Inverse of `cusum_arl` at no shift.
    """
    _nonnegative(reference=reference, head_start=head_start)
    if head_start > 0.5:
        raise ValueError(f"head_start must be 0 to 0.5 of the limit, got {head_start!r}")
    return _inverse(
        arl, lambda h: cusum_arl(0.0, reference=reference, limit=h, head_start=head_start * h)
    )


def ewma_factor(arl: float, *, weight: float) -> float:
    """Factor L of an EWMA for a wanted average run between false alarms.

    arl : samples, 2 to 1e8. weight : λ. returns : L, to 1e-9. [-] Inverse of `ewma_arl` at no shift.
    """
    return _inverse(arl, lambda factor: ewma_arl(0.0, weight=weight, factor=factor))


def _inverse(arl: float, length: Callable[[float], float]) -> float:
    """Where a rising run length is `arl`; by halving."""
    if not 2.0 <= arl <= 1e8:
        raise ValueError(f"arl must be 2 to 1e8 samples, got {arl!r}")
    low, high = 0.0, 1.0
    if length(low) > arl:
        raise ValueError(f"even without a limit the average run is longer than {arl!r} samples")
    while length(high) < arl:
        low, high = high, 2.0 * high
    while high - low > 1e-9:
        middle = (low + high) / 2.0
        low, high = (middle, high) if length(middle) < arl else (low, middle)
    return (low + high) / 2.0


def widening(correlation: float) -> float:
    """How many times wider in standard deviations correlated samples scatter, seen over a long stretch.

    correlation : lag-one correlation ρ of an AR(1) process, from 0 on, below 1. For negative ρ take the
        limits of independent samples: they are on the safe side.
    returns : f = √((1+ρ)/(1−ρ)). [-] 1 for independent samples, 2.4 at 0.7.

    A chart on such samples runs about as long as one on independent samples whose shift, reference and limit
    are f times smaller. So for a wanted run length: choose k, h = f · `cusum_limit(arl, reference=k / f)`;
    a lasting shift δ is then seen as δ/f. On the safe side: false alarms come 1.3 to 3 times more rarely than
    wanted for ρ of 0.3 to 0.85, and a shift of one standard deviation is seen 5 to 30 per cent later than
    computed. Filtering the samples to innovations (x_t − ρ x_{t−1})/√(1−ρ²) first gives exact run lengths, with
    the same lasting shift δ/f: correlation costs what it costs.

    Source: derived here, from the long-run variance σ²(1+ρ)/(1−ρ) of an AR(1) process (a chart with a wide
    limit is Brownian motion between barriers). Held against simulation in tests/unit/test_sequential.py.
    """
    if not 0.0 <= correlation < 1.0:
        raise ValueError(f"correlation must be from 0 to below 1, got {correlation!r}")
    return math.sqrt((1.0 + correlation) / (1.0 - correlation))


def _nonnegative(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value >= 0.0):
            raise ValueError(f"{name} must be a number from 0 on, got {value!r}")
