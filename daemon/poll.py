"""Poll loops: one for each device, on a grid of monotonic time, so that devices are read together."""

import logging
import math
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NoReturn

from daemon.clock import Clock, StepWatch
from daemon.frames import Note
from drivers.protocol import Device, Driver, LinkDown, Point, Reading

_log = logging.getLogger(__name__)

Deliver = Callable[[str, Sequence[Reading] | LinkDown, float, datetime], Awaitable[None]]
"""Takes one poll: device id, readings or why there are none, monotonic time, plant time."""


@dataclass(slots=True)
class PollCounts:
    """How the polling of one device goes. `skipped` are slots lost to polls that took too long."""

    polls: int = 0
    failed: int = 0
    skipped: int = 0
    down_since: float | None = None


def next_slot(monotonic: float, interval_s: float) -> int:
    """Number of the first slot of the grid that begins after `monotonic`."""
    return math.floor(monotonic / interval_s) + 1


async def poll_device(
    device: Device,
    points: Sequence[Point],
    driver: Driver,
    deliver: Deliver,
    clock: Clock,
    note: Note,
    *,
    counts: PollCounts | None = None,
    steps: StepWatch | None = None,
) -> NoReturn:
    """Read one device until cancelled. A failed poll is delivered as such, never skipped.

    Polls start on the multiples of the interval in monotonic time: no drift, and devices of one
    interval are read nearly together. A poll that overruns its slot loses the slots it covered;
    they are counted. Only `LinkDown` is expected; anything else goes up and ends the process.

    note : is told once when the link is lost, and once with how long when it is back.
    counts : kept up to date for the page. steps : shared by all loops, when the clock of the
        gateway stamps the frames; is told when that clock was set.
    """
    if not device.interval_s > 0:
        raise ValueError(f"device {device.id}: interval_s must be above 0, got {device.interval_s}")
    counts = counts or PollCounts()
    interval_s = device.interval_s
    slot = next_slot(clock.monotonic(), interval_s)
    while True:
        # Sleeping may end a little early: a slot must not be used twice.
        while (wait_s := slot * interval_s - clock.monotonic()) > 0:
            await clock.sleep(wait_s)
        result: Sequence[Reading] | LinkDown
        try:
            result = await driver.read(points)
        except LinkDown as error:
            result = error
        at, now = clock.monotonic(), clock.now()
        counts.polls += 1
        _watch_link(device, result, at, now, note, counts)
        if steps is not None and (step_s := steps.look(clock)) is not None:
            _log.warning("the clock of the gateway was set by %+.1f s", step_s)
            note(now.timestamp(), "clock_stepped", "gateway", f"set by {step_s:+.1f} s")
        await deliver(device.id, result, at, now)
        following = next_slot(clock.monotonic(), interval_s)
        counts.skipped += max(0, following - slot - 1)
        slot = max(following, slot + 1)


def _watch_link(
    device: Device,
    result: Sequence[Reading] | LinkDown,
    at: float,
    now: datetime,
    note: Note,
    counts: PollCounts,
) -> None:
    """Tell the loss of a link once, and its return once with how long it lasted."""
    if isinstance(result, LinkDown):
        counts.failed += 1
        if counts.down_since is None:
            counts.down_since = at
            _log.warning("%s: link lost: %s", device.id, result)
            note(now.timestamp(), "link_lost", device.id, str(result) or "no answer")
    elif counts.down_since is not None:
        lasted_s, counts.down_since = at - counts.down_since, None
        _log.warning("%s: link back after %.0f s", device.id, lasted_s)
        note(now.timestamp(), "link_back", device.id, f"after {lasted_s:.0f} s")
