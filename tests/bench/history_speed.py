"""How fast the history takes and gives: python -m tests.bench.history_speed [minutes]. Prints a table."""

import asyncio
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from daemon.frames import Frame
from daemon.history import History
from daemon.history_reader import FILE
from daemon.minutes import Minute

SIGNALS = tuple(f"s{i:02d}" for i in range(26))


async def fill(history: History, minutes: int, batch: int) -> float:
    """Store so many minutes, `batch` of them waiting together; gives minutes per second."""
    start = (history.last_minute("A") or 0) + 60
    values, good = np.arange(26.0) + 0.5, np.full(26, 60, np.uint16)
    worst = np.zeros(26, np.uint8)
    began = time.perf_counter()
    for first in range(0, minutes, batch):
        many = range(first, min(first + batch, minutes))
        await asyncio.gather(
            *(
                history.append_minute(Minute("A", start + 60 * i, values, good, worst, 60))
                for i in many
            )
        )
    return minutes / (time.perf_counter() - began)


async def live(history: History, frames: int) -> float:
    """Each frame its own minute, each awaited, as in an accelerated plant; frames per second."""
    start = (history.last_minute("A") or 0) + 60
    values, good = np.arange(26.0) + 0.5, np.full(26, 1, np.uint16)
    quality = np.zeros(26, np.uint8)
    began = time.perf_counter()
    for i in range(frames):
        t = start + 60 * i
        await history.append(Frame("A", float(t), values, quality))
        await history.append_minute(Minute("A", t, values, good, quality, 1))
    return frames / (time.perf_counter() - began)


async def measure(minutes: int) -> None:
    """Fill, read, and print."""
    with tempfile.TemporaryDirectory() as folder:
        history = History.open(Path(folder), trains={"A": SIGNALS})
        try:
            rows = [("frame + own minute, each awaited", f"{await live(history, 2000):.0f} /s")]
            rows.append(("minutes, 500 at once", f"{await fill(history, minutes, 500):.0f} /s"))
            began = time.perf_counter()
            arrays = history.minute_arrays("A", signals=SIGNALS)
            took = time.perf_counter() - began
            rows.append((f"{len(arrays.times)} minutes x 26 into arrays", f"{took:.2f} s"))
            began = time.perf_counter()
            count = sum(1 for _ in history.minutes("A", 0, 60 * 20_000, signals=SIGNALS))
            took = time.perf_counter() - began
            rows.append(("one by one", f"{count / took:.0f} /s"))
        finally:
            history.close()
        size = (Path(folder) / FILE).stat().st_size
        rows.append(("file", f"{size / 1e6:.0f} MB, {size / len(arrays.times):.0f} B/minute"))
    for what, figure in rows:
        print(f"{what:40} {figure:>24}")


if __name__ == "__main__":
    asyncio.run(measure(int(sys.argv[1]) if len(sys.argv) > 1 else 525_600))
