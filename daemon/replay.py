"""Replay: the same judgement as live, over minutes from a historian export or from a stored history."""

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from heapq import merge
from pathlib import Path

import numpy as np

from daemon.eventlog import LoggedEvent
from daemon.frames import Frame, judge
from daemon.history_reader import HistoryReader
from daemon.minutes import Minute, MinuteAccumulator
from daemon.normalize import Normalizer
from daemon.notices import Notices
from daemon.plantfile import Plant, TrainConfig
from daemon.record import Record
from daemon.rows import JournalLine, iso
from daemon.service import lines_of
from drivers.csvlines import Header, Unusable
from drivers.historian import CsvReport, HistorianCsv
from drivers.protocol import BadSource, Quality, Reading
from rules.baseline import Baseline, in_force
from rules.watch import NEW_BASELINE

HISTORY = "history.db"


@dataclass(frozen=True, slots=True)
class Replayed:
    """What came of a replay.

    lines : every raised, updated and cleared, in order. minutes : how many were judged.
    report : what the CSV held; None for a stored history.
    """

    lines: tuple[JournalLine, ...]
    minutes: int
    report: CsvReport | None


class Source:
    """Minutes of a plant from a file: a historian CSV, or the `history.db` of a daemon (or its folder).

    missing : one line for each column that the plant file wants and the CSV does not have.
    """

    def __init__(self, plant: Plant, path: Path) -> None:
        self._plant = plant
        self.path = path / HISTORY if path.is_dir() else path
        self.report: CsvReport | None = None
        self.missing: tuple[str, ...] = ()
        self._csv: HistorianCsv | None = None
        if not self.path.exists():
            raise BadSource(f"{path}: there is no such file; give a historian CSV or a {HISTORY}")
        if self.path.suffix != ".db":
            wanted = {column_of(p): p.tag for t in plant.trains for p in t.points}
            found = _columns(self.path)
            if found and not set(found) & set(wanted):
                raise BadSource(
                    f"{self.path}: none of its columns is named in the plant file; it has "
                    f"{_few(found)}, the plant file wants {_few(sorted(wanted))}; "
                    'give points a column = "..." or name the columns by tag'
                )
            self._csv = HistorianCsv(self.path, list(wanted), zone=None)
            self.report = self._csv.report
            spare = [name for name in found if name and name not in wanted]
            has = f"it has {_few(spare)}, which no point names" if spare else "all it has are used"
            self.missing = tuple(
                f'column "{name}" ({tag}) is not in {self.path}; {has}'
                for name, tag in wanted.items()
                if name not in found
            )

    @property
    def size(self) -> int:
        """How many minutes to expect, for a progress bar."""
        if self._csv is not None:
            return self._csv.report.used * len(self._plant.trains)
        reader = HistoryReader(self.path.parent)
        return sum(
            len(reader.minute_arrays(t.id, -math.inf, math.inf, t.model.signals).times)
            for t in self._plant.trains
        )

    def minutes(self, train: TrainConfig) -> Iterator[Minute]:
        """The minutes of one train, in order of time."""
        if self._csv is None:
            yield from HistoryReader(self.path.parent).minutes(
                train.id, signals=train.model.signals
            )
            return
        table = self._csv.table()
        places = {name: i for i, name in enumerate(table.columns)}
        columns = [places.get(column_of(point)) for point in train.points]
        order = {signal: i for i, signal in enumerate(train.model.signals)}
        slots = [order[point.signal] for point in train.points]
        gatherer = MinuteAccumulator(train.id, len(order))
        for time, row in zip(table.times.tolist(), table.values, strict=True):
            values = np.full(len(order), np.nan)
            quality = np.full(len(order), Quality.BAD, dtype=np.uint8)
            for point, column, slot in zip(train.points, columns, slots, strict=True):
                if column is None or not math.isfinite(row[column]):
                    continue
                reading = Reading(point.tag, float(row[column]), Quality.GOOD)
                value, grade, _ = judge(point, reading, -math.inf)
                quality[slot] = grade
                if grade == Quality.GOOD:
                    values[slot] = value
            minute = gatherer.add(Frame(train.id, time, values, quality))
            if minute is not None:
                yield minute
        last = gatherer.flush()
        if last is not None:
            yield last


def _columns(path: Path) -> tuple[str, ...]:
    """The columns of a CSV beside its time; none when it has no header: `HistorianCsv` tells why."""
    try:
        with path.open(encoding="utf-8-sig", errors="replace") as file:
            return Header.parse(file.readline().rstrip("\r\n"), lambda *_: None).columns
    except (OSError, Unusable):
        return ()


def _few(names: Sequence[str]) -> str:
    shown = ", ".join(names[:6])
    return f"{shown} and {len(names) - 6} more" if len(names) > 6 else shown


def column_of(point: object) -> str:
    """Header of a point in a historian export: its `column`, else its tag."""
    return str(getattr(point, "column", None) or getattr(point, "tag"))  # noqa: B009


def replay(
    plant: Plant,
    source: Source,
    folder: Path,
    *,
    events: Sequence[LoggedEvent] = (),
    told: Callable[[JournalLine], None] | None = None,
    advanced: Callable[[], None] | None = None,
) -> Replayed:
    """Judge every minute of the source with a new record in `folder`.

    events : what people did. told : hears each raised, updated or cleared. advanced : called for each minute.
    """
    lines: list[JournalLine] = []
    count = 0
    with Record.open(folder, durable=False) as record:
        for event in events:
            record.add_event(event.t, event.train, event.event, event.detail)
        notices = Notices(record, plant)
        normalizers = {t.id: Normalizer(t, record, notices) for t in plant.trains}
        # As live: trains side by side, each hears what the others were told before.
        for minute in merge(*map(source.minutes, plant.trains), key=lambda m: m.time):
            count += 1
            for line in lines_of(normalizers[minute.train].take(minute)):
                lines.append(line)
                if told is not None:
                    told(line)
            if advanced is not None:
                advanced()
    lines.sort(key=lambda line: (line.at, line.train, line.seq))
    return Replayed(tuple(lines), count, source.report)


def write_trends(record: Record, train: TrainConfig, path: Path, *, append: bool = False) -> int:
    """Write the deviations of every digest as CSV, empty where not known; returns the rows written.

    Columns: time, train, then one for each section and quantity, as ln(actual/baseline) without what
    was known of the residual dependence then.
    """
    made = [Baseline(**body) for body in record.baselines(train.id)]
    fresh = [e.t for e in record.events(train.id) if e.event in NEW_BASELINE]
    names = [o for o in _observables(record, train) if not o.startswith("balance/")]
    digests = record.digests(train.id)
    which = in_force([b.start for b in made], [d["start"] for d in digests], fresh)
    rows = 0
    with path.open("a" if append else "w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        if not append:
            writer.writerow(["time", "train", *names])
        for digest, index in zip(digests, which, strict=True):
            reference = made[index].values if index >= 0 else {}
            row = [
                f"{digest['values'][n] - reference[n] - digest.get('explained', {}).get(n, 0.0):.6f}"
                if n in digest["values"] and n in reference
                else ""
                for n in names
            ]
            writer.writerow([iso(digest["start"]), train.id, *row])
            rows += 1
    return rows


def _observables(record: Record, train: TrainConfig) -> list[str]:
    names: dict[str, None] = {}
    for digest in record.digests(train.id):
        names |= dict.fromkeys(digest["values"])
    return list(names)
