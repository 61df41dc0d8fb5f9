"""How long a year of digests takes to reach a browser: python -m tests.bench.page_speed. Prints a table."""

import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from fastapi.testclient import TestClient

from daemon.page import create_app
from daemon.record import Record
from tests.fake_clock import FakeClock
from tests.web import month

QUARTERS = 365 * 96


@dataclass(frozen=True)
class Stamped:
    """The body of one digest at another start: only the reading of it is measured."""

    start: float
    body: str

    def to_json(self) -> str:
        return self.body


def measure(folder: Path) -> None:
    """Serve the 35 040 digests of a year from `folder`, read cold and again."""
    plant = month.load_plant(folder, ("A",))
    body = next(month.digests(faulty=False)).to_json()
    last = np.floor(month.NOW / 900.0) * 900.0
    with (
        Record.open(folder, durable=False) as record,
        month.open_history(plant, folder, lambda: month.NOW) as history,
    ):
        with record.transaction():
            for k in range(QUARTERS, 0, -1):
                record.put_digest("A", Stamped(last - k * 900.0, body))
            record.put_baseline("A", month.baseline())
        app = create_app(plant, record, history, clock=FakeClock(start=month.NOW))
        with TestClient(app) as client:
            print(f"\n{'digests':>8} {'body':>7}  {'address':40} {'time':>8}")
            for again in ("", " (again)"):
                for path in ("/api/train/A/trends?days=365", "/train/A?days=365", "/"):
                    began = time.perf_counter()
                    answer = client.get(path)
                    took = time.perf_counter() - began
                    print(f"{QUARTERS:8} {len(body):6}B  {path + again:40} {took:6.3f} s")
                    if answer.status_code != 200:
                        raise RuntimeError(f"{path}: {answer.text}")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        measure(Path(name))
