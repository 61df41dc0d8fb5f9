"""Return to service: after a clean or a replacement the flush is followed until the permeate is as it was.

From the minutes: water used, time in production, and whether normalized salt passage is back at its earlier
level and steady, with the feed's pH and the salt balance of the concentrate where they are measured. Then the
train is told fit for service; when it does not come back within a stated time, that is an alarm.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from math import expm1, isfinite, log, nan
from typing import Any

from rules import noise
from rules.explain import LONGEST_MESSAGE
from rules.findings import Finding, Presence
from rules.series import DAY_S
from rules.words import day, percent, place

JOBS: Mapping[str, str] = {
    "cleaning_end": "the cleaning",
    "seals_replaced": "the replacement of seals",
    "element_replaced": "the replacement of elements",
    "membranes_replaced": "the replacement of the membranes",
}
"""Events after which a train returns to service, in words."""

RINSE_S: Mapping[str, float] = {
    "cleaning_end": 1800.0,
    "seals_replaced": 1800.0,
    "element_replaced": 3600.0,
    "membranes_replaced": 3600.0,
}
"""Least production before a train is fit: new elements are rinsed of their preservative for 1 to 2 hours
(criteria.csv in the tests' reference folder); else common practice, no source. [s]"""

WITHIN_S: Mapping[str, float] = {
    "cleaning_end": 4 * 3600.0,
    "seals_replaced": 4 * 3600.0,
    "element_replaced": 8 * 3600.0,
    "membranes_replaced": 8 * 3600.0,
}
"""Production within which a train has to be fit; else that is an alarm. Common practice, no source. [s]"""

PASSAGE: Mapping[str, float] = {
    "cleaning_end": log(1.30),  # an alkaline clean swells the membrane for a day or two
    "seals_replaced": log(1.10),
    "element_replaced": log(1.10),
    "membranes_replaced": log(1.25),  # the level of new elements is stated with a margin
}
"""Salt passage may stand so far above its earlier level. Common practice, no source. [-]"""

MATCH = 0.10
"""pH and salt balance match within this (criteria.csv: 5 to 10 %). [-]"""

STEADY = 0.03
"""Salt passage is steady when the halves of the window differ by no more. Common practice, no source. [-]"""

WINDOW_S = 1800.0
"""Passage is judged on the last half hour of production. [s]"""

FEWEST_MINUTES = 4
LONGEST_STEP_S = 3600.0
"""Water between two minutes counts up to this long. [s]"""

STANDS_S = DAY_S
"""For so long a train is told fit; then the notice closes by itself. [s]"""

FOLLOWED_S = 14 * DAY_S
"""A train that never comes back is followed for so long; then it is a matter of its performance. [s]"""

LATE, FIT = "return_to_service", "fit_for_service"
"""Matters of the alarm and of the advisory."""


@dataclass(frozen=True, slots=True)
class Service:
    """A train on its way back to service after a job at `at`. All times [s since 1970-01-01 UTC].

    event : one of `JOBS`. reference : observable -> level to come back to; a deviation from the baseline when
    `against_baseline`, else a level itself; empty when there is none. [-]
    basis : where that level comes from, in words. feed_ph : the usual one, None when not known.
    last : minutes up to here are counted. production_s, feed_m3 : since the job; `feed_m3` None when no
    feed flow was measured. fit_at : when all criteria held. evidence : one clause for each criterion.
    """

    event: str
    at: float
    reference: Mapping[str, float]
    against_baseline: bool
    basis: str
    feed_ph: float | None
    last: float
    production_s: float = 0.0
    feed_m3: float | None = None
    fit_at: float | None = None
    evidence: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()

    def to_json(self) -> str:
        """All of it as one JSON object; floats read back exactly."""
        return json.dumps(asdict(self), separators=(",", ":"), allow_nan=False)

    @classmethod
    def from_json(cls, text: str) -> "Service":
        """The inverse of `to_json`."""
        values: dict[str, Any] = json.loads(text)
        for name in ("evidence", "missing"):
            values[name] = tuple(values[name])
        return cls(**values)

    @property
    def followed(self) -> bool:
        """Whether it is still to be decided."""
        return self.fit_at is None and self.last < self.at + FOLLOWED_S

    @property
    def late(self) -> bool:
        """Not fit after more production than it should take."""
        return self.fit_at is None and self.production_s >= WITHIN_S[self.event]

    def minute(self, time: float, *, producing: bool, feed_m3h: float) -> "Service":
        """Count one minute: water and time in production. feed_m3h : NaN when not known."""
        if time <= self.last or not self.followed:
            return self
        step = min(time - self.last, LONGEST_STEP_S)
        water = self.feed_m3
        if isfinite(feed_m3h):
            water = (water or 0.0) + max(feed_m3h, 0.0) * step / 3600.0
        seconds = self.production_s + (step if producing else 0.0)
        return replace(self, last=time, production_s=seconds, feed_m3=water)


@dataclass(frozen=True, slots=True)
class Window:
    """What the last half hour of production says: observable -> level of its first and of its second half. [-]

    feed_ph : its median, None when not measured.
    """

    first: Mapping[str, float]
    second: Mapping[str, float]
    feed_ph: float | None


def judge(service: Service, window: Window, now: float) -> Service:
    """Whether a train that produces is fit at `now`."""
    if not service.followed or service.production_s < RINSE_S[service.event]:
        return service
    held: list[str] = []
    missing: list[str] = []
    passages = {o: v for o, v in window.second.items() if noise.split(o)[1] == "salt_passage"}
    allowed = PASSAGE[service.event]
    off = {o: v - service.reference[o] for o, v in passages.items() if o in service.reference}
    moved = {o: v - window.first.get(o, nan) for o, v in passages.items()}
    if off:
        against = f"against {service.basis}, at most +{100 * expm1(allowed):.0f} %"
        _sort(held, missing, off, lambda v: v <= allowed, against)
    if moved:
        steady = f"within the half hour, at most {100 * STEADY:.0f} % either way"
        _sort(held, missing, moved, lambda v: abs(v) <= STEADY, steady)
    else:
        missing.append("salt passage cannot be computed now")
    if not service.reference:
        held.append("no earlier level is known to compare with")
    salt = window.second.get("balance/salt", nan) - service.reference.get("balance/salt", nan)
    if isfinite(salt):
        matched = abs(salt) <= log(1.0 + MATCH)
        text = f"salt of the concentrate {percent(salt)} against the balance, at most {100 * MATCH:.0f} %"
        (held if matched else missing).append(f"{text} either way")
    if window.feed_ph is not None and service.feed_ph is not None:
        matched = abs(window.feed_ph - service.feed_ph) <= MATCH * service.feed_ph
        (held if matched else missing).append(
            f"feed pH {window.feed_ph:.1f}, usually {service.feed_ph:.1f}"
        )
    return replace(
        service,
        evidence=tuple(held),
        missing=tuple(missing),
        fit_at=None if missing else now,
    )


def _sort(
    held: list[str],
    missing: list[str],
    found: Mapping[str, float],
    good: Callable[[float], bool],
    against: str,
) -> None:
    """Write the salt passages that meet a criterion to `held`, the others to `missing`, as one clause each."""
    for into, wanted in ((held, True), (missing, False)):
        told = [
            f"{percent(v)}" + ("" if where == "train" else f" in stage {where}")
            for where, v in ((noise.split(o)[0], v) for o, v in found.items() if good(v) == wanted)
        ]
        if told:
            into.append(f"salt passage {', '.join(told)} {against}")


def findings(train: str, service: Service, now: float) -> list[Finding]:
    """What is to be told of a return to service at `now`: fit, late, or neither."""
    found = []
    fit = service.fit_at
    fresh = fit is not None and now < fit + STANDS_S
    found.append(
        Finding(
            matter=FIT,
            presence=Presence.PRESENT if fresh else Presence.ABSENT,
            since=fit if fresh else None,
            evidence=_sentences(service.evidence) if fresh else (),
            message=_fit_message(train, service) if fresh else "",
            suppressible=False,
            closes_itself=True,
        )
    )
    if service.late and now < service.at + FOLLOWED_S:
        found.append(
            Finding(
                matter=LATE,
                presence=Presence.PRESENT,
                action="probe" if service.event != "cleaning_end" else "watch",
                priority="high",
                notice_class="alarm",
                since=service.at,
                evidence=_sentences((*service.missing, *service.evidence)),
                message=_late_message(train, service),
                suppressible=False,
            )
        )
    else:
        found.append(Finding(matter=LATE, presence=Presence.ABSENT, suppressible=False))
    return found


def standing(service: Service, stamp: Callable[[float], str] | None = None) -> str:
    """How far it has come, in one sentence. stamp : writes an instant; as `clock` when None."""
    water = _water(service).rstrip(".")
    water = f", {water}" if water else ""
    if service.fit_at is not None:
        at = (stamp or clock)(service.fit_at)
        return f"Fit for service at {at}{water}. {_listed(service.evidence)}".rstrip()
    hours = f"{service.production_s / 3600.0:.1f} h of production{water}"
    if not service.followed:
        return f"It was not seen fit for service within {FOLLOWED_S / DAY_S:.0f} days: {hours}."
    why = _listed(service.missing)
    return f"Not fit for service yet: {hours}. {why}".rstrip()


def _fit_message(train: str, service: Service) -> str:
    fit = service.fit_at if service.fit_at is not None else service.last
    return _short(
        f"{place(train, None)}: fit for service since {clock(fit)}, after {JOBS[service.event]} of "
        f"{day(service.at)}. {_listed(service.evidence[:2])}{_water(service)}"
    )


def _late_message(train: str, service: Service) -> str:
    why = _listed(service.missing[:2]) if service.missing else "It could not be judged. "
    advice = {
        "cleaning_end": "Go on flushing; look for solution left in dead ends.",
        "seals_replaced": "Survey the vessel that was opened again, then probe it.",
        "element_replaced": "Survey the vessel that was opened, then probe it.",
        "membranes_replaced": "Go on flushing; survey all vessels for the one that leaks.",
    }[service.event]
    return _short(
        f"{place(train, None)}: not fit for service after {service.production_s / 3600.0:.0f} h of "
        f"production since {JOBS[service.event]} of {day(service.at)}. {why}{_water(service)} {advice}"
    )


def _water(service: Service) -> str:
    return "" if service.feed_m3 is None else f"{service.feed_m3:.0f} m3 of feed used."


def _listed(clauses: Sequence[str]) -> str:
    text = "; ".join(clauses)
    return f"{text[0].upper()}{text[1:]}. " if text else ""


def _sentences(clauses: Sequence[str]) -> tuple[str, ...]:
    return tuple(f"{c[0].upper()}{c[1:]}." for c in clauses)


def _short(text: str) -> str:
    text = text.strip()
    return text if len(text) <= LONGEST_MESSAGE else text[: LONGEST_MESSAGE - 1].rstrip() + "…"


def clock(time: float) -> str:
    """An instant for people: ``14 Jan 12:05 UTC``. [s since 1970-01-01 UTC]"""
    return f"{day(time)} {datetime.fromtimestamp(time, UTC):%H:%M} UTC"
