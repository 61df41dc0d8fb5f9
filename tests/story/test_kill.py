"""The daemon killed at random instants: no notice lost, none repeated without its key, history whole."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from daemon import plantfile
from daemon.history_reader import HistoryReader
from daemon.record import Record
from tests.story.plant_kit import ROOT, Receivers, journal_of_replay, receivers, simulated

KILLS = 50
SPEED = 5_000
TAGS = (
    "feed_ph",
    "1/permeate_flow",
    "feed_orp",
    "2/feed_pressure",
    "feed_turbidity",
    "2/permeate_flow",
)
FAULT = """
[[fault]]
kind = "transmitter_lost"
tag = "{tag}"
onset_day = {start:.2f}
growth = "step"
until_day = {end:.2f}
"""


def scenario() -> str:
    """Transmitters that fail and come back all the time, so that there is always something to tell."""
    head = 'title = "Failing transmitters"\ndescription = "One after the other."\ndays = 60\n'
    head += (
        '[expected]\noutcome = "notice"\ncause = "instrument_fault"\naction = "check_instrument"\n'
    )
    faults = [
        FAULT.format(tag=TAGS[k % len(TAGS)], start=0.15 + 0.15 * k, end=0.15 + 0.15 * k + 0.45)
        for k in range(120)
    ]
    return head + "".join(faults)


def start(plant_file: Path) -> subprocess.Popen[bytes]:
    """A daemon of its own process."""
    return subprocess.Popen(
        [sys.executable, "-m", "daemon", "run", str(plant_file), "--no-page"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


def kill_at_random(plant_file: Path, chance: random.Random) -> None:
    """One life: one in five ends while starting, the others within seconds of watching."""
    daemon = start(plant_file)
    assert daemon.stdout is not None
    try:
        if chance.random() < 0.2:
            time.sleep(chance.uniform(0.3, 1.5))
        else:
            # "watching", or what it caught up with before.
            assert daemon.stdout.readline(), "the daemon did not start"
            time.sleep(chance.uniform(0.0, 1.5))
    finally:
        daemon.send_signal(signal.SIGKILL)
        daemon.wait()
        daemon.stdout.close()


def told(folder: Path, minutes: int) -> int | None:
    """The newest journal line when some minutes were judged since and nothing waits to be sent; else None."""
    with Record.open(folder, read_only=True) as record:
        newest = record.journal()[-1].seq
        progress = record.progress("A")
        waiting = [m for m in record.outgoing("waiting") if m.journal_seq <= newest]
    return newest if progress is not None and progress.minute >= minutes and not waiting else None


def test_killed_fifty_times_nothing_is_lost_or_repeated_unknown(tmp_path: Path) -> None:
    """After 50 kills every journalled message has arrived, and a replay of the history tells the same."""
    chance = random.Random(20260101)
    with (
        receivers() as got,
        simulated(tmp_path, scenario(), speed=SPEED, contacts=got.http_contact()) as plant_of,
    ):
        folder = tmp_path / "store"
        for _ in range(KILLS):
            kill_at_random(plant_of.plant_file, chance)
        daemon = start(plant_of.plant_file)
        try:
            newest = HistoryReader(folder).last_minute("A")
            assert newest is not None
            limit = time.monotonic() + 120.0
            while (last := told(folder, newest + 6 * 3600)) is None:
                assert daemon.poll() is None, "the daemon ended by itself"
                assert time.monotonic() < limit, "messages still wait to be sent"
                time.sleep(0.1)
            daemon.send_signal(signal.SIGTERM)
            assert daemon.wait(30.0) == 0
        finally:
            daemon.kill()
            daemon.wait()
            assert daemon.stdout is not None
            daemon.stdout.close()
        check(plant_of.plant_file, folder, got, last)


def check(plant_file: Path, folder: Path, got: Receivers, last: int) -> None:
    """Everything that must hold after the last daemon has stopped in order.

    last : journal line up to which everything had been sent. The plant goes on failing while the
        daemon stops: what came after that line may wait for the next start, and nothing else.
    """
    for name in ("history.db", "record.db"):
        connection = sqlite3.connect(folder / name)
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        connection.close()
    killed = HistoryReader(folder).facts(kinds=("daemon_killed",))
    assert KILLS // 2 < len(killed) <= KILLS
    with Record.open(folder, read_only=True) as record:
        journal = record.journal()
        sent = record.outgoing("sent")
        waiting = record.outgoing("waiting")
        assert not record.outgoing("needs_person")
    assert len(journal) >= 20, "too little happened to prove anything"
    assert all(message.journal_seq > last for message in waiting)
    by_notice: dict[str, list[int]] = {}
    for line in journal:
        by_notice.setdefault(line.notice, []).append(line.number)
    assert all(numbers == list(range(1, len(numbers) + 1)) for numbers in by_notice.values())
    assert sorted(by_notice) == [f"A-{n:04d}" for n in range(1, len(by_notice) + 1)]
    arrived = Counter(got.keys())
    known = {message.key for message in sent}
    assert known <= set(arrived) <= known | {message.key for message in waiting}
    repeated = sum(arrived.values()) - len(arrived)
    assert repeated <= KILLS
    assert max(arrived.values()) <= 1 + repeated
    plant = plantfile.load(plant_file)
    # A minute that was stored and not yet judged when the daemon stopped is judged by the replay.
    replayed = journal_of_replay(plant, folder)
    assert replayed[: len(journal)] == [line.body for line in journal]
