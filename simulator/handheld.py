"""The handheld meter: sample valves and the probe tube, read blind as a person reads them.

Errors: NoReading, with what cannot be sampled and what would do.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from simulator.noise import gauss, key
from simulator.operation import Mode
from simulator.plant import Plant
from simulator.sampling import ADAPTER_MM, tube, vessel_salt_mg_l
from simulator.truth import iso
from simulator.water import NACL, transmitter_conductivity_us_cm

COMPENSATIONS = {"linear": 2.0, "none": 0.0}
"""What a meter can be set to, and its slope. [%/K]"""

# A usual pocket meter: 1 % of cell constant, 0.2 K, 0.5 % from one reading to the next. Common
# practice, no source; the constant parts are drawn once for each meter and never told.
CELL_PART = 0.01
ZERO_US_CM = 0.2
NOISE_PART = 0.005
SENSOR_K = 0.2
SENSOR_NOISE_K = 0.05
MOST_READINGS = 2000


class NoReading(ValueError):
    """There is nothing to read there, or not now; the text says why and what would do."""


@dataclass(frozen=True)
class Meter:
    """One handheld conductivity meter with errors of its own.

    number : which of the meters of the site. compensation : a key of `COMPENSATIONS`.
    """

    number: int = 1
    compensation: str = "linear"

    def __post_init__(self) -> None:
        if self.compensation not in COMPENSATIONS:
            raise NoReading(
                f"compensation {self.compensation!r}; use one of {', '.join(COMPENSATIONS)}"
            )
        if self.number < 1:
            raise NoReading(f"meter {self.number}; meters are numbered from 1")

    def shows(
        self, seed: int, salt_mg_l: float, temperature_c: float, *where: object
    ) -> tuple[float, float]:
        """Conductivity and temperature on its display for some water. [uS/cm], [degC]

        seed : of the plant. where : what makes this reading another than the next one.
        """
        own = gauss(key(seed, "meter", self.number), np.arange(3)).tolist()
        drawn = gauss(key(seed, "meter", self.number, *where), np.arange(2)).tolist()
        warmth = temperature_c + SENSOR_K * own[2] + SENSOR_NOISE_K * drawn[1]
        actual = float(NACL.conductivity_us_cm(np.asarray(salt_mg_l), np.asarray(temperature_c)))
        part = 1.0 + CELL_PART * own[0] + NOISE_PART * drawn[0]
        slope = COMPENSATIONS[self.compensation] / 100.0
        shown = (actual * part + ZERO_US_CM * own[1]) / (1.0 + slope * (warmth - 25.0))
        return _displayed(max(shown, 0.0)), round(warmth, 1)


def _displayed(us_cm: float) -> float:
    """To the last digit of the display: 0.1 below 200, 1 below 2000, then 10 uS/cm."""
    if us_cm < 200.0:
        return round(us_cm, 1)
    return float(round(us_cm)) if us_cm < 2000.0 else float(round(us_cm, -1))


@dataclass(frozen=True)
class MeterReading:
    """What a person writes down, and, when asked for, what an ideal meter would have shown.

    depth_mm : distance of the probe tip from the permeate port; None at the sample valve.
    """

    time: str
    vessel: str
    depth_mm: float | None
    conductivity_us_cm: float
    temperature_c: float
    compensation: str
    truth_us_cm: float


def vessel_number(text: str, plant: Plant) -> tuple[int, int]:
    """Stage and vessel of a name such as ``1-03``."""
    found = re.fullmatch(r"(\d{1,2})-(\d{1,3})", text)
    if found is None:
        raise NoReading(f"vessel {text!r}; write stage and number, as 1-03")
    stage, vessel = int(found[1]), int(found[2])
    vessels = plant.shapes[checked_stage(stage, plant) - 1].vessels
    if not 1 <= vessel <= vessels:
        raise NoReading(
            f"vessel {text}: stage {stage} has vessels {stage}-01 to {stage}-{vessels:02d}"
        )
    return stage, vessel


def checked_stage(stage: int, plant: Plant) -> int:
    """The stage, when the train has it."""
    if not 1 <= stage <= len(plant.shapes):
        raise NoReading(f"stage {stage}; the train has stages 1 to {len(plant.shapes)}")
    return stage


def _running(plant: Plant, at_s: float) -> None:
    mode, _ = plant.mode(np.array([at_s]))
    if mode[0] != Mode.RUNNING:
        raise NoReading(
            f"the train is {Mode(int(mode[0])).name.lower()} at {iso(at_s)}; "
            "permeate can be sampled only while it runs: let time go on"
        )


def survey(
    plant: Plant, stage: int, at_s: float, meter: Meter, attempt: int = 1
) -> list[MeterReading]:
    """The sample valve of every vessel of a stage. attempt : another number is another round of readings."""
    checked_stage(stage, plant)
    _running(plant, at_s)
    salts, warmth = vessel_salt_mg_l(plant, stage, at_s)
    return [
        _reading(plant, f"{stage}-{number:02d}", None, salt, warmth, at_s, meter, attempt)
        for number, salt in enumerate(salts.tolist(), 1)
    ]


def valve(plant: Plant, name: str, at_s: float, meter: Meter, attempt: int = 1) -> MeterReading:
    """The sample valve of one vessel, named as ``1-03``."""
    stage, vessel = vessel_number(name, plant)
    return survey(plant, stage, at_s, meter, attempt)[vessel - 1]


def probe(
    plant: Plant, name: str, depths_mm: Sequence[float], at_s: float, meter: Meter, attempt: int = 1
) -> list[MeterReading]:
    """The water in the permeate tube of a vessel at distances from its permeate port."""
    stage, vessel = vessel_number(name, plant)
    if len(depths_mm) > MOST_READINGS:
        raise NoReading(f"{len(depths_mm)} depths at once; at most {MOST_READINGS}")
    _running(plant, at_s)
    found, warmth = tube(plant, stage, vessel, at_s)
    readings = []
    for depth in depths_mm:
        try:
            salt = found.salt_mg_l(depth)
        except ValueError as exc:
            raise NoReading(f"vessel {stage}-{vessel:02d}: {exc}") from exc
        readings.append(
            _reading(plant, f"{stage}-{vessel:02d}", depth, salt, warmth, at_s, meter, attempt)
        )
    return readings


def depths_every(plant: Plant, name: str, every_mm: float) -> list[float]:
    """Depths from the blocked end to the permeate port, as a probe is pulled out."""
    if not every_mm >= 1.0:
        raise NoReading(f"every {every_mm:g} mm; give 1 or more")
    stage, _ = vessel_number(name, plant)
    shape = plant.shapes[stage - 1]
    count = int((ADAPTER_MM + shape.elements * shape.length_m * 1000.0) // every_mm)
    return [number * every_mm for number in range(count, -1, -1)]


def taken(
    plant: Plant,
    at_s: float,
    meter: Meter,
    *,
    vessel: str | None = None,
    depths_mm: Sequence[float] = (),
    every_mm: float | None = None,
    stage: int | None = None,
    attempt: int = 1,
) -> list[MeterReading]:
    """Whatever was asked for: a survey of a stage, one valve, or depths of one vessel's tube."""
    if (vessel is None) == (stage is None):
        raise NoReading("name a vessel, as 1-03, or a stage to survey: one of the two")
    depths = list(depths_mm)
    if stage is not None:
        if depths or every_mm is not None:
            raise NoReading("a depth belongs to one vessel; name the vessel in place of the stage")
        return survey(plant, stage, at_s, meter, attempt)
    assert vessel is not None
    if every_mm is not None:
        depths += depths_every(plant, vessel, every_mm)
    if not depths:
        return [valve(plant, vessel, at_s, meter, attempt)]
    return probe(plant, vessel, depths, at_s, meter, attempt)


def _reading(
    plant: Plant,
    vessel: str,
    depth_mm: float | None,
    salt_mg_l: float,
    temperature_c: float,
    at_s: float,
    meter: Meter,
    attempt: int,
) -> MeterReading:
    place = (plant.id, vessel, depth_mm, round(at_s), attempt)
    shown, warmth = meter.shows(plant.seed, salt_mg_l, temperature_c, *place)
    salt, temperature = np.asarray(salt_mg_l), np.asarray(temperature_c)
    slope = COMPENSATIONS[meter.compensation]
    truth = float(transmitter_conductivity_us_cm(salt, temperature, slope))
    return MeterReading(
        iso(round(at_s)), vessel, depth_mm, shown, warmth, meter.compensation, round(truth, 3)
    )


def table(readings: Iterable[MeterReading], *, truth: bool) -> list[dict[str, object]]:
    """Readings as rows; what is true only when it is asked for."""
    rows: list[dict[str, object]] = []
    for reading in readings:
        row: dict[str, object] = {"time": reading.time, "vessel": reading.vessel}
        if reading.depth_mm is not None:
            row["depth_mm"] = reading.depth_mm
        row["conductivity_us_cm"] = reading.conductivity_us_cm
        row["temperature_c"] = reading.temperature_c
        row["compensation"] = reading.compensation
        if truth:
            row["truth_us_cm"] = reading.truth_us_cm
        rows.append(row)
    return rows
