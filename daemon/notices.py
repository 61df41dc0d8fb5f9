"""Notices: findings applied to the life cycle, journalled, and written out to everybody who must be told.

Everything that follows from one evaluation (standing of the notices, journal, outgoing messages,
digest, baseline, progress) is one transaction. What is decided (daemon/judgement.py) depends only on
the arguments and the record, never on the wall clock, so that a replay of the same minutes writes the
same journal, byte for byte.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import isfinite
from typing import Any
from zoneinfo import ZoneInfo

from daemon import messages
from daemon.hours import next_working_time
from daemon.judgement import STATES, Round, Step, closed_if_done, come_back, mark_told, short_body
from daemon.lifecycle import Event, NotPossible, State, advance
from daemon.neighbors import with_others, worth_asking
from daemon.plantfile.result import Plant
from daemon.record import (
    AssessmentLike,
    BaselineLike,
    DigestLike,
    LearnedLike,
    Record,
    ServiceLike,
)
from daemon.rows import JournalLine, Notice, Progress, dumps, iso
from rules.findings import Finding


class NoticeError(ValueError):
    """A request about a notice that cannot be done; the text says why."""


class Notices:
    """The notices of a plant over its record. Several processes may each have one."""

    def __init__(self, record: Record, plant: Plant) -> None:
        self._record = record
        self._plant = plant
        self._zone = ZoneInfo(plant.site.timezone)
        self._version: tuple[int, int] | None = None
        self._live: dict[str, dict[str, Notice]] = {}
        self._last: dict[str, float] = {}

    def process(
        self,
        train_id: str,
        now: float,
        findings: Sequence[Finding],
        *,
        state: str,
        progress: float,
        digest: DigestLike | None = None,
        baseline: BaselineLike | None = None,
        learned: Sequence[LearnedLike] | None = None,
        assessments: Sequence[AssessmentLike] = (),
        service: ServiceLike | None = None,
    ) -> list[JournalLine]:
        """Apply one evaluation of a train at plant time `now`; returns what was journalled, in order.

        Writes nothing when nothing changes and there is nothing to store.
        progress : the minute that is now fully judged; a restart goes on after it.
        learned : the train's own constants, when something new is known of them; it comes with a digest.
        assessments, service : what became of what people did, as far as that is new.
        """
        if state not in STATES:
            raise ValueError(f"state {state!r} is not known; use one of {', '.join(STATES)}")
        matters = {f.matter for f in findings}
        if len(matters) != len(findings):
            raise ValueError(
                f"train {train_id}: two findings about one matter in one evaluation:"
                f" {sorted(f.matter for f in findings)}"
            )
        self._refresh(train_id)
        last = self._last_at(train_id)
        if digest is None and baseline is None and service is None:
            live = self._live[train_id]
            if not findings and not live:
                self._last[train_id] = now
                return []
            trial = Round(train_id, now, last, state, lambda: 0, refresh=False)
            trial.run(live, findings)
            if not trial.changed:
                self._last[train_id] = now
                return []
        with self._record.transaction():
            if worth_asking(findings):
                findings = with_others(findings, self._of_others(train_id), now)
            round_ = Round(
                train_id,
                now,
                last,
                state,
                lambda: self._record.next_number(train_id),
                refresh=digest is not None,
            )
            round_.run({n.matter: n for n in self._record.live_notices(train_id)}, findings)
            for notice in round_.changed.values():
                self._record.put_notice(notice)
            lines = [self._write(step, now) for step in round_.steps]
            if digest is not None:
                self._record.put_digest(train_id, digest)
            if baseline is not None:
                self._record.put_baseline(train_id, baseline)
            if learned is not None:
                self._record.put_learned(train_id, now, learned)
            for made in assessments:
                self._record.put_assessment(train_id, made)
            if service is not None:
                self._record.put_service(train_id, service)
            self._record.put_progress(Progress(train_id, float(progress), float(now), state))
        self._last[train_id] = now
        return lines

    def _of_others(self, train_id: str) -> list[Notice]:
        """Live notices of the other trains of the site."""
        others = [t.id for t in self._plant.trains if t.id != train_id]
        return [n for other in others for n in self._record.live_notices(other)]

    # what people do

    def acknowledge(
        self, notice_id: str, by: str, note: str = "", *, at: float | None = None
    ) -> JournalLine:
        """`by` has seen the notice. It never changes the condition; a condition that has gone is closed by it."""

        def act(notice: Notice, now: float) -> tuple[Notice, dict[str, Any], bool]:
            if notice.state is State.DSUPR:
                # Seen while the train stands still: remembered for when it runs again.
                state = State.DSUPR
                if notice.acknowledged_at is not None:
                    raise NoticeError(_already(notice))
            elif notice.state is State.ACKED:
                raise NoticeError(_already(notice))
            else:
                state = advance(notice.state, Event.ACKNOWLEDGE)
            notice = replace(
                notice,
                state=state,
                acknowledged_at=now,
                acknowledged_by=by,
                acknowledged_note=note,
            )
            return notice, {"by": by, "note": note}, False

        return self._by_person(notice_id, by, at, "acknowledged", act)

    def shelve(
        self, notice_id: str, until: float, by: str, reason: str, *, at: float | None = None
    ) -> JournalLine:
        """Put the notice aside until plant time `until`; it comes back by itself when it is still there."""

        def act(notice: Notice, now: float) -> tuple[Notice, dict[str, Any], bool]:
            if not (isfinite(until) and until > now):
                raise NoticeError(
                    f"{notice.id}: shelving needs a time limit after {iso(now)}, got"
                    f" {iso(until) if isfinite(until) else until}"
                )
            notice = replace(
                notice,
                state=advance(notice.state, Event.SHELVE),
                shelved_until=float(until),
                aside_by=by,
                aside_reason=reason,
            )
            return notice, {"by": by, "reason": reason, "until": iso(until)}, False

        return self._by_person(notice_id, by, at, "shelved", act)

    def unshelve(self, notice_id: str, by: str, *, at: float | None = None) -> JournalLine:
        """Take the notice off the shelf before its time."""

        def act(notice: Notice, now: float) -> tuple[Notice, dict[str, Any], bool]:
            return come_back(notice, Event.UNSHELVE), {"by": by}, notice.present

        return self._by_person(notice_id, by, at, "unshelved", act)

    def out_of_service(
        self, notice_id: str, by: str, reason: str, *, at: float | None = None
    ) -> JournalLine:
        """Take the notice out of service, for maintenance, until `back`."""

        def act(notice: Notice, now: float) -> tuple[Notice, dict[str, Any], bool]:
            state = advance(notice.state, Event.REMOVE)
            notice = replace(
                notice, state=state, shelved_until=None, aside_by=by, aside_reason=reason
            )
            return notice, {"by": by, "reason": reason}, False

        return self._by_person(notice_id, by, at, "out_of_service", act)

    def back(self, notice_id: str, by: str, *, at: float | None = None) -> JournalLine:
        """Return the notice to service."""

        def act(notice: Notice, now: float) -> tuple[Notice, dict[str, Any], bool]:
            return come_back(notice, Event.RESTORE), {"by": by}, notice.present

        return self._by_person(notice_id, by, at, "in_service", act)

    def _by_person(
        self,
        notice_id: str,
        by: str,
        at: float | None,
        event: str,
        act: Callable[[Notice, float], tuple[Notice, dict[str, Any], bool]],
    ) -> JournalLine:
        if not by.strip():
            raise NoticeError(
                f"{notice_id}: say who does this; every such step is journalled by name"
            )
        with self._record.transaction():
            notice = self._record.notice(notice_id)
            if notice is None:
                open_ids = ", ".join(str(n.id) for n in self._record.open_notices()) or "none"
                raise NoticeError(f"no notice {notice_id!r}; open notices: {open_ids}")
            if not notice.live:
                raise NoticeError(f"{notice_id} was closed at {iso(notice.closed_at)}")
            now = at if at is not None else self._plant_time(notice)
            try:
                notice, more, speak = act(notice, now)
            except NotPossible as error:
                raise NoticeError(f"{notice_id}: {error}") from error
            notice = closed_if_done(replace(notice, steps=notice.steps + 1), now)
            if speak:
                notice = mark_told(notice, now)
            self._record.put_notice(notice)
            step = Step(notice, event, short_body(notice, event, now) | more, speak, notice.message)
            return self._write(step, now)

    def _plant_time(self, notice: Notice) -> float:
        """The latest plant time that the record knows of a train."""
        progress = self._record.progress(notice.train)
        known = [notice.told_at, notice.acknowledged_at, notice.cleared_at]
        if progress is not None:
            known.append(progress.at)
        return max(t for t in known if t is not None)

    # inside

    def _refresh(self, train_id: str) -> None:
        version = self._record.version()
        if version != self._version:
            self._live.clear()
            self._version = version
        if train_id not in self._live:
            self._live[train_id] = {n.matter: n for n in self._record.live_notices(train_id)}

    def _last_at(self, train_id: str) -> float | None:
        if train_id not in self._last:
            progress = self._record.progress(train_id)
            if progress is None:
                return None
            self._last[train_id] = progress.at
        return self._last[train_id]

    def _write(self, step: Step, now: float) -> JournalLine:
        notice = step.notice
        assert notice.id is not None
        line = self._record.add_line(
            now, notice.train, notice.id, notice.steps, step.event, dumps(step.body)
        )
        if not step.speak:
            return line
        title = messages.title(self._plant, notice, step.event, back=step.back)
        text = messages.text(self._plant, notice, step.event, step.message, step.reasons)
        urgent = notice.notice_class == "alarm"
        for contact in self._plant.contacts:
            if not set(contact.classes) & {notice.notice_class, *notice.classes_told}:
                continue
            not_before = now if urgent else next_working_time(contact, self._zone, now)
            for url in range(len(contact.urls)):
                self._record.add_outgoing(
                    line,
                    contact=contact.name,
                    url=url,
                    notice_class=notice.notice_class,
                    title=title,
                    body=text,
                    not_before=not_before,
                )
        return line


def _already(notice: Notice) -> str:
    return (
        f"{notice.id} was acknowledged by {notice.acknowledged_by} at {iso(notice.acknowledged_at)}"
    )
