"""What every link needs: when to try again after a failure, and which time stamps can be believed."""

import math
import random
import time
from collections.abc import Callable
from datetime import UTC, datetime

EARLIEST_S = datetime(2000, 1, 1, tzinfo=UTC).timestamp()
LATEST_S = datetime(2100, 1, 1, tzinfo=UTC).timestamp()
"""Stamps outside 2000 to 2100 come from a clock that was never set; common practice, no source."""


def believable(time_s: float) -> bool:
    """Whether seconds since 1970-01-01 UTC can be the time of a reading."""
    return math.isfinite(time_s) and EARLIEST_S <= time_s < LATEST_S


def stamp(time_s: float) -> datetime | None:
    """Seconds since 1970-01-01 UTC as an aware datetime; None when no clock would say that."""
    return datetime.fromtimestamp(time_s, UTC) if believable(time_s) else None


def scaled(raw: float, scale: float, offset: float) -> tuple[float | None, str]:
    """`raw * scale + offset` and "", or None and the reason when there is no finite number."""
    if math.isnan(raw):
        return None, "the device says NaN (not a number)"
    if math.isinf(raw):
        return None, "the device says infinity"
    value = raw * scale + offset
    if not math.isfinite(value):
        return None, f"{raw!r} * {scale!r} + {offset!r} is too large for a number"
    return value, ""


class Backoff:
    """Pauses between attempts at a dead endpoint: doubling, jittered, capped.

    The jitter keeps a plant's devices from all knocking at a gateway that has just come back.
    Only a whole answer counts as success: a peer that accepts and hangs up still backs off.

    first_s, longest_s : pause after the first failure, and the cap; each is shortened by up to
        half at random. [s]
    """

    def __init__(
        self,
        *,
        first_s: float = 0.5,
        longest_s: float = 10.0,
        chance: Callable[[], float] = random.random,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        if not 0.0 < first_s <= longest_s:
            raise ValueError(f"need 0 < first_s <= longest_s, got {first_s!r} and {longest_s!r}")
        self.first_s = first_s
        self.longest_s = longest_s
        self.failures = 0
        self._chance = chance
        self._monotonic = monotonic
        self._since = 0.0
        self._next = 0.0
        self._why = ""

    def failed(self, why: str) -> str:
        """Note a failure; returns the text for people, with the time of the next try."""
        now = self._monotonic()
        if self.failures == 0:
            self._since = now
        self.failures += 1
        # the exponent is capped as well: 2 ** 1100 is no float
        full_s = min(self.longest_s, self.first_s * 2.0 ** min(self.failures - 1, 30))
        self._next = now + full_s * (0.5 + 0.5 * self._chance())
        self._why = why
        return self._text(now)

    def worked(self) -> None:
        """Note an answer: the next failure is the first again."""
        self.failures = 0

    def waiting(self) -> str | None:
        """The text for people while it is too early for the next try, else None."""
        now = self._monotonic()
        return self._text(now) if self.failures and now < self._next else None

    def _text(self, now: float) -> str:
        times = (
            "once" if self.failures == 1 else f"{self.failures} times in {now - self._since:.0f} s"
        )
        return f"{self._why} ({times}; next try in {max(0.0, self._next - now):.1f} s)"
