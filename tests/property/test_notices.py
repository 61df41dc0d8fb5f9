"""Notices under random histories: never duplicated, never lost, held while data are missing, and replayable."""

import json
import tempfile
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.notices import NoticeError, Notices
from daemon.plantfile.result import Contact, Plant
from daemon.record import Record
from daemon.rows import JournalLine
from rules.findings import CauseProbability, Finding, Presence
from tests.notices_kit import HOUR, START, FakeDigest, finding, plant, quick_record

MATTERS = ("performance", "link:plc1")
CONTACTS = (
    Contact("tech", ("json://x/", "json://y/")),
    Contact("night", ("json://z/",), classes=("alarm",)),
)


@dataclass(frozen=True)
class Judged:
    """One evaluation: what each matter looks like (None: no finding), after `minutes`."""

    minutes: int
    looks: tuple[tuple[Presence, str, str] | None, ...]
    state: str
    with_digest: bool


@dataclass(frozen=True)
class Person:
    """Somebody does something to a notice, if it can be done."""

    what: Literal["acknowledge", "shelve", "unshelve", "out_of_service", "back"]
    number: int


@dataclass(frozen=True)
class Restart:
    """The process is killed and started again."""


Step = Judged | Person | Restart
looks = st.none() | st.tuples(
    st.sampled_from(Presence),
    st.sampled_from(["scaling", "biofouling"]),
    st.sampled_from(["advisory", "advisory", "alarm"]),
)
judged = st.builds(
    Judged,
    minutes=st.sampled_from([1, 15, 15, 15, 60, 500]),
    looks=st.tuples(looks, looks),
    state=st.sampled_from(["steady", "steady", "steady", "disturbed", "stopped", "unknown"]),
    with_digest=st.booleans(),
)
person = st.builds(
    Person,
    what=st.sampled_from(["acknowledge", "shelve", "unshelve", "out_of_service", "back"]),
    number=st.integers(1, 3),
)
histories = st.lists(
    st.one_of(judged, judged, judged, judged, person, st.just(Restart())), min_size=5, max_size=50
)


def findings_of(step: Judged) -> list[Finding]:
    return [
        finding(
            look[0],
            matter=matter,
            causes=(CauseProbability(look[1], 0.8),),
            notice_class=look[2],
            since=START
            - 60.0 * step.minutes,  # an estimate that moves from one judgement to the next
            suppressible=matter == "performance",
            confirm_s=1800.0,
            clear_s=1800.0,
        )
        for matter, look in zip(MATTERS, step.looks, strict=True)
        if look is not None
    ]


class Run:
    """One history, carried out on a record in `folder`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.plant: Plant = plant(folder, *CONTACTS)
        self.now = START
        self.fed: list[tuple[float, Judged]] = []
        self.record: Record = quick_record(folder)
        self.notices = Notices(self.record, self.plant)

    def restart(self) -> None:
        self.record.close()
        self.record = quick_record(self.folder)
        self.notices = Notices(self.record, self.plant)
        # As the service does: minutes that the record does not know to be judged are judged again.
        progress = self.record.progress("A")
        for now, step in self.fed:
            if progress is None or now > progress.at:
                assert self.process(now, step) == [], "it changed nothing the first time"

    def process(self, now: float, step: Judged) -> list[JournalLine]:
        return self.notices.process(
            "A",
            now,
            findings_of(step),
            state=step.state,
            progress=now - 60,
            digest=FakeDigest(now) if step.with_digest else None,
        )

    def act(self, step: Person) -> None:
        notice_id, by = f"A-{step.number:04d}", "Kim"
        before = len(self.record.journal())
        try:
            if step.what == "acknowledge":
                self.notices.acknowledge(notice_id, by, at=self.now)
            elif step.what == "shelve":
                self.notices.shelve(notice_id, self.now + 3 * HOUR, by, "known", at=self.now)
            elif step.what == "unshelve":
                self.notices.unshelve(notice_id, by, at=self.now)
            elif step.what == "out_of_service":
                self.notices.out_of_service(notice_id, by, "maintenance", at=self.now)
            else:
                self.notices.back(notice_id, by, at=self.now)
        except NoticeError:
            # Not every step is possible in every state; what is refused must leave no trace.
            assert len(self.record.journal()) == before
        else:
            assert len(self.record.journal()) == before + 1

    def judge(self, step: Judged) -> None:
        self.now += 60.0 * step.minutes
        before = {n.matter: n for n in self.record.live_notices("A")}
        self.fed.append((self.now, step))
        lines = self.process(self.now, step)
        seen = {
            matter: look[0] if look else None
            for matter, look in zip(MATTERS, step.looks, strict=True)
        }
        for line in lines:
            notice = self.record.notice(line.notice)
            assert notice is not None
            presence = seen[notice.matter]
            if line.event in ("raised", "updated"):
                assert presence is Presence.PRESENT, "raised or updated without being seen"
            if line.event == "cleared":
                assert presence is Presence.ABSENT, "cleared without being seen to be absent"
            if line.event in ("raised", "cleared") and notice.suppressible:
                assert step.state != "stopped"
            if line.event == "raised":
                assert notice.matter not in before or before[notice.matter].id is None

    def play(self, history: list[Step], *, restart_always: bool = False) -> None:
        for step in history:
            if restart_always or isinstance(step, Restart):
                self.restart()
            if isinstance(step, Person):
                self.act(step)
            elif isinstance(step, Judged):
                self.judge(step)

    def lines(self) -> list[str]:
        return [line.body for line in self.record.journal()]


def check_journal(run: Run) -> None:
    """Each notice: steps counted without a gap, raised once and first, cleared only what was there."""
    by_notice: dict[str, list[str]] = {}
    since: dict[str, str] = {}
    for line in run.record.journal():
        events = by_notice.setdefault(line.notice, [])
        events.append(line.event)
        assert line.number == len(events)
        body = json.loads(line.body)
        assert (body["event"], body["notice"]) == (line.event, line.notice)
        if line.event in ("raised", "updated", "cleared"):
            if line.event == "raised" or body["message"].startswith("Back again: "):
                since[line.notice] = body["since"]
            assert body["since"] == since[line.notice], "an onset that slides"
    for events in by_notice.values():
        assert events[0] == "raised"
        assert events.count("raised") == 1
    open_matters = [n.matter for n in run.record.open_notices()]
    assert len(set(open_matters)) == len(open_matters), "two open notices about one matter"
    assert {n.id for n in run.record.notices()} == set(by_notice)


def check_messages(run: Run) -> None:
    """One row for each step and address that is told; each row waits, or was replaced by a later one."""
    rows = run.record.outgoing()
    assert len({(m.journal_seq, m.contact, m.url) for m in rows}) == len(rows)
    tech = Counter(m.journal_seq for m in rows if m.contact == "tech")
    assert set(tech.values()) <= {2}
    told = {m.journal_seq for m in rows}
    for line in run.record.journal():
        if line.event == "raised":
            assert line.seq in told, "a raised notice that nobody is told"
    by_id = {m.id: m for m in rows}
    for message in rows:
        if message.state == "superseded":
            assert message.superseded_by is not None
            heir = by_id[message.superseded_by]
            assert heir.id > message.id
            assert (heir.notice, heir.contact, heir.url) == (
                message.notice,
                message.contact,
                message.url,
            )
            assert heir.not_before <= message.not_before
    unsent = Counter((m.notice, m.contact, m.url) for m in rows if m.state == "waiting")
    assert set(unsent.values()) <= {1}
    assert set(unsent) == {(m.notice, m.contact, m.url) for m in rows}


@settings(max_examples=200, deadline=None)
@given(histories)
def test_never_duplicated_never_lost(history: list[Step]) -> None:
    """Whatever happens, journal and messages stay whole, and nothing rises or falls without being seen."""
    with tempfile.TemporaryDirectory() as folder:
        run = Run(Path(folder))
        run.play(history)
        check_journal(run)
        check_messages(run)
        run.record.close()


@settings(max_examples=150, deadline=None)
@given(histories, st.booleans())
def test_restarts_change_nothing(history: list[Step], people: bool) -> None:
    """A process that is restarted before every step writes the same journal, byte for byte."""
    # A step by a person between two evaluations is kept apart from minutes that are judged again: after
    # it, what changed nothing before may change something. With a digest each minute is known as judged.
    steps: list[Step] = [
        replace(step, with_digest=True) if people and isinstance(step, Judged) else step
        for step in history
        if people or not isinstance(step, Person)
    ]
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as two:
        steady, restless = Run(Path(one)), Run(Path(two))
        steady.play([step for step in steps if not isinstance(step, Restart)])
        restless.play(steps, restart_always=True)
        assert restless.lines() == steady.lines()
        assert [(m.key, m.title, m.body, m.not_before) for m in restless.record.outgoing()] == [
            (m.key, m.title, m.body, m.not_before) for m in steady.record.outgoing()
        ]
        steady.record.close()
        restless.record.close()


@settings(max_examples=100, deadline=None)
@given(histories)
def test_no_history_makes_it_deaf_or_stuck(history: list[Step]) -> None:
    """After any history a condition that stays is an open notice, and one that has gone is not, once people let go."""
    with tempfile.TemporaryDirectory() as folder:
        run = Run(Path(folder))
        run.play(history)
        for notice in run.record.open_notices():
            run.act(Person("unshelve", notice.number or 0))
            run.act(Person("back", notice.number or 0))
        for _ in range(5):
            run.judge(
                Judged(15, ((Presence.PRESENT, "scaling", "advisory"), None), "steady", False)
            )
        (notice,) = [n for n in run.record.open_notices() if n.matter == "performance"]
        assert notice.present
        run.act(Person("acknowledge", notice.number or 0))
        for _ in range(5):
            run.judge(Judged(15, ((Presence.ABSENT, "scaling", "advisory"), None), "steady", False))
        assert "performance" not in [n.matter for n in run.record.open_notices()]
        check_journal(run)
        check_messages(run)
        run.record.close()


@settings(max_examples=100, deadline=None)
@given(histories, st.lists(st.tuples(st.sampled_from([1, 60, 1000]), st.booleans()), max_size=20))
def test_held_while_data_are_missing(history: list[Step], gap: list[tuple[int, bool]]) -> None:
    """While nothing can be judged, present notices stay present and absent ones stay absent."""
    with tempfile.TemporaryDirectory() as folder:
        run = Run(Path(folder))
        run.play(history)
        before = {n.id: n.present for n in run.record.open_notices()}
        lines = len(run.lines())
        held = (Presence.HELD, "scaling", "advisory")
        for minutes, silent in gap:
            nothing = (None, None) if silent else (held, held)
            run.judge(Judged(minutes, nothing, "unknown", False))
        after = {n.id: n.present for n in run.record.open_notices()}
        added = [json.loads(line)["event"] for line in run.lines()[lines:]]
        assert set(added) <= {"unshelved"}, "only a shelf time may end by itself"
        assert {k: v for k, v in before.items() if v} == {k: v for k, v in after.items() if v}
        assert set(after) <= set(before)
        run.record.close()
