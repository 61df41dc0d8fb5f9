"""The record of a plant: digests, baselines, notices, journal, outgoing messages and maintenance events, in record.db.

Who owns the connection: a Record holds one SQLite connection behind one lock, and may be called from
any thread. Writes happen only inside `transaction()`, which is all or nothing and on disk (synchronous=FULL)
when it returns. Other processes (commands, the page) open their own Record; `version()` tells that
somebody, here or there, has written.
"""

import json
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol, cast

from daemon import sqlite
from daemon.rows import (
    JournalLine,
    MaintenanceEvent,
    Notice,
    Outgoing,
    OutgoingState,
    Progress,
    notice_of,
)

FILE = "record.db"
MIGRATIONS = Path(__file__).parent / "migrations" / "record"
EVENTS = (
    "cleaning_start",
    "cleaning_end",
    "element_replaced",
    "membranes_replaced",
    "seals_replaced",
    "calibrated",
    "note",
)
KEPT_FORMS = 10_000  # so many forms back one that is sent twice is still recognized


class SubmittedTwice(Exception):
    """A form of the page that has been acted on already was sent again."""


class DigestLike(Protocol):
    """What the record needs of a rules.digest.Digest."""

    @property
    def start(self) -> float: ...
    def to_json(self) -> str: ...


class BaselineLike(Protocol):
    """What the record needs of a rules.baseline.Baseline."""

    @property
    def made_at(self) -> float: ...
    def to_json(self) -> str: ...


class LearnedLike(Protocol):
    """What the record needs of a rules.dependence.Learned."""

    def to_json(self) -> str: ...


class AssessmentLike(Protocol):
    """What the record needs of a rules.assessment.Assessment."""

    @property
    def event(self) -> str: ...
    @property
    def begin(self) -> float: ...
    @property
    def end(self) -> float: ...
    def to_json(self) -> str: ...


class ServiceLike(Protocol):
    """What the record needs of a rules.service.Service."""

    @property
    def event(self) -> str: ...
    @property
    def at(self) -> float: ...
    def to_json(self) -> str: ...


class Record:
    """The open record.db. See the module's first lines for threads and processes."""

    def __init__(self, connection: sqlite3.Connection, path: Path, *, read_only: bool) -> None:
        self.path = path
        self.read_only = read_only
        self._connection = connection
        self._connection.row_factory = sqlite3.Row
        self._lock = threading.RLock()
        self._depth = 0
        self._writes = 0
        self._listeners: list[Callable[[], None]] = []
        self._rang = False

    @classmethod
    def open(cls, folder: Path, *, read_only: bool = False, durable: bool = True) -> "Record":
        """Open (and create or migrate, unless `read_only`) record.db in `folder`.

        durable : False gives up the wait for the disk at each commit; only for a replay into a
            file that can be made again.
        """
        path = folder / FILE
        if read_only:
            sqlite.refuse_newer(path, len(list(MIGRATIONS.glob("*.sql"))))
            return cls(sqlite.open_reader(path, check_same_thread=False), path, read_only=True)
        connection = sqlite.open_database(
            path, MIGRATIONS, synchronous="FULL", check_same_thread=False
        )
        if not durable:
            connection.execute("PRAGMA synchronous = OFF")
        return cls(connection, path, read_only=False)

    def close(self) -> None:
        """Close the file; safe to call twice."""
        with self._lock:
            self._connection.close()

    def __enter__(self) -> "Record":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # writing

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All or nothing. Takes the write lock at once, so what is read inside cannot change meanwhile."""
        with self._lock:
            if self._depth:
                raise RuntimeError("a transaction of the record was opened inside another")
            self._depth = 1
            self._rang = False
            try:
                with (
                    sqlite.plain_errors(self.path),
                    sqlite.transaction(self._connection) as connection,
                ):
                    yield connection
                self._writes += 1
            finally:
                self._depth = 0
            rang = self._rang
        if rang:
            for listener in list(self._listeners):
                listener()

    def version(self) -> tuple[int, int]:
        """Changes whenever anybody has committed: this Record, or another connection to the file."""
        with self._lock:
            (elsewhere,) = self._connection.execute("PRAGMA data_version").fetchone()
            return self._writes, elsewhere

    def listen(self, listener: Callable[[], None]) -> Callable[[], None]:
        """Call `listener` (from the writing thread) after a commit with new messages; returns how to stop it."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener)

    def claim(self, once: str) -> None:
        """Inside a transaction: mark the form of the page with this token as acted on.

        Raises SubmittedTwice when it was marked before; the transaction then leaves everything as it was.
        """
        cursor = self._connection.execute(
            "INSERT INTO submitted (once) VALUES (?) ON CONFLICT DO NOTHING", (once,)
        )
        if not cursor.rowcount:
            raise SubmittedTwice("this form was sent twice; what it says is in the record already")
        self._connection.execute(
            "DELETE FROM submitted WHERE id <= ?", ((cursor.lastrowid or 0) - KEPT_FORMS,)
        )

    def claimed(self, once: str) -> bool:
        """Whether the form with this token was acted on."""
        return bool(self._rows("SELECT 1 FROM submitted WHERE once = ?", (once,)))

    def put_digest(self, train: str, digest: DigestLike) -> None:
        """Inside a transaction: store a digest; the same quarter-hour again replaces it."""
        self._connection.execute(
            "INSERT INTO digest VALUES (?, ?, ?)"
            " ON CONFLICT (train, start) DO UPDATE SET body = excluded.body",
            (train, float(digest.start), digest.to_json()),
        )

    def put_baseline(self, train: str, baseline: BaselineLike) -> None:
        """Inside a transaction: store a baseline; older ones are kept."""
        self._connection.execute(
            "INSERT INTO baseline VALUES (?, ?, ?)"
            " ON CONFLICT (train, made_at) DO UPDATE SET body = excluded.body",
            (train, float(baseline.made_at), baseline.to_json()),
        )

    def put_learned(self, train: str, at: float, learned: Sequence[LearnedLike]) -> None:
        """Inside a transaction: what is known of the train's own constants, in place of what was known before."""
        body = "[" + ",".join(one.to_json() for one in learned) + "]"
        self._connection.execute(
            "INSERT INTO learned VALUES (?, ?, ?) ON CONFLICT (train) DO UPDATE"
            " SET at = excluded.at, body = excluded.body",
            (train, float(at), body),
        )

    def put_assessment(self, train: str, made: AssessmentLike) -> None:
        """Inside a transaction: what became of a job; those of earlier parts of the same job give way."""
        self._connection.execute(
            "DELETE FROM assessment WHERE train = ? AND event = ? AND t >= ? AND t <= ?",
            (train, made.event, float(made.begin), float(made.end)),
        )
        self._connection.execute(
            "INSERT INTO assessment VALUES (?, ?, ?, ?)",
            (train, float(made.end), made.event, made.to_json()),
        )

    def put_service(self, train: str, service: ServiceLike) -> None:
        """Inside a transaction: how far a return to service has come; earlier ones are kept."""
        self._connection.execute(
            "INSERT INTO service VALUES (?, ?, ?, ?)"
            " ON CONFLICT (train, t, event) DO UPDATE SET body = excluded.body",
            (train, float(service.at), service.event, service.to_json()),
        )

    def put_progress(self, progress: Progress) -> None:
        """Inside a transaction: how far the train has been judged."""
        self._connection.execute(
            "INSERT INTO progress VALUES (?, ?, ?, ?) ON CONFLICT (train) DO UPDATE"
            " SET minute = excluded.minute, at = excluded.at, state = excluded.state",
            (progress.train, progress.minute, progress.at, progress.state),
        )

    def put_notice(self, notice: Notice) -> None:
        """Inside a transaction: the new standing of a notice; a pending one that came to nothing is deleted."""
        if notice.live or notice.id is not None:
            self._connection.execute(
                "INSERT INTO notice (id, train, number, matter, live, state, body)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)"
                " ON CONFLICT (train, matter) WHERE live = 1 DO UPDATE SET id = excluded.id,"
                " number = excluded.number, live = excluded.live, state = excluded.state,"
                " body = excluded.body",
                (
                    notice.id,
                    notice.train,
                    notice.number,
                    notice.matter,
                    1,
                    notice.state,
                    notice.body(),
                ),
            )
        if not notice.live:
            self._connection.execute(
                "UPDATE notice SET live = 0 WHERE train = ? AND matter = ? AND live = 1 AND id IS NOT NULL",
                (notice.train, notice.matter),
            )
            self._connection.execute(
                "DELETE FROM notice WHERE train = ? AND matter = ? AND live = 1",
                (notice.train, notice.matter),
            )

    def next_number(self, train: str) -> int:
        """Inside a transaction: the number of the train's next notice, from 1."""
        (last,) = self._connection.execute(
            "SELECT coalesce(max(number), 0) FROM notice WHERE train = ?", (train,)
        ).fetchone()
        return int(last) + 1

    def add_line(
        self, at: float, train: str, notice: str, number: int, event: str, body: str
    ) -> JournalLine:
        """Inside a transaction: one journal row."""
        cursor = self._connection.execute(
            "INSERT INTO journal (at, train, notice, number, event, body) VALUES (?, ?, ?, ?, ?, ?)",
            (at, train, notice, number, event, body),
        )
        assert cursor.lastrowid is not None
        return JournalLine(cursor.lastrowid, at, train, notice, number, event, body)

    def add_outgoing(
        self,
        line: JournalLine,
        *,
        contact: str,
        url: int,
        notice_class: str,
        title: str,
        body: str,
        not_before: float,
    ) -> int:
        """Inside a transaction: one message row; unsent older ones of the same notice to the same address give way.

        The newer message takes over the earliest due time of those it replaces and names them, so that
        nothing waits longer and nothing is lost.
        """
        older = self._connection.execute(
            "SELECT id, key, not_before FROM outgoing WHERE notice = ? AND contact = ? AND url = ?"
            " AND state IN ('waiting', 'needs_person') ORDER BY id",
            (line.notice, contact, url),
        ).fetchall()
        if older:
            not_before = min(not_before, *(row["not_before"] for row in older))
            body += (
                "\nReplaces "
                + ", ".join(row["key"] for row in older)
                + ", which had not been sent."
            )
        cursor = self._connection.execute(
            "INSERT INTO outgoing (journal_seq, key, train, notice, event, contact, url, notice_class,"
            " title, body, not_before) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                line.seq,
                line.key,
                line.train,
                line.notice,
                line.event,
                contact,
                url,
                notice_class,
                title,
                body,
                not_before,
            ),
        )
        assert cursor.lastrowid is not None
        self._connection.executemany(
            "UPDATE outgoing SET state = 'superseded', superseded_by = ? WHERE id = ?",
            [(cursor.lastrowid, row["id"]) for row in older],
        )
        self._rang = True
        return cursor.lastrowid

    def begin_attempt(self, outgoing_id: int) -> bool:
        """Count an attempt before it is made; False when the message has been sent or replaced meanwhile.

        A record that cannot be written (disk full) raises here, before anybody is told again and again.
        """
        with self.transaction() as connection:
            cursor = connection.execute(
                "UPDATE outgoing SET attempts = attempts + 1"
                " WHERE id = ? AND state IN ('waiting', 'needs_person')",
                (outgoing_id,),
            )
        return cursor.rowcount == 1

    def mark_sent(self, outgoing_id: int, at: float) -> None:
        """The message was accepted by its receiver, at plant time `at`."""
        with self.transaction() as connection:
            connection.execute(
                "UPDATE outgoing SET state = 'sent', sent_at = ?, error = '', superseded_by = NULL"
                " WHERE id = ?",
                (at, outgoing_id),
            )

    def mark_failed(self, outgoing_id: int, error: str, needs_person: bool) -> None:
        """The message was not accepted; it stays to be sent. A superseded one stays superseded."""
        with self.transaction() as connection:
            connection.execute(
                "UPDATE outgoing SET error = ?,"
                " state = CASE state WHEN 'superseded' THEN state ELSE ? END WHERE id = ?",
                (error, "needs_person" if needs_person else "waiting", outgoing_id),
            )

    def add_event(
        self, t: float, train: str, event: str, detail: str = "", by: str = "", *, once: str = ""
    ) -> int:
        """Store a maintenance event; returns its id. once : token of the form it was entered in, see `claim`."""
        if event not in EVENTS:
            raise ValueError(f"event {event!r} is not known; use one of {', '.join(EVENTS)}")
        with self.transaction() as connection:
            if once:
                self.claim(once)
            cursor = connection.execute(
                "INSERT INTO event (t, train, event, detail, by) VALUES (?, ?, ?, ?, ?)",
                (float(t), train, event, detail, by),
            )
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def add_events(self, events: Sequence[tuple[float, str, str, str, str]]) -> int:
        """Store maintenance events (t, train, event, detail, by), all or none; returns how many are new.

        One of the same instant, train and kind in the same words is known already.
        """
        new = 0
        with self.transaction() as connection:
            for t, train, event, detail, by in events:
                if event not in EVENTS:
                    raise ValueError(f"event {event!r} is not known; use {', '.join(EVENTS)}")
                known = connection.execute(
                    "SELECT 1 FROM event WHERE t = ? AND train = ? AND event = ? AND detail = ?",
                    (float(t), train, event, detail),
                ).fetchone()
                if known is None:
                    connection.execute(
                        "INSERT INTO event (t, train, event, detail, by) VALUES (?, ?, ?, ?, ?)",
                        (float(t), train, event, detail, by),
                    )
                    new += 1
        return new

    def put_forwarded(self, train: str, stream: str, until: float, resend_from: float) -> None:
        """The forwarding target has taken a stream up to `until`, for safe up to `resend_from`."""
        with self.transaction() as connection:
            connection.execute(
                "INSERT INTO forwarded VALUES (?, ?, ?, ?) ON CONFLICT (train, stream) DO UPDATE"
                " SET until = excluded.until, resend_from = excluded.resend_from",
                (train, stream, until, resend_from),
            )

    def park_line(self, t: float, line: str, error: str) -> None:
        """Keep a line that the forwarding target refuses; the same line again changes nothing."""
        with self.transaction() as connection:
            connection.execute(
                "INSERT OR IGNORE INTO forward_dead (t, line, error) VALUES (?, ?, ?)",
                (t, line, error),
            )

    # reading

    def _rows(self, sql: str, arguments: tuple[object, ...] = ()) -> list[sqlite3.Row]:
        with self._lock, sqlite.plain_errors(self.path):
            return self._connection.execute(sql, arguments).fetchall()

    def select(self, sql: str, arguments: tuple[object, ...] = ()) -> list[sqlite3.Row]:
        """The rows of a query, for modules that keep tables of their own in this file."""
        return self._rows(sql, arguments)

    def live_notices(self, train: str | None = None) -> list[Notice]:
        """Open and pending notices, in the order they were first seen."""
        where, arguments = ("", ()) if train is None else (" AND train = ?", (train,))
        sql = f"SELECT * FROM notice WHERE live = 1{where} ORDER BY rowid"
        return [notice_of(row) for row in self._rows(sql, arguments)]

    def open_notices(self, train: str | None = None) -> list[Notice]:
        """Notices that have been raised and are not closed yet, by id."""
        found = [n for n in self.live_notices(train) if n.id is not None]
        return sorted(found, key=lambda n: (n.train, n.number or 0))

    def notice(self, notice_id: str) -> Notice | None:
        """The notice with this id, open or closed."""
        rows = self._rows("SELECT * FROM notice WHERE id = ?", (notice_id,))
        return notice_of(rows[0]) if rows else None

    def notices(self, train: str | None = None, *, limit: int = 1000) -> list[Notice]:
        """Raised notices, open and closed, the newest first."""
        where, arguments = ("", ()) if train is None else (" AND train = ?", (train,))
        sql = f"SELECT * FROM notice WHERE id IS NOT NULL{where} ORDER BY rowid DESC LIMIT ?"
        return [notice_of(row) for row in self._rows(sql, (*arguments, limit))]

    def journal(
        self, *, after: int = 0, notice: str | None = None, train: str | None = None
    ) -> list[JournalLine]:
        """Journal lines with seq above `after`, in order."""
        sql, arguments = "SELECT * FROM journal WHERE seq > ?", [cast(object, after)]
        for column, value in (("notice", notice), ("train", train)):
            if value is not None:
                sql += f" AND {column} = ?"
                arguments.append(value)
        return [JournalLine(*row) for row in self._rows(sql + " ORDER BY seq", tuple(arguments))]

    def outgoing(
        self, state: OutgoingState | None = None, *, notice: str | None = None
    ) -> list[Outgoing]:
        """Messages in one state, or all, in the order they were written."""
        sql, arguments = "SELECT * FROM outgoing WHERE 1", cast("list[object]", [])
        for column, value in (("state", state), ("notice", notice)):
            if value is not None:
                sql += f" AND {column} = ?"
                arguments.append(value)
        return [Outgoing(*row) for row in self._rows(sql + " ORDER BY id", tuple(arguments))]

    def due(self, now: float) -> list[Outgoing]:
        """Messages not sent yet whose time has come at plant time `now`, the oldest first."""
        sql = (
            "SELECT * FROM outgoing WHERE state IN ('waiting', 'needs_person') AND not_before <= ?"
            " ORDER BY id"
        )
        return [Outgoing(*row) for row in self._rows(sql, (now,))]

    def digests(
        self,
        train: str,
        after: float = float("-inf"),
        until: float = float("inf"),
        *,
        limit: int = -1,
    ) -> list[dict[str, Any]]:
        """Digests that start in (after, until], in order; the first `limit` of them, or all."""
        sql = (
            "SELECT body FROM digest WHERE train = ? AND start > ? AND start <= ?"
            " ORDER BY start LIMIT ?"
        )
        return [json.loads(row["body"]) for row in self._rows(sql, (train, after, until, limit))]

    def forwarded(self, train: str, stream: str) -> tuple[float, float] | None:
        """`until` and `resend_from` of a stream, or None before anything of it was taken."""
        sql = "SELECT until, resend_from FROM forwarded WHERE train = ? AND stream = ?"
        rows = self._rows(sql, (train, stream))
        return (rows[0]["until"], rows[0]["resend_from"]) if rows else None

    def dead_lines(self) -> list[tuple[float, str, str]]:
        """Time, line and error of every line that the forwarding target refused, the oldest first."""
        rows = self._rows("SELECT t, line, error FROM forward_dead ORDER BY id")
        return [(row["t"], row["line"], row["error"]) for row in rows]

    def baselines(self, train: str) -> list[dict[str, Any]]:
        """Every baseline of the train, the oldest first."""
        sql = "SELECT body FROM baseline WHERE train = ? ORDER BY made_at"
        return [json.loads(row["body"]) for row in self._rows(sql, (train,))]

    def events(self, train: str | None = None) -> list[MaintenanceEvent]:
        """Maintenance events by time."""
        where, arguments = ("", ()) if train is None else (" WHERE train = ?", (train,))
        sql = f"SELECT * FROM event{where} ORDER BY t, id"
        return [MaintenanceEvent(*row) for row in self._rows(sql, arguments)]

    def learned(self, train: str) -> list[dict[str, Any]]:
        """What is known of the train's own constants: fields of rules.dependence.Learned."""
        rows = self._rows("SELECT body FROM learned WHERE train = ?", (train,))
        return json.loads(rows[0]["body"]) if rows else []

    def assessments(self, train: str) -> list[str]:
        """What became of the jobs of a train, in order of time: rules.assessment.Assessment as JSON."""
        return self._kept_since("assessment", train)

    def services(self, train: str) -> list[str]:
        """Every return to service of a train, in order of time: rules.service.Service as JSON."""
        return self._kept_since("service", train)

    def _kept_since(self, table: str, train: str) -> list[str]:
        """Bodies of a table that a file of an earlier version, opened for reading only, does not have yet."""
        if not self._rows("SELECT 1 FROM sqlite_master WHERE name = ?", (table,)):
            return []
        sql = f"SELECT body FROM {table} WHERE train = ? ORDER BY t, event"
        return [row["body"] for row in self._rows(sql, (train,))]

    def progress(self, train: str) -> Progress | None:
        """How far the train has been judged, or None before its first written minute."""
        rows = self._rows("SELECT * FROM progress WHERE train = ?", (train,))
        return Progress(*rows[0]) if rows else None
