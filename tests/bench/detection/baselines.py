"""Two plain ways to watch a train, to compare with: what a good spreadsheet would do.

`fixed_limits`: raw feed pressure and raw permeate conductivity of the train, hourly medians, against the first
48 hours.
`daily_criteria`: daily medians of the normalized values against the baseline, the customary criteria, three days
in a row, and a symptom table. Criteria: criteria.csv of the tests' reference folder.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules import robust
from rules.noise import split
from rules.train import QUANTITIES
from tests.bench.detection.histories import DAY_S, History

Array = NDArray[np.float64]

RAW_LIMIT = {"1/feed_pressure": 0.15, "permeate_conductivity": 0.20}
CRITERIA = {"permeate_flow": -0.10, "salt_passage": 0.10, "pressure_drop": 0.15}
BASELINE_S = 48 * 3600.0
DAYS_IN_A_ROW = 3

SYMPTOMS = (
    # flow, passage, drop: -1 down, 0 still, 1 up; first stage or last; cause
    ((-1, 0, 1), None, "biofouling"),
    ((0, 0, 1), None, "biofouling"),
    ((-1, 1, 1), "last", "scaling"),
    ((-1, 1, 1), None, "metal_oxide_fouling"),
    ((-1, 1, 0), "last", "scaling"),
    ((-1, 0, 0), "last", "scaling"),
    ((-1, 0, 0), None, "organic_fouling"),
    ((-1, 1, 0), None, "organic_fouling"),
    ((1, 1, 0), None, "oxidation_damage"),
    ((0, 1, 0), None, "o_ring_leak"),
    ((0, 1, -1), None, "brine_seal_bypass"),
    ((0, 0, -1), None, "brine_seal_bypass"),
)
"""The customary symptom table, as a person reads it."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """When a plain method speaks, and what it takes it for; day since the start of the history."""

    day: float
    cause: str
    stage: int | None


def _hours(history: History, signal: str) -> tuple[Array, Array]:
    rows = [
        (t.digest.start, t.digest.signals[signal])
        for t in history.told
        if t.digest is not None and signal in t.digest.signals
    ]
    if not rows:
        return np.empty(0), np.empty(0)
    table = np.array(rows)
    hour = table[:, 0] // 3600.0
    return np.unique(hour) * 3600.0, np.array(
        [np.median(table[hour == h, 1]) for h in np.unique(hour)]
    )


def fixed_limits(history: History) -> list[Alarm]:
    """Alarms of raw limits, the same for feed pressure as fouling and for conductivity as a leak."""
    found = []
    for signal, limit in RAW_LIMIT.items():
        times, values = _hours(history, signal)
        if not len(times):
            continue
        reference = np.median(values[times < times[0] + BASELINE_S])
        high = values > reference * (1.0 + limit)
        begins = np.flatnonzero(high & ~np.concatenate([[False], high[:-1]]))
        cause = "biofouling" if signal.endswith("pressure") else "o_ring_leak"
        last = -np.inf
        for i in begins:
            if times[i] - last > 3 * DAY_S:
                found.append(Alarm((times[i] - history.start) / DAY_S, cause, None))
            last = times[i]
    return sorted(found, key=lambda a: a.day)


def daily_criteria(history: History) -> list[Alarm]:
    """Alarms of daily normalized values beyond a criterion, with the cause of the symptom table."""
    digests = [t.digest for t in history.told if t.digest is not None]
    names = [o for o in history.plan.observables if split(o)[0] != "balance"]
    if not digests:
        return []
    starts = np.array([d.start for d in digests])
    table = np.array([[d.values.get(n, np.nan) for n in names] for d in digests])
    early = starts < starts[0] + BASELINE_S
    change = np.expm1(table - robust.median(table[early]))
    day = ((starts - history.start) // DAY_S).astype(int)
    numbers = np.unique(day)
    daily = np.array([robust.median(change[day == d]) for d in numbers])
    limits = np.array([CRITERIA[split(n)[1]] for n in names])
    beyond = daily / limits >= 1.0
    sections = list(dict.fromkeys(split(n)[0] for n in names))
    found: list[Alarm] = []
    standing = False
    for i in range(DAYS_IN_A_ROW - 1, len(numbers)):
        now = beyond[i - DAYS_IN_A_ROW + 1 : i + 1].all(axis=0)
        if now.any() and not standing:
            worst = int(np.nanargmax(np.where(now, daily[i] / limits, -np.inf)))
            section = split(names[worst])[0]
            found.append(_named(daily[i], names, section, sections, float(numbers[i]) + 1.0))
        standing = bool(now.any())
    return found


def _named(row: Array, names: list[str], section: str, sections: list[str], day: float) -> Alarm:
    signs = []
    for quantity in QUANTITIES:
        name = f"{section}/{quantity}"
        value = row[names.index(name)] if name in names else 0.0
        half = abs(CRITERIA[quantity]) / 2.0
        signs.append(0 if not abs(value) >= half else int(np.sign(value)))
    last = section == sections[-1] and len(sections) > 1
    stage = int(section) if section.isdigit() else None
    for pattern, where, cause in SYMPTOMS:
        if tuple(signs) == pattern and (where is None or last):
            return Alarm(day, cause, stage)
    return Alarm(day, "none", stage)
