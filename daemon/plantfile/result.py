"""What a plant file says, checked and converted: read-only, used by everybody."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from daemon.plantfile.problems import without_secrets
from daemon.plantfile.units import Unit
from drivers.protocol import Device, Point
from rules import cleaningplan
from rules.train import Limits, Stage, Train, Water
from rules.workparts import Vessel

DeviceClock = Literal["gateway", "device"]


@dataclass(frozen=True, slots=True)
class Site:
    """The plant as a whole. `timezone` is a name of the tz database, for working hours and pages.

    drinking_water : whether people drink the permeate; None when the file does not say.
    """

    name: str
    timezone: str = "UTC"
    drinking_water: bool | None = None


@dataclass(frozen=True, slots=True)
class PointConfig:
    """One instrument signal, bound to a role.

    tag : unique in the plant, ``A/1/feed_pressure``. signal : the same inside the train.
    stage, vessel : numbers from 1, or None for a signal of the whole train (stage).
    device : id of the device it is read from. point : what the driver is asked for.
    unit : the name of the unit the reading comes in.
    si_range : what the transmitter can give, in the SI unit of the role, or None when unknown.
    column : header of this signal in a historian export; None when the file does not name one.
    """

    tag: str
    signal: str
    role: str
    stage: int | None
    vessel: int | None
    device: str
    point: Point
    unit: str
    si_range: tuple[float, float] | None
    column: str | None
    conversion: Unit = field(repr=False)

    def to_si(self, value: float) -> float:
        """A reading in the SI unit of the role. NaN for NaN, and for a status that is neither 0 nor 1."""
        return self.conversion.to_si(value)


@dataclass(frozen=True, slots=True)
class BaselineConfig:
    """Where the reference level comes from. [hours; s since 1970-01-01 UTC]"""

    kind: Literal["first_steady", "window", "design"] = "first_steady"
    hours: float = 48.0
    start: float | None = None
    end: float | None = None


@dataclass(frozen=True, slots=True)
class Design:
    """What the train was designed for. recovery is a fraction."""

    permeate_flow_m3h: float | None = None
    recovery: float | None = None


@dataclass(frozen=True, slots=True)
class ElementTest:
    """The element's data sheet: nominal flow and rejection, and the conditions they were measured at."""

    nominal_flow_m3d: float
    rejection: float
    pressure_bar: float
    temperature_c: float
    concentration_mg_l: float
    recovery: float


@dataclass(frozen=True, slots=True)
class Prices:
    """What the plant pays, in its own currency; None when not said."""

    energy_per_kwh: float | None = None
    water_per_m3: float | None = None
    cleaning: float | None = None
    element: float | None = None
    currency: str = ""


@dataclass(frozen=True, slots=True)
class Isolation:
    """One point that isolates a train for work. stage : None when it belongs to the whole train."""

    tag: str
    line: str
    state: Literal["closed", "open", "off"]
    stage: int | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Cleaning:
    """Cleaning in place: limits of the membrane, and the station; None when not said.

    pipes : inside diameter [mm] and length [m] of each. strength_percent : of each chemical as
    supplied; those in `assumed` were not given in the file.
    """

    limits: cleaningplan.Limits
    pressure_max_bar: float
    flow_per_vessel_m3h: float | None
    tank_m3: float | None
    heel_m3: float | None
    pump_m3h: float | None
    heater_kw: float | None
    pipes: tuple[tuple[float, float], ...] | None
    strength_percent: Mapping[str, float]
    assumed: frozenset[str]


@dataclass(frozen=True, slots=True)
class TrainConfig:
    """One train: geometry, points, limits, and the same as the rules see it (`model`).

    vessels : one for each stage; empty stands for stages whose vessels nobody described.
    """

    id: str
    name: str
    stages: tuple[Stage, ...]
    points: tuple[PointConfig, ...]
    limits: Limits
    baseline: BaselineConfig
    design: Design
    element_test: ElementTest | None
    prices: Prices
    model: Train
    vessels: tuple[Vessel, ...] = ()
    isolation: tuple[Isolation, ...] = ()
    cleaning: Cleaning | None = None

    def vessel(self, stage: int) -> Vessel:
        """The pressure vessels of a stage, numbered from 1; nothing but customs when not described."""
        return self.vessels[stage - 1] if self.vessels else Vessel()

    def devices(self) -> tuple[str, ...]:
        """Ids of the devices that this train is read from, in the order of its points."""
        return tuple(dict.fromkeys(point.device for point in self.points))


@dataclass(frozen=True, slots=True)
class Contact:
    """Somebody to tell. `urls` hold passwords: they are never printed.

    classes : which classes of notice are sent.
    hours, days : working time in the site's time zone, days from Monday = 0; it binds advisories only,
        alarms always go out. A night shift ends before it begins; equal ends are the whole day.
    """

    name: str
    urls: tuple[str, ...] = field(repr=False)
    classes: tuple[Literal["advisory", "alarm"], ...] = ("advisory", "alarm")
    hours: tuple[str, str] = ("07:00", "17:00")
    days: tuple[int, ...] = (0, 1, 2, 3, 4)

    def __repr__(self) -> str:
        return (
            f"Contact(name={self.name!r}, urls=***, classes={self.classes!r}, "
            f"hours={self.hours!r}, days={self.days!r})"
        )


@dataclass(frozen=True, slots=True)
class Store:
    """Where history and record are kept, and for how long."""

    folder: Path
    raw_hours: float = 72.0
    minutes_years: float = 5.0


@dataclass(frozen=True, slots=True)
class Page:
    """Where the web page is served. Port 0 takes any free one.

    address : where people reach it, without a slash at its end; empty when the file does not say.
    """

    host: str = "127.0.0.1"
    port: int = 8350
    address: str = ""


@dataclass(frozen=True, slots=True)
class Forward:
    """An InfluxDB v2 compatible target. `token` is a secret: it is never printed."""

    url: str
    org: str
    bucket: str
    token: str = field(default="", repr=False)

    def __repr__(self) -> str:
        url = without_secrets(self.url)
        return f"Forward(url={url!r}, org={self.org!r}, bucket={self.bucket!r}, token=***)"


@dataclass(frozen=True, slots=True)
class Plant:
    """The whole plant file.

    warnings : one line each: what works, but not as well as it could, and why.
    """

    path: Path
    site: Site
    devices: Mapping[str, Device]
    device_clock: Mapping[str, DeviceClock]
    trains: tuple[TrainConfig, ...]
    contacts: tuple[Contact, ...]
    store: Store
    page: Page
    forward: Forward | None
    water: Water
    warnings: tuple[str, ...] = ()

    def train(self, train_id: str) -> TrainConfig:
        """The train with this id; KeyError when there is none."""
        for train in self.trains:
            if train.id == train_id:
                return train
        raise KeyError(train_id)

    def points(self, device_id: str) -> tuple[PointConfig, ...]:
        """Every point that is read from this device, over all trains."""
        return tuple(p for train in self.trains for p in train.points if p.device == device_id)
