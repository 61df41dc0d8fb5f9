"""The history: raw readings of the last days, minutes for years, and facts about the watching itself.

One SQLite file, one writer thread with a queue. Whatever fails in the thread comes out at the next
call and in `run`, and ends the process: a history that quietly stopped would be worse than none.
"""

import asyncio
import contextlib
import fcntl
import json
import logging
import math
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import IO, NoReturn, Self

import numpy as np

from daemon import sqlite
from daemon.frames import Frame
from daemon.history_reader import FILE, GOOD, VALUES, WORST, Fact, HistoryReader
from daemon.minutes import MINUTE_S, Minute
from daemon.sqlite import StoreError, StoreInUse

MIGRATIONS = Path(__file__).parent / "migrations" / "history"
QUEUE_FRAMES = 1000  # frames that may wait for the disk: a quarter of an hour at one a second
_PRUNE_ROWS = 5000  # raw rows deleted in one transaction
_PRUNE_EVERY_S = 300.0
YEAR_S = 365.25 * 86400.0

_log = logging.getLogger(__name__)


class _Waiter:
    """Brings the outcome of a write from the writer thread to a coroutine or a thread."""

    def __init__(self, loop: asyncio.AbstractEventLoop | None = None) -> None:
        self._loop = loop
        self.future: asyncio.Future[None] | None = loop.create_future() if loop else None
        self.done = threading.Event()

    def finish(self, error: BaseException | None) -> None:
        self.done.set()
        if self._loop is not None:
            # The loop may be gone already when the process is stopping: then nobody waits.
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._resolve, error)

    def _resolve(self, error: BaseException | None) -> None:
        assert self.future is not None
        if self.future.done():
            return  # cancelled meanwhile
        if error is None:
            self.future.set_result(None)
        else:
            self.future.set_exception(error)


class History(HistoryReader):
    """Writes the history, and reads it like a `HistoryReader`. Get one by `History.open`.

    Only one process may write; a second one gets `StoreInUse`.
    """

    @classmethod
    def open(
        cls,
        folder: Path,
        *,
        trains: Mapping[str, Sequence[str]],
        raw_hours: float = 72.0,
        minutes_years: float = 5.0,
        started_at: float | None = None,
        wall: Callable[[], float] = time.time,
        queue_frames: int = QUEUE_FRAMES,
    ) -> Self:
        """Open or make ``history.db`` in `folder`, and write that the daemon has started.

        When the last run did not stop in order, a fact ``daemon_killed`` comes first, stamped
        with the newest minute it left.

        trains : train -> its signals, in the order of the arrays that will be given.
        raw_hours : plant time that raw readings are kept. [h]
        minutes_years : plant time that minutes are kept. [yr]
        started_at : plant time, when it is not that of `wall`. [s since 1970-01-01 UTC]
        queue_frames : frames that may wait for the disk before raw readings are dropped.
        """
        if not raw_hours > 0:
            raise ValueError(f"raw_hours must be above 0 h, got {raw_hours!r}")
        if not minutes_years > 0:
            raise ValueError(f"minutes_years must be above 0, got {minutes_years!r}")
        if queue_frames < 1:
            raise ValueError(f"queue_frames must be at least 1, got {queue_frames!r}")
        folder = Path(folder)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"{folder}: cannot be made ({error.strerror})") from error
        lock = _lock(folder)
        try:
            connection = sqlite.open_database(
                folder / FILE, MIGRATIONS, synchronous="NORMAL", check_same_thread=False
            )
        except BaseException:
            lock.close()
            raise
        history = cls(folder, wall=wall)
        try:
            with sqlite.plain_errors(history.path):
                history._prepare(connection, lock, trains, raw_hours, minutes_years, queue_frames)
                history._write_start(started_at)
        except BaseException:
            connection.close()
            lock.close()
            raise
        history._thread.start()
        return history

    def _prepare(
        self,
        connection: sqlite3.Connection,
        lock: IO[str],
        trains: Mapping[str, Sequence[str]],
        raw_hours: float,
        minutes_years: float,
        queue_frames: int,
    ) -> None:
        self._connection = connection
        self._lock = lock
        self._raw_s = raw_hours * 3600.0
        self._minutes_s = minutes_years * YEAR_S
        self._queue_frames = queue_frames
        self._signals = {train: tuple(signals) for train, signals in trains.items()}
        self._layout: dict[str, int] = {}
        self._tags: dict[str, list[int]] = {}
        self._last: dict[str, int | None] = {}
        with sqlite.transaction(connection):
            for train, signals in self._signals.items():
                names = json.dumps(signals)
                connection.execute(
                    "INSERT OR IGNORE INTO layout (train, signals) VALUES (?, ?)", (train, names)
                )
                self._layout[train] = connection.execute(
                    "SELECT id FROM layout WHERE train = ? AND signals = ?", (train, names)
                ).fetchone()[0]
                tags = [f"{train}/{signal}" for signal in signals]
                connection.executemany(
                    "INSERT OR IGNORE INTO tag (tag) VALUES (?)", [(tag,) for tag in tags]
                )
                self._tags[train] = [
                    connection.execute("SELECT id FROM tag WHERE tag = ?", (tag,)).fetchone()[0]
                    for tag in tags
                ]
                self._last[train] = connection.execute(
                    "SELECT max(t) FROM minute WHERE train = ?", (train,)
                ).fetchone()[0]
        self._all_tags = [row[0] for row in connection.execute("SELECT id FROM tag ORDER BY id")]
        self._to_prune: deque[int] = deque()
        self._pruned_at = -math.inf
        self._newest = -math.inf
        self._wake = threading.Condition()
        self._frames: deque[Frame] = deque()
        self._minutes: deque[tuple[Minute, _Waiter]] = deque()
        self._facts: deque[Fact] = deque()
        self._syncs: deque[_Waiter] = deque()
        self._dropped = 0
        self._dropped_total = 0
        self._stopping = False
        self._closed = False
        self._failure: StoreError | None = None
        self._failure_told = False
        self._watchers: list[_Waiter] = []
        self._thread = threading.Thread(target=self._write_forever, name="history", daemon=True)

    def _write_start(self, started_at: float | None) -> None:
        wall = self._wall()
        connection = self._connection
        last = connection.execute(
            "SELECT t, wall, kind FROM fact WHERE kind LIKE 'daemon\\_%' ESCAPE '\\'"
            " ORDER BY id DESC LIMIT 1"
        ).fetchone()
        with sqlite.transaction(connection):
            if last is not None and last[2] == "daemon_started":
                known = [
                    connection.execute(
                        "SELECT max(t) FROM minute WHERE train = ?", (train,)
                    ).fetchone()[0]
                    for (train,) in connection.execute("SELECT DISTINCT train FROM layout")
                ]
                t = max((float(t) for t in known if t is not None), default=last[0])
                seen = connection.execute("SELECT max(wall) FROM latest").fetchone()[0]
                _insert_fact(
                    connection,
                    Fact(
                        t,
                        last[1] if seen is None else max(seen, last[1]),
                        "daemon_killed",
                        "daemon",
                        "the last run ended without stopping in order",
                    ),
                )
            start = wall if started_at is None else started_at
            _insert_fact(connection, Fact(start, wall, "daemon_started", "daemon", ""))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: object
    ) -> None:
        self.close(detail="" if kind is None else f"ended by {kind.__name__}: {error}")

    def close(self, stopped_at: float | None = None, detail: str = "") -> None:
        """Write what waits and the fact ``daemon_stopped``, and close; safe to call twice.

        Raises what made the writer fail, unless it has come out already.

        stopped_at : plant time, when it is not that of the gateway. [s since 1970-01-01 UTC]
        detail : why, when it is not an ordinary stop.
        """
        if self._closed:
            return
        self._closed = True
        wall = self._wall()
        stopped = wall if stopped_at is None else stopped_at
        stop = Fact(stopped, wall, "daemon_stopped", "daemon", detail)
        with self._wake:
            self._facts.append(stop)
            self._stopping = True
            self._wake.notify()
        self._thread.join()
        self._connection.close()
        self._lock.close()
        if self._failure is not None and not self._failure_told:
            raise self._failure

    @property
    def dropped_frames(self) -> int:
        """Frames whose raw readings were not stored, because the disk did not keep up."""
        return self._dropped_total

    async def run(self) -> NoReturn:
        """Wait until the writer fails, and raise that: a part for `supervise`."""
        waiter = _Waiter(asyncio.get_running_loop())
        with self._wake:
            self._check()
            self._watchers.append(waiter)
        assert waiter.future is not None
        try:
            await waiter.future
        finally:
            with self._wake:
                if waiter in self._watchers:
                    self._watchers.remove(waiter)
        raise AssertionError("the writer told of no failure")

    async def append(self, frame: Frame) -> None:
        """Queue the raw readings of a frame; does not wait for the disk.

        When the disk does not keep up, the readings are dropped, and how many becomes a fact.
        """
        signals = self._signals_of(frame.train)
        if frame.values.shape != (len(signals),) or frame.quality.shape != (len(signals),):
            raise ValueError(
                f"train {frame.train} has {len(signals)} signals, got {frame.values.shape} values"
            )
        with self._wake:
            self._check()
            if len(self._frames) >= self._queue_frames:
                self._dropped += 1
                self._dropped_total += 1
                return
            self._frames.append(frame)
            self._wake.notify()

    async def append_minute(self, minute: Minute) -> None:
        """Store a minute; returns when it is committed and every reader can see it."""
        signals = self._signals_of(minute.train)
        shape = (len(signals),)
        if not minute.values.shape == minute.good.shape == minute.worst.shape == shape:
            raise ValueError(
                f"train {minute.train} has {len(signals)} signals, got {minute.values.shape} values"
            )
        if minute.time % MINUTE_S:
            raise ValueError(f"a minute starts on a multiple of 60 s, got {minute.time!r}")
        waiter = _Waiter(asyncio.get_running_loop())
        assert waiter.future is not None
        with self._wake:
            self._check()
            last = self._last[minute.train]
            if last is not None and minute.time <= last:
                raise ValueError(
                    f"train {minute.train}: minute {minute.time} is not newer than {last}"
                )
            self._last[minute.train] = minute.time
            self._minutes.append((minute, waiter))
            self._wake.notify()
        await waiter.future

    def add_fact(self, t: float, kind: str, subject: str, detail: str = "") -> None:
        """Queue a fact, stamped with plant time `t` and the gateway's clock; never dropped."""
        fact = Fact(float(t), self._wall(), kind, subject, detail)
        with self._wake:
            self._check()
            self._facts.append(fact)
            self._wake.notify()

    async def flush(self) -> None:
        """Wait until everything queued so far is committed."""
        waiter = _Waiter(asyncio.get_running_loop())
        assert waiter.future is not None
        with self._wake:
            self._check()
            self._syncs.append(waiter)
            self._wake.notify()
        await waiter.future

    def _signals_of(self, train: str) -> tuple[str, ...]:
        signals = self._signals.get(train)
        if signals is None:
            raise ValueError(f"train {train!r} was not given when the history was opened")
        return signals

    def _check(self) -> None:
        if self._failure is not None:
            self._failure_told = True
            raise self._failure
        if self._closed:
            raise ValueError("the history is closed")

    # What follows runs in the writer thread.

    def _write_forever(self) -> None:
        while True:
            with self._wake:
                while not (
                    self._frames or self._minutes or self._facts or self._syncs or self._stopping
                ):
                    self._wake.wait()
                frames, self._frames = self._frames, deque()
                minutes, self._minutes = self._minutes, deque()
                facts, self._facts = self._facts, deque()
                syncs, self._syncs = self._syncs, deque()
                dropped, self._dropped = self._dropped, 0
                stopping = self._stopping
            waiters = [*(waiter for _, waiter in minutes), *syncs]
            try:
                with sqlite.plain_errors(self.path):
                    self._write(frames, minutes, facts, dropped)
            # Whatever it is, nobody else sees this thread end: it goes to all who wait.
            except Exception as error:
                self._fail(error, waiters)
                return
            for waiter in waiters:
                waiter.finish(None)
            if stopping:
                return

    def _fail(self, error: Exception, waiters: Sequence[_Waiter]) -> None:
        if not isinstance(error, StoreError):
            failure = StoreError(f"{self.path}: {error}")
            failure.__cause__ = error
        else:
            failure = error
        _log.critical("the history cannot be written: %s", failure)
        with self._wake:
            self._failure = failure
            waiting = [
                *waiters,
                *self._watchers,
                *(waiter for _, waiter in self._minutes),
                *self._syncs,
            ]
            self._failure_told = bool(waiting)
        for waiter in waiting:
            waiter.finish(failure)

    def _write(
        self,
        frames: Sequence[Frame],
        minutes: Sequence[tuple[Minute, _Waiter]],
        facts: Sequence[Fact],
        dropped: int,
    ) -> None:
        connection = self._connection
        if frames or minutes or facts:
            with sqlite.transaction(connection):
                self._write_frames(frames)
                connection.executemany(
                    'INSERT INTO minute (train, t, layout, frames, down, "values", good, worst)'
                    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    [self._minute_row(minute) for minute, _ in minutes],
                )
                for fact in facts:
                    _insert_fact(connection, fact)
                if dropped:
                    wall = self._wall()
                    t = self._newest if math.isfinite(self._newest) else wall
                    detail = f"raw readings of {dropped} frames, the disk did not keep up"
                    _insert_fact(connection, Fact(t, wall, "frames_dropped", "history", detail))
        if frames:
            self._prune()

    def _minute_row(self, minute: Minute) -> tuple[object, ...]:
        return (
            minute.train,
            minute.time,
            self._layout[minute.train],
            minute.frames,
            json.dumps(minute.down),
            minute.values.astype(VALUES).tobytes(),
            minute.good.astype(GOOD).tobytes(),
            minute.worst.astype(WORST).tobytes(),
        )

    def _write_frames(self, frames: Sequence[Frame]) -> None:
        newest: dict[str, Frame] = {}
        rows: list[tuple[int, float, float | None, int]] = []
        for frame in frames:
            newest[frame.train] = frame
            self._newest = max(self._newest, frame.time)
            measured = frame.values if frame.measured is None else frame.measured
            for tag, value, quality in zip(
                self._tags[frame.train], measured.tolist(), frame.quality.tolist(), strict=True
            ):
                rows.append((tag, frame.time, value if math.isfinite(value) else None, quality))
        # A second frame of one instant, as when a device's clock stands, replaces the first.
        self._connection.executemany(
            "INSERT OR REPLACE INTO raw (tag_id, t, v, q) VALUES (?, ?, ?, ?)", rows
        )
        for train, frame in newest.items():
            self._connection.execute(
                "INSERT OR REPLACE INTO latest"
                ' (train, t, wall, layout, down, reasons, "values", quality)'
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    train,
                    frame.time,
                    self._wall(),
                    self._layout[train],
                    json.dumps(frame.down),
                    json.dumps(dict(frame.reasons)),
                    frame.values.astype(VALUES).tobytes(),
                    frame.quality.astype(np.uint8).tobytes(),
                ),
            )

    def _prune(self) -> None:
        """Delete a bounded piece of what is too old: a write never waits long."""
        if self._newest - self._pruned_at >= _PRUNE_EVERY_S and not self._to_prune:
            self._pruned_at = self._newest
            self._to_prune.extend(self._all_tags)
            for train in self._layout:
                self._connection.execute(
                    "DELETE FROM minute WHERE train = ? AND t IN"
                    " (SELECT t FROM minute WHERE train = ? AND t < ? ORDER BY t LIMIT ?)",
                    (train, train, self._newest - self._minutes_s, _PRUNE_ROWS),
                )
        if not self._to_prune:
            return
        tag, cutoff = self._to_prune[0], self._newest - self._raw_s
        row = self._connection.execute(
            "SELECT t FROM raw WHERE tag_id = ? ORDER BY t LIMIT 1 OFFSET ?", (tag, _PRUNE_ROWS)
        ).fetchone()
        more = row is not None and row[0] < cutoff
        self._connection.execute(
            "DELETE FROM raw WHERE tag_id = ? AND t < ?", (tag, row[0] if more else cutoff)
        )
        if not more:
            self._to_prune.popleft()


def _insert_fact(connection: sqlite3.Connection, fact: Fact) -> None:
    connection.execute(
        "INSERT INTO fact (t, wall, kind, subject, detail) VALUES (?, ?, ?, ?, ?)",
        (fact.t, fact.wall, fact.kind, fact.subject, fact.detail),
    )


def _lock(folder: Path) -> IO[str]:
    """Take the store for this process; the system gives it back even after a kill."""
    path = folder / "history.lock"
    try:
        lock = path.open("a")
    except OSError as error:
        raise StoreError(f"{path}: cannot be opened ({error.strerror})") from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        lock.close()
        raise StoreInUse(
            f"{folder}: another brinelark writes to this store; stop it, or give another folder"
        ) from error
    return lock
