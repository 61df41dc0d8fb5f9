"""Critical values of tests: chi-square of whole degrees of freedom, Sidak's of many tests together."""

import math
from functools import cache

from rules import normal


def chi2_tail(statistic: float, dof: int) -> float:
    """Probability that chi-square with `dof` degrees of freedom exceeds `statistic`; NaN in NaN out.

    Exact for whole degrees of freedom: Q(k+2) = Q(k) + (x/2)^(k/2) exp(-x/2) / Γ(k/2+1).
    Source: Abramowitz and Stegun 26.4.4 and 26.4.5, from memory. Checked against scipy.
    """
    if dof < 1:
        raise ValueError(f"dof must be at least 1, got {dof!r}")
    if not statistic > 0.0:
        return math.nan if math.isnan(statistic) else 1.0
    half = statistic / 2.0
    total, k = (math.erfc(math.sqrt(half)), 1) if dof % 2 else (math.exp(-half), 2)
    while k < dof:
        total += math.exp(0.5 * k * math.log(half) - half - math.lgamma(0.5 * k + 1.0))
        k += 2
    return total


@cache
def chi2_quantile(probability: float, dof: int) -> float:
    """What chi-square with `dof` degrees of freedom stays below with `probability`, in (0, 1).

    Bisection on `chi2_tail`, to rounding. Checked against scipy.
    """
    _check_level(probability, "probability")
    low, high = 0.0, 1.0
    while chi2_tail(high, dof) > 1.0 - probability:
        low, high = high, 2.0 * high
    for _ in range(200):
        middle = (low + high) / 2.0
        if middle in (low, high):
            break
        above = chi2_tail(middle, dof) > 1.0 - probability
        low, high = (middle, high) if above else (low, middle)
    return (low + high) / 2.0


def sidak_quantile(level: float, tests: int) -> float:
    """Critical |z| of each of `tests` two-sided tests that together err with probability `level`.

    Source: Sidak level 1-(1-level)^(1/tests); Mah and Tamhane 1982, from memory. Checked against scipy.
    """
    _check_level(level, "level")
    if tests < 1:
        raise ValueError(f"tests must be at least 1, got {tests!r}")
    each = -math.expm1(math.log1p(-level) / tests)
    return -normal.quantile(each / 2.0)


def _check_level(level: float, name: str) -> None:
    if not 0.0 < level < 1.0:
        raise ValueError(f"{name} must be between 0 and 1, got {level!r}")
