"""An invented month of a two-train plant in a real record, for the tests of the page.

Everything here is made up: train A scales in stage 2 until its normalized permeate flow has fallen
by 9 %, train B stays as it was.
"""

import asyncio
from collections.abc import Callable, Coroutine, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from math import expm1, log1p
from pathlib import Path

import numpy as np

from daemon.frames import Frame
from daemon.history import History
from daemon.minutes import Minute
from daemon.notices import Notices
from daemon.plantfile import Plant, load
from daemon.record import Record
from daemon.rows import Progress
from drivers.protocol import Quality
from rules.baseline import Baseline
from rules.dependence import Learned
from rules.digest import Digest
from rules.findings import CauseProbability, Finding, Forecast, Presence

LEARNED = (
    Learned("1", "permeate_flow", "temperature", 0.0348, 0.0003, 0.0322, (2855.0, 22.0)),
    Learned("1", "permeate_flow", "flux", -0.015, 0.005, 0.0),
    Learned("2", "pressure_drop", "reynolds", 1.66, 0.012, 1.6),
)
NOW = datetime(2026, 3, 31, 9, 4, 5, tzinfo=UTC).timestamp()  # 11:04:05 CEST in Madrid
DAY = 86400.0
QUARTER = 900.0
DAYS = 33
ONSET_DAYS = 13.0  # before now
FLOW_LOSS = -0.09

TRAIN_POINTS = (
    ("feed_flow", None, "m3/h", (0, 120)),
    ("feed_temperature", None, "°C", (0, 50)),
    ("feed_conductivity", None, "µS/cm", (0, 10000)),
    ("feed_pressure", 1, "bar", (0, 25)),
    ("concentrate_pressure", 1, "bar", (0, 25)),
    ("permeate_flow", 1, "m3/h", (0, 60)),
    ("permeate_conductivity", 1, "µS/cm", (0, 500)),
    ("feed_pressure", 2, "bar", (0, 25)),
    ("concentrate_pressure", 2, "bar", (0, 25)),
    ("permeate_flow", 2, "m3/h", (0, 40)),
    ("permeate_conductivity", 2, "µS/cm", (0, 500)),
    ("running", None, None, None),
)
READINGS = {
    "feed_flow": 61.4,
    "feed_temperature": 17.3,
    "feed_conductivity": 3120.0,
    "1/feed_pressure": 11.82,
    "1/concentrate_pressure": 10.61,
    "1/permeate_flow": 31.26,
    "1/permeate_conductivity": 41.7,
    "2/feed_pressure": 10.48,
    "2/concentrate_pressure": 9.35,
    "2/permeate_flow": 12.73,
    "2/permeate_conductivity": 118.2,
    "running": 1.0,
}
LEVELS = {
    "1/permeate_flow": 0.912,
    "1/salt_passage": -2.31,
    "1/pressure_drop": -5.02,
    "2/permeate_flow": 0.874,
    "2/salt_passage": -2.25,
    "2/pressure_drop": -4.87,
    "balance/water": 0.004,
}


def plant_text(trains: Sequence[str] = ("A", "B")) -> str:
    """A plant file with two devices: stage 1 on Modbus, stage 2 on OPC UA."""
    lines = [
        '[site]\nname = "Example north wells"\ntimezone = "Europe/Madrid"\n',
        '[[contact]]\nname = "Duty technician"\nurls = ["json://127.0.0.1:9/"]\n',
        '[[device]]\nid = "plc1"\nprotocol = "modbus-tcp"\nhost = "127.0.0.1"\nport = 5020\n',
        '[[device]]\nid = "ua1"\nprotocol = "opcua"\nurl = "opc.tcp://127.0.0.1:4840"\n',
    ]
    for number, train in enumerate(trains):
        lines.append(f'[[train]]\nid = "{train}"\n')
        for vessels in (8, 4):
            lines.append(
                f"[[train.stage]]\nvessels = {vessels}\nelements_per_vessel = 6\n"
                "element_area_m2 = 37.2\n"
            )
        for i, (role, stage, unit, span) in enumerate(TRAIN_POINTS):
            point = [f'[[train.point]]\nrole = "{role}"']
            if stage is not None:
                point.append(f"stage = {stage}")
            if stage == 2:
                point.append(f'device = "ua1"\nnode = "ns=2;s={train}.{role}.{stage}"')
            elif unit is None:
                point.append(f'device = "plc1"\nregister = {200 + number}\ntable = "coil"')
            else:
                register = 100 * number + 2 * i
                point.append(f'device = "plc1"\nregister = {register}\ntype = "float32"')
            if unit is not None:
                point.append(f'unit = "{unit}"\nrange = [{span[0]}, {span[1]}]')
            lines.append("\n".join(point) + "\n")
    return "\n".join(lines)


def load_plant(folder: Path, trains: Sequence[str] = ("A", "B")) -> Plant:
    """The plant of `plant_text`, read by the real loader."""
    path = folder / "plant.toml"
    path.write_text(plant_text(trains), encoding="utf-8")
    return load(path)


def deviation(name: str, before_s: float) -> float:
    """True ln(actual/baseline) of train A's observable, `before_s` seconds before now."""
    grown = max(0.0, 1.0 - before_s / (ONSET_DAYS * DAY)) ** 1.6
    size = {
        "2/permeate_flow": log1p(FLOW_LOSS),
        "2/salt_passage": log1p(0.052),
        "2/pressure_drop": log1p(0.04),
    }
    return size.get(name, 0.0) * grown


def starts(now: float = NOW, days: float = DAYS) -> np.ndarray:
    """Starts of the digests; the train stood still for 14 hours some days ago."""
    last = np.floor(now / QUARTER) * QUARTER - QUARTER
    found = np.arange(last - days * DAY, last + 1, QUARTER)
    stood = (now - found > 19.5 * DAY) & (now - found < 19.5 * DAY + 14 * 3600)
    return found[~stood]


def digests(
    *, faulty: bool, now: float = NOW, days: float = DAYS, seed: int = 5
) -> Iterator[Digest]:
    """Digests of a train with noise of the usual size."""
    random = np.random.default_rng(seed)
    noise = {"permeate_flow": 0.005, "salt_passage": 0.009, "pressure_drop": 0.007, "water": 0.003}
    for start in starts(now, days):
        values = {
            name: level
            + (deviation(name, now - start) if faulty else 0.0)
            + float(random.normal(0.0, noise[name.partition("/")[2]]))
            for name, level in LEVELS.items()
        }
        yield Digest(
            start=float(start),
            minutes=15,
            signals=READINGS,
            alive=dict.fromkeys(READINGS, 1.0),
            operating={
                f"{s}/{k}": 1.234567891
                for s in "12"
                for k in ("flux_lmh", "ndp_bar", "recovery", "feed_mg_l", "temperature_c")
            },
            values=values,
            scatter=dict.fromkeys(LEVELS, 0.00123456789),
            uncertainty=dict.fromkeys(LEVELS, 0.0123456789),
        )


def baseline(now: float = NOW, days: float = DAYS) -> Baseline:
    """The level of the first two days."""
    begin = float(starts(now, days)[0])
    return Baseline(
        made_at=begin + 2 * DAY,
        start=begin,
        end=begin + 2 * DAY,
        source="first_steady",
        digests=192,
        values=LEVELS,
        spread=dict.fromkeys(LEVELS, 0.006),
        signals=READINGS,
        alive=dict.fromkeys(READINGS, 1.0),
        operating={},
    )


def scaling(now: float = NOW) -> Finding:
    """What the rules would say of train A."""
    return Finding(
        matter="performance",
        presence=Presence.PRESENT,
        stage=2,
        causes=(
            CauseProbability("scaling", 0.81),
            CauseProbability("metal_oxide_fouling", 0.11),
            CauseProbability("organic_fouling", 0.05),
            CauseProbability("instrument_fault", 0.03, "A/2/permeate_flow"),
        ),
        action="clean",
        priority="medium",
        since=now - 11 * DAY,
        forecast=Forecast("permeate_flow", now + 3.2 * DAY, now + 1.9 * DAY, now + 6 * DAY),
        deviation={"2": {"permeate_flow": log1p(FLOW_LOSS), "salt_passage": log1p(0.052)}},
        evidence=(
            "Normalized permeate flow of stage 2: -9.0 % against the baseline, 14.2 times its usual"
            " spread.",
            "Normalized salt passage of stage 2: +5.2 % against the baseline, 5.1 times its usual"
            " spread.",
            "Stage 1 is where it was: flow +0.1 %, salt passage -0.2 %, pressure drop +0.3 %.",
        ),
        message="Train A stage 2: scaling likely (81 %). Flow -9.0 %, salt passage +5.2 % since"
        " 20 Mar. Flow limit about 3 Apr (2 Apr to 6 Apr). Plan an acid clean of stage 2.",
    )


def lost_link(now: float = NOW) -> Finding:
    """What the rules would say when the OPC UA server does not answer."""
    return Finding(
        matter="link:ua1",
        presence=Presence.PRESENT,
        causes=(CauseProbability("instrument_fault", 1.0),),
        action="check_instrument",
        priority="high",
        notice_class="alarm",
        since=now - 2520.0,
        message="Train B: no answer from ua1. Nothing is known of what it measures until it"
        " answers. Check its power, network and address.",
        suppressible=False,
    )


def write_train(
    record: Record, train: str, *, faulty: bool = False, now: float = NOW, days: float = DAYS
) -> None:
    """Digests, baseline and progress of one train."""
    with record.transaction():
        for digest in digests(faulty=faulty, now=now, days=days, seed=ord(train[0])):
            record.put_digest(train, digest)
        record.put_baseline(train, baseline(now, days))
        record.put_learned(train, now, LEARNED)
        record.put_progress(Progress(train, now - 60.0, now, "steady"))


def raise_notice(record: Record, plant: Plant, train: str, finding: Finding, at: float) -> str:
    """Put a finding through the real life cycle; returns the notice's id."""
    lines = Notices(record, plant).process(train, at, [finding], state="steady", progress=at - 60)
    return lines[-1].notice


def open_history(plant: Plant, folder: Path, wall: Callable[[], float]) -> History:
    """A real history; `wall` stands for the gateway's clock."""
    trains = {t.id: t.model.signals for t in plant.trains}
    return History.open(folder, trains=trains, wall=wall, started_at=NOW - DAYS * DAY)


def _await(work: Coroutine[None, None, None]) -> None:
    """Run `work` in a thread of its own: the browser's driver keeps a loop running in this one."""
    with ThreadPoolExecutor(1) as thread:
        thread.submit(asyncio.run, work).result()


def feed(
    plant: Plant,
    history: History,
    train: str,
    *,
    at: float = NOW - 2,
    down: tuple[str, ...] = (),
    readings: Mapping[str, float] = READINGS,
) -> None:
    """Store one frame; signals of devices that are down are BAD."""
    config = plant.train(train)
    device = {p.signal: p.device for p in config.points}
    signals = config.model.signals
    values = np.array([np.nan if device[s] in down else readings[s] for s in signals], dtype=float)
    quality = np.where(np.isfinite(values), Quality.GOOD, Quality.BAD).astype(np.uint8)
    reasons = {s: f"{device[s]}: no answer" for s in signals if device[s] in down}

    async def store() -> None:
        await history.append(Frame(train, at, values, quality, down, reasons))
        await history.flush()

    _await(store())


def feed_minute(plant: Plant, history: History, train: str, *, at: int) -> None:
    """Store one whole minute of good readings that starts at `at`."""
    signals = plant.train(train).model.signals
    values = np.array([READINGS[s] for s in signals])
    good = np.full(len(signals), 60, np.uint16)
    minute = Minute(train, at, values, good, np.zeros(len(signals), np.uint8), 60)
    _await(history.append_minute(minute))


def true_percent(name: str, now: float = NOW) -> float:
    """Mean true change of train A over the last day. [%]"""
    recent = [s for s in starts(now) if s > starts(now)[-1] - DAY]
    return 100.0 * float(np.mean([expm1(deviation(name, now - s)) for s in recent]))
