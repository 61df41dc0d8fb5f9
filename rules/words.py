"""The words of causes and quantities, and numbers, dates and places as people read them."""

from datetime import UTC, datetime
from math import expm1

CAUSE_WORDS = {
    "biofouling": "biofouling",
    "colloidal_fouling": "colloidal fouling",
    "metal_oxide_fouling": "metal oxide fouling",
    "organic_fouling": "organic fouling",
    "scaling": "scaling",
    "oxidation_damage": "oxidation damage",
    "abrasion": "abrasion of the membrane",
    "damaged_element": "damaged element",
    "o_ring_leak": "O-ring leak",
    "brine_seal_bypass": "brine seal bypass",
    "compaction": "compaction",
    "permeate_backpressure": "permeate back-pressure",
    "instrument_fault": "transmitter error",
    "operating_change": "changed operating point",
    "none": "no fault",
}
QUANTITY_WORDS = {
    "permeate_flow": "normalized permeate flow",
    "salt_passage": "normalized salt passage",
    "pressure_drop": "normalized pressure drop",
}
SHORT_WORDS = {
    "permeate_flow": "flow",
    "salt_passage": "salt passage",
    "pressure_drop": "pressure drop",
}


def quantity_words(observable: str) -> str:
    """``normalized permeate flow of stage 1``, ``salt balance``, ``stage 1 to 2 pressure balance``."""
    section, _, quantity = observable.partition("/")
    if section == "balance":
        return f"{quantity.replace('_', ' ')} balance"
    where = "the train" if section == "train" else f"stage {section}"
    return f"{QUANTITY_WORDS[quantity]} of {where}"


def percent(deviation: float) -> str:
    """A logarithmic deviation as a signed per cent: ``-6.2 %``."""
    text = f"{100.0 * expm1(deviation):+.1f}"
    return "0.0 %" if float(text) == 0.0 else f"{text} %"


def day(time: float) -> str:
    """A date for people: ``14 Jan``. [s since 1970-01-01 UTC]"""
    at = datetime.fromtimestamp(time, UTC)
    return f"{at.day} {at:%b}"


def place(train: str, stage: int | None) -> str:
    """``Train A stage 2`` or ``Train A``."""
    return f"Train {train}" + (f" stage {stage}" if stage is not None else "")
