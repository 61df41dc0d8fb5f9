"""The load map as CSV: ``position,serial,type,installed,history``, in and out without loss.

position : ``1-03/4``, ``shelf`` or ``scrapped``. installed : a date or an instant. history : every place the
element was given, ``2026-01-05T06:30:00Z A 1-03/4; 2026-03-02 shelf``; the last is its position.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from daemon.eventlog import instant
from daemon.loadmap import AWAY, Change, Element, LoadMapError, Stay, placed
from daemon.plantfile.result import Plant, TrainConfig
from daemon.rows import iso

HEADER = ("position", "serial", "type", "installed", "history")
NEEDED = HEADER[:2]
LONGEST = 200  # characters of a serial number or type


def read(path: Path, plant: Plant, train: TrainConfig) -> list[Change]:
    """The changes that a file asks for; LoadMapError tells everything that cannot be read, with line and column."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise LoadMapError(f"{path}: cannot be read as UTF-8 text ({error})") from error
    return parse(text, str(path), plant, train)


def parse(text: str, name: str, plant: Plant, train: TrainConfig) -> list[Change]:
    """The same from the text of a file. name : how it is called in what is wrong."""
    # Spreadsheets of some countries write semicolons; the history then stands in quotes.
    first = text.partition("\n")[0]
    separator = ";" if first.count(";") > first.count(",") else ","
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    changes: list[Change] = []
    problems: list[str] = []
    columns: dict[str, int] = {}
    try:
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            if not columns:
                columns = _header(row, f"{name}:{rows.line_num}")
                continue
            change, wrong = _row(row, columns, f"{name}:{rows.line_num}", plant, train)
            problems += wrong
            if change is not None:
                changes.append(change)
    except csv.Error as error:
        problems.append(f"{name}:{rows.line_num}: not a CSV: {error}")
    if not columns and not problems:
        problems.append(f"{name}: is empty; the header is {','.join(HEADER)}")
    if problems:
        raise LoadMapError("\n".join(problems))
    return changes


def _header(row: Sequence[str], where: str) -> dict[str, int]:
    names = [cell.strip().lower() for cell in row]
    problems = [f"{where}: the header has no column {n!r}" for n in NEEDED if n not in names]
    problems += [
        f"{where}: column {i} ({name!r}) is not known; use {', '.join(HEADER)}"
        for i, name in enumerate(names, 1)
        if name not in HEADER
    ]
    problems += [
        f"{where}: column {name!r} stands there twice" for name in HEADER if names.count(name) > 1
    ]
    if problems:
        raise LoadMapError("\n".join(problems))
    return {name: names.index(name) for name in names}


def _row(
    row: Sequence[str], columns: dict[str, int], where: str, plant: Plant, train: TrainConfig
) -> tuple[Change | None, list[str]]:
    """One line as a change, and what is wrong with it."""
    wrong: list[str] = []

    def cell(name: str) -> str:
        column = columns.get(name, len(row))
        return row[column].strip() if column < len(row) else ""

    def problem(name: str, text: str) -> None:
        wrong.append(f"{where}: column {columns[name] + 1} ({name}): {text}")

    if len(row) > len(columns):
        wrong.append(
            f"{where}: {len(row)} fields for {len(columns)} columns; quote what has commas"
        )
    place, serial = cell("position"), cell("serial")
    if place.lower() in AWAY:
        place = place.lower()
    else:
        place, said = placed(train, place)
        if said:
            problem("position", said)
    if not serial:
        problem("serial", "is empty; every element needs its serial number")
    for name in ("serial", "type"):
        if len(cell(name)) > LONGEST:
            problem(name, f"has {len(cell(name))} characters, at most {LONGEST}")
    installed = None
    if cell("installed"):
        installed, said = _instant(cell("installed"))
        if said:
            problem("installed", said)
    past: list[Stay] = []
    if cell("history"):
        past, told = _history(cell("history"), plant, train)
        for text in told:
            problem("history", text)
        if not told and past and past[-1].place != place:
            problem(
                "history", f"ends at {past[-1].place}, but the position is {place or 'not known'}"
            )
    if wrong:
        return None, wrong
    change = Change(serial, place, where=where, type=cell("type"), installed=installed)
    if past:
        change = replace(change, at=past[-1].at, past=tuple(past[:-1]))
    return change, []


def _history(text: str, plant: Plant, train: TrainConfig) -> tuple[list[Stay], list[str]]:
    """The places of an element in order of time, and what is wrong with them."""
    stays: list[Stay] = []
    wrong: list[str] = []
    for part in filter(None, (p.strip() for p in text.split(";"))):
        words = part.split()
        at, said = _instant(words[0])
        if said or at is None:
            wrong.append(said)
            continue
        if stays and at < stays[-1].at:
            wrong.append(f"{part!r} comes before what stands in front of it")
            continue
        of, place = (words[1] if len(words) == 3 else train.id), words[-1]
        if len(words) == 2 and place in AWAY:
            stays.append(Stay(at, "", place, "", ""))
        elif len(words) not in (2, 3) or of not in [t.id for t in plant.trains]:
            wrong.append(f"{part!r} is not a time with a place; write 2026-01-05 {train.id} 1-03/4")
        else:
            where, told = placed(plant.train(of), place)
            if told:
                wrong.append(told)
            else:
                stays.append(Stay(at, of, where, "", ""))
    return stays, wrong


def _instant(text: str) -> tuple[float | None, str]:
    """Seconds of a date (its midnight in UTC) or of an instant with its zone, or what is wrong with it."""
    try:
        if len(text) == 10:
            return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp(), ""
    except ValueError:
        return None, f"{text!r} is not a date; write 2026-01-05 or 2026-01-05T06:30:00Z"
    at, wrong = instant(text)
    return at, "; ".join(wrong)


def written(elements: Sequence[Element], train: TrainConfig) -> str:
    """The CSV of a train's elements and of those on the shelf or scrapped, in flow direction."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    for element in sorted((e for e in elements if e.train in ("", train.id)), key=order):
        writer.writerow(
            [
                element.place,
                element.serial,
                element.type,
                iso(element.installed) or "",
                "; ".join(
                    " ".join(filter(None, (iso(s.at), s.train, s.place))) for s in element.history
                ),
            ]
        )
    return out.getvalue()


def order(element: Element) -> tuple[int, int, int, int, str]:
    """In flow direction, then the shelf, then what was scrapped."""
    if element.place in AWAY:
        return 1 + AWAY.index(element.place), 0, 0, 0, element.serial
    vessel, _, position = element.place.partition("/")
    stage, _, number = vessel.partition("-")
    return 0, int(stage), int(number), int(position), element.serial
