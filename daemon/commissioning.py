"""Commissioning: every point read once, judged, and the train as a whole looked at for sense."""

import asyncio
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from daemon.closure import Closure, closure
from daemon.frames import judge
from daemon.plantfile import Plant, PointConfig, TrainConfig
from drivers.connect import connect
from drivers.protocol import BadSource, LinkDown, Point, Quality, Reading
from rules import sections
from rules.network import network
from rules.train import STATUS_ROLES, is_interstage

Verdict = Literal["ok", "look", "bad"]

USUAL = {
    "feed_flow": (0.1, 5000.0),
    "permeate_flow": (0.05, 5000.0),
    "concentrate_flow": (0.05, 5000.0),
    "feed_pressure": (0.5, 100.0),
    "concentrate_pressure": (0.3, 100.0),
    "permeate_pressure": (-0.5, 10.0),
    "feed_temperature": (0.5, 45.0),
    "feed_conductivity": (20.0, 90_000.0),
    "permeate_conductivity": (0.5, 5000.0),
    "concentrate_conductivity": (50.0, 150_000.0),
    "feed_ph": (2.0, 12.0),
    "feed_orp": (-600.0, 1000.0),
    "feed_turbidity": (0.0, 50.0),
}
"""Values a running train usually gives, in SI units. Common practice, no source."""

BALANCE_LIMIT = 0.05
"""A balance that is open by more than this is worth a look. Common practice, no source. [-]"""


@dataclass(frozen=True, slots=True)
class PointCheck:
    """One point, read once. value is in the point's unit, si_value in the unit of its role."""

    point: PointConfig
    value: float | None
    si_value: float | None
    verdict: Verdict
    reason: str


@dataclass(frozen=True, slots=True)
class TrainCheck:
    """One train: its points, what can be normalized, and what looks odd as a whole.

    running : by the status bit, or None when there is none, or none that can be read.
    balances : what comes out over what goes in, by name, less 1; NaN when it cannot be said. [-]
    closure : whether the meters agree within their accuracy, and which does not; None when it stands
        still, or when no balance can be tested.
    dead : devices that did not answer, with the reason; every point of them is bad.
    """

    train: TrainConfig
    running: bool | None
    points: tuple[PointCheck, ...]
    sections: tuple[str, ...]
    remarks: tuple[str, ...]
    balances: Mapping[str, float]
    closure: Closure | None
    dead: Mapping[str, str]

    @property
    def sound(self) -> bool:
        """Whether nothing needs a look."""
        return all(p.verdict == "ok" for p in self.points) and not self.remarks


async def check(plant: Plant) -> list[TrainCheck]:
    """Read every point of the plant once, all devices at the same time, and judge them."""
    names = [device for device in plant.devices if plant.points(device)]
    results = await asyncio.gather(*(_read(plant, device) for device in names))
    readings = {r.tag: r for result, _ in results for r in result}
    dead = {device: why for device, (_, why) in zip(names, results, strict=True) if why}
    return [_judge_train(train, readings, dead) for train in plant.trains]


async def _read(plant: Plant, device_id: str) -> tuple[Sequence[Reading], str]:
    """All points of one device, and "" or why it as a whole gives nothing; all are BAD then."""
    points = [p.point for p in plant.points(device_id)]
    try:
        driver = connect(plant.devices[device_id])
    except BadSource as error:
        return _nothing(points, str(error))
    try:
        return await driver.read(points), ""
    except LinkDown as error:
        return _nothing(points, str(error))
    finally:
        await driver.close()


def _nothing(points: Sequence[Point], why: str) -> tuple[Sequence[Reading], str]:
    why = why or "no answer"
    return [Reading(p.tag, None, Quality.BAD, reason=why) for p in points], why


def _judge_train(
    train: TrainConfig, readings: Mapping[str, Reading], dead: Mapping[str, str]
) -> TrainCheck:
    values = np.full(len(train.model.signals), np.nan)
    judged: list[tuple[PointConfig, Reading, float, Quality, str]] = []
    for point in train.points:
        reading = readings[point.tag]
        value, quality, reason = judge(point, reading, -math.inf)
        judged.append((point, reading, value, quality, reason))
        if quality == Quality.GOOD:
            values[train.model.signals.index(point.signal)] = value
    running = _running(train, values)
    points = tuple(_judge_point(*row, running=running is not False) for row in judged)
    plan = sections.plan(train.model)
    normalized = tuple(
        f"{'train' if s.name == 'train' else 'stage ' + s.name}: "
        + ", ".join(q.replace("_", " ") for q in s.quantities)
        for s in plan.sections
    )
    observed = dict(zip(plan.observables, plan.observe(values), strict=True))
    balances = {
        name: math.expm1(observed[f"balance/{name}"])
        for name in plan.balances
        if not is_interstage(name)
    }
    its = {device: dead[device] for device in train.devices() if device in dead}
    remarks: tuple[str, ...] = ()
    closed = None
    if running is False:
        balances = {}
    else:
        closed = closure(network(train.model), values)
        remarks = (
            *_remarks(train, values, balances),
            *((" ".join(closed.sentences),) if closed and closed.detected else ()),
            *(() if its else _gaps(plan, observed)),
        )
    return TrainCheck(train, running, points, normalized, remarks, balances, closed, its)


def _running(train: TrainConfig, values: NDArray[np.float64]) -> bool | None:
    if "running" not in train.model.signals:
        return None
    value = values[train.model.signals.index("running")]
    return bool(value >= 0.5) if math.isfinite(value) else None


def _judge_point(
    point: PointConfig,
    reading: Reading,
    si_value: float,
    quality: Quality,
    reason: str,
    *,
    running: bool,
) -> PointCheck:
    if quality != Quality.GOOD:
        verdict: Verdict = "bad" if quality == Quality.BAD else "look"
        known = (
            reading.value if reading.value is not None and math.isfinite(reading.value) else None
        )
        return PointCheck(point, known, None, verdict, reason)
    usual = USUAL.get(point.role)
    if (
        running
        and point.role not in STATUS_ROLES
        and usual
        and not usual[0] <= si_value <= usual[1]
    ):
        why = (
            f"unusual for a running train: {usual[0]:g} to {usual[1]:g} would be usual; "
            "check unit, scale, byte order and address"
        )
        return PointCheck(point, reading.value, si_value, "look", why)
    return PointCheck(point, reading.value, si_value, "ok", "")


def percent(part: float) -> str:
    """A balance in words: ``+0.1 %``, ``0.0 %``; far out, its size says nothing."""
    if part > 1.0:
        return "more than 100 %"
    text = f"{100 * part:+.1f}"
    return "0.0 %" if text in ("+0.0", "-0.0") else f"{text} %"


def _remarks(
    train: TrainConfig, values: NDArray[np.float64], balances: Mapping[str, float]
) -> list[str]:
    """What does not fit together although each value may be possible."""
    found = []
    got = dict(zip(train.model.signals, values, strict=True))
    for number in range(1, len(train.stages) + 1):
        feed, out = got.get(f"{number}/feed_pressure"), got.get(f"{number}/concentrate_pressure")
        if feed is not None and out is not None and feed < out:
            found.append(
                f"stage {number}: concentrate pressure {out:.2f} bar is above feed pressure {feed:.2f} bar; "
                "are the two swapped, or is a unit wrong?"
            )
    flow = {role: got.get(role) for role in ("feed_flow", "permeate_flow", "concentrate_flow")}
    feed_flow, permeate = flow["feed_flow"], flow["permeate_flow"]
    if feed_flow is not None and permeate is not None and permeate >= feed_flow > 0.0:
        found.append(
            f"permeate flow {permeate:.1f} m3/h is not below feed flow {feed_flow:.1f} m3/h; "
            "check units and addresses"
        )
    salt, fresh = got.get("feed_conductivity"), got.get("permeate_conductivity")
    if salt is not None and fresh is not None and fresh >= salt:
        found.append(
            f"permeate conductivity {fresh:.0f} µS/cm is not below the feed's {salt:.0f} µS/cm; "
            "check units (µS/cm or mS/cm) and addresses"
        )
    for name, part in balances.items():
        if math.isfinite(part) and abs(math.log1p(part)) > BALANCE_LIMIT:
            found.append(
                f"the {name.replace('_', ' ')} balance is open by {percent(part)}; "
                "check the flow and conductivity meters"
            )
    return found


def _gaps(plan: sections.Plan, observed: Mapping[str, float]) -> list[str]:
    """What the values that were read do not give, although all devices answered."""
    found = []
    for section in plan.sections:
        for quantity in section.quantities:
            if not math.isfinite(observed[f"{section.name}/{quantity}"]):
                place = "the train" if section.name == "train" else f"stage {section.name}"
                found.append(
                    f"{place}: {quantity.replace('_', ' ')} cannot be computed from these values"
                )
    return found
