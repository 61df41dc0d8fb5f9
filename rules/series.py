"""The recent past of a train: every digest of three days, six-hour medians of six weeks before."""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules import robust
from rules.digest import BLOCK_S, Digest

Array = NDArray[np.float64]

DAY_S = 86400.0
HOUR_S = 3600.0

FINE_S = 3 * DAY_S
"""Digests are kept singly for this long, and up to one bin longer. [s]"""

BIN_S = 6 * HOUR_S
"""Older ones are kept as medians over this long. [s]"""

COARSE_S = 48 * DAY_S
"""Nothing older than this is kept. [s]"""


@dataclass(frozen=True, slots=True)
class History:
    """Deviations or levels over the weeks, oldest first.

    days : (n,) mean time of each row. [d since 1970-01-01 UTC]
    rows : (n, n_observables), NaN where nothing is known.
    points : (n, n_operating) operating points, NaN where not known.
    counts : (n,) how many digests each row stands for.
    """

    days: Array
    rows: Array
    points: Array
    counts: Array


@dataclass(frozen=True, slots=True)
class Bin:
    """Medians of the digests of six hours.

    time : mean time of the digests. [s since 1970-01-01 UTC] count : how many.
    levels : (n_observables,) point : (n_operating,); NaN where nothing is known.
    """

    time: float
    count: float
    levels: Array
    point: Array


class Table:
    """Rows of numbers that are appended at the end and dropped at the front."""

    def __init__(self, width: int) -> None:
        self._rows = np.empty((64, width))
        self._begin = self._end = 0

    def append(self, row: Array | Sequence[float]) -> None:
        if self._end == len(self._rows):
            kept = self._rows[self._begin : self._end]
            fresh = np.empty((max(64, 2 * len(kept)), kept.shape[1]))
            fresh[: len(kept)] = kept
            self._rows, self._begin, self._end = fresh, 0, len(kept)
        self._rows[self._end] = row
        self._end += 1

    def drop(self, count: int) -> None:
        self._begin += count

    @property
    def rows(self) -> Array:
        """All rows; to be read only."""
        return self._rows[self._begin : self._end]


class Series:
    """Bounded memory of the digests; its content depends only on the digests of the last weeks.

    observables : names of the columns of levels.
    operating : names of the columns of operating points.
    """

    def __init__(self, observables: Sequence[str], operating: Sequence[str] = ()) -> None:
        self.observables = tuple(observables)
        self.operating = tuple(operating)
        self._digests: deque[Digest] = deque()
        self._starts = Table(1)
        self._levels = Table(len(self.observables))
        self._points = Table(len(self.operating))
        # Each row: mean time, number of digests, levels, operating point.
        width = 2 + len(self.observables) + len(self.operating)
        self._hours = Table(width)
        self._bins = Table(width)

    @property
    def digests(self) -> tuple[Digest, ...]:
        """The digests that are kept singly, oldest first."""
        return tuple(self._digests)

    def add(self, digest: Digest) -> Bin | None:
        """Append a digest that is later than all before; returns the bin that it closed, if any."""
        start = digest.start
        closed: Bin | None = None
        if self._digests:
            last = self._digests[-1].start
            if start <= last:
                raise ValueError(f"digests must come in order: {start} after {last}")
            if start // HOUR_S != last // HOUR_S:
                self._close(self._hours, last // HOUR_S * HOUR_S, last)
            if start // BIN_S != last // BIN_S:
                row = self._close(self._bins, last // BIN_S * BIN_S, last)
                n = 2 + len(self.observables)
                closed = Bin(float(row[0]), float(row[1]), row[2:n], row[n:])
        self._digests.append(digest)
        self._starts.append([start])
        self._levels.append([digest.values.get(name, np.nan) for name in self.observables])
        self._points.append([digest.operating.get(name, np.nan) for name in self.operating])
        self._forget(start)
        return closed

    def _close(self, into: Table, since: float, last: float) -> Array:
        """Condense the digests from `since` to `last` into one row."""
        starts = self._starts.rows[:, 0]
        use = (starts >= since) & (starts <= last)
        row = self._condensed(use)
        into.append(row)
        return row

    def _condensed(self, use: NDArray[np.bool_]) -> Array:
        """Mean time, number, median levels and operating point of some of the digests."""
        return np.concatenate(
            [
                [self._starts.rows[use, 0].mean(), float(use.sum())],
                robust.median(self._levels.rows[use]),
                robust.median(self._points.rows[use]),
            ]
        )

    def _fine_from(self, now: float) -> float:
        # On a border of bins, so that no digest stands in a bin and in an hour.
        return (now - FINE_S) // BIN_S * BIN_S

    def _forget(self, now: float) -> None:
        fine = self._fine_from(now)
        gone = int(np.searchsorted(self._starts.rows[:, 0], fine))
        for table in (self._starts, self._levels, self._points):
            table.drop(gone)
        for _ in range(gone):
            self._digests.popleft()
        self._hours.drop(int(np.searchsorted(self._hours.rows[:, 0], fine)))
        self._bins.drop(int(np.searchsorted(self._bins.rows[:, 0], now - COARSE_S)))

    def window(self, start: float, fewest: int, earliest: float) -> slice | None:
        """Digests from `start` on; when fewer than `fewest`, the last `fewest` not before `earliest`.

        returns : where they stand in `levels`, `points` and `digests`; None when there are too few.
        """
        starts = self._starts.rows[:, 0]
        count = len(starts) - int(np.searchsorted(starts, start))
        if count < fewest:
            if len(starts) - int(np.searchsorted(starts, earliest)) < fewest:
                return None
            count = fewest
        return slice(len(starts) - count, len(starts))

    @property
    def last(self) -> float:
        """End of the last digest; -inf when there is none. [s]"""
        return self._digests[-1].start + BLOCK_S if self._digests else -np.inf

    @property
    def levels(self) -> Array:
        """Levels of the digests that are kept singly, (n, n_observables)."""
        return self._levels.rows

    @property
    def points(self) -> Array:
        """Operating points of the digests that are kept singly, (n, n_operating)."""
        return self._points.rows

    def history(self) -> History:
        """Six-hour medians of the older part, hourly medians of the last three days."""
        if not self._digests:
            empty = np.empty(0)
            levels = np.empty((0, len(self.observables)))
            return History(empty, levels, np.empty((0, len(self.operating))), empty)
        last = self._digests[-1].start
        bins, hours = self._bins.rows, self._hours.rows
        bins = bins[bins[:, 0] < self._fine_from(last)]
        current = self._starts.rows[:, 0] >= last // HOUR_S * HOUR_S
        table = np.concatenate([bins, hours, self._condensed(current)[None]])
        n = 2 + len(self.observables)
        return History(table[:, 0] / DAY_S, table[:, 2:n], table[:, n:], table[:, 1])
