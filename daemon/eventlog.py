"""The events CSV: what people did to a plant, ``time,train,event,detail``."""

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from daemon.record import EVENTS

HEADER = ("time", "train", "event", "detail")
AHEAD_S = 3600.0
"""Clocks differ; an event further ahead of the plant than this is a slip of the pen. [s]"""


class EventLogError(Exception):
    """An events CSV that cannot be used: one line for each problem, with its place."""


@dataclass(frozen=True, slots=True)
class LoggedEvent:
    """One row: seconds since 1970-01-01 UTC, train, event, detail."""

    t: float
    train: str
    event: str
    detail: str


def read(path: Path, trains: Sequence[str]) -> list[LoggedEvent]:
    """All events of the file in order of time; EventLogError lists every bad row.

    trains : ids that the plant has.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise EventLogError(f"{path}: cannot be read as UTF-8 text ({error})") from error
    rows = list(csv.reader(text.splitlines()))
    if not rows or tuple(cell.strip() for cell in rows[0])[:3] != HEADER[:3]:
        raise EventLogError(f"{path}:1: the header must be {','.join(HEADER)}")
    events: list[LoggedEvent] = []
    problems: list[str] = []
    for number, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            continue
        cells = [cell.strip() for cell in row] + ["", "", "", ""]
        at, wrong = instant(cells[0])
        if cells[1] not in trains:
            wrong.append(f"train {cells[1]!r} is not in the plant file; it has {', '.join(trains)}")
        if cells[2] not in EVENTS:
            wrong.append(f"event {cells[2]!r} is not known; use {', '.join(EVENTS)}")
        if len(row) > len(HEADER):
            wrong.append(f"{len(row)} fields, at most {len(HEADER)}; quote a detail with commas")
        if wrong or at is None:
            problems += [f"{path}:{number}: {text}" for text in wrong]
        else:
            events.append(LoggedEvent(at, cells[1], cells[2], cells[3]))
    if problems:
        raise EventLogError("\n".join(problems))
    return sorted(events, key=lambda e: e.t)


def instant(text: str) -> tuple[float | None, list[str]]:
    """Seconds since 1970-01-01 UTC of an ISO 8601 time with zone, or None and what is wrong with it."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None, [f"time {text!r} is not ISO 8601; write 2026-01-05T06:30:00Z"]
    if at.tzinfo is None:
        return None, [f"time {text!r} has no zone; add Z or an offset such as +01:00"]
    return at.timestamp(), []
