"""The vocabulary of messages, page and commands: causes, actions, matters, states and roles in plain words."""

import re
from dataclasses import dataclass

from rules.ne107 import Signal
from rules.words import CAUSE_WORDS


@dataclass(frozen=True, slots=True)
class CauseWords:
    """What a cause is in a few words, and what follows when nobody acts. Its name: `cause_name`."""

    what: str
    neglect: str


CAUSES: dict[str, CauseWords] = {
    "biofouling": CauseWords(
        "a living film grows on the spacer, first in the lead elements",
        "The film grows faster the longer it stays. Pressure drop rises first, then flow falls, and an"
        " old film no longer comes off completely.",
    ),
    "colloidal_fouling": CauseWords(
        "fine particles settle on the membrane, first in the lead elements",
        "The layer packs tighter with every day under pressure. More feed pressure is needed for the"
        " same water, and a packed layer resists cleaning.",
    ),
    "metal_oxide_fouling": CauseWords(
        "iron, manganese or aluminum settles in the lead elements",
        "Flow keeps falling and pressure drop keeps rising. Deposited metal can also speed up oxidation"
        " of the membrane.",
    ),
    "organic_fouling": CauseWords(
        "organic matter from the feed coats the membrane",
        "Flow keeps falling. The coating feeds a biofilm and becomes harder to lift.",
    ),
    "scaling": CauseWords(
        "salts crystallize where the water is most concentrated, at the tail of the train",
        "Crystals seed more crystals, so the decline speeds up. Hard scale may stay after cleaning, and"
        " the tail elements are then lost.",
    ),
    "oxidation_damage": CauseWords(
        "an oxidant attacks the membrane: more salt passes, usually with more flow",
        "The damage cannot be undone, and it goes on as long as oxidant reaches the membranes. Permeate"
        " quality keeps getting worse.",
    ),
    "abrasion": CauseWords(
        "hard particles scratch the lead elements",
        "Salt passage of the lead elements keeps rising, and cleaning will not bring it back.",
    ),
    "damaged_element": CauseWords(
        "one element leaks feed water into its permeate",
        "Permeate quality stays worse at once and may get worse in steps.",
    ),
    "o_ring_leak": CauseWords(
        "a seal of an interconnector or adapter lets feed water into the permeate tube",
        "Permeate quality stays worse. A worn seal lets more through with every start and stop.",
    ),
    "brine_seal_bypass": CauseWords(
        "feed water flows around an element instead of through it",
        "The bypassed element is poorly swept, so it fouls and scales sooner than its neighbors.",
    ),
    "compaction": CauseWords(
        "pressure and warmth have pressed the membrane denser",
        "Flow settles at a lower level, for good. More feed pressure is needed for the same water.",
    ),
    "permeate_backpressure": CauseWords(
        "something downstream holds the permeate back",
        "Less water is made at the same feed pressure. If the pressure is high enough when the train"
        " stops, membranes can be torn.",
    ),
    "instrument_fault": CauseWords(
        "a transmitter reads wrong; the membranes are probably sound",
        "Real changes stay hidden behind the wrong reading, and operators may adjust the train to it.",
    ),
    "operating_change": CauseWords(
        "the train is run differently than before",
        "The membranes are not to blame, but the new operating point may wear them sooner.",
    ),
    "none": CauseWords(
        "the readings fit none of the known causes",
        "The change may go on. The forecast below, if there is one, says how soon it matters.",
    ),
}


def cause_name(cause: str) -> str:
    """A cause as the first words of a line: ``O-ring leak``."""
    name = CAUSE_WORDS[cause]
    return name[0].upper() + name[1:]


@dataclass(frozen=True, slots=True)
class ActionWords:
    """An action in a word or two, and as one sentence."""

    name: str
    sentence: str


ACTIONS: dict[str, ActionWords] = {
    "clean": ActionWords(
        "Clean",
        "Plan a cleaning of the place named here and save the readings of the day before and after it.",
    ),
    "probe": ActionWords(
        "Probe",
        "Take the conductivity of every vessel of the stage, then probe the vessels that stand out.",
    ),
    "replace": ActionWords(
        "Replace",
        "Plan the replacement of the part named here and have the parts and two people ready.",
    ),
    "check_instrument": ActionWords(
        "Check instrument",
        "Compare the transmitter with a hand-held or laboratory value before touching the membranes.",
    ),
    "adjust_operation": ActionWords(
        "Adjust operation",
        "Compare flow, recovery and pressures with the design and bring the train back to it.",
    ),
    "watch": ActionWords(
        "Watch",
        "Nothing to do on site yet. Look again when this notice changes.",
    ),
}

MATTER_ACTIONS: dict[str, ActionWords] = {
    "link": ActionWords("Check the link", "Check the device's power, network and address."),
    "values": ActionWords(
        "Check the device", "Check its clock, its program and the addresses in the plant file."
    ),
    "value": ActionWords("Check the transmitter", "Check its wiring, range and address."),
    "frozen": ActionWords(
        "Check the transmitter",
        "Check it and its impulse line; do not trust its value until it moves.",
    ),
    "limit": ActionWords(
        "Relieve the vessels", "Lower the feed flow or stop the train by site procedure."
    ),
    "baseline": ActionWords(
        "Name a baseline", "Name another window or the first steady hours in the plant file."
    ),
    "cleanings": ActionWords(
        "Plan replacement",
        "Plan the replacement of the membranes named here; another clean like the last ones will not pay.",
    ),
    "return_to_service": ActionWords(
        "Keep it out of supply",
        "Go on flushing to drain; when it does not help, survey and probe what was opened.",
    ),
    "fit_for_service": ActionWords(
        "Take it into service",
        "Take it into supply by site procedure: flush and sample first where that is asked for.",
    ),
}
"""What to do about a matter that is named by what was seen: one remedy, whatever its cause."""


def action_words(kind: str, action: str) -> ActionWords:
    """An action in words; a matter that was seen, such as a lost link, has words of its own."""
    return MATTER_ACTIONS.get(kind) or ACTIONS[action]


MATTERS: dict[str, str] = {
    "link": "No answer",
    "values": "No usable values",
    "value": "No usable value",
    "frozen": "Frozen reading",
    "limit": "Pressure drop at its absolute limit",
    "baseline": "No baseline",
    "cleanings": "Cleaning no longer pays",
    "return_to_service": "Does not come back to service",
    "fit_for_service": "Fit for service",
}
"""Matters that are named by what was seen, not by a cause."""

OVER: dict[str, str] = {
    "link": "answers again",
    "values": "gives usable values again",
    "value": "gives values again",
    "frozen": "moves again",
    "limit": "is below its limit again",
    "baseline": "is there",
    "cleanings": "restores what it should again, or the membranes are new",
    "return_to_service": "is back at its level, or another job was begun",
    "fit_for_service": "was a day ago",
}
"""What there is to say of the same when it has gone."""

SUBJECTS: dict[str, str] = {
    "cleanings": "cleaning",
    "return_to_service": "the permeate",
    "fit_for_service": "the return to service",
}
"""What a matter of a whole train is about."""


def seen_subject(kind: str, rest: str) -> str:
    """What a matter that was seen is about: a device, a tag, ``pressure drop of stage 2``, ``baseline``."""
    if kind == "limit":
        section, _, quantity = rest.partition("/")
        name = QUANTITIES[quantity]
        return f"{name[0].lower()}{name[1:]} of {section_name(section).lower()}"
    return rest or SUBJECTS.get(kind, kind)


NEGLECT: dict[str, str] = {
    "link": "The train goes unwatched: nothing that happens to its membranes will be noticed.",
    "values": "The train goes unwatched: nothing that happens to its membranes will be noticed.",
    "limit": "Elements can be pushed together, telescope and break.",
    "baseline": "Membranes are not judged: fouling and damage stay unseen.",
    "cleanings": "Chemicals and standstill are spent for less and less, and energy rises with every month.",
    "return_to_service": "Water that is not as it was goes to supply, or the leak that was opened stays.",
    "fit_for_service": "The train stands ready and makes no water.",
}

STATES: dict[str, str] = {
    "steady": "Running steady",
    "disturbed": "Running, not steady",
    "starting": "Starting",
    "stopped": "Stopped",
    "flushing": "Flushing",
    "cleaning": "Cleaning",
    "learning": "Learning the baseline",
    "no_data": "No data",
    "unknown": "State not known",
}

PRIORITIES: dict[str, str] = {"high": "High", "medium": "Medium", "low": "Low"}
"""Highest first; the order is used to rank."""

CLASSES: dict[str, str] = {
    "alarm": "Alarm: needs a person within hours",
    "advisory": "Advisory: a matter of days",
}

LIFE: dict[str, str] = {
    "UNACK": "not acknowledged yet",
    "ACKED": "acknowledged",
    "RTNUN": "back to normal, not acknowledged yet",
    "LTUNK": "gone by itself, not acknowledged yet",
    "LTACK": "gone by itself, waits for a reset",
    "SHLVD": "shelved",
    "DSUPR": "suppressed while the train does not produce",
    "OOSRV": "out of service",
    "NORM": "cleared",
}
"""States of a notice after ISA-18.2 / IEC 62682 in plain words."""

JOURNAL: dict[str, str] = {
    "raised": "Raised",
    "updated": "Updated",
    "cleared": "Back to normal",
    "acknowledged": "Acknowledged",
    "shelved": "Shelved",
    "unshelved": "Off the shelf",
    "suppressed": "Suppressed",
    "unsuppressed": "No longer suppressed",
    "out_of_service": "Taken out of service",
    "in_service": "In service again",
}
"""Steps of a notice in plain words."""

EVENTS: dict[str, str] = {
    "cleaning_start": "Cleaning started",
    "cleaning_end": "Cleaning ended",
    "element_replaced": "Element replaced",
    "membranes_replaced": "Membranes replaced",
    "seals_replaced": "Seals replaced",
    "calibrated": "Transmitter calibrated",
    "note": "Note",
}
"""What people do to a train, in plain words; the same events as `daemon.record.EVENTS`."""

QUANTITIES: dict[str, str] = {
    "permeate_flow": "Permeate flow",
    "salt_passage": "Salt passage",
    "pressure_drop": "Pressure drop",
}

BASELINE_SOURCES: dict[str, str] = {
    "first_steady": "first steady hours after commissioning",
    "window": "time window given in the plant file",
    "design": "design values of the plant file",
    "after_replacement": "steady hours after a replacement",
}


@dataclass(frozen=True, slots=True)
class RoleWords:
    """A role by name, with the SI unit its readings are shown in and how many decimals."""

    name: str
    unit: str
    decimals: int


ROLES: dict[str, RoleWords] = {
    "feed_flow": RoleWords("Feed flow", "m³/h", 1),
    "feed_temperature": RoleWords("Feed temperature", "°C", 1),
    "feed_conductivity": RoleWords("Feed conductivity", "µS/cm", 0),
    "feed_ph": RoleWords("Feed pH", "", 2),
    "feed_orp": RoleWords("Feed ORP", "mV", 0),
    "feed_turbidity": RoleWords("Feed turbidity", "NTU", 2),
    "permeate_flow": RoleWords("Permeate flow", "m³/h", 2),
    "permeate_conductivity": RoleWords("Permeate conductivity", "µS/cm", 1),
    "permeate_pressure": RoleWords("Permeate pressure", "bar", 2),
    "concentrate_flow": RoleWords("Concentrate flow", "m³/h", 2),
    "concentrate_conductivity": RoleWords("Concentrate conductivity", "µS/cm", 0),
    "feed_pressure": RoleWords("Feed pressure", "bar", 2),
    "concentrate_pressure": RoleWords("Concentrate pressure", "bar", 2),
    "running": RoleWords("Running", "", 0),
    "cleaning": RoleWords("Cleaning", "", 0),
    "flushing": RoleWords("Flushing", "", 0),
}


def train_label(train_id: str, name: str) -> str:
    """``Train A``, or ``Train A, north bank`` when the plant file gives it a name of its own."""
    return f"Train {train_id}" if name in ("", train_id) else f"Train {train_id}, {name}"


def section_name(section: str) -> str:
    """``1`` -> ``Stage 1``; ``train`` -> ``Whole train``."""
    return "Whole train" if section == "train" else f"Stage {section}"


def percent(value: float) -> str:
    """A signed percentage with a real minus sign; one decimal under ten, none above."""
    text = f"{abs(value):.1f}" if abs(value) < 9.95 else f"{abs(value):.0f}"
    if float(text) == 0:
        return "0.0 %"
    return f"{'−' if value < 0 else '+'}{text} %"


def true_minus(text: str) -> str:
    """Numbers in a text with a real minus sign, and no zero with a sign."""
    text = re.sub(r"(?<![\w.,−-])[+−-](0(?:\.0+)? %)", r"\1", text)
    return re.sub(r"(?<![\w.,−-])-(?=\d)", "−", text)


NE107: dict[Signal, str] = {
    "F": "failure",
    "C": "function check",
    "S": "out of specification",
    "M": "maintenance required",
}
"""Status signals of a transmitter, in the words of NAMUR NE 107."""
