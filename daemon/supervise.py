"""Running the parts of the daemon together: the first that breaks stops them all."""

import asyncio
import logging
import os
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass

GRACE_S = 5.0
EXIT_OVERDUE = 70  # EX_SOFTWARE of sysexits.h: systemd counts it as a failure and restarts

_log = logging.getLogger(__name__)


class PartEnded(Exception):
    """A part came to an end, though it should run until it is cancelled."""


@dataclass(frozen=True, slots=True)
class Part:
    """One thing the daemon does for as long as it runs, such as polling one device."""

    name: str
    run: Callable[[], Awaitable[object]]


def leave(overdue: Sequence[str]) -> None:
    """End the process at once: the stores are safe against that, a half-stopped daemon is not."""
    _log.critical("still running %g s after the stop: %s; leaving", GRACE_S, ", ".join(overdue))
    logging.shutdown()
    os._exit(EXIT_OVERDUE)


async def supervise(
    parts: Sequence[Part],
    stop: asyncio.Event,
    *,
    grace_s: float = GRACE_S,
    leave: Callable[[Sequence[str]], None] = leave,
) -> None:
    """Run every part until `stop` is set; the first that breaks stops them all.

    What broke comes out as an ExceptionGroup. A part that returns, or that is cancelled by
    anybody else than us, has broken too: half a daemon is worse than none.

    grace_s : how long parts may take to end after that; `leave` is called with the names of
        those that did not.
    """
    names = [part.name for part in parts]
    if len(set(names)) != len(names):
        raise ValueError(f"parts need different names, got {names}")
    loop = asyncio.get_running_loop()
    timers: list[asyncio.TimerHandle] = []
    tasks: list[asyncio.Task[None]] = []

    def overdue() -> None:
        hanging = [task.get_name() for task in tasks if not task.done()]
        if hanging:
            leave(hanging)

    def ending(_: object) -> None:
        if not timers:
            timers.append(loop.call_later(grace_s, overdue))

    async def forever(part: Part) -> None:
        try:
            await part.run()
        except asyncio.CancelledError as error:
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                raise
            # Nobody asked this task to end; as a mere cancellation the group would let it pass.
            raise PartEnded(f"{part.name} was cancelled from inside") from error
        raise PartEnded(f"{part.name} returned; it should run until it is cancelled")

    try:
        async with asyncio.TaskGroup() as group:
            for part in parts:
                task = group.create_task(forever(part), name=part.name)
                task.add_done_callback(ending)
                tasks.append(task)
            await stop.wait()
            ending(None)
            for task in tasks:
                task.cancel()
    finally:
        for timer in timers:
            timer.cancel()
