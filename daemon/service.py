"""The service: every part of the daemon put together, from the devices to notices and page.

poll (one part a device) -> frames -> minutes -> history -> judge (one part a train) -> record
                                                                 record -> delivery, page, forward
"""

import asyncio
import contextlib
import logging
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from typing import NoReturn, TypeVar

from daemon.clock import Clock, FollowedClock, StepWatch, SystemClock
from daemon.delivery import Delivery, check_contacts
from daemon.forward import Forwarder
from daemon.frames import FrameAssembler
from daemon.history import History
from daemon.minutes import Minute, MinuteAccumulator
from daemon.normalize import Normalizer, Outcome
from daemon.notices import Notices
from daemon.page import create_app
from daemon.page.server import PageServer
from daemon.plantfile import Plant, TrainConfig
from daemon.poll import poll_device
from daemon.record import Record
from daemon.rows import JournalLine
from daemon.supervise import Part, supervise
from drivers.connect import connect
from drivers.protocol import Driver, LinkDown, Reading

_log = logging.getLogger(__name__)

STOPPED = "stopped"

T = TypeVar("T")

Told = Callable[[TrainConfig, Outcome], None]
"""Hears what each judged minute brought, for a terminal."""


class ContactsUnusable(Exception):
    """Contacts of the plant file that no message can be sent to; one line each."""


class Judge:
    """One train's minutes, from its frames to the record; the order of time is kept by one queue."""

    def __init__(
        self,
        train: TrainConfig,
        history: History,
        normalizer: Normalizer,
        worker: ThreadPoolExecutor,
        told: Told | None,
    ) -> None:
        self.train = train
        self._history = history
        self._normalizer = normalizer
        self._worker = worker
        self._told = told
        self._queue: asyncio.Queue[Minute] = asyncio.Queue()
        self.accumulator = MinuteAccumulator(
            train.id, len(train.model.signals), closed=history.last_minute(train.id)
        )

    def put(self, minute: Minute) -> None:
        """Queue a closed minute."""
        self._queue.put_nowait(minute)

    async def catch_up(self) -> None:
        """Rebuild the rules from history, then judge what an earlier run stored but did not judge."""
        await self._in_worker(self._rebuild)
        signals = self.train.model.signals
        after = self._normalizer.judged_until
        for minute in self._history.minutes(self.train.id, after, signals=signals):
            await self._judge(minute)

    def _rebuild(self) -> None:
        signals = self.train.model.signals
        minutes = self._history.minutes(
            self.train.id,
            self._normalizer.memory_from,
            self._normalizer.judged_until,
            signals=signals,
        )
        self._normalizer.rebuild(minutes)

    async def run(self) -> NoReturn:
        """Store and judge minutes until cancelled."""
        while True:
            await self.finish(await self._queue.get())

    async def finish(self, minute: Minute) -> None:
        """Store one minute, then judge it."""
        await self._history.append_minute(minute)
        await self._judge(minute)

    async def drain(self) -> None:
        """Store and judge what is left when stopping: the queue, and the open minute."""
        while not self._queue.empty():
            await self.finish(self._queue.get_nowait())
        last = self.accumulator.flush()
        if last is not None:
            await self.finish(last)

    async def _judge(self, minute: Minute) -> None:
        before = self._normalizer.state
        outcome = await self._in_worker(lambda: self._normalizer.take(minute))
        if outcome.changed and STOPPED in (before, outcome.state):
            kind = "plant_stopped" if outcome.state == STOPPED else "plant_started"
            self._history.add_fact(float(minute.time), kind, self.train.id, outcome.state)
        if self._told is not None:
            self._told(self.train, outcome)

    async def _in_worker(self, work: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._worker, work)


def check_secrets(plant: Plant) -> None:
    """Raise when a contact cannot be reached as written, before anything starts."""
    problems = check_contacts(plant)
    if problems:
        raise ContactsUnusable("\n".join(f"{plant.path.name}: {text}" for text in problems))


async def serve(
    plant: Plant,
    stop: asyncio.Event,
    *,
    told: Told | None = None,
    page: bool = True,
    ready: Callable[[str], None] | None = None,
) -> None:
    """Run the whole service until `stop` is set; what breaks comes out as an ExceptionGroup.

    told : hears every judged minute. ready : is given the page's address once all is running.
    """
    check_secrets(plant)
    follows = any(clock == "device" for clock in plant.device_clock.values())
    clock: Clock = FollowedClock() if follows else SystemClock()
    signals = {train.id: train.model.signals for train in plant.trains}
    with contextlib.ExitStack() as stack:
        history = stack.enter_context(
            History.open(
                plant.store.folder,
                trains=signals,
                raw_hours=plant.store.raw_hours,
                minutes_years=plant.store.minutes_years,
            )
        )
        record = stack.enter_context(Record.open(plant.store.folder))
        # Last in, first out: a judgement under way ends before its record is closed.
        worker = stack.enter_context(ThreadPoolExecutor(1, thread_name_prefix="judge"))
        if isinstance(clock, FollowedClock):
            for train in plant.trains:
                latest = history.latest(train.id)
                if latest is not None:
                    clock.resume(latest.time, latest.wall)
        notices = Notices(record, plant)
        judges = {
            train.id: Judge(train, history, Normalizer(train, record, notices), worker, told)
            for train in plant.trains
        }
        for judge in judges.values():
            await judge.catch_up()
        drivers = {device.id: connect(device) for device in plant.devices.values()}
        assembler = FrameAssembler(
            plant.trains,
            plant.devices,
            plant.device_clock,
            note=history.add_fact,
            observe=clock.observe if isinstance(clock, FollowedClock) else None,
            closed={t: m for t in signals if (m := history.last_minute(t)) is not None},
        )

        async def deliver(
            device: str, result: Sequence[Reading] | LinkDown, at: float, now: datetime
        ) -> None:
            for frame in assembler.deliver(device, result, at, now):
                await history.append(frame)
                judge = judges[frame.train]
                minute = judge.accumulator.add(frame)
                if minute is not None:
                    judge.put(minute)

        steps = None if follows else StepWatch()
        parts = [Part("history", history.run)]
        parts += [Part(f"judge {train}", judge.run) for train, judge in judges.items()]
        parts += [
            Part(
                f"poll {device.id}",
                lambda device=device: poll_device(  # type: ignore[misc]
                    device,
                    [p.point for p in plant.points(device.id)],
                    drivers[device.id],
                    deliver,
                    clock,
                    history.add_fact,
                    steps=steps,
                ),
            )
            for device in plant.devices.values()
            if plant.points(device.id)
        ]
        if plant.contacts:
            parts.append(Part("delivery", Delivery(record, plant, clock).run))
        if plant.forward is not None:
            forwarder = Forwarder(record, history, plant, clock, note=history.add_fact)
            parts.append(Part("forward", forwarder.run))
        address = ""
        if page:
            # A connection of its own: what people enter never waits for a judgement under way.
            pages = stack.enter_context(Record.open(plant.store.folder))
            server = PageServer(
                create_app(plant, pages, history, clock=clock), plant.page.host, plant.page.port
            )
            stack.callback(server.close)
            parts.append(Part("page", server.run_part))
            address = server.address
        if ready is not None:
            ready(address)
        try:
            await supervise(parts, stop)
        finally:
            await _close(drivers)
        for judge in judges.values():
            await judge.drain()
        history.close(stopped_at=clock.now().timestamp())


async def _close(drivers: dict[str, Driver]) -> None:
    for driver in drivers.values():
        await driver.close()


def lines_of(outcome: Outcome) -> tuple[JournalLine, ...]:
    """The journal lines of an outcome that a person is told: raised, updated, cleared."""
    return tuple(line for line in outcome.lines if line.event in ("raised", "updated", "cleared"))
