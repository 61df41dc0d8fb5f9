"""What was said of the places of a train over time: by surveys and probes, by notices, and by people."""

import re
from dataclasses import dataclass
from typing import Any

from daemon import messages, survey_record, words
from daemon.plantfile.result import TrainConfig
from daemon.record import Record
from daemon.rows import MaintenanceEvent

MATTERS = ("performance", "cleanings")
"""Kinds of notices that are about the membranes of a stage."""

MENDS = ("seals_replaced", "element_replaced", "membranes_replaced")


@dataclass(frozen=True, slots=True)
class Said:
    """One sentence about a place. at : plant time. [s] path : the page that says more, or empty.

    place : a position (``1-03/4``), an interconnector (``1-03/4-5``), an adapter (``1-03 feed adapter``), a vessel
    (``1-03``) or a stage (``1``). accuses : whether something is wrong there by it.
    """

    at: float
    place: str
    text: str
    accuses: bool
    path: str = ""

    def concerns(self, position: str) -> bool:
        """Whether it names this very position, or a joint of it."""
        vessel, _, number = position.partition("/")
        if not self.place.startswith(f"{vessel}/"):
            return False
        return number in self.place.partition("/")[2].split("-")


def said(record: Record, train: TrainConfig, vessel: str) -> tuple[Said, ...]:
    """Everything that was said of one vessel, its positions and its stage, the newest first."""
    stage = vessel.partition("-")[0]
    found = [
        *_probes(record, train.id, vessel),
        *_surveys(record, train.id, stage, vessel),
        *_notices(record, train.id, int(stage)),
        *_events(record, train.id, vessel),
    ]
    return tuple(sorted(found, key=lambda s: -s.at))


def accused(record: Record, train: TrainConfig) -> dict[str, Said]:
    """Place -> what the newest probe of a vessel, or the newest survey of a stage, holds against it.

    What was mended since is not held against it any more.
    """
    found: dict[str, Said] = {}
    probed: dict[str, float] = {}
    for one in reversed(survey_record.samplings(record, "probe", train.id)):
        for said_ in _probe(one, train.id):
            probed[one.place] = said_.at
            found = {p: s for p, s in found.items() if _vessel(p) != one.place}
            if said_.accuses:
                found[said_.place] = said_
    newest: dict[str, survey_record.Sampling] = {}
    for one in reversed(survey_record.samplings(record, "survey", train.id)):
        if one.answer is not None:
            newest[one.place] = one
    for one in newest.values():
        for vessel in (one.answer or {}).get("suspects", []):
            if probed.get(vessel, 0.0) < one.at:
                found.setdefault(vessel, _survey(one, train.id, vessel))
    mended = [e for e in record.events(train.id) if e.event in MENDS]
    return {
        place: held
        for place, held in found.items()
        if not any(e.t > held.at and _mends(e, _vessel(place)) for e in mended)
    }


def _vessel(place: str) -> str:
    """The vessel of a place."""
    return place.split("/")[0].split(" ")[0]


def _mends(event: MaintenanceEvent, vessel: str) -> bool:
    """Whether something was replaced in a vessel; all of it with the membranes of the train."""
    return event.event == "membranes_replaced" or bool(_named(vessel).search(event.detail))


def _named(vessel: str) -> re.Pattern[str]:
    """Where a text names a vessel, or one of its places."""
    return re.compile(rf"(?<![\d-]){re.escape(vessel)}(?:/\d+(?:-\d+)?)?(?![\d-])")


def _probes(record: Record, train: str, vessel: str) -> list[Said]:
    found = []
    for one in survey_record.samplings(record, "probe", train, vessel):
        found += _probe(one, train)
    return found


def _probe(one: survey_record.Sampling, train: str) -> list[Said]:
    answer = one.answer
    if answer is None:
        return []
    verdict, where = str(answer.get("verdict")), answer.get("where")
    place = one.place if where is None else str(where)
    if where is not None and not place.startswith(one.place):
        place = f"{one.place} {place}"  # an adapter is named without its vessel
    sure = answer.get("confidence")
    share = f", {100 * float(sure):.0f} % sure" if isinstance(sure, int | float) else ""
    name = verdict.replace("_", " ").replace("o ring", "O-ring")
    # `place` holds the vessel already.
    text = f"Probe of vessel {one.place}: {name}" + (f", {place}" if where is not None else "")
    path = f"/train/{train}/probe/{one.place}?n={one.id}"
    return [Said(one.at, place, f"{text}{share}.", verdict not in ("sound", "None"), path)]


def _surveys(record: Record, train: str, stage: str, vessel: str) -> list[Said]:
    return [
        _survey(one, train, vessel)
        for one in survey_record.samplings(record, "survey", train, stage)
        if one.answer is not None and _of(one.answer, vessel) is not None
    ]


def _of(answer: dict[str, Any], vessel: str) -> dict[str, Any] | None:
    return next((v for v in answer.get("vessels", []) if v.get("vessel") == vessel), None)


def _survey(one: survey_record.Sampling, train: str, vessel: str) -> Said:
    read = _of(one.answer or {}, vessel) or {}
    numbers = [
        f"{text} {float(read[key]):.1f} µS/cm"
        for key, text in (("conductivity", "permeate"), ("expected", "expected"))
        if isinstance(read.get(key), int | float)
    ]
    suspect = bool(read.get("suspect"))
    verdict = "stands out" if suspect else "as expected"
    text = f"Survey of stage {one.place}: vessel {vessel} {verdict}"
    path = f"/train/{train}/survey/{one.place}?n={one.id}"
    return Said(
        one.at, vessel, f"{text}{', ' if numbers else ''}{', '.join(numbers)}.", suspect, path
    )


def _notices(record: Record, train: str, stage: int) -> list[Said]:
    found = []
    for notice in record.notices(train):
        if notice.stage != stage or notice.matter.partition(":")[0] not in MATTERS:
            continue
        title = messages.matter_words(notice)
        text = f"Notice {notice.id}: {title}, stage {stage}"
        if notice.raised_at is not None:
            path = f"/notice/{notice.id}"
            found.append(Said(notice.raised_at, str(stage), f"{text}.", notice.present, path))
            if notice.cleared_at is not None:
                gone = f"Notice {notice.id}: back to normal."
                found.append(Said(notice.cleared_at, str(stage), gone, False, path))
    return found


def _events(record: Record, train: str, vessel: str) -> list[Said]:
    """What people did there: events whose words name the vessel or one of its places."""
    found = []
    for event in record.events(train):
        for place in dict.fromkeys(_named(vessel).findall(event.detail)):
            who = f", by {event.by}" if event.by else ""
            text = f"{words.EVENTS[event.event]}: {event.detail}{who}."
            found.append(Said(event.t, place, text, False))
    return found
