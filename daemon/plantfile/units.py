"""Units at the edge of the plant: what a transmitter shows, brought to the SI unit of its role.

Inside, everything is in bar, m3/h, °C, µS/cm (at 25 °C), pH, mV and NTU; status bits are 0 and 1.
"""

import math
from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "pressure", "flow", "temperature", "conductivity", "ph", "potential", "turbidity", "status"
]

KIND_OF_ROLE: dict[str, Kind] = {
    "feed_flow": "flow",
    "feed_temperature": "temperature",
    "feed_conductivity": "conductivity",
    "feed_ph": "ph",
    "feed_orp": "potential",
    "feed_turbidity": "turbidity",
    "feed_pressure": "pressure",
    "permeate_flow": "flow",
    "permeate_conductivity": "conductivity",
    "permeate_pressure": "pressure",
    "concentrate_flow": "flow",
    "concentrate_conductivity": "conductivity",
    "concentrate_pressure": "pressure",
    "running": "status",
    "cleaning": "status",
    "flushing": "status",
}
"""What each role of `rules.train` measures; a role takes the units of its kind and no other."""

_FOOT_POUND_N = 4.4482216152605  # pound-force, exact
_INCH_M = 0.0254  # exact
_PSI_BAR = _FOOT_POUND_N / _INCH_M**2 / 1e5
_US_GALLON_M3 = 231.0 * _INCH_M**3  # exact: 231 cubic inches


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as plants write it. SI value = (value - zero) * scale."""

    name: str
    kind: Kind
    scale: float
    zero: float = 0.0

    def to_si(self, value: float) -> float:
        """Value in the SI unit of the kind. A status other than 0 or 1 is no status: NaN."""
        if self.kind == "status":
            return float(value) if value in (0, 1) else math.nan
        return (value - self.zero) * self.scale

    def from_si(self, value: float) -> float:
        """Value in this unit of an SI value."""
        return value / self.scale + self.zero


_UNITS = (
    Unit("bar", "pressure", 1.0),
    Unit("kPa", "pressure", 0.01),
    Unit("psi", "pressure", _PSI_BAR),
    Unit("MPa", "pressure", 10.0),
    Unit("mbar", "pressure", 0.001),
    Unit("m3/h", "flow", 1.0),
    Unit("L/min", "flow", 0.06),
    Unit("L/s", "flow", 3.6),
    Unit("gpm", "flow", _US_GALLON_M3 * 60.0),
    Unit("m3/d", "flow", 1.0 / 24.0),
    Unit("°C", "temperature", 1.0),
    Unit("°F", "temperature", 5.0 / 9.0, 32.0),
    Unit("µS/cm", "conductivity", 1.0),
    Unit("mS/cm", "conductivity", 1000.0),
    Unit("pH", "ph", 1.0),
    Unit("mV", "potential", 1.0),
    Unit("V", "potential", 1000.0),
    Unit("NTU", "turbidity", 1.0),
    Unit("bool", "status", 1.0),
)
_BY_NAME = {unit.name: unit for unit in _UNITS}

DISSOLVED_SOLIDS = "mg/L"
"""A transmitter that shows dissolved solids: conductivity times a factor set in the transmitter."""

_OTHER_SPELLINGS = {
    "degC": "°C",
    "C": "°C",
    "degF": "°F",
    "F": "°F",
    "uS/cm": "µS/cm",
    "μS/cm": "µS/cm",  # Greek mu in place of the micro sign: they look the same
    "m³/h": "m3/h",
    "m³/d": "m3/d",
    "l/min": "L/min",
    "l/s": "L/s",
    "mg/l": "mg/L",
}


def spelled(text: str) -> str:
    """The name of the unit that is used everywhere: `degC` is °C. Unknown text comes back as it is."""
    return _OTHER_SPELLINGS.get(text, text)


def kind_of(text: str) -> Kind | None:
    """What a unit measures, or None when the unit is not known."""
    name = spelled(text)
    if name == DISSOLVED_SOLIDS:
        return "conductivity"
    unit = _BY_NAME.get(name)
    return unit.kind if unit else None


def names(kind: Kind) -> tuple[str, ...]:
    """The units that a role of this kind takes, the usual ones first."""
    found = tuple(unit.name for unit in _UNITS if unit.kind == kind)
    return (*found, DISSOLVED_SOLIDS) if kind == "conductivity" else found


def unit(text: str, *, factor: float | None = None) -> Unit:
    """The unit written as `text`.

    factor : mg/L that the transmitter shows for each µS/cm; for `mg/L` and for no other unit.

    Raises ValueError when the unit is not known, or factor is missing, not above 0 or not wanted.
    """
    name = spelled(text)
    if name == DISSOLVED_SOLIDS:
        if factor is None or not factor > 0:
            raise ValueError(f"{name} needs a factor above 0 (mg/L for each µS/cm), got {factor!r}")
        return Unit(name, "conductivity", 1.0 / factor)
    if factor is not None:
        raise ValueError(f"factor belongs to {DISSOLVED_SOLIDS}, not to {text}")
    found = _BY_NAME.get(name)
    if found is None:
        raise ValueError(f"unit {text!r} is not known")
    return found
