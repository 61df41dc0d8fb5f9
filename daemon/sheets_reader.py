"""A sheet of handheld readings as a CSV, in any usual unit: cells read, and everything that is wrong told at once.

The header names what and in which unit: ``vessel,conductivity_us_cm,temperature_c``, ``distance_mm,...``;
``conductivity_ms_cm``, ``temperature_f``, ``distance_in`` or ``depth_cm`` do as well. A column without its unit
(``conductivity``) takes the unit given by hand, else the usual one.
"""

import csv
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from daemon import eventlog

UNITS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    # spelling -> (zero, scale): value inside = (value - zero) * scale
    "conductivity": {
        "us_cm": (0.0, 1.0),
        "ms_cm": (0.0, 1000.0),
        "ms_m": (0.0, 10.0),
        "us_m": (0.0, 0.01),
    },
    "temperature": {"c": (0.0, 1.0), "f": (32.0, 5.0 / 9.0), "k": (273.15, 1.0)},
    "distance": {
        "mm": (0.0, 1.0),
        "cm": (0.0, 10.0),
        "m": (0.0, 1000.0),
        "in": (0.0, 25.4),
        "ft": (0.0, 304.8),
    },
}
"""Units of each quantity; the first is the one inside (µS/cm, °C, mm)."""

NAMES = {
    "us_cm": "µS/cm",
    "ms_cm": "mS/cm",
    "ms_m": "mS/m",
    "us_m": "µS/m",
    "c": "°C",
    "f": "°F",
    "k": "K",
}
"""How a unit is written for people, where its spelling is another."""

ALIASES = {
    "depth": "distance",
    "cond": "conductivity",
    "temp": "temperature",
    "position": "distance",
}
PASSED_OVER = (
    "note",
    "remark",
    "comment",
    "place",
    "by",
    "truth_us_cm",
    "train",
    "stage",
    "element",
)
"""Columns that a sheet may have and that are not read."""


class ReadingsUnusable(Exception):
    """A sheet of readings that cannot be judged: one line for each problem, with its place."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One line of a sheet. line : of the file, from 1. place : as written, the vessel or the distance.

    distance_mm : None on a survey. us_cm : as the meter shows it. temperature_c : None when not noted.
    vessel : as written, "" when the sheet has no such column.
    """

    line: int
    place: str
    distance_mm: float | None
    us_cm: float
    temperature_c: float | None
    at: float | None
    vessel: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything of the file that can be read.

    questions : what looks wrong, with file and line. compensation : as the meter's column says, or None.
    units : quantity -> spelling of the unit that was read.
    """

    path: str
    readings: tuple[Reading, ...]
    questions: tuple[str, ...]
    compensation: str | None = None
    units: Mapping[str, str] = field(default_factory=dict)

    def at(self, line: int) -> str:
        """Where a line is, for a question."""
        return f"{self.path}:{line}"


def unit_name(spelling: str) -> str:
    """A unit as people write it."""
    return NAMES.get(spelling, spelling)


def parse_units(text: str) -> dict[str, str]:
    """``conductivity=mS/cm,distance=in`` as quantity -> spelling; ReadingsUnusable tells all that is wrong."""
    found, wrong = {}, []
    for part in filter(None, (p.strip() for p in text.split(","))):
        name, _, unit = (p.strip() for p in part.partition("="))
        name = ALIASES.get(name, name)
        spelling = spelled(unit)
        if name not in UNITS:
            wrong.append(f"--units {part}: use {', '.join(UNITS)}")
        elif spelling not in UNITS[name]:
            has = ", ".join(unit_name(u) for u in UNITS[name])
            wrong.append(f"--units {part}: {name} may be in {has}")
        else:
            found[name] = spelling
    if wrong:
        raise ReadingsUnusable("\n".join(wrong))
    return found


def spelled(unit: str) -> str:
    """``mS/cm``, ``µS/cm``, ``°F`` as the end of a column's name is spelled."""
    plain = unit.strip().lower().replace("µ", "u").replace("μ", "u").replace("/", "_")
    plain = plain.replace("°", "").replace("deg", "").strip(" _")
    return {
        "inch": "in",
        "inches": "in",
        '"': "in",
        "feet": "ft",
        "celsius": "c",
        "fahrenheit": "f",
    }.get(plain, plain)


def read(path: Path, kind: str, given_units: Mapping[str, str] | None = None) -> Sheet:
    """Read a sheet. kind : ``survey`` (column ``vessel``) or ``probe`` (column ``distance_...``).

    given_units : from `parse_units`, for columns that do not name their unit.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ReadingsUnusable(f"{path}: cannot be read as UTF-8 text ({error})") from error
    return read_text(text, str(path), kind, given_units)


def read_text(
    text: str, path: str, kind: str, given_units: Mapping[str, str] | None = None
) -> Sheet:
    """The same from the text of a file."""
    lines = text.splitlines()
    head = next(
        (i for i, line in enumerate(lines) if line.strip() and line.lstrip()[0] != "#"), None
    )
    if head is None:
        raise ReadingsUnusable(f"{path}: is empty; {_wanted(kind)}")
    delimiter = next((d for d in (";", "\t") if d in lines[head]), ",")
    rows = list(csv.reader(lines, delimiter=delimiter))
    columns, units, wrong, questions = _header(
        rows[head], f"{path}:{head + 1}", kind, given_units or {}
    )
    if wrong:
        raise ReadingsUnusable("\n".join(wrong))
    readings: list[Reading] = []
    meters: set[str] = set()
    for number, row in enumerate(rows[head + 1 :], head + 2):
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].startswith("#"):
            continue
        where = f"{path}:{number}"
        found, asked = _row(
            cells,
            columns,
            units,
            where,
            number,
            kind,
            width=len(rows[head]),
            comma=delimiter != ",",
        )
        questions += asked
        if found is not None:
            readings.append(found)
            place = columns.get("compensation")
            if place is not None and place < len(cells) and cells[place]:
                meters.add(cells[place])
    if len(meters) > 1:
        raise ReadingsUnusable(
            f"{path}: the meter was set to {' and '.join(sorted(meters))} on one sheet; make one sheet of each"
        )
    if not readings:
        raise ReadingsUnusable("\n".join([*questions, f"{path}: has no reading; {_wanted(kind)}"]))
    return Sheet(path, tuple(readings), tuple(questions), next(iter(meters), None), units)


def _wanted(kind: str) -> str:
    first = "vessel" if kind == "survey" else "distance_mm"
    return f"the header is {first},conductivity_us_cm[,temperature_c], with a line for each reading"


def _header(
    cells: list[str], where: str, kind: str, given: Mapping[str, str]
) -> tuple[dict[str, int], dict[str, str], list[str], list[str]]:
    """Columns by name, the unit of each quantity, what makes the file useless, and what is passed over."""
    columns: dict[str, int] = {}
    units: dict[str, str] = {}
    wrong: list[str] = []
    passed: list[str] = []
    for index, cell in enumerate(cells):
        name = cell.strip().lower().replace("µ", "u").replace("μ", "u")
        name = re.sub(r"\s*[\[(]\s*(.*?)\s*[\])]\s*$", lambda m: "_" + spelled(m[1]), name)
        name = name.replace("/", "_").replace(" ", "_")
        if name in ("vessel", "time", "compensation"):
            quantity, unit = name, ""
        else:
            quantity, _, unit = name.partition("_")
            quantity = ALIASES.get(quantity, quantity)
        if not name or name in PASSED_OVER or (kind == "probe" and quantity == "vessel"):
            if quantity == "vessel":
                columns["vessel"] = index
            continue
        if quantity not in UNITS and quantity not in ("vessel", "time", "compensation"):
            passed.append(cell.strip())
        elif quantity in columns:
            wrong.append(
                f"{where}: column {cell.strip()} comes twice with {cells[columns[quantity]].strip()}"
            )
        else:
            columns[quantity] = index
            if quantity in UNITS:
                spelling = spelled(unit)
                if unit and spelling not in UNITS[quantity]:
                    has = ", ".join(f"{quantity}_{u}" for u in UNITS[quantity])
                    wrong.append(f"{where}: column {cell.strip()}: unit is not known; use {has}")
                elif unit and given.get(quantity, spelling) != spelling:
                    wrong.append(
                        f"{where}: column {cell.strip()} is in {unit_name(spelling)}, --units says"
                        f" {unit_name(given[quantity])}; which one?"
                    )
                units[quantity] = (
                    spelling if unit else given.get(quantity, next(iter(UNITS[quantity])))
                )
    for needed in ("vessel" if kind == "survey" else "distance", "conductivity"):
        if needed not in columns:
            wrong.append(f"{where}: no column {needed}; {_wanted(kind)}")
    questions = [
        f"{where}: column {name} is not known and was passed over. Was something of it meant to be read?"
        for name in passed
    ]
    return columns, units, wrong, questions


def _row(
    cells: list[str],
    columns: Mapping[str, int],
    units: Mapping[str, str],
    where: str,
    line: int,
    kind: str,
    *,
    width: int,
    comma: bool,
) -> tuple[Reading | None, list[str]]:
    """One reading, or None, and what is asked about it. An empty conductivity is no reading."""
    asked: list[str] = []

    def cell(name: str) -> str:
        place = columns.get(name)
        return cells[place] if place is not None and place < len(cells) else ""

    def value(name: str) -> float | None:
        text = cell(name)
        if not text:
            return None
        number = number_of(text, comma=comma)
        if number is None:
            asked.append(f"{where}: {name} {text!r} is no number. What was read?")
            return None
        zero, scale = UNITS[name][units[name]]
        return (number - zero) * scale

    if any(cells[width:]):
        asked.append(
            f"{where}: more fields than the header has. A decimal comma? Write 41.5, or put semicolons"
            " between the fields."
        )
        return None, asked
    place = cell("vessel" if kind == "survey" else "distance")
    if not place:
        if cell("conductivity"):
            asked.append(
                f"{where}: {cell('conductivity')} without its {'vessel' if kind == 'survey' else 'distance'}."
                " Where was it read?"
            )
        return None, asked
    distance = value("distance") if kind == "probe" else None
    conductivity, temperature = value("conductivity"), value("temperature")
    at = None
    if cell("time"):
        at, wrong = eventlog.instant(cell("time"))
        asked += [f"{where}: {text}" for text in wrong]
    if conductivity is None or (kind == "probe" and distance is None):
        return None, asked
    return Reading(line, place, distance, conductivity, temperature, at, cell("vessel")), asked


def number_of(text: str, *, comma: bool = True) -> float | None:
    """A number as people write it, with a decimal comma where that is possible; None when it is none."""
    plain = text.strip().replace("−", "-").replace("\u202f", "").replace(" ", "")
    if comma and plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", plain, re.IGNORECASE):
        return None
    number = float(plain)
    return number if math.isfinite(number) else None
