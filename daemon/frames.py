"""Frames: a train's readings aligned at one instant, in SI units, judged before anybody uses them."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.protocol import Device, LinkDown, Quality, Reading
from rules.train import STATUS_ROLES

# Common practice, no source: the limits below are our choice.
RANGE_SLACK = 0.02  # transmitters give a little more than their span before they signal a fault
STALE_S = 300.0  # an analog value that has not been sampled for so long is not one of now
AHEAD_S = 86_400.0  # a device time so far beyond the expected one must be confirmed
CONFIRM_POLLS = 5  # polls after which a strange device time is no glitch any more
UNKNOWN_S = 60.0  # how long a first device time is waited for before a gap gets the gateway's
FROZEN_S = 5.0  # and the least time after which a device clock that stands is called frozen

Note = Callable[[float, str, str, str], None]
"""Takes a fact about the watching itself: plant time, kind, subject, detail (`History.add_fact`)."""


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A train's readings at one instant, in the column order of its signals.

    time : of the newest reading. [s since 1970-01-01 UTC]
    values : in SI units; NaN unless the reading is GOOD.
    quality : `drivers.protocol.Quality` of each reading.
    down : ids of the devices that did not answer.
    reasons : signal -> why it is not GOOD.
    measured : like `values`, but with the UNCERTAIN readings too: for the raw record, not for
        judging. None when there is nothing more than `values`.
    """

    train: str
    time: float
    values: NDArray[np.float64]
    quality: NDArray[np.uint8]
    down: tuple[str, ...] = ()
    reasons: Mapping[str, str] = field(default_factory=dict)
    measured: NDArray[np.float64] | None = None


class PointLike(Protocol):
    """What a frame needs of a point: `daemon.plantfile` has the whole."""

    @property
    def tag(self) -> str: ...
    @property
    def signal(self) -> str: ...
    @property
    def role(self) -> str: ...
    @property
    def device(self) -> str: ...
    @property
    def unit(self) -> str: ...
    @property
    def si_range(self) -> tuple[float, float] | None: ...
    def to_si(self, value: float) -> float: ...


class ModelLike(Protocol):
    """What a frame needs of the rules' view of a train."""

    @property
    def signals(self) -> tuple[str, ...]: ...


class TrainLike(Protocol):
    """What a frame needs of a train."""

    @property
    def id(self) -> str: ...
    @property
    def points(self) -> Sequence[PointLike]: ...
    @property
    def model(self) -> ModelLike: ...


@dataclass(slots=True)
class Counts:
    """What became of the polls of one train.

    frames : made. dropped : too old for the history. repeated : nothing new since the last one.
    superseded : polls replaced by a newer one of the same device before a frame was made.
    incomplete : frames made without a device that did not deliver within two intervals.
    """

    frames: int = 0
    dropped: int = 0
    repeated: int = 0
    superseded: int = 0
    incomplete: int = 0


@dataclass(slots=True)
class _Poll:
    """One delivery of one device. `doubt` is why none of its readings can be GOOD."""

    readings: Mapping[str, Reading] | None
    failure: str = ""
    stamp: float | None = None
    repeated: bool = False
    passing: bool = False  # doubtful, but perhaps only a glitch: no reason to stamp with `now`
    doubt: str = ""


class _DeviceTime:
    """Judges the stamps of one device that keeps its own time.

    Plant time never runs back. When a device's clock was set back and stays so, its time is taken later by
    as much (`shift`), until it has caught up; otherwise a corrected clock would blind its train.
    """

    def __init__(self, device: str, note: Note) -> None:
        self.device = device
        self.note = note
        self.last: float | None = None
        self.last_at = 0.0
        self.same = self.behind = self.ahead = 0
        self.ahead_stamp = -math.inf
        self.frozen = False
        self.shift = 0.0

    def judge(self, poll: _Poll, stamp: float | None, at: float, now: float) -> None:
        """Put the trusted stamp, or the doubt, into `poll`."""
        if stamp is not None and self.shift:
            stamp = self._shifted(stamp, now)
        if stamp is None:
            poll.doubt = f"{self.device} gave no time with its readings"
        elif self.last is not None and stamp < self.last:
            self._back(poll, stamp, at, now)
        elif self.last is not None and stamp == self.last:
            self._same(poll, stamp, at)
        elif self.last is not None and stamp > max(now, self.last) + AHEAD_S:
            self._ahead(poll, stamp, at, now)
        else:
            self._accept(poll, stamp, at)

    def _accept(self, poll: _Poll, stamp: float, at: float) -> None:
        if self.behind:
            self.note(
                stamp, "clock_stepped", self.device, f"caught up after {self.behind} polls behind"
            )
        if self.frozen:
            self.note(stamp, "clock_running", self.device, "the device's clock runs again")
        self.same = self.behind = self.ahead = 0
        self.ahead_stamp = -math.inf
        self.frozen = False
        self.last, self.last_at = stamp, at
        poll.stamp = stamp

    def _shifted(self, stamp: float, now: float) -> float:
        """The stamp of a clock that was set back, in plant time; the shift ends when it is not needed."""
        last = self.last if self.last is not None else stamp
        corrected = stamp + self.shift > max(now, last) + AHEAD_S and stamp > last - AHEAD_S
        if stamp >= last or corrected:
            self.shift = max(last - stamp, 0.0)
            self.note(now, "clock_stepped", self.device, "caught up: its own time is taken again")
        return stamp + self.shift

    def _back(self, poll: _Poll, stamp: float, at: float, now: float) -> None:
        assert self.last is not None
        by = self.last - stamp
        self.behind += 1
        if self.behind == 1:
            self.note(
                self.last,
                "clock_stepped",
                self.device,
                f"the device's clock went back by {by:.3f} s; its readings are not used until it"
                f" has caught up, or {CONFIRM_POLLS} polls agree",
            )
        if self.behind >= CONFIRM_POLLS:
            self.shift += max(self.last, now) - stamp
            self.note(
                self.last,
                "clock_stepped",
                self.device,
                f"confirmed: {by:.0f} s back; its time is taken later by as much until it has caught up",
            )
            self.behind = 0
            self._accept(poll, max(self.last, now), at)
            return
        poll.doubt = f"the clock of {self.device} is {by:.0f} s behind its own earlier time"
        poll.passing = True

    def _same(self, poll: _Poll, stamp: float, at: float) -> None:
        self.same += 1
        if self.same < CONFIRM_POLLS or at - self.last_at < FROZEN_S:
            poll.stamp, poll.repeated = stamp, True
            return
        stands = at - self.last_at
        if not self.frozen:
            self.frozen = True
            self.note(
                stamp,
                "clock_frozen",
                self.device,
                f"the device's clock stands since {stands:.0f} s",
            )
        poll.doubt = f"the clock of {self.device} stands since {stands:.0f} s"

    def _ahead(self, poll: _Poll, stamp: float, at: float, now: float) -> None:
        self.ahead = self.ahead + 1 if stamp >= self.ahead_stamp else 1
        self.ahead_stamp = stamp
        by = stamp - now
        if self.ahead == 1:
            self.note(
                now,
                "clock_stepped",
                self.device,
                f"the device's clock is {by:.0f} s ahead of the expected time; its readings are"
                f" not used until {CONFIRM_POLLS} polls agree",
            )
        if self.ahead >= CONFIRM_POLLS:
            self.note(now, "clock_stepped", self.device, f"confirmed: {by:.0f} s forward, followed")
            self._accept(poll, stamp, at)
            return
        poll.doubt = f"the clock of {self.device} is {by:.0f} s ahead of the expected time"
        poll.passing = True


class _TrainFrames:
    """The polls of one train that wait for each other, and its columns."""

    def __init__(
        self,
        train: TrainLike,
        patience: Mapping[str, float],
        own_time: Iterable[str],
        closed: int | None,
    ) -> None:
        column = {signal: index for index, signal in enumerate(train.model.signals)}
        self.id = train.id
        self.signals = train.model.signals
        self.points: dict[str, list[tuple[int, PointLike]]] = {}
        for point in train.points:
            if point.signal in column:
                self.points.setdefault(point.device, []).append((column[point.signal], point))
        missing = set(column) - {p.signal for p in train.points}
        if missing:
            raise ValueError(f"train {train.id}: no point for the signals {sorted(missing)}")
        for device in self.points:
            if device not in patience:
                raise ValueError(f"train {train.id}: device {device!r} is not known")
        self.patience_s = max(patience[device] for device in self.points)
        self.waiting: dict[str, _Poll] = {}
        self.waiting_since = 0.0
        # Whether this train's own time is known; a train without device clocks has the gateway's.
        self.timed = not any(device in self.points for device in own_time)
        self.first_at: float | None = None
        # Frames before this are too old: their minute is closed.
        self.oldest = -math.inf if closed is None else closed + 60.0
        self.late = 0
        self.counts = Counts()


class FrameAssembler:
    """Makes frames from the polls of all devices. Pure: time comes in, frames and facts go out.

    A frame is made when every device of a train has delivered (or failed) since the last one, or
    when two of its longest intervals, and the deadline of a request, have passed. Its time is the
    newest time of the devices that keep their own (`device_clock` says ``device``), else the
    gateway's. Before the first time of such a device is known, gaps are dropped and counted for a
    minute, then the gateway's is used.

    A device's time is not trusted blindly: a clock that stands, or leaps ahead, makes its readings
    UNCERTAIN with the reason; one that was set back is taken later by as much. A frame whose minute
    is closed already is dropped and counted; when that lasts, frames go on with UNCERTAIN readings
    at the gateway's idea of plant time, so that the silence is seen.

    trains : of the plant file. devices, device_clock : by device id.
    note : is told facts about clocks and drops.
    observe : is given each new device time (for `FollowedClock.observe`).
    closed : train -> start of the newest minute that is stored already.
    """

    def __init__(
        self,
        trains: Iterable[TrainLike],
        devices: Mapping[str, Device],
        device_clock: Mapping[str, str],
        *,
        note: Note,
        observe: Callable[[datetime], None] | None = None,
        closed: Mapping[str, int] | None = None,
    ) -> None:
        # Two intervals less a tenth, because a poll may come a little early on its grid. A device
        # whose deadline has not passed yet is slow, not silent.
        patience = {d.id: max(1.9 * d.interval_s, 1.5 * d.timeout_s) for d in devices.values()}
        closed = closed or {}
        self._times = {
            device: _DeviceTime(device, note)
            for device, clock in device_clock.items()
            if clock == "device"
        }
        self._trains = [
            _TrainFrames(train, patience, self._times, closed.get(train.id)) for train in trains
        ]
        self._devices = set(patience)
        self._note = note
        self._observe = observe
        self._observed = -math.inf

    def counts(self, train: str) -> Counts:
        """What became of the polls of a train so far."""
        return next(frames.counts for frames in self._trains if frames.id == train)

    def deliver(
        self, device: str, result: Sequence[Reading] | LinkDown, at: float, now: datetime
    ) -> list[Frame]:
        """Take one poll of one device; gives the frames that it completes, one train each.

        result : the readings, or why the device as a whole did not answer.
        at : monotonic time. now : plant time as the gateway knows it.
        """
        if device not in self._devices:
            raise ValueError(f"device {device!r} is not known")
        plant_time = now.timestamp()
        poll = self._judge(device, result, at, plant_time)
        frames = []
        for train in self._trains:
            if device not in train.points:
                continue
            if not train.waiting:
                train.waiting_since = at
            elif device in train.waiting:
                train.counts.superseded += 1
            train.waiting[device] = poll
            complete = len(train.waiting) == len(train.points)
            if complete or at - train.waiting_since >= train.patience_s:
                frame = self._frame(train, at, plant_time)
                train.waiting = {}
                if frame is not None:
                    train.counts.frames += 1
                    train.counts.incomplete += not complete
                    frames.append(frame)
        return frames

    def _judge(
        self, device: str, result: Sequence[Reading] | LinkDown, at: float, now: float
    ) -> _Poll:
        if isinstance(result, LinkDown):
            return _Poll(None, failure=str(result) or "no answer")
        poll = _Poll({reading.tag: reading for reading in result})
        times = self._times.get(device)
        if times is not None:
            stamps = [
                r.source_at.timestamp()
                for r in result
                if r.source_at is not None and r.quality != Quality.BAD
            ]
            if stamps or any(r.quality != Quality.BAD for r in result):
                times.judge(poll, max(stamps, default=None), at, now)
        return poll

    def _frame(self, train: _TrainFrames, at: float, now: float) -> Frame | None:
        polls = train.waiting
        answered = [poll for poll in polls.values() if poll.readings is not None]
        stamps = [poll.stamp for poll in answered if poll.stamp is not None]
        lasting = any(poll.doubt and not poll.passing for poll in answered)
        late = ""
        if train.first_at is None:
            train.first_at = at
        if stamps:
            train.timed = True
            time = max(stamps)
            if time > self._observed and self._observe is not None:
                self._observed = time
                self._observe(datetime.fromtimestamp(time, UTC))
            if len(polls) == len(train.points) and all(poll.repeated for poll in polls.values()):
                train.counts.repeated += 1
                return None
        elif not train.timed and at - train.first_at < UNKNOWN_S:
            # Just started: a gap stamped with the gateway's time could lie far ahead of the
            # plant's own, and then every reading after it would be too old.
            train.counts.dropped += 1
            return None
        elif any(poll.passing for poll in answered) and not lasting:
            train.counts.dropped += 1
            return None
        else:
            time = now
        if time < train.oldest:
            train.late += 1
            behind = f"{train.oldest - time:.0f} s before the newest minute of train {train.id}"
            if train.late == 1:
                self._note(
                    train.oldest, "frames_dropped", train.id, f"readings are stamped {behind}"
                )
            if train.late < CONFIRM_POLLS or now < train.oldest:
                train.counts.dropped += 1
                return None
            # It lasts. Going on at the gateway's time keeps the minutes coming, without values.
            late, time = f"stamped {behind}", now
        elif train.late:
            self._note(
                time, "frames_dropped", train.id, f"in order again after {train.late} late frames"
            )
            train.late = 0
        train.oldest = math.floor(time / 60.0) * 60.0
        return self._fill(train, time, now, late)

    def _fill(self, train: _TrainFrames, time: float, now: float, late: str) -> Frame:
        values, measured = np.full((2, len(train.signals)), np.nan)
        quality = np.full(len(train.signals), Quality.BAD, dtype=np.uint8)
        reasons: dict[str, str] = {}
        down = []
        for device, points in train.points.items():
            poll = train.waiting.get(device)
            if poll is None or poll.readings is None:
                down.append(device)
                why = poll.failure if poll else f"{device} has not answered for two intervals"
                reasons.update((point.signal, why) for _, point in points)
                continue
            oldest = -math.inf if device in self._times else now - STALE_S
            for column, point in points:
                reading = poll.readings.get(point.tag)
                if reading is None:
                    raise ValueError(f"the driver of {device} gave no reading for {point.tag}")
                value, grade, reason = judge(point, reading, oldest)
                if grade == Quality.GOOD and (poll.doubt or late):
                    grade, reason = Quality.UNCERTAIN, poll.doubt or late
                quality[column] = grade
                measured[column] = value
                if grade == Quality.GOOD:
                    values[column] = value
                else:
                    reasons[point.signal] = reason
        return Frame(train.id, time, values, quality, tuple(down), reasons, measured)


def judge(point: PointLike, reading: Reading, oldest: float) -> tuple[float, Quality, str]:
    """A reading in SI units, its quality, and why it is not GOOD.

    Never clips: what a transmitter cannot give is BAD, so that a sensor off its range does not
    look healthy.

    oldest : stamps before this are stale. [s since 1970-01-01 UTC] A status that has not changed
        keeps its old stamp on many OPC UA servers, so it is never stale.
    """
    if reading.quality == Quality.BAD or reading.value is None:
        return math.nan, Quality.BAD, reading.reason or "bad, without a reason from the device"
    found = f"{reading.value:g} {point.unit}".strip()
    if not math.isfinite(reading.value):
        return math.nan, Quality.BAD, f"{found} is not a finite number"
    value = point.to_si(reading.value)
    if not math.isfinite(value):
        return math.nan, Quality.BAD, f"{found} is no value that {point.role} can have"
    if point.si_range is not None:
        low, high = point.si_range
        slack = RANGE_SLACK * (high - low)
        if not low - slack <= value <= high + slack:
            return math.nan, Quality.BAD, f"{found} is outside the range of the transmitter"
    if reading.quality == Quality.UNCERTAIN:
        return value, Quality.UNCERTAIN, reading.reason or "uncertain, says the device"
    if reading.source_at is not None and point.role not in STATUS_ROLES:
        age = oldest - reading.source_at.timestamp()
        if age > 0:
            return value, Quality.UNCERTAIN, f"stale, not renewed for {age + STALE_S:.0f} s"
    return value, Quality.GOOD, ""
