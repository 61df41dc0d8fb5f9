"""A plant with its stores, a wall clock that can be moved, and a client of its page."""

import time
from collections.abc import Callable
from pathlib import Path

from fastapi.testclient import TestClient

from daemon.history import History
from daemon.page import create_app
from daemon.plantfile import Plant
from daemon.record import Record
from rules.findings import Finding
from tests.fake_clock import FakeClock
from tests.web import month


class Bench:
    """A plant with its stores, a wall clock that can be moved, and a client."""

    def __init__(self, folder: Path, wall: Callable[[], float] = time.time) -> None:
        """wall : what sign-ins go by; the history's wall clock is `self.wall`."""
        self.plant: Plant = month.load_plant(folder)
        self.wall = month.NOW
        self.clock = FakeClock(start=month.NOW)
        self.record = Record.open(folder, durable=False)
        self.history: History = month.open_history(self.plant, folder, lambda: self.wall)
        self.app = create_app(self.plant, self.record, self.history, clock=self.clock, wall=wall)
        self.client = TestClient(self.app)

    def get(self, path: str) -> dict:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def train(self, train_id: str = "A") -> dict:
        return self.get(f"/api/train/{train_id}")["train"]

    def feed(self, train_id: str = "A", **kwargs: object) -> None:
        month.feed(self.plant, self.history, train_id, **kwargs)

    def tell(self, finding: Finding, train_id: str = "A", at: float = month.NOW - 3600) -> str:
        return month.raise_notice(self.record, self.plant, train_id, finding, at)

    def close(self) -> None:
        self.client.close()
        self.history.close()
        self.record.close()
