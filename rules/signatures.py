"""The signature table: how each membrane cause moves the normalized quantities, where and how fast.

Each row gives the direction of a cause in the space of deviations (logarithms of actual over
baseline), for a magnitude of 1 of its leading quantity. The columns:

    place    which section shows it: `lead` (first stage), `tail` (last stage), `any`, `all`
    weight   share of the cause's prior on that place
    flow, passage, drop      relative size of the change of normalized permeate flow, salt
             passage and pressure drop there, and the spread of that size between cases
    step     probability that it comes as a step (else as a ramp)
    accelerating  probability that its growth accelerates, when it grows
    rate     usual rate of a ramp, and its spread as a factor [1/day]
    prior    how common the cause is, relative to the other rows

Signs and places follow the cause-symptom matrix of the tests' reference folder
(cause_matrix.csv: military field manual, an agency handbook, autopsy-based and review texts;
sizes and priors are common practice, no source).
"""

from dataclasses import dataclass
from typing import Literal

EVEN = 0.2
"""Probability that the growth of an ordinary cause accelerates. Common practice, no source."""

Place = Literal["lead", "tail", "any", "all"]


@dataclass(frozen=True, slots=True)
class Signature:
    """One row: sizes are (mean, spread) of the relative change for a magnitude of 1."""

    cause: str
    place: Place
    weight: float
    flow: tuple[float, float]
    passage: tuple[float, float]
    drop: tuple[float, float]
    step: float
    rate: tuple[float, float]
    prior: float
    accelerating: float = EVEN


SIGNATURES: tuple[Signature, ...] = (
    # Pressure drop first, flow later: growth between the feed channels of the lead elements,
    # accelerating over weeks.
    Signature(
        "biofouling",
        "lead",
        0.85,
        (-0.20, 0.15),
        (0.05, 0.10),
        (1.0, 0.2),
        0.01,
        (0.01, 3.0),
        1.0,
        0.7,
    ),
    Signature(
        "biofouling",
        "all",
        0.15,
        (-0.20, 0.15),
        (0.05, 0.10),
        (1.0, 0.2),
        0.01,
        (0.01, 3.0),
        1.0,
        0.7,
    ),
    # Particles block channels and cover membrane at about the same pace.
    Signature(
        "colloidal_fouling",
        "lead",
        1.0,
        (-0.6, 0.25),
        (0.1, 0.15),
        (1.0, 0.25),
        0.1,
        (0.015, 4.0),
        0.6,
    ),
    # A filter that breaks through or is bypassed: the lead channels are plugged within hours.
    # (Rows `pretreatment_upset` and `inlet_channel_plugging` of the matrix.)
    Signature(
        "colloidal_fouling", "lead", 1.0, (-0.2, 0.2), (0.05, 0.1), (1.0, 0.2), 0.7, (0.2, 4.0), 0.1
    ),
    # Hydroxides of iron, manganese, aluminum: as colloids, with some passage.
    Signature(
        "metal_oxide_fouling",
        "lead",
        1.0,
        (-0.7, 0.3),
        (0.45, 0.2),
        (1.0, 0.3),
        0.05,
        (0.015, 4.0),
        0.5,
    ),
    # A film that costs flow at once and leaves the channels open.
    Signature(
        "organic_fouling",
        "lead",
        0.6,
        (-1.0, 0.15),
        (-0.05, 0.15),
        (0.05, 0.08),
        0.3,
        (0.03, 4.0),
        0.6,
    ),
    Signature(
        "organic_fouling",
        "all",
        0.4,
        (-1.0, 0.15),
        (-0.05, 0.15),
        (0.05, 0.08),
        0.3,
        (0.03, 4.0),
        0.6,
    ),
    # Saturation is highest at the tail; crystals cost flow, raise passage and block channels.
    Signature(
        "scaling", "tail", 0.95, (-1.0, 0.2), (0.8, 0.45), (0.5, 0.4), 0.03, (0.015, 5.0), 1.0
    ),
    Signature(
        "scaling", "all", 0.05, (-1.0, 0.2), (0.8, 0.45), (0.5, 0.4), 0.03, (0.015, 5.0), 1.0
    ),
    # Oxidants open the membrane: passage up strongly, flow up a little, channels unchanged.
    Signature(
        "oxidation_damage",
        "lead",
        0.5,
        (0.15, 0.12),
        (1.0, 0.15),
        (0.0, 0.03),
        0.05,
        (0.02, 3.0),
        0.5,
    ),
    Signature(
        "oxidation_damage",
        "all",
        0.5,
        (0.15, 0.12),
        (1.0, 0.15),
        (0.0, 0.03),
        0.05,
        (0.02, 3.0),
        0.5,
    ),
    Signature(
        "abrasion", "lead", 1.0, (0.05, 0.05), (1.0, 0.15), (0.02, 0.04), 0.1, (0.02, 3.0), 0.1
    ),
    # Feed water joins the permeate of one vessel: passage steps up, nothing else moves.
    Signature(
        "o_ring_leak", "any", 1.0, (0.01, 0.02), (1.0, 0.1), (0.0, 0.02), 0.95, (0.3, 4.0), 1.0
    ),
    Signature(
        "damaged_element", "any", 1.0, (0.04, 0.04), (1.0, 0.1), (0.0, 0.03), 0.85, (0.1, 4.0), 0.35
    ),
    # Water takes the way around the element: less drop, less flow over the membrane.
    Signature(
        "brine_seal_bypass",
        "any",
        1.0,
        (-0.15, 0.1),
        (0.3, 0.2),
        (-1.0, 0.25),
        0.8,
        (0.05, 4.0),
        0.2,
    ),
    # Heat and pressure pack the membrane everywhere; channels unchanged.
    Signature(
        "compaction", "all", 1.0, (-1.0, 0.1), (-0.15, 0.15), (0.0, 0.03), 0.1, (0.01, 4.0), 0.3
    ),
)

PERMEATE_BACKPRESSURE = Signature(
    "permeate_backpressure", "any", 1.0, (-1.0, 0.1), (0.7, 0.4), (0.0, 0.05), 0.8, (0.1, 5.0), 0.4
)
"""Only where the permeate pressure of the section is not measured; else normalization absorbs it."""

INSTRUMENT_PRIOR = 0.35
"""Prior of one transmitter's error, on the scale of `Signature.prior`. Common practice, no source."""

INSTRUMENT_STEP = 0.4
"""Probability that a transmitter's error comes as a step."""

INSTRUMENT_RATE = (0.02, 5.0)
"""Usual rate of a transmitter's drift in relative units a day, and its spread as a factor."""

INSTRUMENT_SIZE = {
    "feed_flow": 0.08,
    "permeate_flow": 0.08,
    "concentrate_flow": 0.08,
    "feed_conductivity": 0.2,
    "permeate_conductivity": 0.2,
    "concentrate_conductivity": 0.2,
    "feed_pressure": 0.05,
    "concentrate_pressure": 0.05,
    "permeate_pressure": 0.5,
    "feed_temperature": 0.08,
}
"""Usual size of a transmitter's error as a fraction of its reading; common practice, no source."""
