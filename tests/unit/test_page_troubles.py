"""Troubles of the watching itself: the words of what really happens to clocks, and when it is over."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.frames import FrameAssembler
from daemon.history_reader import Fact
from daemon.page.troubles import lasting, standing
from drivers.protocol import Quality, Reading
from tests.web import month
from tests.web.bench import Bench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """A plant that has just been started."""
    bench = Bench(tmp_path)
    yield bench
    bench.close()


@dataclass
class Polls:
    """Real frames from two devices that keep their own time; facts go into the bench's history."""

    bench: Bench
    at: float = 0.0
    stamps: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        plant = self.bench.plant
        self.frames = FrameAssembler(
            plant.trains,
            plant.devices,
            dict.fromkeys(plant.devices, "device"),
            note=self.bench.history.add_fact,
        )

    def poll(self, **stamps: float) -> None:
        """One poll of the devices named, with their stamps."""
        self.at += 1.0
        for device, stamp in stamps.items():
            readings = [
                Reading(
                    p.tag,
                    month.READINGS[p.signal],
                    Quality.GOOD,
                    datetime.fromtimestamp(stamp, UTC),
                )
                for t in self.bench.plant.trains
                for p in t.points
                if p.device == device
            ]
            now = datetime.fromtimestamp(month.NOW + self.at, UTC)
            self.frames.deliver(device, readings, self.at, now)

    def told(self) -> list[str]:
        self.bench.feed("B", at=month.NOW + self.at)  # writes what is queued
        return self.bench.get("/api/overview")["troubles"]


def test_a_clock_that_went_back_is_told_until_it_is_followed(bench: Bench) -> None:
    """The device, how far, and what that means; nothing any more once some polls agree."""
    polls, now = Polls(bench), month.NOW
    polls.poll(plc1=now, ua1=now)
    for second in range(3):
        polls.poll(plc1=now - 21 * 3600 + second, ua1=now + second + 1)
    assert polls.told() == [
        "The clock of plc1 went back by 21 h; its readings are not used until it has caught up, or 5"
        " polls agree."
    ]
    for second in range(3, 8):
        polls.poll(plc1=now - 21 * 3600 + second, ua1=now + second + 1)
    assert polls.told() == []


def test_a_clock_that_stands_still_is_told_until_it_runs(bench: Bench) -> None:
    """A frozen clock is named with the time at which it stands."""
    polls, now = Polls(bench), month.NOW
    for second in range(12):
        polls.poll(plc1=now, ua1=now + second)
    assert polls.told() == [
        "The clock of plc1 stands still at Tue 31 Mar, 11:04 CEST; its readings are not used until"
        " it runs again."
    ]
    polls.poll(plc1=now + 60, ua1=now + 60)
    assert polls.told() == []


def test_late_readings_give_their_own_reason(bench: Bench) -> None:
    """After a restart readings older than the stored minutes are told as that, until they are in order."""
    note = bench.history.add_fact
    said = "readings are stamped 75600 s before the newest minute of train A"
    note(month.NOW - 60, "frames_dropped", "A", said)
    bench.feed("B", at=month.NOW - 1)
    assert bench.get("/api/overview")["troubles"] == [
        "Readings are stamped 21 h before the newest minute of train A; they are not used."
    ]
    note(month.NOW - 30, "frames_dropped", "A", "in order again after 12 late frames")
    bench.feed("B", at=month.NOW)
    assert bench.get("/api/overview")["troubles"] == []


def test_a_good_reading_ends_what_no_fact_ended(bench: Bench) -> None:
    """A single stamp far ahead leaves no second fact; the next good frame shows that it is over."""
    said = "the device's clock is 172800 s ahead of the expected time; its readings are not used"
    bench.history.add_fact(month.NOW - 60, "clock_stepped", "plc1", said)
    bench.feed("A", down=("plc1", "ua1"))
    bench.feed("B", down=("plc1", "ua1"))
    assert bench.get("/api/overview")["troubles"] == [
        "The clock of plc1 is 2 days ahead of the expected time; its readings are not used."
    ]
    bench.wall += 1
    bench.feed("A", at=month.NOW - 1)
    assert bench.get("/api/overview")["troubles"] == []


def fact(kind: str, subject: str, detail: str = "") -> Fact:
    return Fact(month.NOW, month.NOW, kind, subject, detail)


def test_a_start_of_the_daemon_ends_what_it_will_tell_again() -> None:
    """Clocks are judged anew after a start; readings that were lost stay lost."""
    back = fact("clock_stepped", "plc1", "the device's clock went back by 60.000 s; it waits")
    lost = fact("frames_dropped", "history", "raw readings of 3 frames, the disk did not keep up")
    started = fact("daemon_started", "daemon")
    assert standing([back, lost]) == [back, lost]
    assert standing([back, lost, started]) == [lost]
    assert standing([started, back]) == [back]


def test_only_the_newest_state_of_a_device_stands() -> None:
    """Later facts about one device take the place of earlier ones; others and the gateway stay apart."""
    back = fact("clock_stepped", "plc1", "the device's clock went back by 60.000 s; it waits")
    again = fact("clock_stepped", "plc1", "the device's clock went back by 70.000 s; it waits")
    other = fact("clock_frozen", "ua1", "the device's clock stands since 6 s")
    gateway = fact("clock_stepped", "gateway", "set by +12.0 s")
    assert standing([back, other, again, gateway]) == [other, again]
    ahead = fact("clock_stepped", "ua1", "confirmed: 90000 s forward, followed")
    assert standing([back, other, ahead]) == [back]
    assert standing([other, fact("clock_running", "ua1", "the device's clock runs again")]) == []


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(45.0, "45 s"), (600.0, "10 min"), (75600.0, "21 h"), (259200.0, "3 days")],
)
def test_lengths_of_time_are_in_their_largest_unit(seconds: float, said: str) -> None:
    """A person reads hours, not thousands of seconds."""
    assert lasting(seconds) == said
