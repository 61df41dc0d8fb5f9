"""The history: what is queued is stored, what is stored is read back, what fails is loud."""

import asyncio
import math
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from daemon.frames import Frame
from daemon.history import History
from daemon.history_reader import FILE, HistoryReader
from daemon.minutes import Minute
from daemon.sqlite import CorruptedDatabase, StoreError, StoreInUse, WriteFailed
from drivers.protocol import Quality

SIGNALS = ("feed_flow", "1/feed_pressure")
TRAINS = {"A": SIGNALS}
NAN = math.nan
ROOT = Path(__file__).parents[2]


class Wall:
    """The gateway's clock, moved by hand."""

    def __init__(self, at: float = 5000.0) -> None:
        self.at = at

    def __call__(self) -> float:
        return self.at


def frame(time: float, values: Sequence[float] = (1.0, 2.0), train: str = "A") -> Frame:
    numbers = np.array(values, dtype=float)
    quality = np.where(np.isfinite(numbers), Quality.GOOD, Quality.BAD).astype(np.uint8)
    return Frame(train, time, numbers, quality)


def minute(
    time: int,
    values: Sequence[float] = (1.0, 2.0),
    *,
    train: str = "A",
    down: tuple[str, ...] = (),
) -> Minute:
    numbers = np.array(values, dtype=float)
    good = np.where(np.isfinite(numbers), 60, 0).astype(np.uint16)
    worst = np.where(np.isfinite(numbers), Quality.GOOD, Quality.BAD).astype(np.uint8)
    return Minute(train, time, numbers, good, worst, 60, down)


@pytest.mark.asyncio
async def test_a_stored_minute_is_read_back_as_it_was(tmp_path: Path) -> None:
    """Every part of a minute survives, a gap stays a gap, and each is visible once awaited."""
    minutes = [minute(60, (1.5, NAN), down=("plc1", 'odd "name"')), minute(120, (1e-300, 7.25))]
    with History.open(tmp_path, trains=TRAINS) as history:
        for each in minutes:
            await history.append_minute(each)
            assert HistoryReader(tmp_path).last_minute("A") == each.time
        assert list(history.minutes("A", signals=SIGNALS)) == minutes
    assert list(HistoryReader(tmp_path).minutes("A", signals=SIGNALS)) == minutes


@pytest.mark.asyncio
async def test_minutes_are_cut_after_and_until(tmp_path: Path) -> None:
    """The lower end is excluded, so that the last minute handled can be given; the upper is not."""
    with History.open(tmp_path, trains=TRAINS) as history:
        for t in (0, 60, 120, 180):
            await history.append_minute(minute(t))
        read = history.minutes("A", 60, 180, signals=SIGNALS)
        assert [each.time for each in read] == [120, 180]
        assert history.minute_arrays("A", 60, 120, SIGNALS).times.tolist() == [120]
        assert list(history.minutes("B", signals=SIGNALS)) == []
        assert history.last_minute("B") is None


@pytest.mark.asyncio
async def test_minutes_of_another_set_of_signals_are_laid_anew(tmp_path: Path) -> None:
    """After the plant file changed, old minutes come in the new order, with gaps for new signals."""
    with History.open(tmp_path, trains={"A": ("a", "b")}) as history:
        await history.append_minute(minute(60, (1.0, 2.0)))
    with History.open(tmp_path, trains={"A": ("c", "b", "a")}) as history:
        await history.append_minute(minute(120, (30.0, 20.0, 10.0)))
        old, new = history.minutes("A", signals=("c", "b", "a"))
        arrays = history.minute_arrays("A", signals=("a", "c"))
    np.testing.assert_array_equal(old.values, [NAN, 2.0, 1.0])
    assert old.good.tolist() == [0, 60, 60]
    assert old.worst.tolist() == [Quality.BAD, Quality.GOOD, Quality.GOOD]
    np.testing.assert_array_equal(new.values, [30.0, 20.0, 10.0])
    np.testing.assert_array_equal(arrays.values, [[1.0, NAN], [10.0, 30.0]])
    assert arrays.good.tolist() == [[60, 0], [60, 60]]
    assert arrays.frames.tolist() == [60, 60]


@pytest.mark.asyncio
async def test_reading_goes_over_pages(tmp_path: Path) -> None:
    """More minutes than one page holds come out complete and in order, either way of reading."""
    count = 10_001
    with History.open(tmp_path, trains={"A": ("a",)}) as history:
        await asyncio.gather(
            *(history.append_minute(minute(t * 60, (float(t),))) for t in range(count))
        )
        times = [each.time for each in history.minutes("A", signals=("a",))]
        arrays = history.minute_arrays("A", signals=("a",))
    assert times == [t * 60 for t in range(count)]
    assert arrays.times.tolist() == times
    assert arrays.values[:, 0].tolist() == [float(t) for t in range(count)]


def test_a_history_without_minutes_gives_empty_arrays(tmp_path: Path) -> None:
    """Nothing stored is no error: the arrays have no row and the right width."""
    with History.open(tmp_path, trains=TRAINS) as history:
        arrays = history.minute_arrays("A", signals=SIGNALS)
    assert arrays.times.shape == (0,)
    assert arrays.values.shape == arrays.good.shape == arrays.worst.shape == (0, 2)


@pytest.mark.asyncio
async def test_a_minute_must_be_newer_than_the_last(tmp_path: Path) -> None:
    """A minute stored twice, or out of order, raises, also after a restart; the history goes on."""
    with History.open(tmp_path, trains=TRAINS) as history:
        await history.append_minute(minute(120))
        with pytest.raises(ValueError, match="minute 120 is not newer than 120"):
            await history.append_minute(minute(120))
    with History.open(tmp_path, trains=TRAINS) as history:
        with pytest.raises(ValueError, match="minute 60 is not newer than 120"):
            await history.append_minute(minute(60))
        await history.append_minute(minute(180))
        assert [each.time for each in history.minutes("A", signals=SIGNALS)] == [120, 180]


@pytest.mark.asyncio
async def test_wrong_arguments_raise_and_the_history_goes_on(tmp_path: Path) -> None:
    """Unknown trains, wrong shapes and uneven minutes are mistakes of the caller alone."""
    with History.open(tmp_path, trains=TRAINS) as history:
        with pytest.raises(ValueError, match="'B' was not given"):
            await history.append(frame(1.0, train="B"))
        with pytest.raises(ValueError, match="has 2 signals"):
            await history.append(frame(1.0, (1.0,)))
        with pytest.raises(ValueError, match="has 2 signals"):
            await history.append_minute(minute(60, (1.0,)))
        with pytest.raises(ValueError, match="multiple of 60"):
            await history.append_minute(minute(61))
        with pytest.raises(ValueError, match="NaN"):
            list(history.minutes("A", NAN, signals=SIGNALS))
        with pytest.raises(ValueError, match="needs the signals"):
            history.minute_arrays("A")
        await history.append_minute(minute(60))
    with pytest.raises(ValueError, match="closed"):
        await history.append(frame(1.0))
    with pytest.raises(ValueError, match="raw_hours"):
        History.open(tmp_path, trains=TRAINS, raw_hours=0.0)


@pytest.mark.asyncio
async def test_raw_readings_and_the_latest_values_are_stored(tmp_path: Path) -> None:
    """Raw readings keep their quality; the newest frame shows its values, reasons and its age."""
    wall = Wall()
    with History.open(tmp_path, trains=TRAINS, wall=wall) as history:
        assert history.latest("A") is None
        await history.append(frame(10.0, (1.0, 2.0)))
        gap = Frame(
            "A",
            11.0,
            np.array([3.0, NAN]),
            np.array([Quality.GOOD, Quality.UNCERTAIN], np.uint8),
            ("plc2",),
            {"1/feed_pressure": "stale"},
            np.array([3.0, 8.5]),
        )
        await history.append(gap)
        await history.flush()
        wall.at += 42.0
        raw = history.raw("A/1/feed_pressure")
        latest = history.latest("A")
    assert raw.times.tolist() == [10.0, 11.0]
    assert raw.values.tolist() == [2.0, 8.5]
    assert raw.quality.tolist() == [Quality.GOOD, Quality.UNCERTAIN]
    assert latest is not None
    assert (latest.time, latest.age_s, latest.down) == (11.0, 42.0, ("plc2",))
    assert latest.wall == 5000.0
    assert latest.values["feed_flow"] == 3.0
    assert math.isnan(latest.values["1/feed_pressure"])
    assert latest.quality["1/feed_pressure"] is Quality.UNCERTAIN
    assert latest.reasons == {"1/feed_pressure": "stale"}


@pytest.mark.asyncio
async def test_a_second_frame_of_one_instant_replaces_the_first(tmp_path: Path) -> None:
    """A device's clock may stand: its frames then share an instant, and the newest one stays."""
    with History.open(tmp_path, trains=TRAINS) as history:
        await history.append(frame(10.0, (1.0, 2.0)))
        await history.append(frame(10.0, (5.0, 6.0)))
        await history.flush()
        assert history.raw("A/feed_flow").values.tolist() == [5.0]


@pytest.mark.asyncio
async def test_raw_readings_are_kept_for_their_hours_only(tmp_path: Path) -> None:
    """Readings older than one hour of plant time go, in pieces; younger ones and minutes stay."""
    with History.open(tmp_path, trains=TRAINS, raw_hours=1.0, queue_frames=20_000) as history:
        await history.append_minute(minute(0))
        for second in range(12_000):
            await history.append(frame(float(second)))
        await history.flush()
        end = 12_000.0
        for _ in range(20):  # at 5000 rows and one tag for each write, 8 are enough
            await history.append(frame(end))
            await history.flush()
        for tag in ("A/feed_flow", "A/1/feed_pressure"):
            times = history.raw(tag).times
            # Cleaned up every 300 s of plant time.
            assert end - 3600.0 - 300.0 <= times[0] <= end - 3600.0
            assert times[-1] == end
        assert history.last_minute("A") == 0


@pytest.mark.asyncio
async def test_minutes_are_kept_for_their_years_only(tmp_path: Path) -> None:
    """Minutes older than half a year of plant time go; younger ones and those of the limit stay."""
    day = 86_400
    with History.open(tmp_path, trains=TRAINS, minutes_years=0.5) as history:
        for days in (0, 10, 200, 300):
            await history.append_minute(minute(days * day))
        await history.append(frame(300.0 * day))
        await history.flush()
        kept = history.minutes("A", signals=TRAINS["A"])
        assert [m.time // day for m in kept] == [200, 300]


@pytest.mark.asyncio
async def test_what_a_full_queue_drops_becomes_a_fact(tmp_path: Path) -> None:
    """With the file locked and room for three frames, the rest is counted and told."""
    with History.open(tmp_path, trains=TRAINS, queue_frames=3) as history:
        await history.append(frame(0.0))
        await history.flush()
        locker = sqlite3.connect(tmp_path / FILE, isolation_level=None)
        locker.execute("BEGIN IMMEDIATE")
        sent = 50
        for second in range(1, sent + 1):
            await history.append(frame(float(second)))
        dropped = history.dropped_frames
        locker.execute("COMMIT")
        locker.close()
        await history.append_minute(minute(60))
        # The next frame finds room again and carries the count with it.
        await history.append(frame(100.0))
        await history.flush()
        stored = len(history.raw("A/feed_flow").times)
        facts = history.facts(kinds=["frames_dropped"])
    # The writer may hold up to three more in the transaction that waits for the lock.
    assert sent - 6 <= dropped <= sent - 3
    assert stored == 2 + sent - dropped
    assert sum(int(fact.detail.split()[3]) for fact in facts) == dropped


@pytest.mark.asyncio
async def test_facts_keep_both_times_and_their_order(tmp_path: Path) -> None:
    """A fact has plant time and gateway time; they can be chosen by time, kind and number."""
    wall = Wall(9000.0)
    with History.open(tmp_path, trains=TRAINS, wall=wall, started_at=100.0) as history:
        history.add_fact(200.0, "link_lost", "plc1", "no answer")
        history.add_fact(260.0, "link_back", "plc1", "after 60 s")
        history.add_fact(300.0, "plant_stopped", "A")
        await history.flush()
        assert [(f.t, f.wall, f.kind, f.subject, f.detail) for f in history.facts()] == [
            (100.0, 9000.0, "daemon_started", "daemon", ""),
            (200.0, 9000.0, "link_lost", "plc1", "no answer"),
            (260.0, 9000.0, "link_back", "plc1", "after 60 s"),
            (300.0, 9000.0, "plant_stopped", "A", ""),
        ]
        assert [f.kind for f in history.facts(200.0, 260.0)] == ["link_back"]
        assert [f.kind for f in history.facts(kinds=["link_lost", "link_back"])] == [
            "link_lost",
            "link_back",
        ]
        assert [f.kind for f in history.facts(limit=1)] == ["plant_stopped"]


def test_a_stop_in_order_is_no_kill(tmp_path: Path) -> None:
    """Start, stop and start again leave those three facts and nothing else."""
    for _ in range(2):
        History.open(tmp_path, trains=TRAINS, started_at=1.0).close(stopped_at=2.0)
    facts = HistoryReader(tmp_path).facts()
    assert [f.kind for f in facts] == ["daemon_started", "daemon_stopped"] * 2
    assert [f.t for f in facts] == [1.0, 2.0, 1.0, 2.0]


def test_a_stop_by_an_error_says_so(tmp_path: Path) -> None:
    """When the service breaks while the history is open, the stop carries what broke it."""

    def break_down() -> None:
        with History.open(tmp_path, trains=TRAINS):
            raise OSError("page port taken")

    with pytest.raises(OSError, match="page port taken"):
        break_down()
    stop = HistoryReader(tmp_path).facts()[-1]
    assert (stop.kind, stop.detail) == ("daemon_stopped", "ended by OSError: page port taken")


@pytest.mark.asyncio
async def test_closing_writes_what_waits(tmp_path: Path) -> None:
    """Frames and facts queued just before the close are in the file."""
    history = History.open(tmp_path, trains=TRAINS)
    for second in range(100):
        await history.append(frame(float(second)))
    history.add_fact(1.0, "link_lost", "plc1")
    history.close()
    history.close()
    reader = HistoryReader(tmp_path)
    assert len(reader.raw("A/feed_flow").times) == 100
    assert [f.kind for f in reader.facts()] == ["daemon_started", "link_lost", "daemon_stopped"]


def test_a_second_writer_is_refused(tmp_path: Path) -> None:
    """Two daemons on one store would both stamp and delete: the second one is told."""
    with (
        History.open(tmp_path, trains=TRAINS),
        pytest.raises(StoreInUse, match="another brinelark writes to this store"),
    ):
        History.open(tmp_path, trains=TRAINS)
    History.open(tmp_path, trains=TRAINS).close()


def test_a_damaged_file_is_named_and_the_store_is_free_again(tmp_path: Path) -> None:
    """A file that is no database is refused and kept, and the lock is given back."""
    (tmp_path / FILE).write_bytes(b"no database at all" * 100)
    for _ in range(2):
        with pytest.raises(CorruptedDatabase, match=r"history\.db"):
            History.open(tmp_path, trains=TRAINS)
    assert (tmp_path / FILE).read_bytes() == b"no database at all" * 100


@pytest.mark.asyncio
async def test_a_failing_write_reaches_everybody(tmp_path: Path) -> None:
    """When the disk is full, the waiting minute, `run` and every later call raise it."""
    wide = [f"s{i}" for i in range(2000)]
    history = History.open(tmp_path, trains={"A": wide})
    watcher = asyncio.create_task(history.run())
    await history.append_minute(minute(0, [1.0] * 2000))
    # A full disk, brought about by a page limit on the writer's own connection.
    history._connection.execute("PRAGMA max_page_count = 1")
    with pytest.raises(WriteFailed, match="disk is full"):
        await history.append_minute(minute(60, [1.0] * 2000))
    with pytest.raises(WriteFailed):
        await watcher
    calls = (
        history.append(frame(1.0, [1.0] * 2000)),
        history.append_minute(minute(120, [1.0] * 2000)),
        history.flush(),
    )
    for call in calls:
        with pytest.raises(WriteFailed):
            await call
    with pytest.raises(WriteFailed):
        history.add_fact(1.0, "link_lost", "plc1")
    history.close()
    assert HistoryReader(tmp_path).last_minute("A") == 0


@pytest.mark.asyncio
async def test_a_failure_that_nobody_saw_comes_out_at_the_close(tmp_path: Path) -> None:
    """A write that fails after the last call is not lost: closing raises it."""
    history = History.open(tmp_path, trains=TRAINS)
    other = sqlite3.connect(tmp_path / FILE, isolation_level=None)
    other.execute("DROP TABLE raw")
    other.close()
    await history.append(frame(1.0))
    with pytest.raises(StoreError, match="no such table: raw"):
        history.close()


@pytest.mark.asyncio
async def test_a_cancelled_caller_does_not_disturb_the_writer(tmp_path: Path) -> None:
    """Cancelling who waits for a minute neither loses the minute nor breaks the thread."""
    with History.open(tmp_path, trains=TRAINS) as history:
        task = asyncio.create_task(history.append_minute(minute(60)))
        await asyncio.sleep(0)
        task.cancel()
        await asyncio.wait({task})
        await history.append_minute(minute(120))
        assert [each.time for each in history.minutes("A", signals=SIGNALS)] == [60, 120]


@pytest.mark.asyncio
async def test_it_can_be_read_from_another_thread_while_it_is_written(tmp_path: Path) -> None:
    """A reader thread sees a growing row of whole minutes, never an error and never a gap."""
    seen: list[int] = []
    stop = threading.Event()

    def read() -> None:
        reader = HistoryReader(tmp_path)
        while not stop.is_set():
            times = reader.minute_arrays("A", signals=SIGNALS).times
            assert times.tolist() == [60 * i for i in range(len(times))]
            seen.append(len(times))

    with History.open(tmp_path, trains=TRAINS) as history:
        reading = asyncio.create_task(asyncio.to_thread(read))
        for t in range(300):
            await history.append_minute(minute(60 * t))
        stop.set()
        await reading
        assert history.minute_arrays("A", signals=SIGNALS).times.shape == (300,)
    assert seen == sorted(seen)


_WRITER = """
import asyncio, sys
from pathlib import Path
import numpy as np
from daemon.frames import Frame
from daemon.history import History
from daemon.minutes import Minute

async def main():
    history = History.open(Path(sys.argv[1]), trains={"A": ("a", "b", "c")}, raw_hours=1.0)
    last = history.last_minute("A")
    t = 0 if last is None else last + 60
    while True:
        numbers = np.array([t, t + 1, t + 2], dtype=float)
        quality = np.zeros(3, np.uint8)
        await history.append(Frame("A", float(t), numbers, quality))
        good = np.full(3, t // 60 % 60000, np.uint16)
        await history.append_minute(Minute("A", t, numbers, good, quality, t // 60))
        print(t, flush=True)
        t += 60

asyncio.run(main())
"""


def test_a_kill_at_any_instant_leaves_whole_minutes(tmp_path: Path) -> None:
    """Killed fifteen times: all that was confirmed is there, nothing is torn, each kill is a fact."""
    rng = random.Random(20260301)
    kills, confirmed = 15, -60
    for _ in range(kills):
        writer = subprocess.Popen(
            [sys.executable, "-c", _WRITER, str(tmp_path)],
            stdout=subprocess.PIPE,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            text=True,
        )
        assert writer.stdout is not None
        try:
            for _ in range(rng.randint(1, 120)):
                line = writer.stdout.readline()
                assert line, "the writer ended by itself"
                confirmed = int(line)
        finally:
            writer.send_signal(signal.SIGKILL)
            rest, _ = writer.communicate()
        whole = [line for line in rest.splitlines(keepends=True) if line.endswith("\n")]
        confirmed = int(whole[-1]) if whole else confirmed
        connection = sqlite3.connect(tmp_path / FILE)
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        connection.close()
        arrays = HistoryReader(tmp_path).minute_arrays("A", signals=("a", "b", "c"))
        assert arrays.times[-1] >= confirmed
    assert arrays.times.tolist() == [60 * i for i in range(len(arrays.times))]
    np.testing.assert_array_equal(arrays.values, arrays.times[:, None] + np.arange(3.0))
    np.testing.assert_array_equal(arrays.good, np.repeat(arrays.times[:, None] // 60, 3, axis=1))
    np.testing.assert_array_equal(arrays.frames, arrays.times // 60)
    last = int(arrays.times[-1])
    History.open(tmp_path, trains={"A": ("a", "b", "c")}).close()
    facts = HistoryReader(tmp_path).facts()
    assert sum(fact.kind == "daemon_killed" for fact in facts) == kills
    killed = [fact for fact in facts if fact.kind == "daemon_killed"]
    assert killed[-1].t == last
    assert [fact.kind for fact in facts[-3:]] == [
        "daemon_killed",
        "daemon_started",
        "daemon_stopped",
    ]
