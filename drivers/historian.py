"""A plant historian's CSV export: every row that can be used, and a report on all that cannot."""

import math
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drivers import csvlines
from drivers.csvlines import Header, Kind
from drivers.protocol import BadSource

GAP_STEPS = 1.5
"""Rows further apart than this many usual steps have a gap between them; no source."""
_BOM = "\ufeff"
Floats = NDArray[np.float64]
Whole = NDArray[np.int64]


def _iso(time_s: float) -> str:
    """An instant as ISO 8601 with Z."""
    return datetime.fromtimestamp(time_s, UTC).isoformat().replace("+00:00", "Z")


@dataclass(frozen=True, slots=True)
class Row:
    """The values of one instant: seconds since 1970-01-01 UTC, and a number or None by column."""

    time: float
    values: dict[str, float | None]


@dataclass(frozen=True, slots=True)
class Anomaly:
    """How often one kind of trouble was met, where first, and what was found there."""

    kind: Kind
    count: int
    line: int
    found: str


@dataclass(frozen=True, slots=True)
class CsvReport:
    """What a file held.

    rows : lines below the header that were not empty. used : distinct times that came out.
    start_s, end_s : first and last time used, since 1970-01-01 UTC. [s]
    step_s : usual distance of rows (median); NaN with fewer than two. [s]
    longest_gap_s : longest distance between rows; 0 when there is no gap. [s]
    """

    path: Path
    delimiter: str
    columns: tuple[str, ...]
    rows: int
    used: int
    start_s: float
    end_s: float
    step_s: float
    longest_gap_s: float
    anomalies: tuple[Anomaly, ...]

    def count(self, kind: Kind) -> int:
        """How often this kind was met."""
        return sum(a.count for a in self.anomalies if a.kind == kind)

    def line(self, kind: Kind) -> int | None:
        """Where this kind was met first; None when never."""
        return next((a.line for a in self.anomalies if a.kind == kind), None)

    def __str__(self) -> str:
        lines = [f"{self.path}: {self.used} of {self.rows} rows used{self._span()}"]
        for a in self.anomalies:
            found = f": {a.found}" if a.found else ""
            lines.append(
                f"{self.path}:{a.line}: {a.kind.name}, {a.count} in all{found} ({a.kind.effect})"
            )
        return "\n".join(lines)

    def _span(self) -> str:
        if not self.used:
            return ""
        start, end = (_iso(t) for t in (self.start_s, self.end_s))
        return f", {start} to {end}"


@dataclass(frozen=True, slots=True)
class Table:
    """All rows as arrays: `times` (n) strictly rising, `values` (n, columns), NaN for no value."""

    times: Floats
    columns: tuple[str, ...]
    values: Floats


class HistorianCsv:
    """Reads a whole file once and keeps it as numbers: a year of minutes and 25 columns is 105 MB.

    path : file with header ``time,COLUMN,...``; ISO 8601 times with zone; empty cell = no value.
    columns : the columns wanted; others are reported as unknown. All when None.
    zone : IANA name or tzinfo for time stamps without one; when None such rows are not used,
        because a wrong guess shifts a plant by hours.
    """

    def __init__(
        self,
        path: Path | str,
        columns: Sequence[str] | None = None,
        *,
        zone: str | tzinfo | None = None,
    ) -> None:
        self.path = Path(path)
        self._wanted = None if columns is None else tuple(dict.fromkeys(columns))
        self._zone = csvlines.zone_of(zone)
        self._table: Table | None = None
        self._report: CsvReport | None = None

    @property
    def report(self) -> CsvReport:
        """What the file held; reads it when that was not done yet."""
        self.table()
        assert self._report is not None
        return self._report

    def table(self) -> Table:
        """All usable rows; raises BadSource with path and remedy when there is none."""
        if self._table is None:
            self._table, self._report = _Reading(self.path, self._wanted, self._zone).run()
        return self._table

    def rows(self) -> Iterator[Row]:
        """All usable rows in order of time, one for each time."""
        table = self.table()
        names = table.columns
        holes: list[bool] = np.any(np.isnan(table.values), axis=1).tolist()
        # row by row from the array: as Python numbers the whole would take four times the memory
        for time_s, numbers, hole in zip(table.times.tolist(), table.values, holes, strict=True):
            values: dict[str, float | None] = dict(zip(names, numbers.tolist(), strict=True))
            if hole:
                values = {name: None if v != v else v for name, v in values.items()}
            yield Row(time_s, values)


class _Reading:
    """One pass over a file."""

    def __init__(self, path: Path, wanted: tuple[str, ...] | None, zone: tzinfo | None) -> None:
        self.path = path
        self.wanted = wanted
        self.zone = zone
        self.rows = 0
        self.met: dict[Kind, Anomaly] = {}
        self.times = array("d")
        self.lines = array("q")
        self.cells = array("d")
        self.used: list[tuple[int, str]] = []

    def complain(self, kind: Kind, line: int, found: str, times: int = 1) -> None:
        first = self.met.get(kind)
        if first is None:
            self.met[kind] = Anomaly(kind, times, line, found)
        else:
            line, found = min((first.line, first.found), (line, found), key=lambda x: x[0])
            self.met[kind] = Anomaly(kind, first.count + times, line, found)

    def run(self) -> tuple[Table, CsvReport]:
        try:
            # newline="\n": only a line feed ends a line, so that numbers agree with editors
            with self.path.open(encoding="utf-8", errors="replace", newline="\n") as file:
                header = self._header(file.readline())
                self._body(file, header)
        except OSError as exc:
            raise BadSource(
                f"{self.path}: cannot be read ({exc.strerror}); check the path and its permissions"
            ) from exc
        names = tuple(name for _, name in self.used)
        columns = names if self.wanted is None else self.wanted
        times, values, lines = self._sorted(len(names))
        if not len(times):
            raise BadSource(self._nothing())
        table = Table(times, columns, _arranged(values, names, columns))
        steps = np.diff(times)
        step_s = float(np.median(steps)) if len(steps) else math.nan
        gaps = np.flatnonzero(steps > GAP_STEPS * step_s)
        longest_s = float(steps[gaps].max()) if len(gaps) else 0.0
        if len(gaps):
            line = int(lines[gaps[0] + 1])
            self.complain(csvlines.GAP, line, f"{steps[gaps[0]]:g} s before this row", len(gaps))
        report = CsvReport(
            path=self.path,
            delimiter=header.delimiter,
            columns=columns,
            rows=self.rows,
            used=len(times),
            start_s=float(times[0]),
            end_s=float(times[-1]),
            step_s=step_s,
            longest_gap_s=longest_s,
            anomalies=tuple(sorted(self.met.values(), key=lambda a: (a.line, a.kind.name))),
        )
        return table, report

    def _header(self, line: str) -> Header:
        if line.startswith("\ufffd\ufffd") and "\x00" in line:
            raise BadSource(f"{self.path}: the file is UTF-16; save it as UTF-8")
        if line.startswith(_BOM):
            self.complain(csvlines.BOM, 1, "")
            line = line.removeprefix(_BOM)
        if not line.strip():
            raise BadSource(
                f"{self.path}:1: no header; the first line must be like time,FT-101,PT-101"
            )
        if "\ufffd" in line:
            self.complain(csvlines.ENCODING, 1, line.strip()[:60])
        try:
            header = Header.parse(line.rstrip("\r\n"), self.complain)
        except csvlines.Unusable as exc:
            raise BadSource(f"{self.path}: {exc}") from exc
        twice = header.twice()
        for name in sorted(twice):
            self.complain(csvlines.DUPLICATE_COLUMN, 1, name)
        for at, name in enumerate(header.columns, start=1):
            if name in twice:
                continue
            if not name or (self.wanted is not None and name not in self.wanted):
                self.complain(csvlines.UNKNOWN_COLUMN, 1, name or f"column {at + 1} without a name")
            else:
                self.used.append((at, name))
        for name in self.wanted or ():
            if name not in header.columns:
                self.complain(csvlines.MISSING_COLUMN, 1, name)
        if not self.used:
            raise BadSource(
                f"{self.path}:1: none of the wanted columns is in the file; wanted "
                f"{', '.join(self.wanted or ())}, the file has {', '.join(header.columns)}"
            )
        return header

    def _body(self, lines: Iterator[str], header: Header) -> None:
        positions = [at for at, _ in self.used]
        whole = positions == list(range(1, len(header.columns) + 1))
        isfinite, nan = math.isfinite, math.nan
        for number, line in enumerate(lines, start=2):
            fields = csvlines.cells(line, header, number, self.complain)
            self.rows += fields is not None or bool(line.strip())
            if fields is None:
                continue
            time_s = csvlines.time_of(fields[0], self.zone, number, self.complain)
            if time_s is None:
                continue
            texts = fields[1:] if whole else [fields[at] for at in positions]
            empty = texts.count("")
            try:
                if empty:
                    numbers = [float(text) if text else nan for text in texts]
                    total = sum(v for v in numbers if v == v)
                else:
                    numbers = list(map(float, texts))
                    total = sum(numbers)
            except ValueError:
                total = nan
            # float() also takes "nan", "1_000" and the digits of other scripts
            if not isfinite(total) or not line.isascii() or any(c in line for c in "_nN"):
                numbers = csvlines.numbers_of(fields, self.used, number, self.complain)
            elif empty:
                column = self.used[texts.index("")][1]
                self.complain(csvlines.MISSING_VALUE, number, column, empty)
            self.times.append(time_s)
            self.lines.append(number)
            self.cells.extend(numbers)

    def _sorted(self, width: int) -> tuple[Floats, Floats, Whole]:
        """Times strictly rising, their values, and the line of each."""
        times = np.frombuffer(self.times, dtype=np.float64)
        lines = np.frombuffer(self.lines, dtype=np.int64)
        values = np.frombuffer(self.cells, dtype=np.float64).reshape(len(times), width)
        early = np.flatnonzero(times[1:] < np.maximum.accumulate(times)[:-1]) + 1
        if len(early):
            at = _iso(float(times[early[0]]))
            self.complain(csvlines.OUT_OF_ORDER, int(lines[early[0]]), at, len(early))
            order = np.argsort(times, kind="stable")
            times, lines, values = times[order], lines[order], values[order]
        again = np.flatnonzero(np.diff(times) == 0.0) + 1
        if len(again):
            first = again[np.argmin(lines[again])]
            at = _iso(float(times[first]))
            self.complain(csvlines.DUPLICATE_TIME, int(lines[first]), at, len(again))
            keep = np.ones(len(times), dtype=bool)
            keep[again] = False
            starts = np.flatnonzero(keep)
            values = self._merged(values, lines, starts)
            times, lines = times[keep], lines[keep]
        return times, values, lines

    def _merged(self, values: Floats, lines: Whole, starts: NDArray[np.intp]) -> Floats:
        """One row for each time: a value that only some rows have is kept, what differs is lost."""
        low = np.fmin.reduceat(values, starts)
        high = np.fmax.reduceat(values, starts)
        clash = low < high
        if clash.any():
            row, column = np.argwhere(clash)[0]
            line = int(lines[starts[row]])
            self.complain(csvlines.CONFLICT, line, self.used[column][1], int(clash.sum()))
        return np.where(clash, np.nan, low)

    def _nothing(self) -> str:
        if not self.rows:
            return f"{self.path}: no row below the header; export again"
        costly = [self.met[kind] for kind in csvlines.COST_A_ROW if kind in self.met]
        worst = max(costly, key=lambda a: a.count)
        return (
            f"{self.path}: none of {self.rows} rows can be used; most often {worst.kind.name}, "
            f"first in line {worst.line}: {worst.found} ({worst.kind.effect})"
        )


def _arranged(values: Floats, names: tuple[str, ...], columns: tuple[str, ...]) -> Floats:
    """The values in the order of the wanted columns, NaN where the file has none."""
    if names == columns:
        return values
    arranged = np.full((len(values), len(columns)), np.nan)
    for at, name in enumerate(columns):
        if name in names:
            arranged[:, at] = values[:, names.index(name)]
    return arranged
