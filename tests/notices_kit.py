"""What tests of notices and delivery need: a small plant, findings, a digest, and where the record lies."""

import json
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from daemon.plantfile.result import (
    BaselineConfig,
    Contact,
    Design,
    Page,
    Plant,
    Prices,
    Site,
    Store,
    TrainConfig,
)
from daemon.record import FILE, Record
from rules.findings import CauseProbability, Finding, Presence
from rules.train import Limits, Stage, Train, Water

START = 1_767_571_200.0  # Monday 2026-01-05 00:00 UTC
HOUR = 3600.0
DAY = 24 * HOUR
TECH = Contact("tech", ("json://127.0.0.1:9/tech",), hours=("00:00", "00:00"), days=tuple(range(7)))


def plant(folder: Path, *contacts: Contact, timezone: str = "UTC", trains: str = "AB") -> Plant:
    """A plant with trains A and B, and `contacts` (one who always works, when none is given)."""
    stages = (Stage(vessels=4, elements_per_vessel=6, element_area_m2=37.0),)
    return Plant(
        path=folder / "plant.toml",
        site=Site("Invented wells", timezone),
        devices={},
        device_clock={},
        trains=tuple(
            TrainConfig(
                id=name,
                name=f"Line {name}",
                stages=stages,
                points=(),
                limits=Limits(),
                baseline=BaselineConfig(),
                design=Design(),
                element_test=None,
                prices=Prices(),
                model=Train(name, stages, ()),
            )
            for name in trains
        ),
        contacts=contacts or (TECH,),
        store=Store(folder),
        page=Page(),
        forward=None,
        water=Water(),
    )


def finding(presence: Presence = Presence.PRESENT, **changes: Any) -> Finding:
    """A scaling finding that confirms in 30 minutes and clears in an hour."""
    values: dict[str, Any] = {
        "matter": "performance",
        "stage": 1,
        "causes": (CauseProbability("scaling", 0.8), CauseProbability("biofouling", 0.1)),
        "action": "clean",
        "priority": "medium",
        "message": "Scaling grows in stage 1.",
        "confirm_s": 1800.0,
        "clear_s": 3600.0,
    }
    return Finding(presence=presence, **(values | changes))


@dataclass(frozen=True)
class FakeDigest:
    """Looks like a digest to the record."""

    start: float
    text: str = "quarter"

    def to_json(self) -> str:
        return json.dumps({"start": self.start, "text": self.text})


@dataclass(frozen=True)
class FakeBaseline:
    """Looks like a baseline to the record."""

    made_at: float

    def to_json(self) -> str:
        return json.dumps({"made_at": self.made_at})


@cache
def _fresh_file() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        Record.open(Path(folder)).close()
        return (Path(folder) / FILE).read_bytes()


def quick_record(folder: Path) -> Record:
    """A record that never waits for the disk; a new one is the copy of a new one."""
    if not (folder / FILE).exists():
        (folder / FILE).write_bytes(_fresh_file())
    return Record.open(folder, durable=False)
