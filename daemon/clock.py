"""Plant time and durations: the gateway's own clock, and one that follows a device's clock.

Everything that is stored or judged is stamped with plant time, the time of the readings; polling
and deadlines use `monotonic`. An accelerated simulator or a replay then gives what the live plant
gives.
"""

import asyncio
import time
from collections import deque
from datetime import UTC, datetime
from itertools import combinations
from statistics import median
from typing import Protocol

STEP_S = 2.0  # between two polls, real clocks are slewed by far less; no source, our choice
LIVE_S = 3600.0  # a live plant's clock is within an hour of ours, even with a wrong summer time
_OBSERVATIONS = 12


class Clock(Protocol):
    """Where time comes from; tests give a fake one."""

    def now(self) -> datetime:
        """Plant time, aware, UTC: for stamps."""

    def monotonic(self) -> float:
        """Seconds that only ever grow, from any start: for durations."""

    async def sleep(self, seconds: float) -> None:
        """Sleep for so many seconds of `monotonic`."""


class SystemClock:
    """The gateway's own UTC clock."""

    def now(self) -> datetime:
        """UTC of the gateway."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds since some start; not changed when the gateway's clock is set."""
        return time.monotonic()

    async def sleep(self, seconds: float) -> None:
        """Sleep; cancellation passes through."""
        await asyncio.sleep(seconds)


class FollowedClock:
    """Plant time learned from the stamps of a device: the last stamp plus elapsed time times rate.

    The rate is the median slope between the last observations, so that one late answer or one
    wrong stamp does not bend it; within 1 % of 1 it is 1, because a live plant runs at 1 and only
    network jitter says otherwise. Until the first observation it is the time of `base`. It never
    runs back by more than the device's own clock was set back: when it ran ahead it waits.

    base : gives monotonic time, sleep, and the time before the first observation.
    """

    def __init__(self, base: Clock | None = None) -> None:
        self.base: Clock = base or SystemClock()
        self._seen: deque[tuple[float, float]] = deque(maxlen=_OBSERVATIONS)
        self._rate = 1.0
        self._floor: float | None = None
        self._resumed = False

    def resume(self, stamp: float, wall: float) -> None:
        """Start from where the plant's time stood when the last run stored its last frame.

        A plant whose time was within an hour of the gateway's keeps to the gateway's clock until a
        device answers; the time of an accelerated or replayed plant goes on from `stamp`.

        stamp : plant time of that frame. wall : the gateway's clock at it. [s since 1970 UTC]
        """
        if not self._seen and abs(stamp - wall) > LIVE_S:
            self._seen.append((self.base.monotonic(), stamp))
            self._resumed = True

    @property
    def rate(self) -> float:
        """Plant seconds in one second of the gateway."""
        return self._rate

    @property
    def following(self) -> bool:
        """Whether a device's time has been seen yet."""
        return bool(self._seen)

    def observe(self, source: datetime) -> None:
        """Take in the newest stamp of a device, just read."""
        if source.tzinfo is None:
            raise ValueError(f"a stamp must be aware, got {source!r}")
        at, stamp = self.base.monotonic(), source.timestamp()
        if self._seen:
            last_at, last = self._seen[-1]
            if stamp == last:
                return  # the device's clock has not ticked since: nothing new is known
            expected = last + (at - last_at) * self._rate
            if stamp < last:
                if self._floor is not None:
                    self._floor -= last - stamp
                self._seen.clear()
            elif self._resumed:
                # How long the last run is ago says nothing about the rate.
                self._seen.clear()
            elif len(self._seen) > 1 and abs(stamp - expected) > max(60.0, (stamp - last) / 2):
                # Set forward, or running at another speed: what was seen before says nothing.
                self._seen.clear()
        self._seen.append((at, stamp))
        self._resumed = False
        slopes = [
            (stamp_b - stamp_a) / (at_b - at_a)
            for (at_a, stamp_a), (at_b, stamp_b) in combinations(self._seen, 2)
            if at_b > at_a
        ]
        if slopes:
            rate = median(slopes)
            self._rate = 1.0 if abs(rate - 1.0) < 0.01 else rate

    def now(self) -> datetime:
        """Plant time, estimated between two stamps of the device."""
        if not self._seen:
            return self.base.now()
        last_at, last = self._seen[-1]
        estimate = last + (self.base.monotonic() - last_at) * self._rate
        if self._floor is None or estimate > self._floor:
            self._floor = estimate
        return datetime.fromtimestamp(self._floor, UTC)

    def monotonic(self) -> float:
        """Monotonic time of `base`."""
        return self.base.monotonic()

    async def sleep(self, seconds: float) -> None:
        """Sleep of `base`: in gateway seconds, whatever the rate of the plant."""
        await self.base.sleep(seconds)


class StepWatch:
    """Notices when a clock was set: its two times have drifted apart between two looks.

    Meant for the gateway's clock; a followed clock runs at the rate of its plant.
    """

    def __init__(self, threshold_s: float = STEP_S) -> None:
        if not threshold_s > 0:
            raise ValueError(f"threshold_s must be above 0 s, got {threshold_s!r}")
        self.threshold_s = threshold_s
        self._last: tuple[float, float] | None = None

    def look(self, clock: Clock) -> float | None:
        """Seconds that the clock was set forward (back when negative) since the last look."""
        now, monotonic = clock.now().timestamp(), clock.monotonic()
        last, self._last = self._last, (now, monotonic)
        if last is None:
            return None
        drift = (now - last[0]) - (monotonic - last[1])
        return drift if abs(drift) > self.threshold_s else None
