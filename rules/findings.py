"""What the rules conclude at one evaluation: causes with probabilities, forecast, action, in words and numbers."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Literal

CAUSES = (
    "biofouling",
    "colloidal_fouling",
    "metal_oxide_fouling",
    "organic_fouling",
    "scaling",
    "oxidation_damage",
    "abrasion",
    "damaged_element",
    "o_ring_leak",
    "brine_seal_bypass",
    "compaction",
    "permeate_backpressure",
    "instrument_fault",
    "operating_change",
    "none",
)
ACTIONS = ("clean", "probe", "replace", "check_instrument", "adjust_operation", "watch")
Action = Literal["clean", "probe", "replace", "check_instrument", "adjust_operation", "watch"]
Priority = Literal["low", "medium", "high"]
NoticeClass = Literal["advisory", "alarm"]


class Presence(Enum):
    """Whether the condition of a finding holds now. HELD: cannot be judged, or between the two thresholds."""

    PRESENT = "present"
    ABSENT = "absent"
    HELD = "held"


@dataclass(frozen=True, slots=True)
class CauseProbability:
    """One candidate cause. `point` is the tag of the transmitter for ``instrument_fault``, else None."""

    cause: str
    probability: float
    point: str | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the nearest limit will be reached: likely, early and late. [s since 1970-01-01 UTC]"""

    quantity: str
    limit_at: float
    early: float
    late: float | None


@dataclass(frozen=True, slots=True)
class Finding:
    """One judgement about one matter of one train at one instant.

    matter : what it is about, stable over the life of a notice: ``performance``,
        ``transmitter:A/1/permeate_conductivity``, ``link:plc1``, ``limit:1/pressure_drop`` ...
    confirm_s, clear_s : how long PRESENT (ABSENT) must hold before a notice rises (falls). [s]
    suppressible : not raised while the train is stopped, starting, flushing or cleaning.
    since : onset of the condition. [s since 1970-01-01 UTC]
    deviation : section name -> quantity -> ln(actual/baseline); only what is known.
    evidence : one sentence each, with numbers.
    closes_itself : when the condition has gone nobody has to acknowledge that.
    message : plain words for a phone, at most 320 characters.
    """

    matter: str
    presence: Presence
    stage: int | None = None
    causes: tuple[CauseProbability, ...] = ()
    action: Action = "watch"
    priority: Priority = "low"
    notice_class: NoticeClass = "advisory"
    since: float | None = None
    forecast: Forecast | None = None
    deviation: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    evidence: tuple[str, ...] = ()
    message: str = ""
    confirm_s: float = 0.0
    clear_s: float = 0.0
    suppressible: bool = True
    closes_itself: bool = False

    @property
    def cause(self) -> str:
        """The first cause."""
        return self.causes[0].cause if self.causes else "none"
