"""Reading the history: minutes, raw readings, facts and the newest values; from any thread or process."""

import json
import math
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daemon import sqlite
from daemon.minutes import Minute
from drivers.protocol import Quality

FILE = "history.db"
_PAGE = 5000  # minutes in one read: short, so that the write-ahead log can be emptied

# Arrays stand in the file in little-endian order, whatever the machine.
VALUES, GOOD, WORST = np.dtype("<f8"), np.dtype("<u2"), np.dtype("u1")


@dataclass(frozen=True, slots=True)
class Fact:
    """Something that happened to the watching itself.

    t : plant time. wall : the gateway's clock. [s since 1970-01-01 UTC]
    kind : ``link_lost``, ``link_back``, ``daemon_started``, ``daemon_stopped``, ``daemon_killed``,
        ``clock_stepped``, ``clock_frozen``, ``clock_running``, ``frames_dropped``,
        ``plant_stopped``, ``plant_started``, and those of `daemon.forward`.
    """

    t: float
    wall: float
    kind: str
    subject: str
    detail: str


class MinuteArrays(NamedTuple):
    """Many minutes at once, one row each; columns in the order of the signals asked for."""

    times: NDArray[np.int64]
    values: NDArray[np.float64]
    good: NDArray[np.uint16]
    worst: NDArray[np.uint8]
    frames: NDArray[np.int64]


class RawReadings(NamedTuple):
    """Readings of one tag in SI units, UNCERTAIN ones too: mind the quality. NaN where BAD."""

    times: NDArray[np.float64]
    values: NDArray[np.float64]
    quality: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest frame of a train, for the page.

    time : plant time. age_s : gateway seconds since it was stored; show it beside the values.
    wall : the gateway's clock when it was stored (with `time`, for `FollowedClock.resume`).
    values : signal -> SI value, NaN unless GOOD.
    """

    train: str
    time: float
    wall: float
    age_s: float
    values: dict[str, float]
    quality: dict[str, Quality]
    reasons: dict[str, str]
    down: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Layout:
    """How a stored order of columns maps to the order asked for."""

    width: int
    stored: NDArray[np.intp]
    asked: NDArray[np.intp]

    @classmethod
    def between(cls, stored: Sequence[str], asked: Sequence[str]) -> "_Layout":
        place = {signal: column for column, signal in enumerate(stored)}
        pairs = [(place[s], column) for column, s in enumerate(asked) if s in place]
        columns = np.array(pairs, dtype=np.intp).reshape(-1, 2)
        return cls(len(stored), columns[:, 0], columns[:, 1])


class HistoryReader:
    """Reads a history that may be written at the same time. Every call has its own connection.

    folder : the store's folder.
    wall : the gateway's clock, for ages. [s since 1970-01-01 UTC]
    """

    def __init__(self, folder: Path, *, wall: Callable[[], float] = time.time) -> None:
        self.path = Path(folder) / FILE
        self._wall = wall

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        connection = sqlite.open_reader(self.path)
        try:
            with sqlite.plain_errors(self.path):
                yield connection
        finally:
            connection.close()

    def last_minute(self, train: str) -> int | None:
        """Start of the newest stored minute. [s since 1970-01-01 UTC]"""
        with self._reading() as connection:
            newest = connection.execute(
                "SELECT max(t) FROM minute WHERE train = ?", (train,)
            ).fetchone()[0]
        return None if newest is None else int(newest)

    def minutes(
        self,
        train: str,
        after: float = -math.inf,
        until: float = math.inf,
        *,
        signals: Sequence[str],
    ) -> Iterator[Minute]:
        """Stored minutes with after < time <= until, oldest first, in the order of `signals`.

        A signal that a minute was stored without is NaN with no good reading and worst quality BAD.
        """
        for rows, layouts in self._pages(train, after, until, signals):
            for t, layout, frames, down, values, good, worst in rows:
                block = _relay([(values, good, worst)], layouts[layout], len(signals))
                yield Minute(
                    train,
                    t,
                    block[0][0],
                    block[1][0],
                    block[2][0],
                    frames,
                    tuple(json.loads(down)),
                )

    def minute_arrays(
        self,
        train: str,
        after: float = -math.inf,
        until: float = math.inf,
        signals: Sequence[str] = (),
    ) -> MinuteArrays:
        """The same as arrays with a row for each stored minute: a year takes seconds.

        Minutes that were never stored have no row.
        """
        if not signals:
            raise ValueError("minute_arrays needs the signals wanted, in their order")
        times: list[NDArray[np.int64]] = []
        frames: list[NDArray[np.int64]] = []
        values: list[NDArray[np.float64]] = [np.empty((0, len(signals)), np.float64)]
        good: list[NDArray[np.uint16]] = [np.empty((0, len(signals)), np.uint16)]
        worst: list[NDArray[np.uint8]] = [np.empty((0, len(signals)), np.uint8)]
        for rows, layouts in self._pages(train, after, until, signals):
            times.append(np.fromiter((row[0] for row in rows), np.int64, len(rows)))
            frames.append(np.fromiter((row[2] for row in rows), np.int64, len(rows)))
            start = 0
            for end in range(1, len(rows) + 1):
                # Runs of one layout are re-laid together.
                if end < len(rows) and rows[end][1] == rows[start][1]:
                    continue
                block = _relay(
                    [row[4:] for row in rows[start:end]], layouts[rows[start][1]], len(signals)
                )
                values.append(block[0])
                good.append(block[1])
                worst.append(block[2])
                start = end
        empty: NDArray[np.int64] = np.empty(0, np.int64)
        return MinuteArrays(
            np.concatenate([empty, *times]),
            np.concatenate(values),
            np.concatenate(good),
            np.concatenate(worst),
            np.concatenate([empty, *frames]),
        )

    def _pages(
        self, train: str, after: float, until: float, signals: Sequence[str]
    ) -> Iterator[tuple[list[tuple[int, int, int, str, bytes, bytes, bytes]], dict[int, _Layout]]]:
        if math.isnan(after) or math.isnan(until):
            raise ValueError(f"after and until must not be NaN, got {after!r} and {until!r}")
        while True:
            with self._reading() as connection:
                # One read transaction, so that every layout of the rows is seen.
                connection.execute("BEGIN")
                rows = connection.execute(
                    'SELECT t, layout, frames, down, "values", good, worst FROM minute'
                    " WHERE train = ? AND t > ? AND t <= ? ORDER BY t LIMIT ?",
                    (train, after, until, _PAGE),
                ).fetchall()
                layouts = {
                    int(id_): _Layout.between(json.loads(names), signals)
                    for id_, names in connection.execute(
                        "SELECT id, signals FROM layout WHERE train = ?", (train,)
                    )
                }
            if rows:
                yield rows, layouts
            if len(rows) < _PAGE:
                return
            after = rows[-1][0]

    def raw(self, tag: str, after: float = -math.inf, until: float = math.inf) -> RawReadings:
        """Readings of a tag with after < time <= until; kept for the last days only."""
        with self._reading() as connection:
            rows = connection.execute(
                "SELECT t, v, q FROM raw WHERE tag_id = (SELECT id FROM tag WHERE tag = ?)"
                " AND t > ? AND t <= ? ORDER BY t",
                (tag, after, until),
            ).fetchall()
        return RawReadings(
            np.array([row[0] for row in rows], np.float64),
            np.array([math.nan if row[1] is None else row[1] for row in rows], np.float64),
            np.array([row[2] for row in rows], np.uint8),
        )

    def facts(
        self,
        after: float = -math.inf,
        until: float = math.inf,
        *,
        kinds: Sequence[str] = (),
        limit: int | None = None,
    ) -> list[Fact]:
        """Facts with after < t <= until in the order they were written; the last `limit` of them.

        kinds : only these; all when empty.
        """
        chosen = f" AND kind IN ({', '.join('?' * len(kinds))})" if kinds else ""
        with self._reading() as connection:
            rows = connection.execute(
                "SELECT t, wall, kind, subject, detail FROM fact WHERE t > ? AND t <= ?"
                f"{chosen} ORDER BY id DESC LIMIT ?",
                (after, until, *kinds, -1 if limit is None else limit),
            ).fetchall()
        return [Fact(*row) for row in reversed(rows)]

    def latest(self, train: str) -> Latest | None:
        """The newest frame of a train, or None before the first."""
        with self._reading() as connection:
            row = connection.execute(
                'SELECT t, wall, signals, down, reasons, "values", quality'
                " FROM latest JOIN layout ON layout.id = latest.layout WHERE latest.train = ?",
                (train,),
            ).fetchone()
        if row is None:
            return None
        t, wall, names, down, reasons, values, quality = row
        signals = json.loads(names)
        numbers = np.frombuffer(values, VALUES).tolist()
        grades = [Quality(q) for q in quality]
        return Latest(
            train=train,
            time=t,
            wall=wall,
            age_s=self._wall() - wall,
            values=dict(zip(signals, numbers, strict=True)),
            quality=dict(zip(signals, grades, strict=True)),
            reasons=json.loads(reasons),
            down=tuple(json.loads(down)),
        )


def _relay(
    rows: Sequence[tuple[bytes, bytes, bytes]], layout: _Layout, width: int
) -> tuple[NDArray[np.float64], NDArray[np.uint16], NDArray[np.uint8]]:
    """Stored arrays of one layout, in the order of columns asked for."""
    values = np.full((len(rows), width), np.nan)
    good = np.zeros((len(rows), width), np.uint16)
    worst = np.full((len(rows), width), Quality.BAD, np.uint8)
    shape = (len(rows), layout.width)
    for into, column, dtype in ((values, 0, VALUES), (good, 1, GOOD), (worst, 2, WORST)):
        stored = np.frombuffer(b"".join(row[column] for row in rows), dtype).reshape(shape)
        into[:, layout.asked] = stored[:, layout.stored]
    return values, good, worst
