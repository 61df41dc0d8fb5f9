"""Surveys and probes in the record: begun, filled reading by reading, finished with their answer.

A reading that is entered again replaces the earlier one in the answer; both stay in the record.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from daemon.record import Record
from daemon.rows import dumps

Kind = Literal["survey", "probe"]


@dataclass(frozen=True, slots=True)
class Sample:
    """One reading as entered. place : the vessel, or the distance in mm. at : plant time. [s]"""

    place: str
    us_cm: float
    temperature_c: float | None
    at: float
    by: str


@dataclass(frozen=True, slots=True)
class Sampling:
    """One survey or probe. place : the stage, or the vessel. answer : None while it is open.

    samples : the newest of each place, in the order of entering (a probe may have several of one place
    when they were read on purpose).
    """

    id: int
    kind: Kind
    train: str
    place: str
    at: float
    by: str
    meter: dict[str, Any]
    conditions: dict[str, Any]
    answer: dict[str, Any] | None
    finished: float | None
    samples: tuple[Sample, ...]


def begin(
    record: Record,
    kind: Kind,
    train: str,
    place: str,
    *,
    at: float,
    by: str,
    meter: dict[str, Any] | None = None,
    once: str = "",
) -> int:
    """A new survey or probe; returns its number. once : token of the form, see `Record.claim`."""
    with record.transaction() as connection:
        if once:
            record.claim(once)
        cursor = connection.execute(
            "INSERT INTO sampling (kind, train, place, at, by, meter, conditions)"
            " VALUES (?, ?, ?, ?, ?, ?, '{}')",
            (kind, train, place, at, by, dumps(meter or {})),
        )
    assert cursor.lastrowid is not None
    return cursor.lastrowid


def put_samples(record: Record, number: int, samples: Sequence[Sample], *, once: str = "") -> None:
    """Add readings; an earlier one of the same place is set aside."""
    with record.transaction() as connection:
        if once:
            record.claim(once)
        for sample in samples:
            connection.execute(
                "UPDATE sample SET replaced = 1 WHERE sampling = ? AND place = ?",
                (number, sample.place),
            )
        for sample in samples:
            connection.execute(
                "INSERT INTO sample (sampling, place, us_cm, temperature_c, at, by)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (number, sample.place, sample.us_cm, sample.temperature_c, sample.at, sample.by),
            )


def set_aside(record: Record, number: int, place: str, *, once: str = "") -> None:
    """Take the reading of a place out of the answer; it stays in the record."""
    with record.transaction() as connection:
        if once:
            record.claim(once)
        connection.execute(
            "UPDATE sample SET replaced = 1 WHERE sampling = ? AND place = ?", (number, place)
        )


def put_meter(
    record: Record, number: int, meter: dict[str, Any], conditions: dict[str, Any]
) -> None:
    """How the meter was set, its error, and the conditions told by hand."""
    with record.transaction() as connection:
        connection.execute(
            "UPDATE sampling SET meter = ?, conditions = ? WHERE id = ?",
            (dumps(meter), dumps(conditions), number),
        )


def finish(
    record: Record,
    number: int,
    answer: dict[str, Any],
    conditions: dict[str, Any],
    *,
    at: float,
    once: str = "",
) -> None:
    """Close it with its answer."""
    with record.transaction() as connection:
        if once:
            record.claim(once)
        connection.execute(
            "UPDATE sampling SET answer = ?, conditions = ?, finished = ? WHERE id = ?",
            (dumps(answer), dumps(conditions), at, number),
        )


def open_again(record: Record, number: int, *, once: str = "") -> None:
    """Go on with one that was finished: one more reading, or one that was wrong."""
    with record.transaction() as connection:
        if once:
            record.claim(once)
        connection.execute(
            "UPDATE sampling SET answer = NULL, finished = NULL WHERE id = ?", (number,)
        )


def samplings(
    record: Record,
    kind: Kind | None = None,
    train: str | None = None,
    place: str | None = None,
    *,
    limit: int = 200,
) -> list[Sampling]:
    """Surveys and probes, the newest first."""
    sql, arguments = "SELECT * FROM sampling WHERE 1", list[object]()
    for column, value in (("kind", kind), ("train", train), ("place", place)):
        if value is not None:
            sql += f" AND {column} = ?"
            arguments.append(value)
    if not _kept(record):
        return []
    rows = record.select(sql + " ORDER BY at DESC, id DESC LIMIT ?", (*arguments, limit))
    return [_sampling(record, row) for row in rows]


def sampling(record: Record, number: int) -> Sampling | None:
    """One of them by its number, or None."""
    if not _kept(record):
        return None
    rows = record.select("SELECT * FROM sampling WHERE id = ?", (number,))
    return _sampling(record, rows[0]) if rows else None


def opened(record: Record, kind: Kind, train: str, place: str) -> Sampling | None:
    """The newest one that is not finished."""
    rows = record.select(
        "SELECT * FROM sampling WHERE kind = ? AND train = ? AND place = ? AND finished IS NULL"
        " ORDER BY at DESC, id DESC LIMIT 1",
        (kind, train, place),
    )
    return _sampling(record, rows[0]) if rows else None


def _kept(record: Record) -> bool:
    """Whether the file knows of surveys; one of an earlier version that is only read does not."""
    return bool(record.select("SELECT 1 FROM sqlite_master WHERE name = 'sampling'"))


def _sampling(record: Record, row: Any) -> Sampling:
    samples = record.select(
        "SELECT place, us_cm, temperature_c, at, by FROM sample"
        " WHERE sampling = ? AND replaced = 0 ORDER BY id",
        (row["id"],),
    )
    return Sampling(
        id=row["id"],
        kind=row["kind"],
        train=row["train"],
        place=row["place"],
        at=row["at"],
        by=row["by"],
        meter=json.loads(row["meter"]),
        conditions=json.loads(row["conditions"]),
        answer=None if row["answer"] is None else json.loads(row["answer"]),
        finished=row["finished"],
        samples=tuple(Sample(*s) for s in samples),
    )
