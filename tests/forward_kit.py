"""What tests of forwarding need: a small plant with odd names, stored minutes, digests, and a way to wait."""

import asyncio
import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from daemon.clock import Clock
from daemon.forward import Forwarder
from daemon.history import History
from daemon.influx import LineWriter
from daemon.minutes import Minute
from daemon.plantfile import Plant, load
from daemon.record import Record

SITE = "North, well = field 7"
ROLES = (
    ("feed_flow", None, "m3/h"),
    ("feed_temperature", None, "degC"),
    ("feed_conductivity", None, "uS/cm"),
    ("permeate_flow", None, "m3/h"),
    ("permeate_conductivity", None, "uS/cm"),
    ("permeate_pressure", None, "bar"),
    ("feed_pressure", 1, "bar"),
    ("concentrate_pressure", 1, "bar"),
)


def forward_plant(folder: Path, url: str = "http://127.0.0.1:9", *, token: str = "") -> Plant:
    """An invented plant with train A: eight signals of train and stage, and one of vessel 1-03."""
    text = f"""
[site]
name = "{SITE}"
[[device]]
id = "log"
protocol = "csv"
path = "export.csv"
[store]
folder = "{folder}"
[forward]
url = "{url}"
org = "plant"
bucket = "ro"
{'token_file = "token"' if token else ""}
[[train]]
id = "A"
[[train.stage]]
vessels = 6
elements_per_vessel = 7
element_area_m2 = 37.2
"""
    for n, (role, stage, unit) in enumerate(ROLES):
        where = "" if stage is None else f"stage = {stage}\n"
        text += f'[[train.point]]\nrole = "{role}"\n{where}device = "log"\ncolumn = "X{n}"\n'
        text += f'unit = "{unit}"\nrange = [0, {100 if unit in ("bar", "degC") else 10000}]\n'
    text += '[[train.point]]\nrole = "permeate_conductivity"\nvessel = "1-03"\n'
    text += 'device = "log"\ncolumn = "V3"\nunit = "uS/cm"\nrange = [0, 10000]\n'
    path = folder / "plant.toml"
    path.write_text(text, encoding="utf-8")
    if token:
        (folder / "token").write_text(token, encoding="utf-8")
        (folder / "token").chmod(0o600)
    return load(path)


def open_history(plant: Plant) -> History:
    """The history of the plant's store."""
    signals = {train.id: train.model.signals for train in plant.trains}
    return History.open(plant.store.folder, trains=signals)


def minute(plant: Plant, time: int, values: Sequence[float] | None = None) -> Minute:
    """A minute of train A; by default every signal is different, and so is every minute."""
    width = len(plant.train("A").model.signals)
    if values is None:
        values = [column + (time // 60) % 10000 / 8.0 for column in range(width)]
    row = np.array(values, float)
    good = np.isfinite(row).astype(np.uint16)
    return Minute("A", time, row, good, np.where(good, 0, 2).astype(np.uint8), 1)


async def store_minutes(history: History, plant: Plant, start: int, count: int) -> list[int]:
    """Store `count` minutes from `start`; gives their times."""
    times = [start + 60 * n for n in range(count)]
    await asyncio.gather(*(history.append_minute(minute(plant, t)) for t in times))
    return times


@dataclass(frozen=True)
class Body:
    """Looks like a digest or a baseline to the record."""

    start: float
    values: dict[str, float] = field(default_factory=dict)

    @property
    def made_at(self) -> float:
        return self.start + 3600.0

    def to_json(self) -> str:
        return json.dumps({"start": self.start, "values": self.values})


def put(record: Record, *, digests: Sequence[Body] = (), baselines: Sequence[Body] = ()) -> None:
    """Store digests and baselines of train A."""
    with record.transaction():
        for digest in digests:
            record.put_digest("A", digest)
        for baseline in baselines:
            record.put_baseline("A", baseline)


def lines_until(record: Record, stream: str = "minute") -> float:
    """How far a stream of train A was taken; -inf before anything was."""
    marks = record.forwarded("A", stream)
    return -math.inf if marks is None else marks[0]


async def forward_until(
    done: Callable[[], bool],
    plant: Plant,
    record: Record,
    history: History,
    clock: Clock,
    *,
    writer: LineWriter | None = None,
    **options: float,
) -> None:
    """Forward until `done`, then stop; what breaks comes out."""
    forwarder = Forwarder(
        record,
        history,
        plant,
        clock,
        note=history.add_fact,
        writer=writer,
        **options,  # type: ignore[arg-type]
    )
    task = asyncio.create_task(forwarder.run())
    try:
        async with asyncio.timeout(60):
            while True:
                if done() or task.done():
                    break
                await asyncio.sleep(0.005)
    finally:
        task.cancel()
        await asyncio.wait([task])
    if not task.cancelled():
        await task
