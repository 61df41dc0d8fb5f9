"""A clock for tests: it moves only when it is told to, or when everybody who looks at it sleeps."""

import asyncio
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
