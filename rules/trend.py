"""How a deviation came about in time: onset, step or ramp, local slope, and when a limit will be reached."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CORRELATION = 0.3
"""Share of the log-likelihood kept, because neighboring digests of a plant are not independent.
Common practice (effective sample size), no source for the number."""

LARGEST_LOG_RATIO = 12.0
"""Step-versus-ramp evidence beyond this (in nats) is not believed further."""


@dataclass(frozen=True, slots=True)
class Shape:
    """The two simplest histories that end in today's deviation, fitted to one series.

    onset : start of the better of the two. [d]
    step, ramp : their maximum log-likelihoods over no change at all. [nats]
    step_size : height of the best step. [-]
    ramp_rate : slope of the best ramp. [1/d]
    """

    onset: float
    step: float
    ramp: float
    step_onset: float
    ramp_onset: float
    step_size: float
    ramp_rate: float


def shape(days: Array, values: Array, sigma: Array, level_sigma: float) -> Shape | None:
    """Fit a step and a ramp with free onset to one series of deviations.

    days : (n,) increasing times. [d]
    values : (n,) deviations; NaN are left out. [-]
    sigma : (n,) standard deviation of each. [-]
    level_sigma : standard deviation of the level before the change about zero. [-]
    returns : None under six values.

    Source: least squares with a change point, the onset by maximum likelihood over a grid; the
    level before the change has a normal prior about the baseline.
    """
    known = np.isfinite(values) & np.isfinite(sigma) & (sigma > 0)
    t, y, s = days[known], values[known], sigma[known]
    if len(t) < 6:
        return None
    edges = (t[:-1] + t[1:]) / 2.0
    onsets = edges[np.unique(np.linspace(0, len(edges) - 1, 90).astype(int))]
    after = np.maximum(t[None, :] - onsets[:, None], 0.0)
    weight = 1.0 / s**2
    fits = [_fit(basis, y, weight, level_sigma) for basis in ((after > 0).astype(float), after)]
    # The scatter about the better fit, when larger than expected, is the noise to judge by.
    best = min(float(rss.min()) for _, rss in fits)
    inflation = max(1.0, best / max(len(t) - 3, 1))
    flat = _flat(y, weight, level_sigma)
    scores = [CORRELATION * (flat - rss) / (2.0 * inflation) for _, rss in fits]
    at = [int(np.argmax(score)) for score in scores]
    step, ramp = (float(score[k]) for score, k in zip(scores, at, strict=True))
    return Shape(
        onset=float(onsets[at[0]] if step >= ramp else onsets[at[1]]),
        step=step,
        ramp=ramp,
        step_onset=float(onsets[at[0]]),
        ramp_onset=float(onsets[at[1]]),
        step_size=float(fits[0][0][at[0]]),
        ramp_rate=float(fits[1][0][at[1]]),
    )


def _flat(y: Array, weight: Array, level_sigma: float) -> float:
    total = float(weight.sum()) + level_sigma**-2
    return float((weight * y**2).sum() - (weight * y).sum() ** 2 / total)


def _fit(basis: Array, y: Array, weight: Array, level_sigma: float) -> tuple[Array, Array]:
    """Coefficient of each row of `basis` (m, n) beside a level, and the weighted squares left."""
    w0 = float(weight.sum()) + level_sigma**-2
    wy = float((weight * y).sum())
    wb = basis @ weight
    wbb = (basis**2) @ weight
    wby = basis @ (weight * y)
    determinant = np.maximum(wbb * w0 - wb**2, 1e-300)
    slope = (wby * w0 - wb * wy) / determinant
    level = (wy - slope * wb) / w0
    squares = float((weight * y**2).sum()) - slope * wby - level * wy
    return slope, np.maximum(squares, 0.0)


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
