"""Rules of thumb on raw values: what a technician reads from two gauges when nothing can be normalized.

At constant permeate flow: a rising feed pressure points to fouling; a lower feed pressure with a higher permeate
conductivity to damage of the membranes; a steady feed pressure with a higher permeate conductivity to an internal
O-ring. Common practice, no source. Feed pressure and permeate conductivity are brought to the temperature of the
baseline by 3 %/K where the temperature is measured (EPA 815-B-97-002 for the flow, from memory; for the salt common
practice, no source), the conductivity also in proportion to the feed's where that is measured; a pressure that moves
no more than the feed's conductivity is not read. Without them the thresholds are wide.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, log

import numpy as np

from rules.actions import ACTION
from rules.digest import Digest
from rules.findings import CauseProbability, Finding, Presence
from rules.series import DAY_S
from rules.words import percent, place

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

    kind : ``fouling``, ``damage``, ``leak``; ``none`` when nothing has moved.
    pressure, conductivity : ln(actual/baseline) at the baseline's temperature; None when not measured. [-]
    """

    kind: str
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
    # Saltier water wants more pressure at the same flow, at the most in proportion.
    more, less = max(saltier or 0.0, 0.0), min(saltier or 0.0, 0.0)
    higher = pressure is not None and pressure - more >= log(1.0 + PRESSURE_MOVED * wide)
    lower = pressure is not None and pressure - less <= -log(1.0 + PRESSURE_MOVED * wide / 2.0)
    salty = conductivity is not None and conductivity >= log(1.0 + CONDUCTIVITY_MOVED * wide_salt)
    kind = "none"
    if higher:
        kind = "fouling"
    elif salty and lower:
        kind = "damage"
    elif salty and pressure is not None:
        kind = "leak"
    return Reading(kind, pressure, conductivity)


MATTER = "raw"
"""What the rules of thumb are told as."""

POSSIBLE: Mapping[str, tuple[tuple[str, float], ...]] = {
    "none": (),
    "fouling": (("biofouling", 0.3), ("colloidal_fouling", 0.25), ("scaling", 0.2)),
    "damage": (("oxidation_damage", 0.5), ("abrasion", 0.15), ("damaged_element", 0.15)),
    "leak": (("o_ring_leak", 0.5), ("damaged_element", 0.25)),
}
"""Causes behind what the raw values say, with probabilities that only rank them. Common practice, no source."""

WORDS = {
    "fouling": "fouling or scale",
    "damage": "damage to the membranes",
    "leak": "a leak at an O-ring or adapter",
}
FEWEST = 6


def speaks(signals: Sequence[str]) -> bool:
    """Whether a train measures what the rules of thumb need."""
    return PRESSURE in signals and any(flow in signals for flow in FLOWS)


def finding(train: str, digests: Sequence[Digest], usual: Mapping[str, float]) -> Finding:
    """What the raw values of the last day say, for a train that cannot be normalized now.

    digests : the last ones, in order of time. usual : signals at the baseline.
    """
    absent = Finding(matter=MATTER, presence=Presence.ABSENT, clear_s=DAY_S)
    lately = [d for d in digests if d.start > digests[-1].start - DAY_S]
    names = {name for d in lately for name in d.signals}
    now = {n: float(np.median([d.signals[n] for d in lately if n in d.signals])) for n in names}
    found = read(now, usual) if len(lately) >= FEWEST else None
    if found is None:
        return Finding(matter=MATTER, presence=Presence.HELD)
    if found.kind == "none":
        return absent
    causes = tuple(CauseProbability(cause, p) for cause, p in POSSIBLE[found.kind])
    seen = [
        f"{what} {percent(value)}"
        for what, value in (
            ("feed pressure", found.pressure),
            ("permeate conductivity", found.conductivity),
        )
        if value is not None
    ]
    return Finding(
        matter=MATTER,
        presence=Presence.PRESENT,
        causes=causes,
        action=ACTION[causes[0].cause],
        priority="low",
        evidence=(
            f"By rule of thumb at the same flow: {', '.join(seen)} against the baseline, as far as possible at its "
            "temperature and feed.",
            "Nothing is normalized now: too few instruments, or one that is needed is silent.",
        ),
        message=f"{place(train, None)}: by rule of thumb {WORDS[found.kind]}: {', '.join(seen)} at the same flow. "
        "Normalization is not possible now, so this is a guess. Check the instruments first, then survey the vessels.",
        confirm_s=DAY_S,
        clear_s=DAY_S,
    )
