"""Two devices are polled for ten minutes; one is cut for four of them; what is in the history?"""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from daemon.frames import FrameAssembler
from daemon.history import History
from daemon.minutes import Minute, MinuteAccumulator
from daemon.poll import PollCounts, poll_device
from daemon.supervise import Part, supervise
from drivers.protocol import Device, LinkDown, ModbusAddress, Point, Quality, Reading
from rules.train import Instrument, Stage, Train
from tests.fake_clock import SharedClock

SIGNALS = ("feed_flow", "1/feed_pressure")
START = 1_772_323_200.0  # 2026-03-01 00:00 UTC, the start of a minute
MODEL = Train("A", (Stage(8, 6, 37.2),), tuple(Instrument(s, 0.1) for s in SIGNALS))


@dataclass(frozen=True)
class PointStandIn:
    """A point in SI units."""

    signal: str
    device: str
    role: str
    unit: str = ""
    si_range: tuple[float, float] | None = None

    @property
    def tag(self) -> str:
        return f"A/{self.signal}"

    def to_si(self, value: float) -> float:
        return value


@dataclass(frozen=True)
class TrainStandIn:
    """A train of one stage with two instruments."""

    id: str = "A"
    points: tuple[PointStandIn, ...] = (
        PointStandIn("feed_flow", "plc1", "feed_flow"),
        PointStandIn("1/feed_pressure", "plc2", "feed_pressure"),
    )
    model: Train = MODEL


class PlantDriver:
    """Reads the minute number of the plant's clock; takes a while; may be cut."""

    def __init__(self, device: str, clock: SharedClock, takes_s: float, own_time: bool) -> None:
        self.device = device
        self.clock = clock
        self.takes_s = takes_s
        self.own_time = own_time
        self.cut = (0.0, 0.0)

    async def read(self, points: Sequence[Point]) -> list[Reading]:
        now = self.clock.now()
        await self.clock.sleep(self.takes_s)
        if self.cut[0] <= now.timestamp() < self.cut[1]:
            raise LinkDown(f"{self.device}: no answer")
        value = (now.timestamp() - START) // 60
        stamp = now if self.own_time else None
        return [Reading(point.tag, value, Quality.GOOD, stamp) for point in points]

    async def close(self) -> None:
        """Nothing to close."""


@pytest.mark.asyncio
@pytest.mark.parametrize("own_time", [False, True], ids=["gateway", "device"])
async def test_minutes_of_a_plant_with_a_link_cut(tmp_path: Path, own_time: bool) -> None:
    """Minutes are whole, the cut is a gap with a loss and a return, and nothing is carried over."""
    clock = SharedClock(START - 0.5)
    devices = {d: Device(d, "modbus-tcp", interval_s=2.0) for d in ("plc1", "plc2")}
    drivers = {
        "plc1": PlantDriver("plc1", clock, 0.02, own_time),
        "plc2": PlantDriver("plc2", clock, 0.3, own_time),
    }
    drivers["plc2"].cut = (START + 180.0, START + 420.0)
    train = TrainStandIn()
    counts = {device: PollCounts() for device in devices}
    minutes: list[Minute] = []
    with History.open(tmp_path, trains={"A": SIGNALS}, started_at=START) as history:
        assembler = FrameAssembler(
            [train],
            devices,
            dict.fromkeys(devices, "device" if own_time else "gateway"),
            note=history.add_fact,
        )
        accumulator = MinuteAccumulator("A", 2)

        async def deliver(
            device: str, result: Sequence[Reading] | LinkDown, at: float, now: datetime
        ) -> None:
            for frame in assembler.deliver(device, result, at, now):
                await history.append(frame)
                minute = accumulator.add(frame)
                if minute is not None:
                    minutes.append(minute)

        def polling(device: str) -> Part:
            points = [Point(p.tag, ModbusAddress(0)) for p in train.points if p.device == device]
            return Part(
                f"poll {device}",
                lambda: poll_device(
                    devices[device],
                    points,
                    drivers[device],
                    deliver,
                    clock,
                    history.add_fact,
                    counts=counts[device],
                ),
            )

        stop = asyncio.Event()
        parts = [polling(device) for device in devices]
        running = asyncio.create_task(supervise(parts, stop))
        await clock.run_until(603.0)
        stop.set()
        await running
        for minute in minutes:
            await history.append_minute(minute)
        stored = list(history.minutes("A", signals=SIGNALS))
        facts = history.facts(kinds=["link_lost", "link_back", "frames_dropped", "clock_stepped"])
    assert stored == minutes
    assert [m.time for m in stored] == [int(START) + 60 * i for i in range(10)]
    # 30 polls of two seconds in each minute, each with both devices.
    assert [m.frames for m in stored] == [30] * 10
    values = np.array([m.values for m in stored])
    np.testing.assert_array_equal(values[:, 0], np.arange(10.0))
    np.testing.assert_array_equal(values[:, 1], [0, 1, 2, np.nan, np.nan, np.nan, np.nan, 7, 8, 9])
    assert [m.down for m in stored] == [()] * 3 + [("plc2",)] * 4 + [()] * 3
    assert [fact.kind for fact in facts] == ["link_lost", "link_back"]
    assert [fact.subject for fact in facts] == ["plc2", "plc2"]
    assert facts[1].detail == "after 240 s"
    assert datetime.fromtimestamp(facts[0].t, UTC).minute == 3
    assert counts["plc1"].skipped == counts["plc2"].skipped == 0
    assert assembler.counts("A").incomplete == 0
