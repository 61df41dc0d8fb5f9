"""Histories of every older format are read and go on; newer ones are refused untouched."""

import asyncio
import hashlib
import math
import shutil
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from daemon.history import MIGRATIONS, History
from daemon.history_reader import FILE, HistoryReader
from daemon.minutes import Minute
from daemon.sqlite import NewerDatabase
from drivers.protocol import Quality

HERE = Path(__file__).parent
OLD = sorted(HERE.glob("history_*.db"))
# What make_history.py put in, written out by hand.
START = 1_772_323_200
NAN = math.nan


def stored(t: int, values: list[float], good: list[int], worst: list[int], down: str) -> Minute:
    return Minute(
        "A",
        t,
        np.array(values),
        np.array(good, np.uint16),
        np.array(worst, np.uint8),
        1,
        (down,) if down else (),
    )


EXPECTED = [
    stored(START, [30.0, 9.5], [1, 1], [0, 0], ""),
    stored(START + 60, [31.0, NAN], [1, 0], [0, 2], "plc2"),
    stored(START + 120, [32.0, 9.5], [1, 1], [0, 0], ""),
]


def test_every_format_has_its_old_file() -> None:
    """For each migration there is a kept file of that format."""
    formats = [path.stem for path in sorted(MIGRATIONS.glob("*.sql"))]
    assert [path.stem for path in OLD] == [f"history_{number}" for number in formats]
    assert formats


@pytest.mark.parametrize("old", OLD, ids=lambda path: path.stem)
def test_an_old_history_is_read_and_goes_on(tmp_path: Path, old: Path) -> None:
    """Nothing of an old history is lost, its kill is found, and new minutes follow."""
    shutil.copyfile(old, tmp_path / FILE)
    signals = ("feed_flow", "1/feed_pressure")
    new = stored(START + 180, [33.0, 9.5], [1, 1], [0, 0], "")
    with History.open(tmp_path, trains={"A": signals}) as history:
        assert list(history.minutes("A", signals=signals)) == EXPECTED
        asyncio.run(history.append_minute(new))
    reader = HistoryReader(tmp_path)
    assert list(reader.minutes("A", signals=signals)) == [*EXPECTED, new]
    raw = reader.raw("A/1/feed_pressure")
    np.testing.assert_array_equal(raw.values, [9.5, NAN, 9.5])
    assert raw.quality.tolist() == [Quality.GOOD, Quality.BAD, Quality.GOOD]
    facts = [(fact.kind, fact.t) for fact in reader.facts()]
    assert facts[:3] == [
        ("daemon_started", START - 10.0),
        ("link_lost", START + 60.0),
        ("daemon_killed", START + 120.0),
    ]
    assert [kind for kind, _ in facts[3:]] == ["daemon_started", "daemon_stopped"]
    latest = reader.latest("A")
    assert latest is not None
    assert latest.values == {"feed_flow": 32.0, "1/feed_pressure": 9.5}


@pytest.mark.parametrize("old", OLD, ids=lambda path: path.stem)
def test_a_newer_history_is_refused_and_not_one_byte_changes(tmp_path: Path, old: Path) -> None:
    """A history of the next format gives NewerDatabase, and the file stays as it was."""
    path = tmp_path / FILE
    shutil.copyfile(old, path)
    newest = len(list(MIGRATIONS.glob("*.sql")))
    newer = sqlite3.connect(path)
    newer.execute(f"PRAGMA user_version = {newest + 1}")
    newer.close()
    before = hashlib.sha256(path.read_bytes()).digest(), path.stat().st_mtime_ns
    with pytest.raises(NewerDatabase, match=rf"format {newest + 1}, this one knows {newest}"):
        History.open(tmp_path, trains={"A": ("feed_flow",)})
    assert (hashlib.sha256(path.read_bytes()).digest(), path.stat().st_mtime_ns) == before
    assert sorted(p.name for p in tmp_path.glob(f"{FILE}*")) == [FILE]
