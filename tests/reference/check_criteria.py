"""Limits and constants against maintenance criteria and against those of a field manual."""

import re

import numpy as np
from numpy.typing import ArrayLike

from daemon import commissioning
from daemon.plantfile import units
from daemon.plantfile.result import BaselineConfig
from rules import cleanings, performance, service, survey, temperature, watch
from rules.actions import ACTION, CHEMISTRY
from rules.signatures import SIGNATURES
from rules.train import Limits
from tests.reference.checks import absolute, check
from tests.reference.tables import rows

CRITERIA = "criteria.csv"
MANUAL = "twps_criteria.csv"
FIELD_MANUAL = "TM 10-4610-309-14 work packages 0016, 0020 and 0083; US Army QM4922"

LIMITS = Limits()
HOUR_S = 3600.0
MONTH_S = 365.25 / 12.0 * 86400.0

COMPARED = {
    # Criterion -> our constants, by name, in the unit of the table.
    "fall of standardised permeate flow": {"Limits.permeate_flow": -100 * LIMITS.permeate_flow},
    "rise of standardised salt passage": {"Limits.salt_passage": 100 * LIMITS.salt_passage},
    "rise of normalised feed-concentrate dP": {"Limits.pressure_drop": 100 * LIMITS.pressure_drop},
    "dP per 1016 mm element": {
        "Limits.pressure_drop_per_element_bar": LIMITS.pressure_drop_per_element_bar
    },
    "dP per pressure vessel": {
        "Limits.pressure_drop_per_vessel_bar": LIMITS.pressure_drop_per_vessel_bar
    },
    "temperature of polyamide elements in continuous use": {
        "commissioning.USUAL": commissioning.USUAL["feed_temperature"][1]
    },
    "first baseline taken after": {
        # After a replacement: it begins after the one, and stands after both.
        "watch.SETTLED_S": watch.SETTLED_S / HOUR_S,
        "watch.SETTLED_S + BaselineConfig.hours": watch.SETTLED_S / HOUR_S + BaselineConfig().hours,
        "BaselineConfig.hours": BaselineConfig().hours,
    },
    "flow after a good clean, of the last clean baseline": {
        "cleanings.TARGET_FLOW": 100 * np.exp(cleanings.TARGET_FLOW)
    },
    "clean judged failed if under": {"cleanings.FAILED_FLOW": 100 * np.exp(cleanings.FAILED_FLOW)},
    "dP after a good clean": {"cleanings.TARGET_DROP": 100 * np.exp(cleanings.TARGET_DROP)},
    "salt passage after a clean: transient rise, judge after": {
        "cleanings.SETTLED_S": cleanings.SETTLED_S / HOUR_S
    },
    "permeate quality or production target cannot be met after two correct cleans": {
        "cleanings.MISSES": cleanings.MISSES
    },
    "clean interval shorter than": {
        "cleanings.SHORTEST_INTERVAL_S": cleanings.SHORTEST_INTERVAL_S / MONTH_S
    },
    "irreversible loss against start-up": {
        "cleanings.IRREVERSIBLE_FLOW": -100 * np.expm1(cleanings.IRREVERSIBLE_FLOW)
    },
    "salt passage against start-up": {
        "cleanings.IRREVERSIBLE_PASSAGE": np.exp(cleanings.IRREVERSIBLE_PASSAGE)
    },
    "flush after a clean until permeate and concentrate conductivity and pH match the feed (+-)": {
        "service.MATCH": 100 * service.MATCH
    },
    "low-pressure flush of new elements, discharge permeate": {
        "service.RINSE_S of elements": service.RINSE_S["element_replaced"] / HOUR_S,
        "service.RINSE_S of membranes": service.RINSE_S["membranes_replaced"] / HOUR_S,
    },
    "flow balance closure": {
        "commissioning.BALANCE_LIMIT": 100 * commissioning.BALANCE_LIMIT,
        "performance.BALANCE_LIMIT": 100 * performance.BALANCE_LIMIT,
    },
    "salt balance closure": {
        "commissioning.BALANCE_LIMIT": 100 * commissioning.BALANCE_LIMIT,
        "performance.BALANCE_LIMIT": 100 * performance.BALANCE_LIMIT,
    },
}
OUTSIDE = {
    (
        "flow balance closure",
        "performance.BALANCE_LIMIT",
    ): "one limit for the shift of every balance, between the 5 % of flows and the 10 % of salt",
}
"""Constants outside of a criterion's range on purpose, each with the reason."""

NOT_COMPARED = {
    "latest cleaning: fall of flow after which cleaning often fails to restore": "the limit comes before it",
    "permeate back-pressure over feed side, never above": "it arises at a standstill, where a protection acts; "
    "while running, rules.absolute tells permeate pressure by its share of the driving pressure",
    "free chlorine exposure of polyamide before measurable change": "no chlorine transmitter is read",
    "feed SDI15": "a test by hand, no signal",
    "element weight: drained element heavier than new by": "weighed by hand, no signal",
    "vacuum hold of a spiral element": "a test at the bench, no signal",
    "vessel conductivity against the median of its stage: probe": "the score that the row prefers: see its check",
}
"""Criteria that no constant of ours answers, each with the reason."""


def _range(row: dict[str, str]) -> tuple[float, float]:
    found = re.match(r"[<>=]*([\d.]+)(?:-([\d.]+))?", row["range"])
    assert found is not None, row
    return float(found[1]), float(found[2] or found[1])


@check(
    "Limits and constants within the usual criteria",
    source="maintenance criteria, collected: field manuals, else common practice",
    status="mixed",
    tolerance=0,
    measure="mismatches",
    table=CRITERIA,
)
def criteria() -> ArrayLike:
    """Constants outside of the stated range and not in `OUTSIDE`, or the reverse; criteria in no list."""
    table = {row["criterion"]: row for row in rows(CRITERIA)}
    outside = set()
    for name, ours in COMPARED.items():
        low, high = _range(table[name])
        outside |= {(name, constant) for constant, x in ours.items() if not low <= x <= high + 1e-9}
    left = set(table) ^ {*COMPARED, *NOT_COMPARED}
    return np.array(len(outside ^ set(OUTSIDE)) + len(left))


@check(
    "Score from which on a vessel is probed",
    source="modified z-score, NIST/SEMATECH e-Handbook 1.3.5.17",
    status="mixed",
    tolerance=0,
    measure="absolute",
    table=CRITERIA,
)
def vessel_score() -> ArrayLike:
    """The number that the row of the survey prefers to a ratio."""
    (row,) = (r for r in rows(CRITERIA) if r["group"] == "survey")
    stated = re.search(r"modified z > ([\d.]+)", row["source_and_status"])
    assert stated is not None
    return absolute(survey.LIMIT, float(stated[1]))


MANUAL_NOT_USED = {
    "min_clean_fresh_to_5000": "whether rated production is reached is seen on the permeate flow itself",
    "min_clean_seawater_35000": "whether rated production is reached is seen on the permeate flow itself",
    "min_clean_45000": "whether rated production is reached is seen on the permeate flow itself",
    "min_clean_60000": "whether rated production is reached is seen on the permeate flow itself",
    "rejection_expected_all": "salt passage is judged against the plant's own baseline",
    "rejection_min_gt20000": "salt passage is judged against the plant's own baseline",
    "rejection_min_5000_20000": "salt passage is judged against the plant's own baseline",
    "rejection_min_le5000": "salt passage is judged against the plant's own baseline",
    "product_tds_alarm": "the limit of a product is the plant's, and its control system guards it",
    "ndp_constant": "permeate pressure and pressure drop are measured, not taken as 45 psi",
    "army_flow_fall": "no number; the fall is judged after temperature and pressure are normalized away",
    "army_cartridge_dp": "the pressure drop of the cartridge filter is no signal of ours",
    "army_media_dp": "the pressure drop of the media filter is no signal of ours",
    "army_clean_ph_min": "cleaning solutions are mixed by the site's procedure",
    "unsure_order": "the chemistry of the likeliest cause is named first; wider practice begins alkaline",
}
"""Criteria of the manual that nothing here uses, each with the reason."""


def _answers(item: str, value: float) -> bool:
    """Whether our constants and remedies are those of one criterion of the manual."""
    rising = {s.cause for s in SIGNATURES if s.flow[0] > 0.1}
    return {
        "clean_trigger_drop": abs(-100 * LIMITS.permeate_flow - value) < 1e-9,
        "clean_trigger_level": abs(100 * (1 + LIMITS.permeate_flow) - value) < 1e-9,
        "tcf_reference": abs(units.unit("°F").to_si(value) - temperature.REFERENCE_C) < 1e-9,
        # Flow down and passage up: scale, and acid.
        "acid_clean_pattern": CHEMISTRY["scaling"].startswith("acid")
        and all(
            s.flow[0] < 0 < s.passage[0]
            for s in SIGNATURES
            if CHEMISTRY.get(s.cause, "").startswith("acid")
        ),
        # The manual's last moment; ours comes no later.
        "army_dp_rise": 100 * LIMITS.pressure_drop <= value,
        "army_flow_rise": bool(rising) and all(ACTION[c] in ("replace", "probe") for c in rising),
        "army_mineral_cleaner": {c for c, how in CHEMISTRY.items() if how.startswith("acid")}
        == {"scaling", "metal_oxide_fouling"},
    }[item]


@check(
    "Cleaning triggers and remedies of a field manual",
    source=FIELD_MANUAL,
    status="read",
    tolerance=0,
    measure="mismatches",
    table=MANUAL,
)
def manual() -> ArrayLike:
    """Criteria that our constants and remedies do not meet, and reasons without a criterion."""
    table = {row["item"]: float(row["value"]) for row in rows(MANUAL)}
    used = [item for item in table if item not in MANUAL_NOT_USED]
    return np.array(
        sum(not _answers(item, table[item]) for item in used)
        + len(set(MANUAL_NOT_USED) - set(table))
    )
