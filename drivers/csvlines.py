"""One line of a historian CSV file: what it says, and every way in which it can be wrong."""

import csv
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from drivers.link import believable

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
_HEADER = re.compile(r'\s*"?time"?\s*([,;\t])', re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
_THOUSANDS = re.compile(r"[+-]?[0-9]{1,3}(,[0-9]{3})+")
# not \d, and not float() alone: these take the digits of every script, "1_000" and "nan"
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of anomaly, and what became of what it touched."""

    name: str
    effect: str


MISSING_VALUE = Kind("missing value", "the cell is empty; no value")
TEXT = Kind("text in a number", "no value")
NOT_FINITE = Kind("not a finite number", "no value")
DECIMAL_COMMA = Kind("decimal comma", "no value; export with a decimal point")
DUPLICATE_TIME = Kind("duplicate time stamp", "one row is kept")
CONFLICT = Kind("duplicate rows disagree", "no value where they do")
OUT_OF_ORDER = Kind("out-of-order row", "sorted")
BAD_TIME = Kind("bad time", "row not used; write ISO 8601 with zone, like 2024-05-01T06:00:00Z")
MISSING_ZONE = Kind("time without zone", "row not used; give the zone")
AMBIGUOUS_TIME = Kind("local time that does not exist or occurs twice", "row not used")
FIELDS = Kind("wrong number of fields", "row not used")
QUOTES = Kind("broken quotation marks", "row not used")
EMPTY_LINE = Kind("empty line", "left out")
NUL = Kind("NUL byte", "row not used")
BOM = Kind("byte order mark", "left out")
ENCODING = Kind("bytes that are not UTF-8", "shown as \N{REPLACEMENT CHARACTER}")
UNKNOWN_COLUMN = Kind("unknown column", "not used")
MISSING_COLUMN = Kind("missing column", "no values")
DUPLICATE_COLUMN = Kind("column name that occurs twice", "neither is used")
DELIMITER = Kind("delimiter other than comma", "detected")
GAP = Kind("gap", "left as it is")

COST_A_ROW = (BAD_TIME, MISSING_ZONE, AMBIGUOUS_TIME, FIELDS, QUOTES, NUL)

Complain = Callable[[Kind, int, str], None]
"""Told each anomaly: its kind, the line (first line is 1), what was found there."""


class Unusable(ValueError):
    """The header does not fit; the text says what was found and what would do."""


def zone_of(zone: str | tzinfo | None) -> tzinfo | None:
    """A time zone by its IANA name, as it is, or None; ValueError for an unknown name."""
    if zone is None or isinstance(zone, tzinfo):
        return zone
    try:
        return ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError) as exc:
        raise ValueError(f'zone "{zone}" is not known; use a name like Europe/Madrid') from exc


@dataclass(frozen=True, slots=True)
class Header:
    """The first line: the delimiter and the instruments' columns in file order."""

    delimiter: str
    columns: tuple[str, ...]

    @classmethod
    def parse(cls, line: str, complain: Complain) -> "Header":
        """Understand the first line (without its byte order mark) or raise Unusable."""
        match = _HEADER.match(line)
        if match is None:
            first = re.split(r"[,;\t]", line.strip())[0][:40]
            raise Unusable(
                f'line 1: the first column must be "time", found "{first}"; '
                "write a header like time,FT-101,PT-101"
            )
        delimiter = match[1]
        if delimiter != ",":
            complain(DELIMITER, 1, DELIMITERS[delimiter])
        try:
            names = next(csv.reader([line], delimiter=delimiter, strict=True))
        except csv.Error as exc:
            raise Unusable(f"line 1: broken quotation marks in the header ({exc})") from exc
        columns = tuple(name.strip() for name in names[1:])
        if not any(columns):
            raise Unusable("line 1: no column beside time; write one column for each instrument")
        return cls(delimiter, columns)

    def twice(self) -> set[str]:
        """Names that cannot be used because they occur more than once."""
        return {name for name in self.columns if self.columns.count(name) > 1}


def cells(line: str, header: Header, number: int, complain: Complain) -> list[str] | None:
    """The fields of one line, or None when it cannot be used.

    Each line is split by itself: a quotation mark that never closes costs one row, not the file.
    """
    if "\x00" in line:  # left by a power cut while the historian was writing
        complain(NUL, number, "")
        return None
    if not line.strip(" \r\n" if header.delimiter == "\t" else " \t\r\n"):
        complain(EMPTY_LINE, number, "")
        return None
    if "\ufffd" in line:
        complain(ENCODING, number, line.strip()[:60])
    if '"' in line:
        try:
            fields = next(csv.reader([line], delimiter=header.delimiter, strict=True))
        except csv.Error:
            complain(QUOTES, number, line.strip()[:60])
            return None
    else:
        fields = line.rstrip("\r\n").split(header.delimiter)
    if len(fields) != len(header.columns) + 1:
        found = f"{len(fields)} fields, the header has {len(header.columns) + 1}"
        complain(FIELDS, number, found)
        return None
    return fields


def time_of(text: str, zone: tzinfo | None, number: int, complain: Complain) -> float | None:
    """Seconds since 1970-01-01 UTC of an ISO 8601 time, or None when it cannot be used."""
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        complain(BAD_TIME, number, text[:40])
        return None
    if at.tzinfo is None:
        if zone is None:
            complain(MISSING_ZONE, number, text[:40])
            return None
        local = at.replace(tzinfo=zone)
        # when clocks change, an hour occurs twice or not at all: fold gives two answers
        if local.utcoffset() != at.replace(tzinfo=zone, fold=1).utcoffset():
            complain(AMBIGUOUS_TIME, number, text[:40])
            return None
        at = local
    try:
        time_s = (at - _EPOCH) / _SECOND
    except OverflowError:
        time_s = math.nan
    if not believable(time_s):
        complain(BAD_TIME, number, text[:40])
        return None
    return time_s


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND = timedelta(seconds=1)


def number_of(text: str, column: str, number: int, complain: Complain) -> float:
    """The number in one cell; NaN when there is none, with the reason told to `complain`."""
    text = text.strip()
    if not text:
        complain(MISSING_VALUE, number, column)
        return math.nan
    if _NUMBER.fullmatch(text):
        value = float(text)
        if math.isfinite(value):
            return value
    found = f'{column} "{text[:40]}"'
    if _DECIMAL_COMMA.fullmatch(text) and not _THOUSANDS.fullmatch(text):
        complain(DECIMAL_COMMA, number, found)
    elif re.fullmatch(r"[+-]?(nan|inf|infinity)", text, re.IGNORECASE) or _NUMBER.fullmatch(text):
        complain(NOT_FINITE, number, found)
    else:
        complain(TEXT, number, found)
    return math.nan


def numbers_of(
    fields: Sequence[str], wanted: Sequence[tuple[int, str]], number: int, complain: Complain
) -> list[float]:
    """The numbers in the wanted fields (position, column), NaN where there is none."""
    return [number_of(fields[at], column, number, complain) for at, column in wanted]
