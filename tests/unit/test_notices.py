"""Notices: when they rise, change, fall and are told, and that all of it is one transaction."""

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime
from math import exp, log, pi, sin
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from daemon.hours import next_working_time
from daemon.lifecycle import State
from daemon.notices import NoticeError, Notices
from daemon.plantfile.result import Contact, Plant
from daemon.record import Record
from rules.findings import CauseProbability, Finding, Forecast, Presence
from tests.notices_kit import (
    DAY,
    HOUR,
    START,
    FakeBaseline,
    FakeDigest,
    finding,
    plant,
    quick_record,
)

PRESENT, ABSENT, HELD = Presence.PRESENT, Presence.ABSENT, Presence.HELD
SWAPPED = (CauseProbability("biofouling", 0.7), CauseProbability("scaling", 0.2))


class World:
    """A record with its notices, and a plant clock that the test moves."""

    def __init__(self, folder: Path, site: Plant | None = None) -> None:
        self.folder = folder
        self.plant = site or plant(folder)
        self.record = quick_record(folder)
        self.notices = Notices(self.record, self.plant)
        self.now = START

    def at(self, hours: float, *findings: Finding, state: str = "steady", **more: Any) -> list[str]:
        """One evaluation at START + hours; returns the journalled events."""
        self.now = START + hours * HOUR
        lines = self.notices.process(
            "A", self.now, findings, state=state, progress=self.now - 60, **more
        )
        return [line.event for line in lines]

    def lasting(self, hours: float, *findings: Finding) -> list[str]:
        """The same judgement in eight evaluations within an hour from START + hours; all their events."""
        return [e for i in range(8) for e in self.at(hours + i / 8, *findings)]

    def raised(self, **changes: Any) -> str:
        """A notice raised at START + 0.5 h; returns its id."""
        self.at(0, finding(**changes))
        assert self.at(0.5, finding(**changes)) == ["raised"]
        return "A-0001"

    def state(self, notice_id: str = "A-0001") -> State:
        notice = self.record.notice(notice_id)
        assert notice is not None
        return notice.state

    def events(self) -> list[str]:
        return [line.event for line in self.record.journal()]


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path)
    yield made
    made.record.close()


def test_the_line_of_a_raised_notice_is_the_contract(world: World) -> None:
    """The JSON body has the keys of DESIGN.md in order, ISO times with Z, and rounded numbers."""
    scaling = finding(
        since=START - DAY,
        causes=(
            CauseProbability("scaling", 0.812345),
            CauseProbability("instrument_fault", 0.1, "A/1/feed_pressure"),
        ),
        forecast=Forecast("permeate_flow", START + 5 * DAY, START + 4 * DAY, None),
        deviation={"1": {"permeate_flow": -0.0123456, "salt_passage": float("nan")}},
    )
    world.at(0, scaling)
    world.at(0.5, scaling)
    (line,) = world.record.journal()
    assert line.key == "[A-0001/1]"
    assert line.body == (
        '{"time": "2026-01-05T00:30:00Z", "train": "A", "event": "raised", "notice": "A-0001",'
        ' "stage": 1, "cause": "scaling", "causes": [{"cause": "scaling", "probability": 0.8123,'
        ' "point": null}, {"cause": "instrument_fault", "probability": 0.1,'
        ' "point": "A/1/feed_pressure"}], "action": "clean", "priority": "medium",'
        ' "since": "2026-01-04T00:00:00Z", "forecast": {"limit_at": "2026-01-10T00:00:00Z",'
        ' "early": "2026-01-09T00:00:00Z", "late": null},'
        ' "deviation": {"1": {"permeate_flow": -0.01235}}, "message": "Scaling grows in stage 1."}'
    )


def test_a_short_condition_raises_nothing(world: World) -> None:
    """A condition shorter than its confirmation leaves no notice, no journal and no message."""
    for hours in (0, 0.25, 0.49):
        assert world.at(hours, finding()) == []
    assert world.at(0.5, finding(ABSENT)) == []
    assert world.at(0.6, finding()) == []
    assert world.at(1.05, finding()) == []
    assert world.record.outgoing() == []
    assert world.at(1.1, finding()) == ["raised"]


def test_held_neither_raises_nor_clears(world: World) -> None:
    """While nothing can be judged a notice stays as it was, however long that lasts."""
    world.at(0, finding())
    for hours in (0.2, 1, 5):
        assert world.at(hours, finding(HELD)) == []
    assert world.at(5.1, finding()) == []
    assert world.at(5.3, finding()) == []
    assert world.at(5.5, finding()) == ["raised"], "0.2 h before HELD, 0.4 h after it"
    for hours in (6, 7, 700):
        assert world.at(hours, finding(HELD)) == []
        assert world.at(hours + 0.5) == []
    assert world.state() is State.UNACK


def test_silence_does_not_count_as_absence(world: World) -> None:
    """A monitor that was blind for longer than six hours does not clear on what it did not see."""
    world.raised()
    assert world.at(1, finding(ABSENT)) == []
    assert world.at(20, finding(ABSENT)) == []
    assert world.at(20.9, finding(ABSENT)) == []
    assert world.at(21, finding(ABSENT)) == ["cleared"]


def test_a_silence_is_known_after_a_restart(world: World) -> None:
    """A restarted monitor knows from the record when it last judged."""
    world.raised()
    world.at(1, finding(ABSENT))
    world.notices = Notices(world.record, world.plant)
    assert world.at(20, finding(ABSENT)) == []
    assert world.at(21, finding(ABSENT)) == ["cleared"]


def test_a_notice_lives_until_returned_and_acknowledged(world: World) -> None:
    """Cleared but unacknowledged it stays open; coming back it keeps its id; closed, the next has a new one."""
    world.raised()
    world.at(1, finding(ABSENT))
    assert world.at(2, finding(ABSENT)) == ["cleared"]
    assert world.state() is State.RTNUN
    world.at(3, finding())
    assert world.at(3.5, finding()) == ["updated"]
    assert world.state() is State.UNACK
    assert json.loads(world.record.journal()[-1].body)["message"].startswith("Back again: ")
    world.notices.acknowledge("A-0001", "Kim")
    assert world.state() is State.ACKED
    world.at(4, finding(ABSENT))
    assert world.at(5, finding(ABSENT)) == ["cleared"]
    assert world.record.open_notices() == []
    world.at(6, finding())
    assert world.at(6.5, finding()) == ["raised"]
    assert [n.id for n in world.record.open_notices("A")] == ["A-0002"]


def test_acknowledging_what_has_gone_closes_it(world: World) -> None:
    """A returned notice is closed by its acknowledgement, with the name in the journal."""
    world.raised()
    world.at(1, finding(ABSENT))
    world.at(2, finding(ABSENT))
    line = world.notices.acknowledge("A-0001", "Kim", "seen", at=world.now + 60)
    assert json.loads(line.body) == {
        "time": "2026-01-05T02:01:00Z",
        "train": "A",
        "event": "acknowledged",
        "notice": "A-0001",
        "by": "Kim",
        "note": "seen",
    }
    assert world.record.open_notices() == []
    notice = world.record.notice("A-0001")
    assert notice is not None
    assert notice.closed_at == world.now + 60


@pytest.mark.parametrize("state", ["stopped", "starting", "flushing", "cleaning"])
def test_nothing_is_raised_by_design(world: World, state: str) -> None:
    """While the train is stopped, starting, flushing or cleaning, only findings about other things rise."""
    other = finding(matter="link:plc1", suppressible=False, causes=())
    for hours in (0, 1, 2):
        world.at(hours, finding(), other, state=state)
    assert [n.matter for n in world.record.open_notices()] == ["link:plc1"]
    world.at(3, finding(), other)
    assert world.at(3.5, finding(), other) == ["raised"]


def test_a_stop_suppresses_and_keeps_the_acknowledgement(world: World) -> None:
    """A notice sleeps while the train stands, wakes as acknowledged as it was, and nobody is told twice."""
    world.raised()
    world.notices.acknowledge("A-0001", "Kim")
    assert world.at(1, finding(), state="stopped") == ["suppressed"]
    for hours in (2, 3, 4):
        assert world.at(hours, finding(ABSENT), state="stopped") == []
    for hours in (5, 5.5, 8):
        assert world.at(hours, finding(ABSENT), state="unknown") == []
    assert world.state() is State.DSUPR
    assert world.at(9, state="disturbed") == ["unsuppressed"]
    assert world.state() is State.ACKED
    assert len(world.record.outgoing()) == 1


def test_a_suppressed_notice_can_be_acknowledged(world: World) -> None:
    """What is acknowledged during a stop is acknowledged after it."""
    world.raised()
    world.at(1, state="cleaning")
    world.notices.acknowledge("A-0001", "Kim")
    with pytest.raises(NoticeError, match="was acknowledged by Kim at 2026-01-05T01:00:00Z"):
        world.notices.acknowledge("A-0001", "Lee")
    world.at(2, state="steady")
    assert world.state() is State.ACKED


def test_a_stop_freezes_a_running_delay(world: World) -> None:
    """The hours of a stop count neither for raising nor for clearing, with or without findings."""
    world.at(0, finding())
    world.at(0.25, state="stopped")
    world.at(3, finding())
    assert world.at(3.2, finding()) == []
    assert world.at(3.25, finding()) == ["raised"]
    world.at(4, finding(ABSENT))
    world.at(4.5, state="unknown")
    assert world.at(9, finding(ABSENT)) == []
    assert world.at(9.5, finding(ABSENT)) == ["cleared"]


def test_another_cause_is_told_when_it_stays(world: World) -> None:
    """A first cause that flickers is not news; in eight evaluations running, two hours, it is."""
    world.raised()
    for quarter in range(7):
        assert world.at(2 + quarter / 4, finding(causes=SWAPPED)) == []
    assert world.at(3.75, finding()) == []
    for quarter in range(7):
        assert world.at(4 + quarter / 4, finding(causes=SWAPPED)) == []
    assert world.at(5.75, finding(causes=SWAPPED)) == ["updated"]
    assert "New: cause biofouling instead of scaling." in world.record.outgoing()[-1].body
    assert world.at(9, finding(causes=SWAPPED)) == []


def test_another_transmitter_is_another_cause(world: World) -> None:
    """Two transmitters under suspicion one after the other are told apart by their tags."""
    one, other = (
        (CauseProbability("instrument_fault", 0.9, f"A/1/{role}"),)
        for role in ("feed_pressure", "permeate_flow")
    )
    world.raised(causes=one)
    events = [world.at(2 + quarter / 4, finding(causes=other)) for quarter in range(8)]
    assert events == [[]] * 7 + [["updated"]]
    assert (
        "New: cause transmitter error (A/1/permeate_flow) instead of transmitter error"
        " (A/1/feed_pressure)." in world.record.outgoing()[-1].body
    )


def test_the_onset_is_kept_until_the_notice_clears(world: World) -> None:
    """A better estimate of the onset changes neither journal, message nor page; a return has its own."""
    first, later, again = "2026-01-03T00:00:00Z", START - DAY, START + 2 * HOUR
    world.raised(since=START - 2 * DAY)
    assert world.at(2, finding(since=later, notice_class="alarm"), digest=FakeDigest(START)) == [
        "updated"
    ]
    assert world.at(2.25, finding(since=later), digest=FakeDigest(START + 900)) == []
    notice = world.record.notice("A-0001")
    assert notice is not None
    assert notice.newest["since"] == notice.picture["since"] == START - 2 * DAY
    world.at(3, finding(ABSENT))
    assert world.at(4, finding(ABSENT)) == ["cleared"]
    assert [json.loads(line.body)["since"] for line in world.record.journal()] == [first] * 3
    assert "Since Sat 2026-01-03 00:00" in world.record.outgoing()[1].body
    world.at(5, finding(since=again))
    assert world.at(5.5, finding(since=again)) == ["updated"]
    assert json.loads(world.record.journal()[-1].body)["since"] == "2026-01-05T02:00:00Z"


def test_at_most_one_update_an_hour(world: World) -> None:
    """News within an hour of the last message waits for the hour to be over."""
    world.raised()
    for hours in (0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 1.0, 1.25):
        assert world.at(hours, finding(priority="high")) == []
    assert world.at(1.5, finding(priority="high")) == ["updated"]
    for hours in (1.6, 1.65, 1.7, 1.75, 1.8, 1.85, 2.0, 2.25):
        assert world.at(hours, finding(priority="high", action="probe")) == []
    assert world.at(2.5, finding(priority="high", action="probe")) == ["updated"]


def test_a_priority_that_falls_is_no_news(world: World) -> None:
    """What becomes less urgent is not told; it clears in the end."""
    world.raised(priority="high")
    for hours in (1.0, 2.0, 3.0, 4.0):
        assert world.at(hours, finding(priority="low")) == []


def test_an_alarm_is_told_at_once(world: World) -> None:
    """An advisory that becomes an alarm does not wait, and must be acknowledged anew."""
    world.raised()
    world.notices.acknowledge("A-0001", "Kim")
    assert world.at(0.6, finding(notice_class="alarm")) == ["updated"]
    assert world.state() is State.UNACK
    assert world.record.outgoing()[-1].title == (
        "[A-0001/3] Alarm, update: train A (Line A) stage 1, scaling"
    )


def test_a_forecast_is_told_when_it_moves_far(world: World) -> None:
    """A forecast is news when it appears, or moves by over a day and over a fifth of the remaining time."""

    def forecast(days: float) -> Finding:
        limit = START + days * DAY
        return finding(forecast=Forecast("permeate_flow", limit, limit - DAY / 4, limit + DAY / 4))

    world.raised()
    assert world.at(2, forecast(10)) == ["updated"]
    assert world.at(24, forecast(11.5)) == [], "1.5 days of 9"
    assert world.at(25, finding()) == [], "it went"
    assert world.at(26, forecast(10.2)) == [], "it is back"
    assert world.at(27, forecast(7.9)) == ["updated"], "2.1 days of 8.9"
    assert world.at(24 * 6, forecast(8.8)) == [], "0.9 days of 1.9: under a day"
    assert world.at(24 * 6 + 1, forecast(9.0)) == ["updated"]


@pytest.mark.parametrize(("late", "reach"), [(6.0, 4.0), (None, 6.0)])
def test_a_forecast_that_was_told_as_vague_may_move(
    world: World, late: float | None, reach: float
) -> None:
    """Only what moves by more than the range that was told is news; an open end counts like the early one."""

    def forecast(days: float, late: float | None = 30.0) -> Finding:
        until = None if late is None else START + late * DAY
        limit = START + days * DAY
        return finding(forecast=Forecast("permeate_flow", limit, START + 2 * DAY, until))

    world.raised()
    assert world.at(2, forecast(5, late)) == ["updated"]
    assert world.at(4, forecast(4.9 + reach)) == []
    assert world.at(5, forecast(5.1 + reach)) == ["updated"]


def test_a_later_limit_of_another_quantity_is_no_news(world: World) -> None:
    """When the nearest limit loses its date because it is reached, the next one further off is not told."""

    def forecast(quantity: str, days: float) -> Finding:
        limit = START + days * DAY
        return finding(forecast=Forecast(quantity, limit, limit - DAY, limit + DAY))

    world.raised()
    assert world.at(2, forecast("pressure_drop", 9)) == ["updated"]
    assert world.at(4, forecast("permeate_flow", 40)) == []
    assert world.at(5, forecast("permeate_flow", 4)) == ["updated"]


def test_growth_is_told_in_steps(world: World) -> None:
    """The largest deviation is news when it has grown by five points and by half of what was told."""

    def deviating(percent: float) -> Finding:
        return finding(deviation={"1": {"pressure_drop": log(1 + percent / 100)}})

    world.raised(deviation={"1": {"pressure_drop": 0.0}})
    assert world.at(2, deviating(4.9)) == []
    assert world.at(3, deviating(5.0)) == ["updated"]
    assert world.at(4, deviating(9.9)) == []
    assert world.at(5, deviating(3.0)) == []
    assert world.at(6, deviating(10.0)) == ["updated"]
    assert world.at(8, deviating(14.9)) == []
    assert world.at(10, deviating(16.0)) == ["updated"]
    assert world.at(12, deviating(23.9)) == []
    assert world.at(14, deviating(24.0)) == ["updated"]


def test_two_weeks_of_slow_growth_make_few_updates(world: World) -> None:
    """A notice about growth from +9 to +50 % in 14 days, with a forecast that wanders and a second cause
    that comes up now and then, is updated at most six times; that the limit is passed is told."""
    raised_at, reached = 0.5 / 24, 4.4  # days; +15 % is reached after 4.4 days

    def judged(day: float) -> Finding:
        drop = 0.088 * exp(day / 8.2)
        wander = 3.5 * sin(2.0 * pi * day / 3.0)
        ahead = max(0.2, reached - day + wander)
        limit = START + (day + ahead) * DAY
        flickers = int(day * 96) % 13 in (4, 5, 6)
        return finding(
            causes=SWAPPED[::-1] if flickers else SWAPPED,
            priority="medium" if day < reached else "high",
            since=START - (10 + wander) * DAY,
            forecast=None
            if day >= reached
            else Forecast("pressure_drop", limit, limit - ahead * DAY / 3, limit + ahead * DAY / 2),
            deviation={"1": {"pressure_drop": log(1.0 + drop)}},
        )

    world.at(0, judged(0))
    world.at(0.5, judged(raised_at))
    news = [h for h in range(1, 14 * 96) if world.at(0.5 + h / 4, judged(raised_at + h / 96))]
    assert 3 <= len(news) <= 6, [0.5 + h / 4 for h in news]
    bodies = [m.body for m in world.record.outgoing()]
    assert any("priority high instead of medium" in body for body in bodies)


def test_an_unchanged_notice_is_not_told_again(world: World) -> None:
    """A month of the same judgement gives one message."""
    world.raised()
    for hours in range(1, 24 * 30):
        assert world.at(hours, finding()) == []
    assert len(world.record.outgoing()) == 1


def test_shelving_ends_by_itself(world: World) -> None:
    """A shelved notice is silent, and is told again when its time is over and it is still there."""
    world.raised()
    world.notices.shelve("A-0001", START + 5 * HOUR, "Kim", "waiting for parts")
    assert world.state() is State.SHLVD
    world.lasting(2, finding(priority="high"))
    assert world.events() == ["raised", "shelved", "updated"]
    assert len(world.record.outgoing()) == 1
    assert world.at(5, finding(priority="high")) == ["unshelved"]
    assert world.state() is State.UNACK
    assert "shelf time over, still there" in world.record.outgoing()[-1].title


def test_what_goes_on_the_shelf_is_closed_at_its_end(world: World) -> None:
    """A condition that went while shelved ends with the shelf time, without a message."""
    world.raised()
    world.notices.shelve("A-0001", START + 5 * HOUR, "Kim", "known")
    world.at(2, finding(ABSENT))
    assert world.at(3, finding(ABSENT)) == ["cleared"]
    assert world.state() is State.SHLVD
    assert world.at(5) == ["unshelved"]
    assert world.record.open_notices() == []
    assert len(world.record.outgoing()) == 1


def test_growth_on_the_shelf_is_journalled_once(world: World) -> None:
    """What a shelved notice would have told is journalled once, not at every evaluation."""
    world.raised()
    world.notices.shelve("A-0001", START + 50 * HOUR, "Kim", "known")
    grown = finding(deviation={"1": {"pressure_drop": 0.1}})
    assert world.at(2, grown) == ["updated"]
    for hours in range(3, 20):
        assert world.at(hours, grown) == []
    assert len(world.record.outgoing()) == 1


def test_shelving_needs_a_time_limit(world: World) -> None:
    """Shelving for ever, or until a time that is over, is refused."""
    world.raised()
    for until in (float("inf"), float("nan"), START):
        with pytest.raises(NoticeError, match="needs a time limit"):
            world.notices.shelve("A-0001", until, "Kim", "why")
    assert world.state() is State.UNACK


def test_an_alarm_leaves_the_shelf(world: World) -> None:
    """Shelving an advisory does not silence the alarm that it becomes."""
    world.raised()
    world.notices.shelve("A-0001", START + 50 * HOUR, "Kim", "known")
    assert world.at(2, finding(notice_class="alarm")) == ["unshelved", "updated"]
    assert world.state() is State.UNACK
    assert world.record.outgoing()[-1].notice_class == "alarm"


def test_unshelving_and_service(world: World) -> None:
    """A person can end the shelf time, take a notice out of service, and bring it back, each by name."""
    world.raised()
    world.notices.shelve("A-0001", START + 50 * HOUR, "Kim", "known")
    world.notices.unshelve("A-0001", "Lee")
    assert world.state() is State.UNACK
    world.notices.out_of_service("A-0001", "Kim", "transmitter is being changed")
    assert world.state() is State.OOSRV
    assert world.at(2, finding(notice_class="alarm")) == ["updated"]
    assert len(world.record.outgoing()) == 2, "raised and unshelved; out of service is silent"
    world.notices.back("A-0001", "Kim")
    assert world.state() is State.UNACK
    assert world.events() == [
        "raised",
        "shelved",
        "unshelved",
        "out_of_service",
        "updated",
        "in_service",
    ]
    assert [m.event for m in world.record.outgoing()] == ["raised", "unshelved", "in_service"]


def test_requests_that_cannot_be_done_say_why(world: World) -> None:
    """Unknown notices, closed ones, missing names and impossible steps are refused with the reason."""
    with pytest.raises(NoticeError, match=r"no notice 'A-0009'; open notices: none"):
        world.notices.acknowledge("A-0009", "Kim")
    world.raised()
    with pytest.raises(NoticeError, match="say who"):
        world.notices.acknowledge("A-0001", " ")
    with pytest.raises(NoticeError, match="unshelve is not possible"):
        world.notices.unshelve("A-0001", "Kim")
    world.notices.acknowledge("A-0001", "Kim")
    with pytest.raises(NoticeError, match="was acknowledged by Kim"):
        world.notices.acknowledge("A-0001", "Lee")
    world.at(1, finding(ABSENT))
    world.at(2, finding(ABSENT))
    with pytest.raises(NoticeError, match="was closed at 2026-01-05T02:00:00Z"):
        world.notices.acknowledge("A-0001", "Lee")


def test_wrong_arguments_are_refused(world: World) -> None:
    """An unknown state of the train, and two findings about one matter, are programming errors."""
    with pytest.raises(ValueError, match="state 'resting' is not known"):
        world.at(0, state="resting")
    with pytest.raises(ValueError, match="two findings about one matter"):
        world.at(0, finding(), finding())


def test_another_process_may_acknowledge(world: World) -> None:
    """An acknowledgement written through another connection is seen at the next evaluation."""
    world.raised()
    assert world.at(0.6, finding()) == []
    with Record.open(world.folder) as other:
        Notices(other, world.plant).acknowledge("A-0001", "Kim")
    world.at(1, finding(ABSENT))
    assert world.at(2, finding(ABSENT)) == ["cleared"]
    assert world.record.open_notices() == [], "acknowledged and gone: closed"


def test_nothing_changed_writes_nothing(world: World) -> None:
    """Evaluations that change nothing leave the file alone, progress included."""
    world.raised()
    before = world.record.version()
    for hours in (1, 2, 3):
        world.at(hours, finding())
        world.at(hours + 0.1)
        world.at(hours + 0.2, finding(HELD))
    assert world.record.version() == before
    progress = world.record.progress("A")
    assert progress is not None
    assert progress.at == START + 0.5 * HOUR


def test_digest_baseline_and_progress_go_with_it(world: World) -> None:
    """Digest, baseline and progress are stored with the evaluation and read back in order."""
    world.at(0, digest=FakeDigest(START), baseline=FakeBaseline(START))
    world.at(0.25, digest=FakeDigest(START + 900))
    assert [d["start"] for d in world.record.digests("A")] == [START, START + 900]
    assert [d["start"] for d in world.record.digests("A", after=START)] == [START + 900]
    assert world.record.digests("A", until=START - 1) == []
    assert world.record.baselines("A") == [{"made_at": START}]
    assert world.record.digests("B") == []
    progress = world.record.progress("A")
    assert progress is not None
    assert (progress.minute, progress.state) == (START + 840, "steady")
    assert world.record.progress("B") is None


def test_an_evaluation_is_all_or_nothing(world: World) -> None:
    """When any part cannot be written, none is: the same evaluation can be done again."""

    class Broken(FakeDigest):
        def to_json(self) -> str:
            raise RuntimeError("no such number")

    world.at(0, finding())
    with pytest.raises(RuntimeError, match="no such number"):
        world.at(0.5, finding(), digest=Broken(START))
    assert world.record.journal() == []
    assert world.record.outgoing() == []
    assert world.at(0.5, finding()) == ["raised"]


def test_the_page_sees_the_newest_judgement(world: World) -> None:
    """With each digest the newest deviation is kept beside what was told."""
    world.raised(deviation={"1": {"permeate_flow": -0.01}})
    world.at(1, finding(deviation={"1": {"permeate_flow": -0.02}}), digest=FakeDigest(START + HOUR))
    notice = world.record.notice("A-0001")
    assert notice is not None
    assert notice.deviation == {"1": {"permeate_flow": -0.01}}
    assert notice.newest["deviation"] == {"1": {"permeate_flow": -0.02}}


def test_trains_have_their_own_numbers(world: World) -> None:
    """Each train counts its notices from 1, and several may rise in one evaluation."""
    both = [finding(confirm_s=0.0), finding(confirm_s=0.0, matter="limit:1/pressure_drop")]
    assert world.at(0, *both) == ["raised", "raised"]
    world.notices.process("B", world.now, both, state="steady", progress=0)
    ids = [n.id for n in world.record.open_notices()]
    assert ids == ["A-0001", "A-0002", "B-0001", "B-0002"]


# who is told, and when


MakeWorld = Callable[..., World]


@pytest.fixture
def told(tmp_path: Path) -> Iterator[MakeWorld]:
    """Makes a world with these contacts, in this time zone."""
    made: list[World] = []

    def make(*contacts: Contact, timezone: str = "UTC") -> World:
        made.append(World(tmp_path, plant(tmp_path, *contacts, timezone=timezone)))
        return made[-1]

    yield make
    for world in made:
        world.record.close()


def test_one_message_for_each_address_of_the_class(told: MakeWorld, tmp_path: Path) -> None:
    """Every address of every contact that takes the class gets one row, and no address is stored."""
    world = told(
        Contact("tech", ("json://secret-one/", "json://secret-two/")),
        Contact("night", ("json://secret-three/",), classes=("alarm",)),
    )
    world.raised()
    assert [(m.contact, m.url, m.key) for m in world.record.outgoing()] == [
        ("tech", 0, "[A-0001/1]"),
        ("tech", 1, "[A-0001/1]"),
    ]
    world.at(0.6, finding(notice_class="alarm"))
    assert [m.contact for m in world.record.outgoing("waiting")] == ["tech", "tech", "night"]
    world.record.close()
    assert b"secret-" not in b"".join(p.read_bytes() for p in tmp_path.iterdir())


def test_an_advisory_waits_for_working_hours_and_an_alarm_does_not(told: MakeWorld) -> None:
    """At night an advisory is due in the morning of the site; an alarm is due at once."""
    world = told(Contact("tech", ("json://x/",)), timezone="America/Chicago")
    world.at(0, finding(), finding(matter="link:plc1", notice_class="alarm"))
    world.at(0.5, finding(), finding(matter="link:plc1", notice_class="alarm"))
    advisory, alarm = world.record.outgoing()
    # START is Sunday 18:00 in Chicago (UTC-6 in January); work begins on Monday at 07:00.
    assert advisory.not_before == START + 13 * HOUR
    assert alarm.not_before == START + 0.5 * HOUR


def test_the_weekend_brings_one_message(told: MakeWorld) -> None:
    """What was not sent yet gives way to the next message of the same notice, which names it."""
    world = told(Contact("tech", ("json://x/",)), timezone="America/Chicago")
    world.raised()
    world.lasting(2, finding(priority="high"))
    first, second = world.record.outgoing()
    assert (first.state, first.superseded_by) == ("superseded", second.id)
    assert second.state == "waiting"
    assert second.not_before == first.not_before
    assert "Replaces [A-0001/1], which had not been sent." in second.body


def test_an_alarm_in_the_queue_is_not_put_off(told: MakeWorld) -> None:
    """An alarm that could not be sent yet stays due at once when the notice falls back to an advisory."""
    world = told(Contact("tech", ("json://x/",)), timezone="America/Chicago")
    world.raised(notice_class="alarm")
    world.lasting(2, finding())
    (waiting,) = world.record.outgoing("waiting")
    assert waiting.notice_class == "advisory"
    assert waiting.not_before == START + 0.5 * HOUR


def test_who_was_told_of_the_alarm_hears_its_end(told: MakeWorld) -> None:
    """A contact for alarms only is told when that notice, an advisory by then, is back to normal."""
    night = Contact("night", ("json://x/",), classes=("alarm",))
    world = told(night)
    world.raised(notice_class="alarm")
    world.lasting(2, finding())
    world.at(4, finding(ABSENT))
    world.at(5, finding(ABSENT))
    assert world.record.outgoing()[-1].event == "cleared"


def utc(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


OFFICE = Contact("tech", ("json://x/",))
NIGHT = replace(OFFICE, hours=("22:00", "06:00"), days=(5,))  # begins on Saturdays


@pytest.mark.parametrize(
    ("contact", "zone", "now", "due"),
    [
        # Summer time begins 2026-03-08 02:00 and ends 2026-11-01 02:00 in New York: Energy Policy Act
        # of 2005, section 110. EST is UTC-5, EDT UTC-4.
        (OFFICE, "America/New_York", "2026-03-06T22:30:00Z", "2026-03-09T11:00:00Z"),
        (OFFICE, "America/New_York", "2026-10-30T21:30:00Z", "2026-11-02T12:00:00Z"),
        (OFFICE, "America/New_York", "2026-03-09T11:00:00Z", "2026-03-09T11:00:00Z"),
        (OFFICE, "America/New_York", "2026-03-09T20:59:59Z", "2026-03-09T20:59:59Z"),
        (OFFICE, "America/New_York", "2026-03-09T21:00:00Z", "2026-03-10T11:00:00Z"),
        # The night of the change: the shift that began on Saturday at 22:00 EST ends at 06:00 EDT.
        (NIGHT, "America/New_York", "2026-03-08T09:30:00Z", "2026-03-08T09:30:00Z"),
        (NIGHT, "America/New_York", "2026-03-08T10:00:00Z", "2026-03-15T02:00:00Z"),
        # Central Europe changes on the last Sundays of March and October: directive 2000/84/EC.
        (OFFICE, "Europe/Berlin", "2026-03-27T17:00:00Z", "2026-03-30T05:00:00Z"),
        (OFFICE, "Europe/Berlin", "2026-10-23T17:00:00Z", "2026-10-26T06:00:00Z"),
        # Ends that are equal mean the whole day.
        (
            replace(OFFICE, hours=("00:00", "00:00"), days=(6,)),
            "UTC",
            "2026-01-10T12:00:00Z",
            "2026-01-11T00:00:00Z",
        ),
        # A week without the day: seven days later.
        (
            replace(OFFICE, days=(0,)),
            "UTC",
            "2026-01-05T17:00:00Z",
            "2026-01-12T07:00:00Z",
        ),
    ],
)
def test_working_hours_follow_the_clock_on_the_wall(
    contact: Contact, zone: str, now: str, due: str
) -> None:
    """The next working time is right over both changes of the clock, weekends and night shifts."""
    assert next_working_time(contact, ZoneInfo(zone), utc(now)) == utc(due)
