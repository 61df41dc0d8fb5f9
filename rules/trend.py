"""How a deviation came about in time: onset, step or ramp, local slope, and when a limit will be reached."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CORRELATION = 0.3
"""Share of the log-likelihood kept, because neighboring digests of a plant are not independent.
Common practice (effective sample size), no source for the number."""

ONSET_DROP = 1.92
"""Onsets whose log-likelihood is lower by no more than this are kept: half the 95 per cent point of chi-squared,
one degree of freedom. [nats]"""

LARGEST_LOG_RATIO = 12.0
"""Step-versus-ramp evidence beyond this (in nats) is not believed further."""


@dataclass(frozen=True, slots=True)
class Shape:
    """The simplest histories that end in today's deviation, fitted to one series.

    onset : start of the best of them. [d]
    step, ramp, curve : their log-likelihoods over no change at all: a sudden change, one that grows evenly,
        one that accelerates (with the square of time); averaged over the onset, every onset as probable as
        another before. [nats]
    step_onset, ramp_onset : their starts. [d]
    step_size : height of the best step. [-]
    ramp_rate : slope of the best ramp. [1/d]
    earliest, latest : interval of the onset, by profile likelihood over all three. [d]

    Maximum likelihoods could not be subtracted to odds: where a step begins is known to a gap or two, where
    a ramp begins is not, and so the maximum alone favors the step by 1 to 2 nats. The likelihoods averaged
    over the onsets favor neither.
    """

    onset: float
    step: float
    ramp: float
    curve: float
    step_onset: float
    ramp_onset: float
    step_size: float
    ramp_rate: float
    earliest: float = np.nan
    latest: float = np.nan

    @property
    def step_over_ramp(self) -> float:
        """Log odds of a step against a ramp, above 0 for a step. [nats]"""
        return self.step - self.ramp


def shape(days: Array, values: Array, sigma: Array, level_sigma: float) -> Shape | None:
    """Fit a step, a ramp and an accelerating growth with free onset to one series of deviations.

    days : (n,) increasing times. [d]
    values : (n,) deviations; NaN are left out. [-]
    sigma : (n,) standard deviation of each. [-]
    level_sigma : standard deviation of the level before the change about zero. [-]
    returns : None under six values.

    Its cost is that of the values given, one pass: on the bounded memory of `rules.series` it does not grow with the
    length of the history, and there is no need of a recursive form.

    Odds and interval hold for values whose neighbors correlate by about 0.54, to which `CORRELATION` belongs
    ((1−ρ)/(1+ρ) = 0.3): the interval then holds the onset in 90 to 100 per cent. Less correlated, both are too
    cautious; at 0.75 the interval holds it in 77 to 100 per cent and the odds want to be taken by 0.7.
    `python -m tests.bench.sequential_speed` prints the table.

    Source: least squares with a change point, the onset by maximum likelihood over every gap between
    two values; the level before the change has a normal prior about the baseline. Interval: profile
    likelihood (common practice); odds: likelihood averaged over the onset, derived here. Both held against
    simulation in tests/unit/test_trend.py.
    """
    known = np.isfinite(values) & np.isfinite(sigma) & (sigma > 0)
    t, y, s = days[known], values[known], sigma[known]
    if len(t) < 6:
        return None
    weight = 1.0 / s**2
    onsets = (t[:-1] + t[1:]) / 2.0
    fits = [_fit(t, y, weight, onsets, power, level_sigma) for power in (0, 1, 2)]
    # The scatter about the best fit, when larger than expected, is the noise to judge by.
    best = min(float(left.min()) for _, left in fits)
    inflation = max(1.0, best / max(len(t) - 3, 1))
    total = float(weight.sum()) + level_sigma**-2
    flat = float((weight * y**2).sum() - (weight * y).sum() ** 2 / total)
    scores = [CORRELATION * (flat - left) / (2.0 * inflation) for _, left in fits]
    at = [int(np.argmax(score)) for score in scores]
    first = int(np.argmax([score[k] for score, k in zip(scores, at, strict=True)]))
    # Every shape that is nearly as likely counts: a ramp taken for a step begins elsewhere.
    likely = np.max(scores, axis=0)
    near = np.flatnonzero(likely >= likely.max() - ONSET_DROP)
    share = np.diff(t) / (t[-1] - t[0])
    step, ramp, curve = (_log_mean(score, share) for score in scores)
    return Shape(
        onset=float(onsets[at[first]]),
        step=step,
        ramp=ramp,
        curve=curve,
        step_onset=float(onsets[at[0]]),
        ramp_onset=float(onsets[at[1]]),
        step_size=float(fits[0][0][at[0]]),
        ramp_rate=float(fits[1][0][at[1]]),
        earliest=float(t[near[0]]),
        latest=float(t[near[-1] + 1]),
    )


def _log_mean(logs: Array, share: Array) -> float:
    """Logarithm of the mean of exp(logs), weighted."""
    top = float(logs.max())
    return top + float(np.log(np.sum(share * np.exp(logs - top))))


def _fit(
    t: Array, y: Array, weight: Array, onsets: Array, power: int, level_sigma: float
) -> tuple[Array, Array]:
    """Fit level + size · (t − onset)^power for every onset; sizes, and weighted squares left.

    The sums over the values after each onset come from sums from the end, by the binomial theorem:
    all onsets in one pass.
    """
    now = t[-1]
    x, e = t - now, onsets - now
    raised = x[None, :] ** np.arange(2 * power + 1)[:, None]
    after = np.cumsum((weight * raised)[:, ::-1], axis=1)[:, ::-1][:, 1:]
    after_y = np.cumsum((weight * y * raised[: power + 1])[:, ::-1], axis=1)[:, ::-1][:, 1:]

    def moment(sums: Array, degree: int) -> Array:
        terms = [comb(degree, j) * (-e) ** (degree - j) * sums[j] for j in range(degree + 1)]
        return np.asarray(sum(terms[1:], start=terms[0]))

    w0 = float(weight.sum()) + level_sigma**-2
    wy = float((weight * y).sum())
    wb, wbb, wby = moment(after, power), moment(after, 2 * power), moment(after_y, power)
    determinant = np.maximum(wbb * w0 - wb**2, 1e-300)
    size = (wby * w0 - wb * wy) / determinant
    level = (wy - size * wb) / w0
    left = float((weight * y**2).sum()) - size * wby - level * wy
    return size, np.maximum(left, 0.0)


@dataclass(frozen=True, slots=True)
class Slope:
    """Local straight line: level now, slope, and their standard errors. [-], [1/d]"""

    level: float
    slope: float
    level_error: float
    slope_error: float


def local_slope(days: Array, values: Array, now: float, since: float) -> Slope | None:
    """Least-squares line through the values from `since` to `now`; None under five values.

    The errors come from the scatter about the line, widened for correlation.
    """
    use = (days >= since) & np.isfinite(values)
    t, y = days[use] - now, values[use]
    if len(t) < 5 or float(np.ptp(t)) <= 0.0:
        return None
    centre = t.mean()
    sxx = float(((t - centre) ** 2).sum())
    slope = float(((t - centre) * (y - y.mean())).sum() / sxx)
    level = float(y.mean() - slope * centre)
    residual = y - (level + slope * t)
    variance = float((residual**2).sum() / (len(t) - 2)) / CORRELATION
    return Slope(
        level=level,
        slope=slope,
        level_error=float(np.sqrt(variance * (1.0 / len(t) + centre**2 / sxx))),
        slope_error=float(np.sqrt(variance / sxx)),
    )


def days_to(limit: float, line: Slope) -> tuple[float, float, float | None] | None:
    """Days until the line meets `limit`: likely, early and late (10 and 90 per cent of the slope).

    limit : signed deviation (negative limits are met from above). [-]
    returns : None when the line is not clearly going there; 0 when it is past already; late is
        None when the slow end of the range never arrives.
    """
    sign = -1.0 if limit < 0 else 1.0
    missing = sign * (limit - line.level)
    if missing <= 0.0:
        return 0.0, 0.0, 0.0
    slope = sign * line.slope
    if slope <= 1.645 * line.slope_error:
        return None
    fast, slow = slope + 1.2816 * line.slope_error, slope - 1.2816 * line.slope_error
    near = max(missing - 1.2816 * line.level_error, 0.0)
    far = missing + 1.2816 * line.level_error
    return missing / slope, near / fast, far / slow if slow > 0.0 else None


@dataclass(frozen=True, slots=True)
class Reach:
    """Days until a limit: likely, early and late; late None when it may never come."""

    likely: float
    early: float
    late: float | None


def range_to(
    limit: float, days: Array, values: Array, now: float, starts: Sequence[float]
) -> Reach | None:
    """When a limit will be reached, by lines through several stretches of the past.

    A decline that speeds up, or levels off, is no straight line. The lines through the last days
    and through the whole decline then disagree, and the range covers both; the likely time is that
    of the latest stretch, because that is how fast it goes now. When it clearly goes faster now than
    over the whole, the speeding up is carried on.

    days, values : (n,) the series. now : [d] starts : beginnings of the stretches, the longest first. [d]
    returns : None when no stretch clearly goes to the limit.
    """
    lines = [(start, local_slope(days, values, now, start)) for start in starts]
    known = [(start, line) for start, line in lines if line is not None]
    found = [r for _, line in known if (r := days_to(limit, line)) is not None]
    if not found:
        return None
    likely, early = found[-1][0], min(r[1] for r in found)
    late = (
        None if any(r[2] is None for r in found) else max(r[2] for r in found if r[2] is not None)
    )
    # A stretch that does not clearly go there leaves the end open.
    if len(found) < len(starts):
        late = None
    elif len(known) > 1 and likely > 0.0:
        faster = _speeding_up(limit, known[0], known[-1], now)
        if faster is not None:
            likely, early = faster[0], min(early, faster[1])
    return Reach(likely, early, late)


def _speeding_up(
    limit: float, whole: tuple[float, Slope], latest: tuple[float, Slope], now: float
) -> tuple[float, float] | None:
    """Likely and early days to the limit when the slope goes on growing as it grew; None when it does not.

    whole, latest : start and line of the longest and of the latest stretch. The slope of a line is that
    of the middle of its stretch.
    """
    sign = -1.0 if limit < 0 else 1.0
    (from_whole, a), (from_latest, b) = whole, latest
    gained = sign * (b.slope - a.slope)
    apart = (from_latest - from_whole) / 2.0
    if apart <= 0.0 or gained <= 1.645 * float(np.hypot(a.slope_error, b.slope_error)):
        return None
    growth = gained / apart
    slope = sign * b.slope + growth * (now - from_latest) / 2.0

    def reach(missing: float, speed: float) -> float:
        return float((np.sqrt(speed**2 + 2.0 * growth * max(missing, 0.0)) - speed) / growth)

    missing = sign * (limit - b.level)
    fast = slope + 1.2816 * b.slope_error
    return reach(missing, slope), reach(missing - 1.2816 * b.level_error, fast)
