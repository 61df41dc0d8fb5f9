"""Aligning polls into frames, and judging readings before anybody uses them."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
import pytest

from daemon.frames import CONFIRM_POLLS, Frame, FrameAssembler, judge
from drivers.protocol import Device, LinkDown, Quality, Reading

T0 = 1_772_323_200.0  # 2026-03-01 00:00 UTC
GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD


def utc(time: float) -> datetime:
    return datetime.fromtimestamp(time, UTC)


@dataclass(frozen=True)
class PointStandIn:
    """The attributes of a plant file's point that frames use; `factor` makes its unit SI."""

    signal: str
    device: str
    role: str = "feed_pressure"
    train: str = "A"
    unit: str = "psi"
    si_range: tuple[float, float] | None = (0.0, 25.0)
    factor: float = 0.0689476  # psi to bar, BIPM SI brochure value rounded

    @property
    def tag(self) -> str:
        return f"{self.train}/{self.signal}"

    def to_si(self, value: float) -> float:
        return value * self.factor


@dataclass(frozen=True)
class ModelStandIn:
    signals: tuple[str, ...]


@dataclass(frozen=True)
class TrainStandIn:
    id: str
    points: tuple[PointStandIn, ...]

    @property
    def model(self) -> ModelStandIn:
        return ModelStandIn(tuple(point.signal for point in self.points))


@dataclass
class Bench:
    """An assembler with what it told."""

    clocks: dict[str, str]
    trains: tuple[TrainStandIn, ...]
    interval_s: dict[str, float] = field(default_factory=dict)
    closed: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.facts: list[tuple[float, str, str, str]] = []
        self.observed: list[datetime] = []
        devices = {
            d: Device(d, "modbus-tcp", interval_s=self.interval_s.get(d, 1.0)) for d in self.clocks
        }
        self.assembler = FrameAssembler(
            self.trains,
            devices,
            self.clocks,
            note=lambda *fact: self.facts.append(fact),
            observe=self.observed.append,
            closed=self.closed,
        )

    def poll(
        self,
        device: str,
        value: float | LinkDown,
        at: float,
        *,
        stamp: float | None = None,
        now: float | None = None,
    ) -> list[Frame]:
        """Deliver one poll in which every point of the device reads the same value."""
        moment = utc(T0 + at if now is None else now)
        if isinstance(value, LinkDown):
            return self.assembler.deliver(device, value, at, moment)
        source = None if stamp is None else utc(stamp)
        readings = [
            Reading(point.tag, value, GOOD, source)
            for train in self.trains
            for point in train.points
            if point.device == device
        ]
        return self.assembler.deliver(device, readings, at, moment)

    def kinds(self) -> list[str]:
        return [kind for _, kind, _, _ in self.facts]


def two_devices(clock: str = "gateway", **more: dict[str, float]) -> Bench:
    points = (PointStandIn("1/feed_pressure", "plc1"), PointStandIn("2/feed_pressure", "plc2"))
    return Bench({"plc1": clock, "plc2": clock}, (TrainStandIn("A", points),), **more)


def one_device(clock: str = "device", **more: dict[str, int]) -> Bench:
    points = (PointStandIn("1/feed_pressure", "plc1"),)
    return Bench({"plc1": clock}, (TrainStandIn("A", points),), **more)


def only(frames: Sequence[Frame]) -> Frame:
    assert len(frames) == 1
    return frames[0]


def test_a_frame_waits_for_every_device_and_is_in_si_units() -> None:
    """The second device completes the frame; values are in bar, in the order of the signals."""
    bench = two_devices()
    assert bench.poll("plc2", 200.0, 0.01) == []
    frame = only(bench.poll("plc1", 100.0, 0.03))
    # By hand: 100 psi = 6.89476 bar.
    np.testing.assert_allclose(frame.values, [6.89476, 13.78952], rtol=1e-9)
    assert frame.quality.tolist() == [GOOD, GOOD]
    assert frame.time == T0 + 0.03
    assert frame.down == ()
    assert frame.reasons == {}


def test_a_failed_device_completes_the_frame_as_a_gap() -> None:
    """The signals of a device that did not answer are BAD with its words; the others are there."""
    bench = two_devices()
    bench.poll("plc1", 100.0, 0.0)
    frame = only(bench.poll("plc2", LinkDown("plc2: no answer from 10.0.0.7:502"), 0.5))
    assert frame.down == ("plc2",)
    assert frame.quality.tolist() == [GOOD, BAD]
    assert math.isnan(frame.values[1])
    assert frame.reasons == {"2/feed_pressure": "plc2: no answer from 10.0.0.7:502"}


def test_a_device_that_delivers_nothing_holds_a_frame_for_two_intervals_only() -> None:
    """With a device that hangs, the frame is made after two intervals with the newest of the other."""
    bench = two_devices()
    assert bench.poll("plc1", 10.0, 0.02) == []
    assert bench.poll("plc1", 20.0, 1.02) == []
    frame = only(bench.poll("plc1", 30.0, 2.01))
    assert frame.down == ("plc2",)
    assert frame.values[0] == pytest.approx(30.0 * 0.0689476)
    assert "plc2 has not answered for two intervals" in frame.reasons["2/feed_pressure"]
    counts = bench.assembler.counts("A")
    assert (counts.frames, counts.incomplete, counts.superseded) == (1, 1, 2)


def test_two_trains_on_one_device_get_a_frame_each() -> None:
    """One poll of a shared device completes the frame of either train."""
    trains = tuple(
        TrainStandIn(name, (PointStandIn("1/feed_pressure", "plc1", train=name),)) for name in "AB"
    )
    bench = Bench({"plc1": "gateway"}, trains)
    assert [frame.train for frame in bench.poll("plc1", 100.0, 0.0)] == ["A", "B"]


def test_the_time_of_a_frame_is_the_newest_device_time() -> None:
    """With devices that keep time, arrival does not matter; the newer stamp is the frame's."""
    bench = two_devices("device")
    bench.poll("plc1", 100.0, 0.0, stamp=T0 + 500.0)
    frame = only(bench.poll("plc2", 100.0, 0.1, stamp=T0 + 499.0))
    assert frame.time == T0 + 500.0
    assert bench.observed == [utc(T0 + 500.0)]


def test_while_every_device_is_down_frames_carry_the_gateways_plant_time() -> None:
    """A gap has a time too: without any device time it is the clock's."""
    bench = one_device()
    bench.poll("plc1", 100.0, 0.0, stamp=T0)
    frame = only(bench.poll("plc1", LinkDown("gone"), 60.0, now=T0 + 60.0))
    assert frame.time == T0 + 60.0
    assert bench.observed == [utc(T0)]


def test_a_gap_at_the_start_does_not_get_ahead_of_the_plants_own_time() -> None:
    """A device that is down at first, and runs months behind the gateway, is followed when up."""
    bench = one_device()
    for t in range(5):
        assert bench.poll("plc1", LinkDown("not up yet"), float(t)) == []
    frame = only(bench.poll("plc1", 100.0, 5.0, stamp=T0 - 1e7))
    assert frame.time == T0 - 1e7
    assert frame.quality.tolist() == [GOOD]
    assert bench.assembler.counts("A").dropped == 5


def test_a_device_that_stays_down_from_the_start_is_seen_after_a_minute() -> None:
    """After a minute of waiting for a device's time, the gaps come with the gateway's."""
    bench = one_device()
    made = [len(bench.poll("plc1", LinkDown("dead"), float(t))) for t in range(63)]
    assert made == [0] * 60 + [1] * 3


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (math.nan, "nan psi is not a finite number"),
        (math.inf, "inf psi is not a finite number"),
        (-math.inf, "-inf psi is not a finite number"),
        (371.0, "371 psi is outside the range of the transmitter"),
        (-8.0, "-8 psi is outside the range of the transmitter"),
    ],
)
def test_what_no_transmitter_can_give_is_bad_and_not_clipped(value: float, says: str) -> None:
    """Non-finite values and values 2 % of span beyond 0 to 25 bar are BAD with the number found."""
    frame = only(one_device("gateway").poll("plc1", value, 0.0))
    assert math.isnan(frame.values[0])
    assert frame.quality.tolist() == [BAD]
    assert frame.reasons == {"1/feed_pressure": says}


@pytest.mark.parametrize("value", [369.8, -7.2])
def test_a_little_over_the_range_is_taken_as_measured(value: float) -> None:
    """Within 2 % of span (0.5 bar) beyond the range the value is used as it is."""
    frame = only(one_device("gateway").poll("plc1", value, 0.0))
    assert frame.values[0] == pytest.approx(value * 0.0689476)
    assert frame.quality.tolist() == [GOOD]


def test_a_value_that_the_unit_cannot_take_is_bad() -> None:
    """A status that is neither 0 nor 1, NaN after conversion, is BAD and names the role."""
    point = PointStandIn("running", "plc1", "running", unit="", si_range=None, factor=math.nan)
    value, quality, reason = judge(point, Reading(point.tag, 3.0, GOOD), -math.inf)
    assert math.isnan(value)
    assert (quality, reason) == (BAD, "3 is no value that running can have")


def test_bad_and_uncertain_readings_keep_the_devices_reason() -> None:
    """Neither gives a value to the frame, and the reason is the device's own."""
    bench = two_devices()
    bench.assembler.deliver(
        "plc1", [Reading("A/1/feed_pressure", None, BAD, None, "wire broken")], 0.0, utc(T0)
    )
    frame = only(
        bench.assembler.deliver(
            "plc2", [Reading("A/2/feed_pressure", 5.0, UNCERTAIN, None, "sub-normal")], 0.0, utc(T0)
        )
    )
    assert np.isnan(frame.values).all()
    assert frame.measured is not None
    np.testing.assert_allclose(frame.measured, [math.nan, 5.0 * 0.0689476])
    assert frame.quality.tolist() == [BAD, UNCERTAIN]
    assert frame.reasons == {"1/feed_pressure": "wire broken", "2/feed_pressure": "sub-normal"}


def test_a_stale_reading_of_a_device_without_clock_is_uncertain() -> None:
    """A value sampled more than five minutes ago is not one of now; a status may be that old."""
    pressure = PointStandIn("1/feed_pressure", "plc1")
    running = PointStandIn("running", "plc1", "running", unit="", si_range=None, factor=1.0)
    bench = Bench({"plc1": "gateway"}, (TrainStandIn("A", (pressure, running)),))
    frame = only(bench.poll("plc1", 1.0, 400.0, stamp=T0 + 99.0))
    assert frame.quality.tolist() == [UNCERTAIN, GOOD]
    assert frame.reasons == {"1/feed_pressure": "stale, not renewed for 301 s"}
    frame = only(bench.poll("plc1", 1.0, 401.0, stamp=T0 + 101.0))
    assert frame.quality.tolist() == [GOOD, GOOD]


def test_the_same_device_time_again_is_no_new_frame() -> None:
    """A device read twice within one tick of its clock gives one frame; the repeat is counted."""
    bench = one_device()
    assert len(bench.poll("plc1", 100.0, 0.0, stamp=T0)) == 1
    assert bench.poll("plc1", 100.0, 0.4, stamp=T0) == []
    assert len(bench.poll("plc1", 100.0, 1.0, stamp=T0 + 1.0)) == 1
    assert bench.assembler.counts("A").repeated == 1
    assert bench.facts == []


def test_a_frozen_device_clock_makes_its_readings_uncertain() -> None:
    """After some polls at one device time, readings are UNCERTAIN and time goes on with the gateway."""
    bench = one_device()
    frames = [bench.poll("plc1", 100.0, float(t), stamp=T0) for t in range(8)]
    assert [len(f) for f in frames] == [1, 0, 0, 0, 0, 1, 1, 1]
    frame = only(frames[-1])
    assert frame.quality.tolist() == [UNCERTAIN]
    assert math.isnan(frame.values[0])
    assert frame.reasons == {"1/feed_pressure": "the clock of plc1 stands since 7 s"}
    assert frame.time == T0 + 7.0
    assert bench.kinds() == ["clock_frozen"]
    running = only(bench.poll("plc1", 100.0, 8.0, stamp=T0 + 8.0))
    assert running.quality.tolist() == [GOOD]
    assert bench.kinds() == ["clock_frozen", "clock_running"]


def test_a_fast_poll_of_a_slow_clock_is_not_frozen() -> None:
    """Fifty polls within one second of a clock that ticks each second are repeats, not a fault."""
    bench = one_device()
    made = [
        len(bench.poll("plc1", 100.0, i / 50, stamp=T0 + math.floor(i / 50))) for i in range(150)
    ]
    assert sum(made) == 3
    assert bench.facts == []


def test_a_device_clock_that_goes_back_drops_the_frame_and_says_so() -> None:
    """A stamp before the last one gives no frame; it is counted, and told once with the size."""
    bench = one_device()
    bench.poll("plc1", 100.0, 0.0, stamp=T0 + 3600.0)
    assert bench.poll("plc1", 100.0, 1.0, stamp=T0 + 1.0) == []
    assert bench.poll("plc1", 100.0, 2.0, stamp=T0 + 2.0) == []
    assert bench.assembler.counts("A").dropped == 2
    assert bench.kinds() == ["clock_stepped"]
    assert "went back by 3599.000 s" in bench.facts[0][3]
    assert only(bench.poll("plc1", 100.0, 3.0, stamp=T0 + 3601.0)).quality.tolist() == [GOOD]
    assert "caught up after 2 polls" in bench.facts[-1][3]


def test_a_device_clock_that_was_set_back_is_taken_later() -> None:
    """When it stays back, plant time goes on: good readings, stamped later by as much, and a fact."""
    bench = one_device()
    bench.poll("plc1", 100.0, 0.0, stamp=T0)
    frames = [
        bench.poll("plc1", 100.0, float(t), stamp=t * 1.0) for t in range(1, CONFIRM_POLLS + 3)
    ]
    assert [len(f) for f in frames] == [0] * (CONFIRM_POLLS - 1) + [1, 1, 1]
    assert [only(f).time for f in frames[-3:]] == [
        T0 + t for t in range(CONFIRM_POLLS, CONFIRM_POLLS + 3)
    ]
    assert all(only(f).quality.tolist() == [GOOD] for f in frames[-3:])
    assert bench.kinds() == ["clock_stepped", "clock_stepped"]
    assert "confirmed" in bench.facts[-1][3]


@pytest.mark.parametrize("off", [-0.4, 0.0, 5.0])
def test_a_clock_that_is_corrected_again_is_taken_as_it_is(off: float) -> None:
    """A clock that fell back to 1970 and is put right again neither leaps ahead nor stays shifted."""
    bench = one_device()
    bench.poll("plc1", 100.0, 0.0, stamp=T0)
    for t in range(1, 10):
        bench.poll("plc1", 100.0, float(t), stamp=float(t))
    frames = [
        frame
        for t in range(10, 20)
        for frame in bench.poll("plc1", 100.0, float(t), stamp=T0 + t + off)
    ]
    assert len(frames) >= 9
    assert frames[-1].time == pytest.approx(T0 + 19.0 + max(off, 0.0), abs=1.0)
    assert all(a.time < b.time for a, b in itertools.pairwise(frames))
    assert "caught up" in bench.facts[-1][3]


def test_a_clock_set_back_twice_is_followed_twice() -> None:
    """Each step back is taken up; time still never runs back."""
    bench = one_device()
    stamps = [T0 + t for t in range(5)] + [T0 - 3600.0 + t for t in range(10)]
    stamps += [T0 - 7200.0 + t for t in range(10)]
    frames = [f for t, s in enumerate(stamps) for f in bench.poll("plc1", 100.0, float(t), stamp=s)]
    assert all(a.time < b.time for a, b in itertools.pairwise(frames))
    assert frames[-1].time == pytest.approx(T0 + len(stamps) - 1.0, abs=1.0)
    assert frames[-1].quality.tolist() == [GOOD]


def test_one_device_behind_does_not_stop_the_other() -> None:
    """A train with a second, sound clock goes on; only the readings of the first are UNCERTAIN."""
    bench = two_devices("device")
    bench.poll("plc1", 100.0, 0.0, stamp=T0)
    bench.poll("plc2", 100.0, 0.0, stamp=T0)
    bench.poll("plc1", 100.0, 1.0, stamp=T0 - 50.0)
    frame = only(bench.poll("plc2", 100.0, 1.0, stamp=T0 + 1.0))
    assert frame.time == T0 + 1.0
    assert frame.quality.tolist() == [UNCERTAIN, GOOD]


def test_one_stamp_far_ahead_is_not_followed() -> None:
    """A single stamp years ahead is dropped, and the good ones after it go on."""
    bench = one_device()
    bench.poll("plc1", 100.0, 0.0, stamp=T0)
    assert bench.poll("plc1", 100.0, 1.0, stamp=T0 + 1e9) == []
    assert only(bench.poll("plc1", 100.0, 2.0, stamp=T0 + 2.0)).time == T0 + 2.0
    assert bench.observed == [utc(T0), utc(T0 + 2.0)]
    assert bench.kinds() == ["clock_stepped"]
    assert bench.assembler.counts("A").dropped == 1


def test_a_confirmed_step_forward_is_followed() -> None:
    """A device whose clock was corrected by years is followed once some polls agree."""
    bench = one_device()
    bench.poll("plc1", 100.0, 0.0, stamp=1000.0, now=1000.0)
    frames = [
        bench.poll("plc1", 100.0, float(t), stamp=T0 + t, now=1000.0 + t)
        for t in range(1, CONFIRM_POLLS + 1)
    ]
    assert [len(f) for f in frames] == [0] * (CONFIRM_POLLS - 1) + [1]
    assert only(frames[-1]).time == T0 + CONFIRM_POLLS
    assert "confirmed" in bench.facts[-1][3]


def test_an_accelerated_plant_is_followed_from_the_first_poll() -> None:
    """Stamps 15 minutes apart in polls one second apart are a fast plant, not a fault."""
    bench = one_device()
    frames = [bench.poll("plc1", 100.0, float(t), stamp=T0 + 900.0 * t) for t in range(20)]
    assert [only(f).time for f in frames] == [T0 + 900.0 * t for t in range(20)]
    assert bench.facts == []


def test_frames_of_a_stored_minute_are_dropped_and_told() -> None:
    """After a restart, stamps within the newest stored minute or before give no frame."""
    minute = int(T0) // 60 * 60
    bench = one_device(closed={"A": minute})
    assert bench.poll("plc1", 100.0, 0.0, stamp=minute + 30.0) == []
    assert bench.poll("plc1", 100.0, 1.0, stamp=minute + 59.0) == []
    assert only(bench.poll("plc1", 100.0, 2.0, stamp=minute + 60.0)).time == minute + 60.0
    assert bench.assembler.counts("A").dropped == 2
    assert bench.kinds() == ["frames_dropped", "frames_dropped"]
    assert "in order again after 2 late frames" in bench.facts[-1][3]


def test_a_gateway_clock_set_back_does_not_write_the_past_again() -> None:
    """Frames stamped before the newest minute are dropped until the clock has caught up."""
    bench = one_device("gateway")
    bench.poll("plc1", 100.0, 0.0, now=T0 + 3600.0)
    assert bench.poll("plc1", 100.0, 1.0, now=T0) == []
    assert bench.assembler.counts("A").dropped == 1
    assert bench.kinds() == ["frames_dropped"]


def test_a_device_that_gives_no_time_is_uncertain() -> None:
    """A device said to keep time whose readings carry none is not silently given the gateway's."""
    bench = one_device()
    assert bench.poll("plc1", 100.0, 0.0) == []
    frame = only(bench.poll("plc1", 100.0, 60.0))
    assert frame.quality.tolist() == [UNCERTAIN]
    assert frame.reasons == {"1/feed_pressure": "plc1 gave no time with its readings"}


def test_wrong_arguments_raise() -> None:
    """An unknown device, a signal without a point and a missing reading are mistakes of ours."""
    bench = one_device("gateway")
    with pytest.raises(ValueError, match="'plc9' is not known"):
        bench.assembler.deliver("plc9", [], 0.0, utc(T0))
    with pytest.raises(ValueError, match=r"no reading for A/1/feed_pressure"):
        bench.assembler.deliver("plc1", [], 0.0, utc(T0))
    with pytest.raises(ValueError, match="device 'plc1' is not known"):
        Bench({}, bench.trains)

    @dataclass(frozen=True)
    class Lacking(TrainStandIn):
        @property
        def model(self) -> ModelStandIn:
            return ModelStandIn(("1/feed_pressure", "feed_flow"))

    with pytest.raises(ValueError, match=r"no point for the signals \['feed_flow'\]"):
        Bench({"plc1": "gateway"}, (Lacking("A", bench.trains[0].points),))
