"""What a transmitter shows by itself: frozen, without a usable value, or a link that is lost."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ALIVE = 0.8
"""A transmitter whose value usually changes in this share of minutes is suspicious when it stops. [-]"""

FROZEN_S = 3600.0
"""A lively transmitter that has not moved for this long is frozen. Common practice, no source. [s]"""

FEWEST_REPEATS = 12
"""Equal values in a row that are needed, however far apart the minutes are."""


def alive(signals: Sequence[str], minutes: Array) -> dict[str, float]:
    """Share of successive minutes in which each signal changed, (n, n_signals); absent when unknown."""
    with np.errstate(invalid="ignore"):
        steps = np.diff(minutes, axis=0)
    known = np.isfinite(steps)
    moved = known & (steps != 0.0)
    count = known.sum(axis=0)
    return {
        s: float(m / c) for s, m, c in zip(signals, moved.sum(axis=0), count, strict=True) if c >= 5
    }


def frozen_since(times: Array, values: Array) -> float | None:
    """Start of the run of equal values that lasts until now, when it is long enough; else None.

    times : (n,) increasing. [s] values : (n,) of one signal; NaN are left out.
    """
    known = np.isfinite(values)
    t, v = times[known], values[known]
    if len(v) < FEWEST_REPEATS or not known[-1]:
        return None
    different = np.flatnonzero(v != v[-1])
    first = int(different[-1]) + 1 if len(different) else 0
    if len(v) - first < FEWEST_REPEATS or t[-1] - t[first] < FROZEN_S:
        return None
    return float(t[first])


def frozen(
    signals: Sequence[str], times: Array, minutes: Array, usual_alive: Mapping[str, float]
) -> dict[str, float]:
    """Signals that have frozen, with the time since when. [s]

    minutes : (n, n_signals) of a running train. usual_alive : from the baseline.
    """
    found = {}
    for column, name in enumerate(signals):
        if usual_alive.get(name, 0.0) >= ALIVE:
            since = frozen_since(times, minutes[:, column])
            if since is not None:
                found[name] = since
    return found
