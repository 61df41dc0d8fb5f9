"""Makes the old histories that the upgrade tests open: python -m tests.upgrade.make_history.

Run once for each format, when it is new; the file is then committed and kept for ever. It holds a
run that was killed, so that opening it also shows how a kill is found.
"""

import asyncio
import shutil
import tempfile
from pathlib import Path

import numpy as np

from daemon import sqlite
from daemon.frames import Frame
from daemon.history import MIGRATIONS, History
from daemon.history_reader import FILE
from daemon.minutes import Minute

SIGNALS = ("feed_flow", "1/feed_pressure")
START = 1_772_323_200  # 2026-03-01 00:00 UTC
STARTED_WALL = 1_772_323_190.0
NAN = float("nan")


async def fill(history: History) -> None:
    """Three minutes with a gap in the second, their frames, and a lost link."""
    for i in range(3):
        values = np.array([30.0 + i, NAN if i == 1 else 9.5])
        good = np.array([1, 0 if i == 1 else 1], np.uint16)
        quality = np.array([0, 2 if i == 1 else 0], np.uint8)
        down = ("plc2",) if i == 1 else ()
        t = START + 60 * i
        await history.append(Frame("A", float(t), values, quality, down))
        await history.append_minute(Minute("A", t, values, good, quality, 1, down))
    history.add_fact(START + 60.0, "link_lost", "plc2", "no answer")
    await history.flush()


def make(path: Path) -> None:
    """Write the history as a kill right after the third minute leaves it."""
    with tempfile.TemporaryDirectory() as folder:
        history = History.open(
            Path(folder),
            trains={"A": SIGNALS},
            started_at=float(START - 10),
            wall=lambda: STARTED_WALL,
        )
        asyncio.run(fill(history))
        copy = Path(folder) / "killed.db"
        for suffix in ("", "-wal"):
            shutil.copyfile(Path(folder) / (FILE + suffix), f"{copy}{suffix}")
        history.close()
        # Opening and closing empties the log into the one file.
        sqlite.open_database(copy, MIGRATIONS, synchronous="FULL").close()
        shutil.copyfile(copy, path)


if __name__ == "__main__":
    make(Path(__file__).parent / f"history_{len(list(MIGRATIONS.glob('*.sql'))):04d}.db")
