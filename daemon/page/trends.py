"""Columns of deviations, thinned for a chart: pure arrays, no storage and no words."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DIGEST_S = 900.0  # length of a digest
MOST_POINTS = 1500  # a phone's chart is about 1000 device pixels wide; more points only cost time
OUTLIER_MADS = 3.0  # beyond this many (scaled) median absolute deviations a digest is left out
SHOWN_PERCENTILES = (1.0, 99.0)
NEWEST = 5  # values at the end of a line that must be in the picture
AXIS_MARGIN = 0.25
MAD_TO_SIGMA = 1.4826  # for a normal distribution


@dataclass(frozen=True, slots=True)
class Thinned:
    """Means of equal buckets of time.

    times : middle of each bucket. [s since 1970-01-01 UTC]
    values : (n_buckets, n_columns); NaN where a bucket holds no finite value, so a gap stays a gap.
    width_s : length of a bucket, a multiple of a digest. [s]
    """

    times: Floats
    values: Floats
    width_s: float


def robust_mean(rows: Floats) -> Floats:
    """Mean along the last axis without outliers; NaN for a row without any finite value.

    rows : (..., k). Values further than three scaled median absolute deviations from the row's
        median are left out; NaN counts as absent.
    """
    flat = rows.reshape(-1, rows.shape[-1])
    out = np.full(flat.shape[0], np.nan)
    some = np.isfinite(flat).any(axis=1)
    if some.any():
        kept = np.where(np.isfinite(flat[some]), flat[some], np.nan)
        middle = np.nanmedian(kept, axis=1, keepdims=True)
        away = np.abs(kept - middle)
        reach = OUTLIER_MADS * MAD_TO_SIGMA * np.nanmedian(away, axis=1, keepdims=True)
        out[some] = np.nanmean(np.where(away <= reach * (1 + 1e-9) + 1e-12, kept, np.nan), axis=1)
    return out.reshape(rows.shape[:-1])


def thin(
    starts: Floats, values: Floats, begin: float, end: float, *, most: int = MOST_POINTS
) -> Thinned:
    """Robust means of `values` in at most `most` equal buckets that cover `begin` to `end`.

    starts : (n,) starts of digests, rising. [s since 1970-01-01 UTC]
    values : (n, m) one column for each line of a chart.

    Buckets lie on whole multiples of their width, so the same digest falls into the same bucket at
    the next refresh and the line does not shiver.
    """
    if not begin < end:
        raise ValueError(f"begin must be before end, got {begin!r} and {end!r}")
    if most < 2:
        raise ValueError(f"most must be at least 2, got {most!r}")
    slots = int(np.ceil((end - begin) / DIGEST_S))
    each = max(1, -(-slots // (most - 1)))
    width = each * DIGEST_S
    first = float(np.floor(begin / width) * width)
    count = min(most, int(np.ceil((end - first) / width)))
    grid = np.full((count * each, values.shape[1]), np.nan)
    place = np.floor((starts - first) / DIGEST_S).astype(np.int64)
    inside = (place >= 0) & (place < len(grid))
    grid[place[inside]] = values[inside]
    boxes = grid.reshape(count, each, values.shape[1]).transpose(0, 2, 1)
    times = first + (np.arange(count, dtype=np.float64) + 0.5) * width
    return Thinned(times=times, values=robust_mean(boxes), width_s=width)


def percent_of(deviation: Floats) -> Floats:
    """ln(actual/baseline) as per cent of the baseline. [%] NaN in, NaN out."""
    return 100.0 * np.expm1(deviation)


def axis(percent: Floats, limit: float) -> tuple[float, float]:
    """What the axis of a chart shows: its lines, its limit and the baseline, but not single spikes. [%]

    percent : (n_times, n_lines). The first to the 99th percentile of each line counts, and the median of its
        last few values, so that a change that has just come is in the picture.
    """
    reach = [0.0, limit]
    for column in percent.T:
        known = column[np.isfinite(column)]
        if len(known):
            reach.extend(np.percentile(known, SHOWN_PERCENTILES))
            reach.append(float(np.median(known[-NEWEST:])))
    margin = AXIS_MARGIN * max(abs(limit), (max(reach) - min(reach)) / 2.0)
    return float(min(reach)) - margin, float(max(reach)) + margin
