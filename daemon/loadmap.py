"""The load map: which element sits in which position, where it was before, and what waits on the shelf.

Nothing is ever overwritten: each change is one more line of an element's history. A set of changes is checked as
a whole and done as a whole, so that a rotation needs no free position; when something is wrong with it, all
of that is said and nothing is done.
"""

import re
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daemon.plantfile.result import Plant, TrainConfig
from daemon.record import Record
from daemon.rows import iso

SHELF, SCRAPPED = "shelf", "scrapped"
AWAY = (SHELF, SCRAPPED)
"""Places outside of any train."""

_POSITION = re.compile(r"(\d{1,2})-(\d{1,3})/(\d{1,2})")


class LoadMapError(ValueError):
    """Changes that cannot be done: one line for each problem, with its place."""


@dataclass(frozen=True, slots=True)
class Stay:
    """One place that an element was given. train : empty outside of any. at : plant time. [s]"""

    at: float
    train: str
    place: str
    by: str
    detail: str


@dataclass(frozen=True, slots=True)
class Element:
    """One element, by its serial number. installed : when it was new in service, None when not known. [s]

    history : its places in order of time; the last is where it is now.
    """

    serial: str
    type: str
    installed: float | None
    history: tuple[Stay, ...]

    @property
    def train(self) -> str:
        """Where it is now; empty outside of any train."""
        return self.history[-1].train

    @property
    def place(self) -> str:
        """Where it is now: a position, `SHELF` or `SCRAPPED`."""
        return self.history[-1].place


@dataclass(frozen=True, slots=True)
class Change:
    """One element to one place. where : of a file, for what is wrong with it.

    at : when it was done; None for the time given for all. [s]
    type, installed : what is known of it; empty or None leaves what is known already.
    past : earlier places of an element that is not known yet.
    """

    serial: str
    place: str
    where: str = ""
    at: float | None = None
    type: str = ""
    installed: float | None = None
    past: tuple[Stay, ...] = ()
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Done:
    """What a set of changes did: serial numbers that are new, that moved, and that were corrected."""

    new: tuple[str, ...] = ()
    moved: tuple[str, ...] = ()
    corrected: tuple[str, ...] = ()


def positions(train: TrainConfig) -> tuple[str, ...]:
    """Every position of a train, in flow direction: ``1-01/1`` ..."""
    return tuple(
        f"{number}-{vessel:02d}/{element}"
        for number, stage in enumerate(train.stages, 1)
        for vessel in range(1, stage.vessels + 1)
        for element in range(1, stage.elements_per_vessel + 1)
    )


def placed(train: TrainConfig, text: str) -> tuple[str, str]:
    """The position that a text means, written as everywhere, or empty and what is wrong with it."""
    found = _POSITION.fullmatch(text.strip())
    if found is None:
        return "", f"position {text.strip()!r} is not known; write 1-03/4, {SHELF} or {SCRAPPED}"
    stage, vessel, element = (int(part) for part in found.groups())
    if not 1 <= stage <= len(train.stages):
        count = len(train.stages)
        return (
            "",
            f"position {text.strip()}: train {train.id} has {count} stage{'s' if count > 1 else ''}",
        )
    shape = train.stages[stage - 1]
    if not 1 <= vessel <= shape.vessels:
        return "", (
            f"position {text.strip()}: stage {stage} of train {train.id} has vessels {stage}-01 to "
            f"{stage}-{shape.vessels:02d}"
        )
    if not 1 <= element <= shape.elements_per_vessel:
        return "", (
            f"position {text.strip()}: a vessel of stage {stage} has positions 1 to "
            f"{shape.elements_per_vessel}, from the feed end"
        )
    return f"{stage}-{vessel:02d}/{element}", ""


class LoadMap:
    """The load map of a plant in its record."""

    def __init__(self, record: Record, plant: Plant) -> None:
        self._record = record
        self._plant = plant

    def elements(self) -> tuple[Element, ...]:
        """Every element that was ever known, by serial number."""
        if not self._record.select("SELECT 1 FROM sqlite_master WHERE name = 'element_move'"):
            return ()  # a record of an earlier version that is only read
        stays: dict[str, list[Stay]] = {}
        for row in self._record.select("SELECT * FROM element_move ORDER BY at, id"):
            stay = Stay(row["at"], row["train"], row["place"], row["by"], row["detail"])
            stays.setdefault(row["serial"], []).append(stay)
        return tuple(
            Element(row["serial"], row["type"], row["installed"], tuple(stays[row["serial"]]))
            for row in self._record.select("SELECT * FROM element ORDER BY serial")
        )

    def loaded(self, train: str) -> dict[str, Element]:
        """What sits where in a train: position -> element."""
        return {e.place: e for e in self.elements() if e.train == train}

    def shelf(self) -> tuple[Element, ...]:
        """What waits on the shelf."""
        return tuple(e for e in self.elements() if e.place == SHELF)

    def apply(
        self,
        train: TrainConfig,
        changes: Sequence[Change],
        *,
        at: float,
        by: str,
        event: str = "",
        detail: str = "",
        once: str = "",
    ) -> Done:
        """Do all of the changes, or none; LoadMapError tells everything that is wrong with them.

        at : when it was done, where a change does not say. [s] event : a maintenance event to enter with them.
        once : token of the form it was entered in.
        """
        with self._record.transaction() as connection:
            if once:
                self._record.claim(once)
            known = {e.serial: e for e in self.elements()}
            problems = _check(train, changes, known, at)
            if problems:
                raise LoadMapError("\n".join(problems))
            done = _write(connection, train, changes, known, at, by)
            if event:
                connection.execute(
                    "INSERT INTO event (t, train, event, detail, by) VALUES (?, ?, ?, ?, ?)",
                    (at, train.id, event, detail, by),
                )
        return done


def replacement(
    known: LoadMap,
    train: TrainConfig,
    puts: Sequence[tuple[str, str]],
    *,
    at: float,
    of_type: str = "",
    old_goes: str = SCRAPPED,
    where: str = "",
) -> tuple[list[Change], str]:
    """Other elements put into positions: the changes, and what was done in words for the event.

    puts : position and serial of each that went in. of_type : of those that are not known yet.
    where : what it was asked with, for what is wrong with it. An element that sits in another position is
    refused: whoever reads a number off a label may have misread it.
    """
    elements = {e.serial: e for e in known.elements()}
    loaded = {e.place: e for e in elements.values() if e.train == train.id}
    changes, said, problems = [], [], []
    for position, serial in puts:
        asked = f"{where} {position}={serial}".strip() if where else ""
        place = placed(train, position)[0]
        old, there = loaded.get(place), elements.get(serial)
        if there is not None and there.place not in AWAY:
            sits = _place(there.history[-1])
            problems.append(
                f"{f'{asked}: ' if asked else ''}serial {serial} sits in {sits}; correct the number, or move it "
                f"to the {SHELF} first"
            )
            continue
        if old is not None:
            changes.append(Change(old.serial, old_goes, where=asked))
        fresh = there is None
        changes.append(
            Change(
                serial,
                position,
                where=asked,
                type=of_type if fresh else "",
                installed=at if fresh else None,
            )
        )
        said.append(
            f"{place or position}: {serial}"
            + (f" in place of {old.serial}" if old is not None else "")
        )
    if problems:
        raise LoadMapError("\n".join(problems))
    return changes, "; ".join(said)


def _check(
    train: TrainConfig, changes: Sequence[Change], known: Mapping[str, Element], at: float
) -> list[str]:
    """Everything that is wrong with a set of changes."""
    problems = []
    first: dict[str, Change] = {}
    for change in changes:
        where = f"{change.where}: " if change.where else ""
        if change.serial in first:
            other = first[change.serial].where
            problems.append(
                f"{where}serial {change.serial} stands here a second time"
                + (f"; first in {other}" if other else "")
            )
            continue
        first[change.serial] = change
        element = known.get(change.serial)
        if change.place not in AWAY:
            wrong = placed(train, change.place)[1]
            if wrong:
                problems.append(f"{where}{wrong}")
        if element is None:
            continue
        when = at if change.at is None else change.at
        last = element.history[-1]
        if _moves(train, change, element) and when < last.at:
            problems.append(
                f"{where}serial {change.serial} was put to {_place(last)} on {iso(last.at)}; "
                f"{iso(when)} is before that"
            )
    return problems + _double(train, list(first.values()), known)


def _double(
    train: TrainConfig, changes: Sequence[Change], known: Mapping[str, Element]
) -> list[str]:
    """Positions that two elements would have afterwards."""
    holder = {e.place: e.serial for e in known.values() if e.train == train.id}
    for change in changes:
        element = known.get(change.serial)
        if element is not None and element.train == train.id:
            holder.pop(element.place, None)
    problems = []
    taken: dict[str, Change] = {}
    for change in changes:
        place = placed(train, change.place)[0]
        if not place:
            continue
        where = f"{change.where}: " if change.where else ""
        if place in taken:
            other = taken[place]
            problems.append(
                f"{where}position {place} is given to serial {change.serial} and to {other.serial}"
                + (f" ({other.where})" if other.where else "")
            )
        elif place in holder:
            problems.append(
                f"{where}position {place} holds serial {holder[place]}; say where that goes "
                f"({SHELF}, {SCRAPPED} or another position)"
            )
        taken.setdefault(place, change)
    return problems


def _write(
    connection: sqlite3.Connection,
    train: TrainConfig,
    changes: Sequence[Change],
    known: Mapping[str, Element],
    at: float,
    by: str,
) -> Done:
    new, moved, corrected = [], [], []

    def put(serial: str, stay: Stay) -> None:
        connection.execute(
            "INSERT INTO element_move (serial, at, train, place, by, detail) VALUES (?, ?, ?, ?, ?, ?)",
            (serial, stay.at, stay.train, stay.place, stay.by, stay.detail),
        )

    for change in changes:
        element = known.get(change.serial)
        when = at if change.at is None else change.at
        away = change.place in AWAY
        place = change.place if away else placed(train, change.place)[0]
        stay = Stay(when, "" if away else train.id, place, by, change.detail)
        if element is None:
            connection.execute(
                "INSERT INTO element VALUES (?, ?, ?)",
                (change.serial, change.type, change.installed),
            )
            for past in change.past:
                put(change.serial, past)
            put(change.serial, stay)
            new.append(change.serial)
            continue
        said = _corrections(change, element)
        if said:
            connection.execute(
                "UPDATE element SET type = ?, installed = ? WHERE serial = ?",
                (
                    change.type or element.type,
                    element.installed if change.installed is None else change.installed,
                    change.serial,
                ),
            )
            corrected.append(change.serial)
        if _moves(train, change, element):
            detail = "; ".join(filter(None, (change.detail, *said)))
            put(change.serial, Stay(stay.at, stay.train, stay.place, by, detail))
            moved.append(change.serial)
        elif said:
            last = element.history[-1]
            put(
                change.serial, Stay(max(when, last.at), last.train, last.place, by, "; ".join(said))
            )
    return Done(tuple(new), tuple(moved), tuple(corrected))


def _moves(train: TrainConfig, change: Change, element: Element) -> bool:
    """Whether the element gets another place than it has."""
    if change.place in AWAY:
        return element.place != change.place
    return (element.train, element.place) != (train.id, placed(train, change.place)[0])


def _corrections(change: Change, element: Element) -> list[str]:
    """What is said of an element otherwise than it is known, in words."""
    said = []
    if change.type and change.type != element.type:
        said.append(f"type {change.type}" + (f" instead of {element.type}" if element.type else ""))
    if change.installed is not None and change.installed != element.installed:
        before = f" instead of {iso(element.installed)}" if element.installed is not None else ""
        said.append(f"installed {iso(change.installed)}{before}")
    return said


def _place(stay: Stay) -> str:
    """``A 1-03/4`` or ``shelf``."""
    return f"{stay.train} {stay.place}" if stay.train else stay.place
