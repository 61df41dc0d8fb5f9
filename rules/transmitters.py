"""What a transmitter shows by itself: frozen, without a usable value, or a link that is lost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

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
    count = known.sum(axis=0).tolist()
    return {
        s: m / c
        for s, m, c in zip(signals, moved.sum(axis=0).tolist(), count, strict=True)
        if c >= 5
    }


@dataclass(frozen=True, slots=True)
class Frozen:
    """Signals that do not move.

    since : those that are frozen, with the start of the run of equal values. [s]
    undecided : those that have not moved as long as anything is remembered, but not long enough.
    """

    since: Mapping[str, float]
    undecided: frozenset[str]


def frozen(
    signals: Sequence[str], times: Array, minutes: Array, usual_alive: Mapping[str, float]
) -> Frozen:
    """Which lively signals have stopped moving.

    times : (n,) increasing. [s] minutes : (n, n_signals); NaN are left out, but a signal whose last
    minute is NaN cannot be judged. usual_alive : share of minutes in which each changes.
    """
    lively = np.array([usual_alive.get(name, 0.0) >= ALIVE for name in signals], dtype=bool)
    if not len(times) or not lively.any():
        return Frozen({}, frozenset())
    last = minutes[-1]
    known = np.isfinite(minutes)
    other = known & (minutes != last)
    # Row after the last different value: 0 when none is different.
    begin = np.where(other.any(axis=0), len(times) - np.argmax(other[::-1], axis=0), 0)
    run = known & (np.arange(len(times))[:, None] >= begin)
    since = times[np.argmax(run, axis=0)]
    usable = lively & known[-1]
    still = usable & (run.sum(axis=0) >= FEWEST_REPEATS) & (times[-1] - since >= FROZEN_S)
    undecided = usable & ~still & ~other.any(axis=0)
    return Frozen(
        {signals[i]: float(since[i]) for i in np.flatnonzero(still).tolist()},
        frozenset(signals[i] for i in np.flatnonzero(undecided).tolist()),
    )
