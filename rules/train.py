"""What the rules know of a train: its geometry, its instruments, its water and its limits."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from rules.fits import Array

Means = Literal["d4516", "profile"]
"""Means along a section: those of ASTM D4516 (log mean), or the exact ones of `rules.profile`."""

QUANTITIES = ("permeate_flow", "salt_passage", "pressure_drop")
"""The three normalized quantities of a section, in the order used everywhere."""

TRAIN_ROLES = (
    "feed_flow",
    "feed_temperature",
    "feed_conductivity",
    "feed_ph",
    "feed_orp",
    "feed_turbidity",
    "permeate_flow",
    "permeate_conductivity",
    "permeate_pressure",
    "concentrate_flow",
    "concentrate_conductivity",
    "running",
    "cleaning",
    "flushing",
)
STAGE_ROLES = (
    "feed_pressure",
    "concentrate_pressure",
    "permeate_flow",
    "permeate_conductivity",
    "permeate_pressure",
)
VESSEL_ROLES = ("permeate_conductivity",)
STATUS_ROLES = ("running", "cleaning", "flushing")


def signal(role: str, stage: int | None = None, vessel: int | None = None) -> str:
    """Name of a signal inside its train: ``feed_flow``, ``1/feed_pressure``, ``1-03/permeate_conductivity``."""
    if stage is None:
        return role
    if vessel is None:
        return f"{stage}/{role}"
    return f"{stage}-{vessel:02d}/{role}"


def interstage(k: int) -> str:
    """Name of the balance of the two pressures at the ends of the pipe from stage k to the next."""
    return f"stage_{k}_to_{k + 1}_pressure"


def is_interstage(balance: str) -> bool:
    """Whether a balance, by name, is one of pressures."""
    return balance.endswith("_pressure")


@dataclass(frozen=True, slots=True)
class Stage:
    """Vessels in parallel, each with elements in series; areas in m2, lengths in mm."""

    vessels: int
    elements_per_vessel: int
    element_area_m2: float
    element_length_mm: float = 1016.0
    permeate_port: Literal["concentrate", "feed", "both"] = "concentrate"
    adapter_length_mm: float = 200.0

    @property
    def area_m2(self) -> float:
        """Membrane area of the whole stage. [m2]"""
        return self.vessels * self.elements_per_vessel * self.element_area_m2


@dataclass(frozen=True, slots=True)
class Compensation:
    """How a conductivity transmitter brings its reading to 25 °C.

    kind : ``linear`` (alpha in %/K), ``natural`` (ISO 7888 nonlinear) or ``none`` (reads at temperature).
    """

    kind: Literal["linear", "natural", "none"] = "linear"
    alpha: float = 2.0


@dataclass(frozen=True, slots=True)
class Instrument:
    """One signal that the train measures, in SI units of its role (bar, m3/h, °C, µS/cm, mV, NTU, pH).

    absolute : standard uncertainty as an absolute part, in the unit of the signal.
    relative : standard uncertainty as a fraction of the reading; all parts add in squares.
    range : lowest and highest value the transmitter can give, in the unit of the signal, or None.
    compensation : for conductivities.
    resolution : smallest step of the reading, in the unit of the signal.
    drift_per_year, relative_drift_per_year : standard uncertainty that a year adds since the
        calibration, in the unit of the signal and as a fraction of the reading.
    calibration_years : time between calibrations. When the last one was is not known: a reading is
        taken to be half of it old.
    """

    signal: str
    absolute: float
    relative: float = 0.0
    range: tuple[float, float] | None = None
    compensation: Compensation = field(default_factory=Compensation)
    resolution: float = 0.0
    drift_per_year: float = 0.0
    relative_drift_per_year: float = 0.0
    calibration_years: float = 1.0

    def standard_uncertainty(self, reading: ArrayLike) -> Array:
        """Of a single reading, any shape, in the unit of the signal.

        The root of the sum of squares of accuracy, drift over half of the time between calibrations,
        and resolution, which is evenly distributed: resolution/√12.
        Source: JCGM 100:2008 4.3.7 (even distribution) and 5.1.2 (sum), from memory.
        """
        age = self.calibration_years / 2.0
        fixed = self.absolute**2 + (age * self.drift_per_year) ** 2 + self.resolution**2 / 12.0
        share = self.relative**2 + (age * self.relative_drift_per_year) ** 2
        return np.asarray(np.sqrt(fixed + share * np.square(np.asarray(reading, dtype=np.float64))))


@dataclass(frozen=True, slots=True)
class Water:
    """The one concentration and osmotic law of a plant, frozen into every baseline.

    kind : ``nacl`` (sodium-chloride equivalent) or ``seawater`` (TEOS-10 composition).
    factor : mg/L for each µS/cm at 25 °C of natural water, or None to use the law of `kind`.
    """

    kind: Literal["nacl", "seawater"] = "nacl"
    factor: float | None = None


@dataclass(frozen=True, slots=True)
class Limits:
    """The last line: relative changes against the baseline, absolute drops in bar, horizon in days."""

    permeate_flow: float = -0.10
    salt_passage: float = 0.10
    pressure_drop: float = 0.15
    pressure_drop_per_element_bar: float = 1.0
    pressure_drop_per_vessel_bar: float = 3.5
    horizon_days: float = 14.0


@dataclass(frozen=True, slots=True)
class Train:
    """One train as the rules see it.

    instruments : in the order of the columns of every array of values.
    water_activation_k, salt_activation_k : E/R of water and salt permeability. [K]
    pressure_drop_exponent : n in dP ~ Q^n mu^(2-n).
    means : along a section; part of what a baseline rests on.
    prices : what the plant pays, in `currency`: ``energy_per_kwh``, ``cleaning``, as far as said.
    """

    id: str
    stages: tuple[Stage, ...]
    instruments: tuple[Instrument, ...]
    water: Water = field(default_factory=Water)
    limits: Limits = field(default_factory=Limits)
    water_activation_k: float = 2640.0
    salt_activation_k: float = 2640.0
    pressure_drop_exponent: float = 1.6
    design: Mapping[str, float] = field(default_factory=dict)
    means: Means = "profile"
    prices: Mapping[str, float] = field(default_factory=dict)
    currency: str = ""

    @property
    def signals(self) -> tuple[str, ...]:
        """Names of the measured signals, in column order."""
        return tuple(i.signal for i in self.instruments)
