"""The maintenance record of a train: what people did, what became of it, and how it came back to service."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from daemon.record import Record
from daemon.rows import MaintenanceEvent, iso
from rules import assessment, service
from rules.assessment import Assessment
from rules.service import Service


@dataclass(frozen=True, slots=True)
class Entry:
    """One event with what became of it. after : it is part of the job that a later event ended."""

    event: MaintenanceEvent
    assessment: Assessment | None = None
    service: Service | None = None
    after: MaintenanceEvent | None = None

    def sentences(self, stamp: Callable[[float], str] | None = None) -> tuple[str, ...]:
        """What became of it, in words. stamp : writes an instant; ISO 8601 in UTC when None."""
        stamp = stamp or (lambda at: str(iso(at)))
        if self.after is not None:
            return (f"Judged with the cleaning that ended at {stamp(self.after.t)}.",)
        said: list[str] = []
        if self.service is not None:
            said.append(service.standing(self.service, stamp))
        if self.assessment is not None:
            said += assessment.sentences(self.assessment)
        return tuple(said)

    def plain(self) -> dict[str, Any]:
        """All of it for a machine."""
        made, back = self.assessment, self.service
        return {
            "time": iso(self.event.t),
            "train": self.event.train,
            "event": self.event.event,
            "detail": self.event.detail,
            "by": self.event.by,
            "assessment": None if made is None else _assessment(made),
            "service": None if back is None else _service(back),
        }


def entries(record: Record, train: str | None = None) -> tuple[Entry, ...]:
    """Every event of a train, or of all, in order of time."""
    events = record.events(train)
    made: dict[tuple[str, str, float], Assessment] = {}
    back: dict[tuple[str, str, float], Service] = {}
    for name in sorted({e.train for e in events}):
        for body in record.assessments(name):
            found = Assessment.from_json(body)
            made[name, found.event, found.end] = found
        for body in record.services(name):
            returned = Service.from_json(body)
            back[name, returned.event, returned.at] = returned
    jobs = [(name, a) for (name, _, _), a in made.items() if a.event == "cleaning_end"]
    out = []
    for event in events:
        key = (event.train, event.event, event.t)
        after = None
        if event.event == "cleaning_end" and key not in made:
            ends = [a.end for name, a in jobs if name == event.train and a.begin <= event.t < a.end]
            after = next(
                (e for e in events if ends and (e.train, e.t) == (event.train, ends[0])), None
            )
        out.append(Entry(event, made.get(key), back.get(key), after))
    return tuple(out)


def _assessment(made: Assessment) -> dict[str, Any]:
    """An assessment with its shares; deviations as ln(actual/baseline), as everywhere."""
    return {
        "verdict": made.verdict,
        "final": made.final,
        "leading": made.leading or None,
        "cause": made.cause,
        "chemistry": list(made.chemistry),
        "counts": made.counts,
        "effects": [
            {
                "observable": e.observable,
                "before": _rounded(e.before),
                "before_error": _rounded(e.before_error),
                "after": _rounded(e.after),
                "after_error": _rounded(e.after_error),
                "earlier": _rounded(e.earlier),
                "restored": _rounded(e.restored),
                "restored_error": _rounded(e.restored_error),
                "half_back_days": _rounded(e.half_back_d, 1),
                "held_days": _rounded(e.held_d, 1),
            }
            for e in made.effects
        ],
    }


def _service(back: Service) -> dict[str, Any]:
    return {
        "fit_at": iso(back.fit_at),
        "production_hours": _rounded(back.production_s / 3600.0, 2),
        "feed_m3": _rounded(back.feed_m3, 1),
        "against": back.basis or None,
        "met": list(back.evidence),
        "missing": list(back.missing),
    }


def _rounded(value: float | None, digits: int = 5) -> float | None:
    return None if value is None else round(value, digits)
