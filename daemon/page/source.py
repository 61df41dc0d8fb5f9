"""The page's only door to what is stored: record and history, and the columns kept from them."""

import json
import threading
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from math import isfinite

import numpy as np

from daemon import forward, maintenance, sqlite
from daemon.history_reader import Fact, HistoryReader
from daemon.maintenance import Entry
from daemon.minutes import MINUTE_S
from daemon.page.trends import DIGEST_S, Floats
from daemon.plantfile.result import Plant, TrainConfig
from daemon.record import Record
from daemon.rows import Notice
from drivers.protocol import Quality
from rules.baseline import Baseline, in_force
from rules.dependence import Learned
from rules.train import QUANTITIES
from rules.watch import NEW_BASELINE

LOOK_BACK_S = 86400.0  # how far back the last good value of a silent signal is looked for
FRESH_S = 30.0  # a frame that came in longer ago than this, and than four polls, is stale
MOST_FACTS = 500  # a clock that flaps must not make the page slow
WATCH_FACTS = ("daemon_started", "frames_dropped", "clock_stepped", "clock_frozen", "clock_running")
REREAD_S = 4 * DIGEST_S  # the newest digests may be written again after a restart


@dataclass(frozen=True, slots=True)
class Mark:
    """A notice raised or cleared at plant time `at`. [s]"""

    at: float
    notice: str
    event: str
    priority: str


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest frame of a train, and when each signal was last good.

    at : plant time of the newest frame or minute with a good value of any signal, or None. [s]
    fresh : frames are coming in now, and the newest one has a good value.
    values : signal -> value in SI units; only what is good in the newest frame.
    last_good : signal -> plant time of its last good value, as far back as a day. [s]
    """

    at: float | None = None
    fresh: bool = False
    down: tuple[str, ...] = ()
    values: Mapping[str, float] = field(default_factory=dict)
    quality: Mapping[str, Quality] = field(default_factory=dict)
    reasons: Mapping[str, str] = field(default_factory=dict)
    last_good: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TrainHistory:
    """Digests of a train as columns, its baselines in order of time, and its state.

    starts : (n,) starts of the digests, rising. [s]
    values : (n, len(names)) observables, without what was known of the residual dependence then.
    state : what the rules said of the last judged minute; ``unknown`` before the first.
    fresh : when membranes were replaced. [s]
    """

    starts: Floats
    names: tuple[str, ...]
    values: Floats
    baselines: tuple[Baseline, ...]
    state: str
    fresh: tuple[float, ...] = ()

    def deviations(self, names: Sequence[str]) -> Floats:
        """ln(actual/baseline), (n_digests, n_names), each digest against the baseline of its time.

        See `rules.baseline.in_force`. NaN where the digest or the baseline does not know the
        observable.
        """
        out = np.full((len(self.starts), len(names)), np.nan)
        if not self.baselines:
            return out
        which = in_force([b.start for b in self.baselines], self.starts, self.fresh)
        for j, name in enumerate(names):
            if name in self.names:
                level = np.array([b.values.get(name, np.nan) for b in self.baselines])
                against = np.where(which >= 0, level[which], np.nan)
                out[:, j] = self.values[:, self.names.index(name)] - against
        return out


@dataclass(slots=True)
class _Columns:
    """Digests read so far. Only the normalized quantities: a year of six is under 2 MB."""

    names: tuple[str, ...]
    starts: Floats
    values: Floats


class Source:
    """Reads record and history for the pages; may be used from any thread."""

    def __init__(self, plant: Plant, record: Record, history: HistoryReader) -> None:
        self._plant = plant
        self._record = record
        self._history = history
        self._lock = threading.Lock()
        self._kept: dict[str, _Columns] = {}

    def history(self, train: TrainConfig) -> TrainHistory:
        """Everything known of the train's normalized past."""
        with self._lock:
            columns = self._columns(train)
        progress = self._record.progress(train.id)
        return TrainHistory(
            starts=columns.starts,
            names=columns.names,
            values=columns.values,
            baselines=tuple(Baseline(**body) for body in self._record.baselines(train.id)),
            state="unknown" if progress is None else progress.state,
            fresh=tuple(e.t for e in self._record.events(train.id) if e.event in NEW_BASELINE),
        )

    def signals(self, train: TrainConfig, within_s: float) -> tuple[Floats, Floats]:
        """Starts of the digests within `within_s` of the newest one, rising, and their signals.

        returns : (n,) [s] and (n, n_signals) in SI units; NaN where a digest does not know a signal.
        """
        with (
            sqlite.plain_errors(self._record.path),
            closing(sqlite.open_reader(self._record.path)) as reader,
        ):
            rows = reader.execute(
                "SELECT start, json_extract(body, '$.signals') FROM digest WHERE train = ?"
                " AND start > (SELECT max(start) FROM digest WHERE train = ?) - ? ORDER BY start",
                (train.id, train.id, within_s),
            ).fetchall()
        known = [json.loads(body) for _, body in rows]
        columns = train.model.signals
        values = [[found.get(name, np.nan) for name in columns] for found in known]
        return (
            np.array([float(start) for start, _ in rows]),
            np.array(values, dtype=np.float64).reshape(len(rows), len(columns)),
        )

    def learned(self, train: TrainConfig) -> tuple[Learned, ...]:
        """What is known of the train's own constants beside the textbook's."""
        return tuple(Learned(**body) for body in self._record.learned(train.id))

    def work(self, train: TrainConfig) -> tuple[Entry, ...]:
        """What people did to a train and what became of it, in order of time."""
        return maintenance.entries(self._record, train.id)

    def open_notices(self, train: TrainConfig) -> list[Notice]:
        """Raised notices that are not closed yet."""
        return self._record.open_notices(train.id)

    def undelivered(self) -> Mapping[str, int]:
        """Contact -> how many messages to it wait for a person to mend their address."""
        return Counter(message.contact for message in self._record.outgoing("needs_person"))

    def watch_facts(self) -> list[Fact]:
        """The newest facts about clocks and dropped readings, and starts of the daemon, as they were written."""
        return self._history.facts(kinds=WATCH_FACTS, limit=MOST_FACTS)

    def good_at(self) -> Mapping[str, Mapping[str, float]]:
        """Train -> signal -> wall time of the newest frame, for signals that are good in it. [s]"""
        found: dict[str, dict[str, float]] = {}
        for train in self._plant.trains:
            newest = self._history.latest(train.id)
            found[train.id] = (
                {}
                if newest is None
                else {s: newest.wall for s, q in newest.quality.items() if q is Quality.GOOD}
            )
        return found

    def forward_troubles(self) -> list[Fact]:
        """What keeps values from the server they are forwarded to, when there is one."""
        return [] if self._plant.forward is None else forward.troubles(self._history)

    def marks(self, train: TrainConfig, after: float) -> tuple[Mark, ...]:
        """Notices raised and cleared later than `after` [s], in order of time."""
        found, priority = [], {}
        for line in self._record.journal(train=train.id):
            if line.event not in ("raised", "updated", "cleared"):
                continue
            priority[line.notice] = json.loads(line.body)["priority"]
            if line.at > after and line.event != "updated":
                found.append(Mark(line.at, line.notice, line.event, priority[line.notice]))
        return tuple(found)

    def latest(self, train: TrainConfig, now: float) -> Latest:
        """What the train reads now; a signal that is silent is looked for in the last day's minutes."""
        newest = self._history.latest(train.id)
        if newest is None:
            return Latest()
        signals = train.model.signals
        values = {s: v for s, v in newest.values.items() if s in signals and isfinite(v)}
        last_good = dict.fromkeys(values, newest.time)
        silent = [s for s in signals if s not in values]
        if silent:
            seen = self._history.minute_arrays(train.id, now - LOOK_BACK_S, now, silent)
            for j, name in enumerate(silent):
                good = seen.times[seen.good[:, j] > 0]
                if len(good):
                    last_good[name] = min(float(good[-1] + MINUTE_S), newest.time)
        slowest = max(self._plant.devices[d].interval_s for d in train.devices())
        return Latest(
            at=max(last_good.values(), default=None),
            fresh=bool(values) and newest.age_s <= max(FRESH_S, 4 * slowest),
            down=newest.down,
            values=values,
            quality=newest.quality,
            reasons=newest.reasons,
            last_good=last_good,
        )

    def _columns(self, train: TrainConfig) -> _Columns:
        """The kept columns with what has been written since; only new digests are read."""
        kept = self._kept.get(train.id)
        if kept is None:
            sections = [str(k) for k in range(1, len(train.stages) + 1)] + ["train"]
            names = tuple(f"{s}/{q}" for s in sections for q in QUANTITIES)
            kept = _Columns(names, np.empty(0), np.empty((0, len(names))))
        after = float(kept.starts[-1]) - REREAD_S if len(kept.starts) else float("-inf")
        # The observables alone, cut out by SQLite: a whole year of digests is over 100 MB of text,
        # and reading it through a connection of its own leaves the record's writer undisturbed.
        with (
            sqlite.plain_errors(self._record.path),
            closing(sqlite.open_reader(self._record.path)) as reader,
        ):
            rows = reader.execute(
                "SELECT start, json_extract(body, '$.values'), json_extract(body, '$.explained')"
                " FROM digest"
                " WHERE train = ? AND start > ? ORDER BY start",
                (train.id, after),
            ).fetchall()
        stay = int(np.searchsorted(kept.starts, after, side="right"))
        fresh = np.full((len(rows), len(kept.names)), np.nan)
        place = {name: j for j, name in enumerate(kept.names)}
        for i, (_, body, explained) in enumerate(rows):
            # Digests of an older version know nothing of a residual dependence.
            taken = json.loads(explained) if explained else {}
            for name, value in json.loads(body).items():
                if name in place:
                    fresh[i, place[name]] = value - taken.get(name, 0.0)
        kept = _Columns(
            kept.names,
            np.concatenate([kept.starts[:stay], [float(row[0]) for row in rows]]),
            np.concatenate([kept.values[:stay], fresh]),
        )
        self._kept[train.id] = kept
        return kept
