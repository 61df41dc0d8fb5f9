"""What to do about a cause: the action, how urgent it is, and how it is cleaned."""

from collections.abc import Mapping
from dataclasses import dataclass

from rules.findings import Action, NoticeClass, Priority

ACTION: dict[str, Action] = {
    "biofouling": "clean",
    "colloidal_fouling": "clean",
    "metal_oxide_fouling": "clean",
    "organic_fouling": "clean",
    "scaling": "clean",
    "oxidation_damage": "replace",
    "abrasion": "replace",
    "damaged_element": "probe",
    "o_ring_leak": "probe",
    "brine_seal_bypass": "probe",
    "compaction": "watch",
    "permeate_backpressure": "adjust_operation",
    "instrument_fault": "check_instrument",
    "operating_change": "adjust_operation",
    "none": "watch",
}
"""First action for each cause. Sources: the remedy column of cause_matrix.csv in the tests'
reference folder; compaction and operating changes never call for cleaning (common practice)."""


def action(cause: str, seen: Mapping[str, bool]) -> Action:
    """What to do about a cause, given what else shows (`rules.signs`).

    Within two days of a clean nobody cleans again, and what a clean leaves is waited for.
    """
    first = ACTION[cause]
    if seen.get("just_cleaned") and (first == "clean" or cause == "operating_change"):
        return "watch"
    return first


CHEMISTRY = {
    "biofouling": "alkaline clean with a biocide the membrane allows",
    "colloidal_fouling": "alkaline clean",
    "metal_oxide_fouling": "acid clean",
    "organic_fouling": "alkaline clean",
    "scaling": "acid clean",
}
"""Which chemistry first. Sources disagree on mixed deposits; see the reference."""

STEP_ALARM_PASSAGE = 0.15
"""A step of salt passage of this size needs a person within hours. [-]"""

SALT_LEAKS = frozenset({"o_ring_leak", "damaged_element"})


OWN_ERRANDS = {"scaling": "descale", "none": "nothing"}
"""Causes whose errand is not that of their action."""


def errand(cause: str) -> str:
    """What a person would be sent for: causes of one errand need not be told apart before it.

    Fouling and scale are both cleaned, but at the two ends of the train and with another chemistry. Nobody is sent for
    ``none``.
    """
    return OWN_ERRANDS.get(cause, ACTION[cause])


@dataclass(frozen=True, slots=True)
class Urgency:
    """How a finding is to be told, and how long it must hold before (after) it is. [s]"""

    priority: Priority
    notice_class: NoticeClass
    confirm_s: float
    clear_s: float = 86400.0


def urgency(
    *,
    cause: str,
    size: float,
    passage: float,
    stepped: bool,
    limit_days: float | None,
    horizon_days: float,
) -> Urgency:
    """Priority, class and delays of a membrane or transmitter finding.

    size : largest deviation as a share of its limit. [-] passage : deviation of salt passage. [-]
    stepped : whether it came as a step. limit_days : forecast time to the limit, None when there
        is none. [d]

    A large step is confirmed within an hour, a slow drift within a day: evidence sets the pace.
    """
    if stepped and passage >= STEP_ALARM_PASSAGE and cause in SALT_LEAKS:
        return Urgency("high", "alarm", 3600.0)
    confirm = 2 * 3600.0 if stepped and size >= 1.5 else 12 * 3600.0
    if size >= 1.0:
        return Urgency("high", "advisory", confirm)
    if limit_days is not None and limit_days <= horizon_days:
        return Urgency("medium", "advisory", confirm)
    return Urgency("low", "advisory", confirm)
