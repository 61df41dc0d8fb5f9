"""What stands in the record: notices, journal lines, outgoing messages, progress, maintenance events."""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from typing import Any, Literal, cast

from daemon.lifecycle import Delay, State
from rules.findings import Action, NoticeClass, Priority

OutgoingState = Literal["waiting", "sent", "superseded", "needs_person"]


def iso(at: float | None) -> str | None:
    """An instant as ISO 8601 with Z and whole seconds; None stays None."""
    if at is None:
        return None
    return datetime.fromtimestamp(int(at), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def dumps(value: object) -> str:
    """JSON on one line, keys in the order given; a NaN is an error, never a number."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))


@dataclass(frozen=True, slots=True)
class Notice:
    """One matter of one train that is pending (no id yet), open or closed.

    picture : what people were told last, at `told_at`: stage, causes, action, priority, notice_class,
        since, forecast, deviation, evidence, message. The properties read it.
    latest : the same from the newest judgement with a digest since then, with `at` and `presence`; or empty.
    candidate, candidate_seen : a changed verdict that must be seen again before it is told.
    onset : when the evidence of the condition began. All times are plant time. [s]
    """

    train: str
    matter: str
    id: str | None = None
    number: int | None = None
    state: State = State.NORM
    live: bool = True
    delay: Delay = field(default_factory=Delay)
    suppressible: bool = True
    picture: Mapping[str, Any] = field(default_factory=dict)
    latest: Mapping[str, Any] = field(default_factory=dict)
    told_at: float | None = None
    forecast_told: float | None = None
    deviation_told_percent: float = 0.0
    classes_told: tuple[str, ...] = ()
    candidate: tuple[str, ...] = ()
    candidate_seen: int = 0
    steps: int = 0
    onset: float | None = None
    raised_at: float | None = None
    cleared_at: float | None = None
    closed_at: float | None = None
    acknowledged_at: float | None = None
    acknowledged_by: str = ""
    acknowledged_note: str = ""
    aside_by: str = ""
    aside_reason: str = ""
    shelved_until: float | None = None

    @property
    def key(self) -> str:
        """What a reader recognises a repeated message by: notice and step."""
        return f"[{self.id}/{self.steps}]"

    @property
    def newest(self) -> Mapping[str, Any]:
        """The newest judgement that is known, told or not; has the fields of `picture`."""
        return self.latest or self.picture

    @property
    def present(self) -> bool:
        """The condition counts as present."""
        return self.delay.active

    @property
    def stage(self) -> int | None:
        """Stage it is about, or None for the whole train."""
        return cast("int | None", self.picture.get("stage"))

    @property
    def causes(self) -> list[dict[str, Any]]:
        """Candidate causes, the likeliest first."""
        return cast("list[dict[str, Any]]", self.picture.get("causes", []))

    @property
    def cause(self) -> str:
        """The first cause."""
        return str(self.causes[0]["cause"]) if self.causes else "none"

    @property
    def action(self) -> Action:
        """What to do."""
        return cast(Action, self.picture.get("action", "watch"))

    @property
    def priority(self) -> Priority:
        """How important."""
        return cast(Priority, self.picture.get("priority", "low"))

    @property
    def notice_class(self) -> NoticeClass:
        """Advisory (days) or alarm (hours)."""
        return cast(NoticeClass, self.picture.get("notice_class", "advisory"))

    @property
    def forecast(self) -> dict[str, Any] | None:
        """quantity, limit_at, early, late [s], or None."""
        return cast("dict[str, Any] | None", self.picture.get("forecast"))

    @property
    def deviation(self) -> dict[str, dict[str, float]]:
        """Section -> quantity -> ln(actual/baseline)."""
        return cast("dict[str, dict[str, float]]", self.picture.get("deviation", {}))

    @property
    def evidence(self) -> list[str]:
        """One sentence each, with numbers."""
        return cast("list[str]", self.picture.get("evidence", []))

    @property
    def message(self) -> str:
        """Plain words."""
        return str(self.picture.get("message", ""))

    def body(self) -> str:
        """Everything that has no column of its own, as JSON."""
        values = {f.name: getattr(self, f.name) for f in fields(self) if f.name not in COLUMNS}
        values["delay"] = [self.delay.active, self.delay.since, self.delay.frozen]
        return dumps(values)


COLUMNS = {"id", "train", "number", "matter", "live", "state"}


def notice_of(row: sqlite3.Row) -> Notice:
    values = json.loads(row["body"])
    values["delay"] = Delay(*values["delay"])
    for name in ("classes_told", "candidate"):
        values[name] = tuple(values[name])
    return Notice(
        train=row["train"],
        matter=row["matter"],
        id=row["id"],
        number=row["number"],
        state=State(row["state"]),
        live=bool(row["live"]),
        **values,
    )


@dataclass(frozen=True, slots=True)
class JournalLine:
    """One step of one notice. `body` is the JSON line that goes to files and readers."""

    seq: int
    at: float
    train: str
    notice: str
    number: int
    event: str
    body: str

    @property
    def key(self) -> str:
        """The key that messages about this step carry."""
        return f"[{self.notice}/{self.number}]"


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message to one address of one contact. `url` counts from 0 in the contact's list."""

    id: int
    journal_seq: int
    key: str
    train: str
    notice: str
    event: str
    contact: str
    url: int
    notice_class: str
    title: str
    body: str
    not_before: float
    state: OutgoingState
    attempts: int
    error: str
    sent_at: float | None
    superseded_by: int | None


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a train has been judged: last minute, the instant of it, and the state the train was in."""

    train: str
    minute: float
    at: float
    state: str


@dataclass(frozen=True, slots=True)
class MaintenanceEvent:
    """Something people did or saw."""

    id: int
    t: float
    train: str
    event: str
    detail: str
    by: str
