"""The poll loop of one device: its grid, its gaps and the facts about its link."""

import asyncio
from collections.abc import Callable, Sequence
from datetime import datetime

import pytest

from daemon.clock import StepWatch
from daemon.poll import PollCounts, next_slot, poll_device
from drivers.protocol import Device, LinkDown, ModbusAddress, Point, Quality, Reading
from tests.fake_clock import FakeClock

POINTS = (Point("A/feed_flow", ModbusAddress(0)),)
Fact = tuple[float, str, str, str]
Outcome = LinkDown | Exception | None


class ScriptedDriver:
    """A driver that plays a list of outcomes, each taking so long; it then waits to be cancelled."""

    def __init__(self, clock: FakeClock, script: Sequence[tuple[float, Outcome]]) -> None:
        self.clock = clock
        self.script = list(script)
        self.started: list[float] = []
        self.finished = asyncio.Event()

    async def read(self, points: Sequence[Point]) -> list[Reading]:
        if not self.script:
            self.finished.set()
            await asyncio.Event().wait()
        took_s, outcome = self.script.pop(0)
        self.started.append(self.clock.monotonic())
        await self.clock.sleep(took_s)
        if outcome is not None:
            raise outcome
        return [Reading(point.tag, 1.0, Quality.GOOD) for point in points]

    async def close(self) -> None:
        """Nothing to close."""


class Run:
    """One run of the loop over a script, with all that it delivered and told."""

    def __init__(self) -> None:
        self.clock = FakeClock()
        self.counts = PollCounts()
        self.facts: list[Fact] = []
        self.delivered: list[tuple[float, Sequence[Reading] | LinkDown]] = []
        self.after_delivery: Callable[[], None] = lambda: None
        self.driver: ScriptedDriver

    async def deliver(
        self, device: str, result: Sequence[Reading] | LinkDown, at: float, now: datetime
    ) -> None:
        assert device == "plc1"
        self.delivered.append((at, result))
        self.after_delivery()

    async def play(
        self,
        script: Sequence[tuple[float, Outcome]],
        *,
        interval_s: float = 1.0,
        steps: StepWatch | None = None,
    ) -> None:
        self.driver = ScriptedDriver(self.clock, script)
        task = asyncio.create_task(
            poll_device(
                Device("plc1", "modbus-tcp", interval_s=interval_s),
                POINTS,
                self.driver,
                self.deliver,
                self.clock,
                lambda *fact: self.facts.append(fact),
                counts=self.counts,
                steps=steps,
            )
        )
        finished = asyncio.create_task(self.driver.finished.wait())
        await asyncio.wait({task, finished}, return_when=asyncio.FIRST_COMPLETED)
        for each in (task, finished):
            each.cancel()
        await asyncio.wait({task, finished})
        if not task.cancelled():
            task.result()


@pytest.mark.asyncio
async def test_polls_start_on_the_grid_without_drift() -> None:
    """Polls of differing length all start on whole multiples of the interval."""
    run = Run()
    run.clock.advance(0.37)
    await run.play([(0.2, None), (0.05, None), (0.9, None), (0.0, None)])
    assert run.driver.started == pytest.approx([1.0, 2.0, 3.0, 4.0])
    assert run.counts.skipped == 0


@pytest.mark.asyncio
async def test_an_overrun_skips_slots_and_is_counted() -> None:
    """A poll of 3.5 intervals loses three slots, and the next is on the grid again."""
    run = Run()
    await run.play([(0.1, None), (3.5, None), (0.1, None)])
    assert run.driver.started == pytest.approx([1.0, 2.0, 6.0])
    assert (run.counts.polls, run.counts.skipped) == (3, 3)


@pytest.mark.asyncio
async def test_no_slot_is_used_twice() -> None:
    """An interval that binary fractions cannot hold, and answers that take no time at all."""
    # 3 * 0.7 / 0.7 is a little less than 3: rounding must not bring slot 3 back.
    run = Run()
    await run.play([(0.0, None)] * 50, interval_s=0.7)
    assert run.driver.started == pytest.approx([0.7 * i for i in range(1, 51)])


@pytest.mark.asyncio
async def test_a_failed_poll_is_delivered_and_told_once() -> None:
    """Three failures give three deliveries, one loss, and one return with its length."""
    run = Run()
    down = LinkDown("plc1: no answer from 10.0.0.7:502 within 3 s")
    await run.play([(0.0, None), (0.0, down), (0.0, down), (0.0, down), (0.0, None), (0.0, None)])
    assert [isinstance(result, LinkDown) for _, result in run.delivered] == [
        False, True, True, True, False, False,
    ]  # fmt: skip
    start = run.clock.start
    assert run.facts == [
        (start + 2.0, "link_lost", "plc1", "plc1: no answer from 10.0.0.7:502 within 3 s"),
        (start + 5.0, "link_back", "plc1", "after 3 s"),
    ]
    assert (run.counts.polls, run.counts.failed, run.counts.down_since) == (6, 3, None)


@pytest.mark.asyncio
async def test_a_surprise_goes_up() -> None:
    """An exception that is no LinkDown ends the loop and is not turned into a gap."""
    run = Run()
    with pytest.raises(RuntimeError, match="bug"):
        await run.play([(0.0, None), (0.0, RuntimeError("bug"))])
    assert len(run.delivered) == 1


@pytest.mark.asyncio
async def test_a_step_of_the_gateway_clock_becomes_a_fact() -> None:
    """A clock set back by a minute between two polls is told once, with its size."""
    run = Run()
    steps = iter([0.0, -60.0, 0.0, 0.0])
    run.after_delivery = lambda: run.clock.step(next(steps))
    await run.play([(0.0, None)] * 4, steps=StepWatch())
    assert [(kind, subject, detail) for _, kind, subject, detail in run.facts] == [
        ("clock_stepped", "gateway", "set by -60.0 s")
    ]


@pytest.mark.asyncio
async def test_an_interval_must_be_above_zero() -> None:
    """An interval of zero would be a busy loop and raises."""
    with pytest.raises(ValueError, match="interval_s must be above 0"):
        await Run().play([], interval_s=0.0)


def test_the_next_slot_begins_after_now() -> None:
    """Exactly on the grid, the next slot is one interval on."""
    assert [next_slot(t, 2.0) for t in (0.0, 1.9, 2.0, 2.1)] == [1, 1, 2, 2]
