"""The recent past of all observables: every digest of three days, six-hour medians of six weeks before."""

from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rules import robust
from rules.digest import Digest

Array = NDArray[np.float64]

FINE_S = 3 * 86400.0
"""Digests are kept singly for this long. [s]"""

BIN_S = 6 * 3600.0
"""Older ones are kept as medians over this long. [s]"""

COARSE_S = 48 * 86400.0
"""Nothing older than this is kept. [s]"""

DAY_S = 86400.0


class Series:
    """Bounded memory of the observables; its content depends only on the digests of the last weeks.

    observables : names of the columns.
    """

    def __init__(self, observables: Sequence[str]) -> None:
        self.observables = tuple(observables)
        self._digests: deque[Digest] = deque()
        self._rows: deque[Array] = deque()
        self._bins: deque[tuple[float, Array, int]] = deque()
        self._open: list[tuple[float, Array]] = []

    def add(self, digest: Digest) -> None:
        """Append a digest that is later than all before."""
        row = np.array([digest.values.get(name, np.nan) for name in self.observables])
        if self._open and digest.start // BIN_S != self._open[0][0] // BIN_S:
            times = [t for t, _ in self._open]
            middle = robust.median(np.array([r for _, r in self._open]))
            self._bins.append((float(np.mean(times)), middle, len(times)))
            self._open = []
        while self._bins and self._bins[0][0] < digest.start - COARSE_S:
            self._bins.popleft()
        self._open.append((digest.start, row))
        self._digests.append(digest)
        self._rows.append(row)
        while self._digests[0].start < digest.start - FINE_S:
            self._digests.popleft()
            self._rows.popleft()

    def window(self, start: float, fewest: int, earliest: float) -> tuple[list[Digest], Array]:
        """Digests from `start` on; when fewer than `fewest`, the last `fewest` not before `earliest`.

        returns : the digests, and their rows (n, n_observables); empty when there are too few.
        """
        count = sum(1 for d in self._digests if d.start >= start)
        if count < fewest:
            count = min(fewest, sum(1 for d in self._digests if d.start >= earliest))
        if count < fewest:
            return [], np.empty((0, len(self.observables)))
        return list(self._digests)[-count:], np.array(list(self._rows)[-count:])

    def history(self) -> tuple[Array, Array, Array]:
        """Times (n,) in days, rows (n, n_observables), and how many digests each row stands for (n,).

        Six-hour medians of the older part, hourly means of the last three days.
        """
        fine_from = self._digests[0].start if self._digests else np.inf
        times = [t for t, _, _ in self._bins if t < fine_from]
        rows = [r for t, r, _ in self._bins if t < fine_from]
        counts = [n for t, _, n in self._bins if t < fine_from]
        hour: list[int] = []
        starts = [d.start for d in self._digests]
        for i, start in enumerate(starts):
            if hour and start // 3600 != starts[hour[0]] // 3600:
                self._close_hour(hour, starts, times, rows, counts)
                hour = []
            hour.append(i)
        if hour:
            self._close_hour(hour, starts, times, rows, counts)
        table = np.array(rows).reshape(len(rows), len(self.observables))
        return np.array(times) / DAY_S, table, np.array(counts, dtype=float)

    def _close_hour(
        self,
        hour: list[int],
        starts: list[float],
        times: list[float],
        rows: list[Array],
        counts: list[int],
    ) -> None:
        times.append(sum(starts[i] for i in hour) / len(hour))
        rows.append(np.mean([self._rows[i] for i in hour], axis=0))
        counts.append(len(hour))
