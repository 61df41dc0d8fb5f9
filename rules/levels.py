"""Levels of a train before and after something was done to it: six-hour medians since the baseline, with errors."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from rules import noise, robust
from rules.series import BIN_S, Table

Array = NDArray[np.float64]

EFFECTIVE = 3.0
"""So many neighboring six-hour medians tell as much as one independent. Common practice (effective sample
size), no source for the number."""

WEEKS_SHARE = 0.5
"""Share of the floor of an observable (`rules.noise`) that wanders within weeks, not over the year. Common
practice, no source."""

SUSTAINED = 4
"""A level counts as reached when the median of so many six-hour medians, a day of operation, is there."""

BEST_OF = 8
"""The best level of the past is that of so many six-hour medians in a row, two days of operation."""


@dataclass(frozen=True, slots=True)
class Level:
    """Median deviations of a stretch of operation, (n_observables,), with their standard errors. [-]

    NaN where not known. digests : how many it rests on. until : end of the stretch. [s]
    """

    values: Array
    errors: Array
    digests: int
    until: float


class Levels:
    """Six-hour medians of the deviations since one baseline. They grow by four rows a day.

    observables : names of the columns. spread : of one digest, from the baseline. [-]
    """

    def __init__(self, observables: Sequence[str], spread: Mapping[str, float]) -> None:
        self.observables = tuple(observables)
        self._spread = np.array([spread.get(name, 0.0) for name in self.observables])
        self._floor = WEEKS_SHARE * np.array([noise.floor(name) for name in self.observables])
        self._rows = Table(2 + len(self.observables))

    def add(self, time: float, count: float, deviation: Array) -> None:
        """Append the median of one bin, later than all before. [s since 1970-01-01 UTC]"""
        self._rows.append(np.concatenate([[time // BIN_S * BIN_S, count], deviation]))

    @property
    def last(self) -> float:
        """End of the last bin; -inf when there is none. [s]"""
        rows = self._rows.rows
        return float(rows[-1, 0]) + BIN_S if len(rows) else -np.inf

    def between(self, since: float, until: float) -> tuple[Array, Array]:
        """Starts (n,) and deviations (n, n_observables) of the bins that lie wholly inside. [s]"""
        rows = self._rows.rows
        use = (rows[:, 0] >= since) & (rows[:, 0] + BIN_S <= until)
        return rows[use, 0], rows[use, 2:]

    def level(self, since: float, until: float, fewest: int) -> Level | None:
        """The level from `since` to `until`; None under `fewest` bins. [s]"""
        rows = self._rows.rows
        use = (rows[:, 0] >= since) & (rows[:, 0] + BIN_S <= until)
        count = int(use.sum())
        if count < fewest:
            return None
        table, digests = rows[use, 2:], float(rows[use, 1].sum())
        known = np.isfinite(table).sum(axis=0)
        values = np.where(known >= fewest, robust.median(table), np.nan)
        scatter = np.nan_to_num(robust.sigma(table))
        variance = robust.MEDIAN_EFFICIENCY**2 * scatter**2 * EFFECTIVE / np.maximum(known, 1)
        variance = np.maximum(variance, self._spread**2 / max(digests, 1.0))
        errors = np.where(np.isfinite(values), np.sqrt(variance + self._floor**2), np.nan)
        return Level(values, errors, int(digests), float(rows[use, 0][-1]) + BIN_S)

    def before(self, until: float, wanted_s: float, longest_s: float, fewest: int) -> Level | None:
        """The last level before `until`: over `wanted_s`, else over what there is in `longest_s`. [s]"""
        near = self.level(until - wanted_s, until, fewest)
        return near if near is not None else self.level(until - longest_s, until, fewest)

    def best(self, since: float, until: float, signs: Array) -> Array:
        """The best level that was held for `BEST_OF` bins, (n_observables,); the baseline's where nothing was.

        signs : (n_observables,) direction of a loss: +1 where a rise is one, -1 where a fall is; 0 for what has
            no better or worse, which gives the baseline's.
        """
        _, rows = self.between(since, until)
        held = [
            signs * robust.median(rows[i : i + BEST_OF]) for i in range(len(rows) - BEST_OF + 1)
        ]
        if not held:
            return np.zeros(len(self.observables))
        least = np.fmin.reduce(np.array(held))
        return np.where(np.isfinite(least), signs * least, 0.0)

    def first_beyond(
        self, column: int, level: float, sign: float, since: float, until: float
    ) -> float | None:
        """When one observable was first back at `level`, sustained for a day of operation; None when never. [s]

        sign : +1 when it rises to the level, -1 when it falls to it.
        """
        starts, rows = self.between(since, until)
        known = np.isfinite(rows[:, column])
        starts, values = starts[known], rows[known, column]
        if len(values) < SUSTAINED:
            return None
        held = np.median(sliding_window_view(values, SUSTAINED), axis=1)
        beyond = np.flatnonzero(sign * (held - level) >= 0.0)
        if not len(beyond):
            return None
        first = int(beyond[0])
        return float(starts[first : first + SUSTAINED].mean()) + BIN_S / 2.0
