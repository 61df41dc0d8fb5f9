"""Rules of thumb on raw values: what a technician reads from two gauges when nothing can be normalized.

At constant permeate flow: a rising feed pressure points to fouling; a lower feed pressure with a higher permeate
conductivity to damage of the membranes; a steady feed pressure with a higher permeate conductivity to an internal
O-ring. Common practice, no source. Feed pressure and permeate conductivity are brought to the temperature of the
baseline by 3 %/K where the temperature is measured (EPA 815-B-97-002 for the flow, from memory; for the salt common
practice, no source), the conductivity also in proportion to the feed's where that is measured. Without them the
thresholds are wide.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, log

PRESSURE, CONDUCTIVITY, FEED_CONDUCTIVITY = (
    "1/feed_pressure",
    "permeate_conductivity",
    "feed_conductivity",
)
FLOWS = ("permeate_flow", "feed_flow", "concentrate_flow")
TEMPERATURE = "feed_temperature"

FLOW_SAME = 0.05
"""The rules hold while every flow that is measured is within this of the baseline's. [-]"""

PRESSURE_MOVED, CONDUCTIVITY_MOVED = 0.10, 0.20
"""Changes that are read as such, where temperature and feed conductivity are known. [-]"""

WIDER = 2.0
"""Factor of these where they are not known: a season moves as much."""

PER_K, PASSAGE_PER_K = 0.03, 0.03
"""Permeate flow, and salt flow through the membrane, by kelvin. [1/K]"""


@dataclass(frozen=True, slots=True)
class Reading:
    """What the raw values say.

    cause : of `rules.findings.CAUSES`; ``none`` when nothing has moved.
    pressure, conductivity : ln(actual/baseline) at the baseline's temperature; None when not measured. [-]
    """

    cause: str
    pressure: float | None
    conductivity: float | None


def read(now: Mapping[str, float], usual: Mapping[str, float]) -> Reading | None:
    """What the raw values `now` say against the `usual` ones, by signal; None where the rules do not hold.

    They do not without a feed pressure or a permeate conductivity and one flow, nor when a flow has changed.
    """

    def change(name: str) -> float | None:
        a, b = now.get(name, -1.0), usual.get(name, -1.0)
        return log(a / b) if a > 0.0 and b > 0.0 and isfinite(a) and isfinite(b) else None

    flows = [c for c in map(change, FLOWS) if c is not None]
    if not flows or max(map(abs, flows)) > FLOW_SAME:
        return None
    warmer = (
        now[TEMPERATURE] - usual[TEMPERATURE]
        if TEMPERATURE in now and TEMPERATURE in usual
        else None
    )
    pressure, conductivity = change(PRESSURE), change(CONDUCTIVITY)
    saltier = change(FEED_CONDUCTIVITY)
    if pressure is None and conductivity is None:
        return None
    wide = 1.0 if warmer is not None else WIDER
    if pressure is not None and warmer is not None:
        pressure += PER_K * warmer
    wide_salt = 1.0 if warmer is not None and saltier is not None else WIDER
    if conductivity is not None:
        conductivity -= (PASSAGE_PER_K * warmer if warmer is not None else 0.0) + (saltier or 0.0)
    higher = pressure is not None and pressure >= log(1.0 + PRESSURE_MOVED * wide)
    lower = pressure is not None and pressure <= -log(1.0 + PRESSURE_MOVED * wide / 2.0)
    salty = conductivity is not None and conductivity >= log(1.0 + CONDUCTIVITY_MOVED * wide_salt)
    cause = "none"
    if higher:
        cause = "colloidal_fouling"
    elif salty and lower:
        cause = "oxidation_damage"
    elif salty and pressure is not None:
        cause = "o_ring_leak"
    return Reading(cause, pressure, conductivity)
