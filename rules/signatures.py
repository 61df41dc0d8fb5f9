"""The signature table: how each membrane cause moves the normalized quantities, where, how fast, and what else shows.

Each row gives the direction of a cause in the space of deviations (logarithms of actual over
baseline), for a magnitude of 1 of its leading quantity. Its columns are those of `Signature`.

Signs and places follow the cause-symptom matrix of the tests' reference folder (cause_matrix.csv: military field
manual, an agency handbook, autopsy-based and review texts); `rows` names the rows of it that a signature stands for.
Relative sizes are the middles of its ranges, spreads as wide as these; step, growth, rates and priors are common
practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

EVEN = 0.2
"""Probability that the growth of an ordinary cause accelerates. Common practice, no source."""

Place = Literal["lead", "tail", "any", "all"]

SIGNS: Mapping[str, float] = {
    "orp_raised": 0.03,
    "turbid": 0.12,
    "ph_raised": 0.04,
    "recovery_raised": 0.15,
    "hot": 0.05,
    "just_cleaned": 0.02,
}
"""What else the instruments can show (`rules.signs`), and how often it shows without being connected with the cause.
Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Signature:
    """One row: sizes are (mean, spread) of the relative change for a magnitude of 1.

    place : which section shows it: ``lead`` (first stage), ``tail`` (last stage), ``any``, ``all``.
    weight : share of the cause's prior on that place.
    flow, passage, drop : change of normalized permeate flow, salt passage and pressure drop there.
    step : probability that it comes as a step (else as a ramp).
    rate : usual rate of a ramp, and its spread as a factor. [1/d]
    prior : how common the cause is, relative to the other rows.
    accelerating : probability that its growth accelerates, when it grows.
    signs : what else shows -> probability that it does under this cause.
    rows : rows of the cause-symptom matrix.
    """

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
    signs: Mapping[str, float] = field(default_factory=dict)
    rows: tuple[str, ...] = ()


def _placed(row: Signature, **weights: float) -> tuple[Signature, ...]:
    """The same row at several places, each with its weight."""
    return tuple(
        Signature(
            row.cause,
            place,  # type: ignore[arg-type]
            weight,
            row.flow,
            row.passage,
            row.drop,
            row.step,
            row.rate,
            row.prior,
            row.accelerating,
            row.signs,
            row.rows,
        )
        for place, weight in weights.items()
    )


SIGNATURES: tuple[Signature, ...] = (
    # Pressure drop first, flow later: growth between the feed channels of the lead elements,
    # accelerating over weeks.
    *_placed(
        Signature(
            "biofouling",
            "lead",
            1.0,
            flow=(-0.20, 0.15),
            passage=(0.05, 0.10),
            drop=(1.0, 0.2),
            step=0.01,
            rate=(0.01, 3.0),
            prior=1.0,
            accelerating=0.7,
            rows=("biofouling",),
        ),
        lead=0.85,
        all=0.15,
    ),
    # Particles block channels and cover membrane at about the same pace.
    Signature(
        "colloidal_fouling",
        "lead",
        1.0,
        flow=(-0.6, 0.25),
        passage=(0.1, 0.15),
        drop=(1.0, 0.25),
        step=0.1,
        rate=(0.015, 4.0),
        prior=0.6,
        signs={"turbid": 0.5},
        rows=("colloidal_fouling", "antiscalant_overdose_or_incompatible"),
    ),
    # A filter that breaks through or is bypassed: the lead channels are plugged within hours.
    Signature(
        "colloidal_fouling",
        "lead",
        1.0,
        flow=(-0.2, 0.2),
        passage=(0.05, 0.1),
        drop=(1.0, 0.2),
        step=0.7,
        rate=(0.2, 4.0),
        prior=0.06,
        signs={"turbid": 0.5},
        rows=("pretreatment_upset", "inlet_channel_plugging"),
    ),
    # Hydroxides of iron, manganese, aluminum: as colloids, with some passage.
    Signature(
        "metal_oxide_fouling",
        "lead",
        1.0,
        flow=(-0.8, 0.3),
        passage=(0.45, 0.2),
        drop=(1.0, 0.3),
        step=0.05,
        rate=(0.015, 4.0),
        prior=0.5,
        rows=("metal_oxide_fouling",),
    ),
    # A film that costs flow at once and leaves the channels open.
    *_placed(
        Signature(
            "organic_fouling",
            "lead",
            1.0,
            flow=(-1.0, 0.15),
            passage=(-0.05, 0.15),
            drop=(0.05, 0.08),
            step=0.1,
            rate=(0.03, 4.0),
            prior=0.6,
            rows=("organic_fouling",),
        ),
        lead=0.7,
        all=0.3,
    ),
    # Saturation is highest at the tail; crystals cost flow, raise passage and block channels.
    *_placed(
        Signature(
            "scaling",
            "tail",
            1.0,
            flow=(-1.0, 0.25),
            passage=(1.0, 0.6),
            drop=(0.6, 0.5),
            step=0.03,
            rate=(0.015, 5.0),
            prior=1.0,
            signs={"ph_raised": 0.2, "recovery_raised": 0.3},
            rows=(
                "carbonate_scaling",
                "sulfate_scaling",
                "phosphate_scaling",
                "antiscalant_failure",
            ),
        ),
        tail=0.95,
        all=0.05,
    ),
    # Silica is glass: flow is lost, the channels stay rather open and salt passage hardly moves.
    Signature(
        "scaling",
        "tail",
        1.0,
        flow=(-1.0, 0.1),
        passage=(0.1, 0.15),
        drop=(0.1, 0.12),
        step=0.02,
        rate=(0.006, 4.0),
        prior=0.2,
        signs={"recovery_raised": 0.3},
        rows=("silica_scaling",),
    ),
    # Oxidants open the membrane: passage up strongly, flow up a little, channels unchanged.
    *_placed(
        Signature(
            "oxidation_damage",
            "lead",
            1.0,
            flow=(0.15, 0.12),
            passage=(1.0, 0.15),
            drop=(0.0, 0.03),
            step=0.05,
            rate=(0.02, 3.0),
            prior=0.5,
            signs={"orp_raised": 0.6},
            rows=("oxidant_damage",),
        ),
        lead=0.5,
        all=0.5,
    ),
    Signature(
        "abrasion",
        "lead",
        1.0,
        flow=(0.05, 0.05),
        passage=(1.0, 0.15),
        drop=(0.02, 0.04),
        step=0.1,
        rate=(0.02, 3.0),
        prior=0.12,
        signs={"turbid": 0.3},
        rows=("abrasion",),
    ),
    # Feed water joins the permeate of one vessel: passage steps up, nothing else moves.
    Signature(
        "o_ring_leak",
        "any",
        1.0,
        flow=(0.01, 0.02),
        passage=(1.0, 0.1),
        drop=(0.0, 0.02),
        step=0.95,
        rate=(0.3, 4.0),
        prior=1.0,
        rows=("seal_leak",),
    ),
    Signature(
        "damaged_element",
        "any",
        1.0,
        flow=(0.04, 0.04),
        passage=(1.0, 0.1),
        drop=(0.0, 0.03),
        step=0.85,
        rate=(0.1, 4.0),
        prior=0.35,
        rows=("glue_line_delamination", "telescoping"),
    ),
    # Water takes the way around the element: less drop, less flow over the membrane.
    Signature(
        "brine_seal_bypass",
        "any",
        1.0,
        flow=(-0.12, 0.12),
        passage=(0.25, 0.25),
        drop=(-1.0, 0.25),
        step=0.8,
        rate=(0.05, 4.0),
        prior=0.4,
        signs={"recovery_raised": 0.1},
        rows=("brine_seal_bypass",),
    ),
    # Heat and pressure pack the membrane everywhere; channels unchanged.
    Signature(
        "compaction",
        "all",
        1.0,
        flow=(-1.0, 0.1),
        passage=(-0.15, 0.15),
        drop=(0.0, 0.03),
        step=0.1,
        rate=(0.02, 4.0),
        prior=0.4,
        signs={"hot": 0.3},
        rows=("compaction",),
    ),
    # More recovery: the tail has less flow and saltier water than the normalization expects.
    Signature(
        "operating_change",
        "tail",
        1.0,
        flow=(-0.1, 0.15),
        passage=(0.6, 0.3),
        drop=(-1.0, 0.3),
        step=0.7,
        rate=(0.05, 4.0),
        prior=0.2,
        signs={"recovery_raised": 0.97},
        rows=("recovery_too_high",),
    ),
    # What a clean leaves in the membrane is gone after a day or two.
    Signature(
        "operating_change",
        "all",
        1.0,
        flow=(-0.15, 0.25),
        passage=(1.0, 0.2),
        drop=(0.0, 0.05),
        step=0.9,
        rate=(0.2, 4.0),
        prior=0.1,
        signs={"just_cleaned": 0.97},
        rows=("cleaning_residue",),
    ),
)

PERMEATE_BACKPRESSURE = Signature(
    "permeate_backpressure",
    "any",
    1.0,
    flow=(-1.0, 0.1),
    passage=(0.0, 0.1),
    drop=(0.0, 0.05),
    step=0.85,
    rate=(0.1, 5.0),
    prior=0.4,
    rows=("permeate_backpressure_change",),
)
"""Only where the permeate pressure of the section is not measured; else normalization absorbs it. The driving
pressure that is lost looks like lost permeability; the salt passage of `rules.sections` is taken at the true flux."""

BETWEEN_STAGES_PRIOR, BETWEEN_STAGES_STEP, BETWEEN_STAGES_RATE = 0.1, 0.7, (0.1, 5.0)
"""A booster pump or valve between two stages run differently, an ``operating_change``: the balance of the pressures
around it moves, and normalization absorbs the rest. Common practice, no source."""

INSTRUMENT_PRIOR = 0.3
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
