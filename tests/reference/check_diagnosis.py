"""Causes, actions and chemistry of the diagnosis cases.

The deviations of a case are put before the likelihood as they stand; the history is the shape the table names.
"""

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules import causes, hypotheses, noise, sections, trend
from rules.actions import CHEMISTRY, action
from rules.causes import Candidates, Verdict
from rules.sections import Plan
from tests.reference.checks import check
from tests.reference.tables import rows
from tests.unit.test_sections import train, values

TABLE = "diagnosis_cases.csv"
SOURCE = "cases constructed by judgement from a cause-symptom matrix"

OURS = {
    "biofouling": {"biofouling"},
    "colloidal_fouling": {"colloidal_fouling"},
    "inlet_channel_plugging": {"colloidal_fouling"},
    "pretreatment_upset": {"colloidal_fouling"},
    "metal_oxide_fouling": {"metal_oxide_fouling"},
    "organic_fouling": {"organic_fouling"},
    "antiscalant_overdose_or_incompatible": {"organic_fouling"},
    "carbonate_scaling": {"scaling"},
    "sulfate_scaling": {"scaling"},
    "silica_scaling": {"scaling"},
    "antiscalant_failure": {"scaling"},
    "oxidant_damage": {"oxidation_damage"},
    "hydrolysis_by_cleaning": set[str](),  # not told apart from oxidation, whose remedy is another
    "seal_leak": {"o_ring_leak"},
    "glue_line_delamination": {"damaged_element"},
    "compaction": {"compaction"},
    "feed_temperature_change": {"none"},
    "flow_meter_fault": {"instrument_fault"},
    "conductivity_cell_fault": {"instrument_fault"},
    "pressure_transmitter_fault": {"instrument_fault"},
    "blocked_pressure_tap": {"instrument_fault"},
    "cleaning_residue": {"operating_change"},
    "recovery_too_high": {"operating_change"},
}
SEEN = {
    "D01": {"turbid": False},
    "D03": {"orp_raised": True},
    "D05": {"hot": True},
    "D13": {"just_cleaned": True},
    "D15": {"recovery_raised": True},
}
"""What the column `context` says that the instruments show."""

OTHER_CHEMISTRY = {
    "D10": "silica, sulfate and carbonate are one cause here, and an acid clean is its first step",
}
"""Cases whose cleaning we begin otherwise, with the reason."""

BALANCE = {
    # "flow balance of stage 1 closes to 8 %": its meter makes two thirds of the sum (50 of 75 m3/h).
    "D07": {"balance/permeate_flow": -np.log1p(0.08 * 50.0 / 75.0)},
    # "salt balance broken by 30 % on the feed side": salt out over salt in is 1.3.
    "D08": {"balance/salt": np.log(1.3)},
}
CASES = {row["case"]: row for row in rows(TABLE)}
NO_CLEAN = ("probe", "replace", "rebaseline", "none", "fix instrument", "fix operating point")
COLUMNS = (("permeate_flow", "flow"), ("salt_passage", "passage"), ("pressure_drop", "dP"))


@cache
def plan() -> Plan:
    """A train of two stages with every instrument."""
    return sections.plan(train())


@cache
def candidates() -> Candidates:
    """All its causes."""
    membrane = hypotheses.membrane_hypotheses(plan())
    return Candidates(membrane + hypotheses.instrument_hypotheses(plan(), values(plan())))


def deviation(case: str) -> NDArray[np.float64]:
    """The deviations of a case, 0 for balances that it does not mention."""
    z = dict.fromkeys(plan().observables, 0.0)
    for stage in (1, 2):
        for quantity, column in COLUMNS:
            percent = float(CASES[case][f"s{stage}_{column}_pct"])
            z[f"{stage}/{quantity}"] = float(np.log1p(percent / 100.0))
    z |= BALANCE.get(case, {})
    return np.array(list(z.values()))


@cache
def judged(case: str) -> Verdict:
    """The verdict on a case: its deviations, its days and its shape, on quiet data."""
    names, row = plan().observables, CASES[case]
    z = deviation(case)
    covariance = noise.Noise(names, dict.fromkeys(names, 0.004)).covariance(24, 30 * 86400.0)
    leading = names[int(np.nanargmax(causes.standing_out(z, covariance)))]
    length = max(float(row["days"]), 0.0)
    days = np.arange(-20.0, length + 1.0, 0.25)
    if "step" in row["shape"]:
        course = (days > 0.0).astype(float)
    else:
        power = 2.0 if row["shape"] == "accelerating" else 1.0
        course = np.clip(days / max(length, 0.25), 0.0, 1.0) ** power
    level = course * z[names.index(leading)]
    scatter = np.random.default_rng(1).normal(0.0, 0.004, len(days))
    shape = trend.shape(days, level + scatter, np.full(len(days), 0.005), 0.01)
    return causes.judge(candidates(), z, covariance, shape, SEEN.get(case))


def _action(case: str) -> str:
    return action(judged(case).causes[0].cause, SEEN.get(case, {}))


def _accepted(case: str) -> set[str]:
    row = CASES[case]
    names = [row["first_cause"], *filter(None, row["also_accept"].split(";"))]
    return set().union(*(OURS[name] for name in names))


@check(
    "First cause of the diagnosis cases",
    source=SOURCE,
    status="constructed",
    tolerance=0,
    measure="mismatches",
    table=TABLE,
)
def first_causes() -> ArrayLike:
    """Cases whose first cause is none that the table accepts."""
    return np.array([judged(case).causes[0].cause not in _accepted(case) for case in CASES])


@check(
    "No cleaning advised where cleaning is wrong",
    source=SOURCE,
    status="constructed",
    tolerance=0,
    measure="mismatches",
    table=TABLE,
)
def no_cleaning() -> ArrayLike:
    """Cases that need a probe, a part, an instrument or a set-point, and are advised to be cleaned."""
    cases = [case for case, row in CASES.items() if row["action"] in NO_CLEAN]
    return np.array([_action(case) == "clean" for case in cases])


@check(
    "Cleaning advised for fouling and scale, with its chemistry",
    source=SOURCE,
    status="constructed",
    tolerance=0,
    measure="mismatches",
    table=TABLE,
)
def cleaning() -> ArrayLike:
    """Cases to be cleaned that are not, or whose chemistry is another without standing in `OTHER_CHEMISTRY`."""
    wrong, other = 0, set()
    for case, row in CASES.items():
        if row["action"].startswith("clean"):
            cause = judged(case).causes[0].cause
            wrong += _action(case) != "clean"
            if not CHEMISTRY.get(cause, "").startswith(row["action"].removeprefix("clean ")):
                other.add(case)
    return np.array(wrong + len(other ^ set(OTHER_CHEMISTRY)))
