"""Clocks for tests: time moves only when a test says so, or when everybody sleeps."""

import asyncio
import heapq
from datetime import UTC, datetime


class FakeClock:
    """Time that jumps: `sleep` moves it at once to the end of the sleep, `advance` by hand.

    start : plant time at monotonic 0. [s since 1970-01-01 UTC]
    rate : plant seconds in one monotonic second.
    """

    def __init__(self, start: float = 1_760_000_000.0, rate: float = 1.0) -> None:
        self.start = start
        self.rate = rate
        self.elapsed = 0.0
        self.stepped = 0.0
        self.slept: list[float] = []

    def now(self) -> datetime:
        """Plant time."""
        return datetime.fromtimestamp(self.start + self.stepped + self.elapsed * self.rate, UTC)

    def monotonic(self) -> float:
        """Seconds since the start of the test."""
        return self.elapsed

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        if seconds < 0:
            raise ValueError(f"time does not run back, got {seconds!r}")
        self.elapsed += seconds

    def step(self, seconds: float) -> None:
        """Set the plant time forward or back, as an operator or NTP does."""
        self.stepped += seconds

    async def sleep(self, seconds: float) -> None:
        """Let time pass, and let the other tasks run."""
        self.slept.append(seconds)
        self.advance(max(0.0, seconds))
        await asyncio.sleep(0)


class SharedClock(FakeClock):
    """A fake clock for several tasks: a sleeper wakes when `run_until` has come to its time.

    Between two wakings the loop is given `turns` rounds, so that everything that can go on
    without time does.
    """

    def __init__(self, start: float = 1_760_000_000.0, rate: float = 1.0) -> None:
        super().__init__(start, rate)
        self._sleepers: list[tuple[float, int, asyncio.Event]] = []
        self._count = 0

    async def sleep(self, seconds: float) -> None:
        """Sleep until `run_until` has brought the time."""
        self.slept.append(seconds)
        self._count += 1
        wake = asyncio.Event()
        heapq.heappush(self._sleepers, (self.elapsed + max(0.0, seconds), self._count, wake))
        await wake.wait()

    async def run_until(self, elapsed: float, turns: int = 20) -> None:
        """Let time go on to `elapsed`, waking each sleeper at its own time."""
        await self._settle(turns)
        while self._sleepers and self._sleepers[0][0] <= elapsed:
            self.elapsed, _, wake = heapq.heappop(self._sleepers)
            wake.set()
            await self._settle(turns)
        self.elapsed = max(self.elapsed, elapsed)

    @staticmethod
    async def _settle(turns: int) -> None:
        for _ in range(turns):
            await asyncio.sleep(0)
