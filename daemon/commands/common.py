"""What several commands share: how a wrong use is told, quiet libraries, plant time, plain counts."""

import logging
import os
from datetime import UTC, datetime
from pathlib import Path

from daemon import eventlog
from daemon.clock import LIVE_S
from daemon.history_reader import HistoryReader
from daemon.plantfile import Plant, TrainConfig
from daemon.record import FILE as RECORD
from daemon.record import Record
from daemon.rows import iso

NOISY = ("asyncua", "pymodbus")
"""Libraries that log, some with whole frames, what their calls also raise; our drivers tell it once."""


class UsedWrongly(Exception):
    """A command line that cannot be done; the text says why and what would do."""


class NothingYet(Exception):
    """There is no record to look at; the text says where it was looked for."""


def quiet_libraries() -> None:
    """Keep the lines of libraries out of the log; our own stay."""
    for name in NOISY:
        logging.getLogger(name).setLevel(logging.CRITICAL)
    for name in ("uvicorn", "apprise", "httpx"):
        logging.getLogger(name).setLevel(logging.WARNING)


def train_of(plant: Plant, train_id: str) -> TrainConfig:
    """The train with this id; UsedWrongly names those that there are."""
    try:
        return plant.train(train_id)
    except KeyError:
        has = ", ".join(train.id for train in plant.trains)
        raise UsedWrongly(f"train {train_id} is not in the plant file; it has {has}") from None


def check_writable(path: Path, option: str) -> None:
    """Raise UsedWrongly when a file that is to be written cannot be; nothing is written yet."""
    folder = path.parent
    if path.is_dir():
        raise UsedWrongly(f"{option} {path}: this is a folder; name a file in it")
    if not folder.is_dir():
        raise UsedWrongly(f"{option} {path}: there is no folder {folder}; make it first")
    if not os.access(path if path.exists() else folder, os.W_OK):
        raise UsedWrongly(f"{option} {path}: may not be written; check the permissions")


def open_record(plant: Plant, *, read_only: bool) -> Record:
    """The record of a plant that has been watched already."""
    if not (plant.store.folder / RECORD).exists():
        raise NothingYet(
            f"no record in {plant.store.folder} yet: has `brinelark run` been started?"
        )
    return Record.open(plant.store.folder, read_only=read_only)


def plant_now(plant: Plant, record: Record, train_id: str) -> datetime | None:
    """Now in the time of a train's readings, or None before its first reading.

    The gateway's clock for a plant that lives by it; else the newest reading, for a plant that is
    simulated or replayed. What has been judged alone would not do: a train at a standstill is not.
    """
    progress = record.progress(train_id)
    known = [] if progress is None else [progress.at]
    reader = HistoryReader(plant.store.folder)
    latest = reader.latest(train_id) if reader.path.is_file() else None
    if latest is not None:
        if abs(latest.time - latest.wall) <= LIVE_S:
            known.append(datetime.now(UTC).timestamp())
        known.append(latest.time)
    return datetime.fromtimestamp(max(known), UTC) if known else None


def when_done(plant: Plant, record: Record, train: str, at: str | None) -> float:
    """When something was done to a train: as written, else now in its time; not in the future. [s]"""
    now = plant_now(plant, record, train)
    if at is None:
        if now is None:
            raise UsedWrongly(
                f"train {train} has no reading yet, so its time is not known; give --at"
            )
        return now.timestamp()
    when, wrong = eventlog.instant(at)
    if when is None:
        raise UsedWrongly("; ".join(wrong))
    latest = now or datetime.now(UTC)
    if when > latest.timestamp() + eventlog.AHEAD_S:
        raise UsedWrongly(
            f"{iso(when)} is in the future: it is {iso(latest.timestamp())} at train {train}; "
            "enter it once it is done"
        )
    return when


def counted(number: int, noun: str) -> str:
    """``1 notice``, ``2 notices``."""
    return f"{number} {noun}{'' if number == 1 else 's'}"
