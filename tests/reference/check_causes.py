"""The signature table and the remedies against the cause-symptom matrix, row by row."""

import re
from collections.abc import Iterator
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from rules import sections
from rules.actions import ACTION, CHEMISTRY
from rules.signatures import PERMEATE_BACKPRESSURE, SIGNATURES, Signature
from rules.train import Limits
from tests.reference.checks import check
from tests.reference.tables import rows
from tests.unit.test_sections import train, values

TABLE = "cause_matrix.csv"
SOURCE = "cause-symptom matrix: field manual, troubleshooting and autopsy pages, reviews; sizes from memory"
MATRIX = {row["cause"]: row for row in rows(TABLE)}

FAST = 0.5
"""Step probability from which on a signature is one that comes at once. [-]"""


OURS: dict[str, tuple[Signature, ...]] = {
    name: tuple(s for s in (*SIGNATURES, PERMEATE_BACKPRESSURE) if name in s.rows)
    for name in MATRIX
    if any(name in s.rows for s in (*SIGNATURES, PERMEATE_BACKPRESSURE))
}
INSTRUMENTS = {
    # Row -> a transmitter of that kind; one of the two columns `flow` and `passage` is not of its kind.
    "flow_meter_fault": "1/permeate_flow",
    "conductivity_cell_fault": "1/permeate_conductivity",
    "pressure_transmitter_fault": "1/feed_pressure",
}
NO_SIGNATURE = {
    "hydrolysis_by_cleaning": "moves the same way as oxidation, and is not told apart from it",
    "feed_temperature_change": "normalized away: nothing moves, so there is no signature",
    "feed_salinity_change": "normalized away: nothing moves, so there is no signature",
    "blocked_pressure_tap": "a value that stands still is a notice of its own (rules.transmitters)",
}
"""Rows without a signature, each with the reason."""

SCALE_TAIL = (
    "one train in twenty with scale shows it everywhere: stages in common sections, late cases"
)
ACCEPTED = {
    ("carbonate_scaling", "place all"): SCALE_TAIL,
    ("sulfate_scaling", "place all"): SCALE_TAIL,
    ("phosphate_scaling", "place all"): SCALE_TAIL,
    ("antiscalant_failure", "place all"): SCALE_TAIL,
    ("sulfate_scaling", "remedy"): "scale is one cause here; acid is the first clean of most of it",
    ("silica_scaling", "remedy"): "scale is one cause here; acid is the first clean of most of it",
    ("inlet_channel_plugging", "remedy"): "by numbers it is a pretreatment upset, which is cleaned",
    ("permeate_backpressure_change", "flow"): "only where the permeate pressure is not measured",
    (
        "cleaning_residue",
        "remedy",
    ): "the operating point has changed; within two days of a clean it is watched",
    (
        "flow_meter_fault",
        "passage",
    ): "by the fixed convention salt passage goes with flow times concentration: it "
    "follows its own stage's meter, and opposes it only in the next stage, whose feed is computed",
}
"""Deviations on purpose: (row, column) -> reason. Anything else that differs fails."""

NEAR_NONE = 0.1
"""A mean of this share of the leading quantity counts as none. [-]"""

PLACES = {
    "lead elements": ("lead",),
    "stage 1, first element": ("lead",),
    "stage 1 or all": ("lead", "all"),
    "all stages": ("all",),
    "or all": ("all",),
    "last stage": ("tail",),
    "one vessel": ("any",),
    "one or more vessels": ("any",),
    "any vessel": ("any",),
    "stage concerned": ("any",),
    "stages cleaned": ("all",),
}
DAYS = {"hour": (0.04, 1.0), "day": (1.0, 14.0), "week": (5.0, 60.0), "month": (30.0, 365.0)}
"""How long each word of the column `speed` lasts. [d]"""


def _signs(cell: str) -> set[int]:
    words = {"none": 0, "up": 1, "down": -1, "fall": -1, "high beforehand": 0}
    return {sign for word, sign in words.items() if word in cell}


def _percent(cell: str) -> tuple[float, float]:
    """Smallest and largest size of a change in per cent; 0 to 0 without one."""
    found = re.search(r"(\d+)(?:-(\d+))?%", cell)
    if not found:
        return 0.0, 0.0
    low, high = float(found[1]), float(found[2] or found[1])
    return (0.0 if "none" in cell else min(low, high)), max(low, high)


def _parts(signature: Signature) -> dict[str, float]:
    return {"flow": signature.flow[0], "passage": signature.passage[0], "dP": signature.drop[0]}


def directions() -> Iterator[tuple[str, str]]:
    """(row, column) whose direction differs."""
    for name, signatures in OURS.items():
        for signature in signatures:
            for column, size in _parts(signature).items():
                sign = 0 if abs(size) <= NEAR_NONE else int(np.sign(size))
                if sign not in _signs(MATRIX[name][column]):
                    yield name, column


def places() -> Iterator[tuple[str, str]]:
    """(row, "place" and which) where a signature may show in a place that the row does not name."""
    for name, signatures in OURS.items():
        cell = MATRIX[name]["where_first"]
        allowed = {p for words, found in PLACES.items() if words in cell for p in found}
        assert allowed, f"{name}: no place is read from {cell!r}"
        yield from ((name, f"place {s.place}") for s in signatures if s.place not in allowed)


def speeds() -> Iterator[tuple[str, str]]:
    """(row, "speed") where a step is a ramp, or the usual limit is reached in no time that the row names."""
    limits = Limits()
    limit = {
        "flow": -limits.permeate_flow,
        "passage": limits.salt_passage,
        "dP": limits.pressure_drop,
    }
    for name, signatures in OURS.items():
        row = MATRIX[name]
        cell = f"{row['speed']} {row['passage']} {row['dP']}"
        at_once = ("after loading", "with the set-point", "immediately after a clean")
        stepped = "step" in cell or row["speed"].startswith(at_once)
        ranges = [days for word, days in DAYS.items() if word in row["speed"]]
        assert stepped or ranges, f"{name}: no speed is read from {row['speed']!r}"
        for s in signatures:
            lead = max(_parts(s), key=lambda column: abs(_parts(s)[column]))
            usual, factor = s.rate
            early, late = (limit[lead] / usual / factor, limit[lead] / usual * factor)
            overlaps = any(early <= high and late >= low for low, high in ranges)
            if not ((stepped and s.step >= FAST) or overlaps):
                yield name, "speed"
        growing = [s.accelerating > FAST for s in signatures]
        if any(growing) != ("accelerating" in row["speed"]):
            yield name, "speed"


def remedies() -> Iterator[tuple[str, str]]:
    """(row, "remedy") where our first action or chemistry is not the row's."""
    for name in (*OURS, *INSTRUMENTS):
        ours = "instrument_fault" if name in INSTRUMENTS else OURS[name][0].cause
        cell, seen = MATRIX[name]["remedy"], MATRIX[name]["confirmation"]
        chemistry = CHEMISTRY.get(ours, "").split(" ")[0]
        never = "do not clean" in cell or "no cleaning" in cell
        cleans = re.search(r"(acid|alkaline)[^;,]*clean", cell) is not None
        kind = re.search("acid|alkaline", cell)
        fits = {
            # The chemistry that the row names first, where it does not leave it to the type of scale.
            "clean": not never
            and ("clean by type of scale" in cell or (kind is not None and kind[0] == chemistry)),
            "replace": cell.startswith("replace"),
            # What opens a vessel is found by survey, probe, vacuum test or inspection first.
            "probe": not cleans and re.search("survey|prob|vacuum|inspect", seen) is not None,
            "check_instrument": re.search("repair|calibrate", cell) is not None,
            "adjust_operation": "operating point" in cell,
            "watch": cell.startswith("none"),
        }
        if not fits[ACTION[ours]]:
            yield name, "remedy"


@cache
def _errors(signal: str) -> dict[str, float]:
    """Share of the largest change that a transmitter reading high makes of its stage's quantities."""
    plan = sections.plan(train())
    at = values(plan)
    column = plan.train.signals.index(signal)
    moved = plan.jacobian(at)[:, column]
    stage = signal[0]
    by_name = dict(zip(plan.observables, moved.tolist(), strict=True))
    found = {
        "flow": by_name[f"{stage}/permeate_flow"],
        "passage": by_name[f"{stage}/salt_passage"],
        "dP": by_name[f"{stage}/pressure_drop"],
    }
    largest = max(map(abs, found.values()))
    return {k: v / largest for k, v in found.items()}


def transmitters() -> Iterator[tuple[str, str]]:
    """(row, column) where a transmitter's error moves what the row says it does not, or the reverse."""
    for name, signal in INSTRUMENTS.items():
        moved = _errors(signal)
        for column, share in moved.items():
            cell = MATRIX[name][column]
            small = abs(share) <= NEAR_NONE
            still = "none" in cell or cell == "small"
            wrong = still and not small
            if "step" in cell or "drift" in cell:
                wrong = wrong or abs(share) < 1e-3
            if "opposite sign" in cell:
                wrong = wrong or share * moved["flow"] > 0
            if wrong:
                yield name, column


def found() -> set[tuple[str, str]]:
    """Every (row, column) that differs."""
    return {*directions(), *places(), *speeds(), *remedies(), *transmitters()}


@check(
    "Direction, place, speed and remedy of every cause, deviations on purpose aside",
    source=SOURCE,
    status="mixed",
    tolerance=0,
    measure="mismatches",
    table=TABLE,
)
def signatures() -> ArrayLike:
    """Cells that differ and are not accepted, accepted ones that differ no more, and rows left out."""
    rows_left = set(MATRIX) ^ {*OURS, *INSTRUMENTS, *NO_SIGNATURE}
    return np.array(len(found() ^ set(ACCEPTED)) + len(rows_left))


@check(
    "Sizes of flow, passage and drop relative to each other",
    source=SOURCE,
    status="mixed",
    tolerance=0,
    measure="mismatches",
    table=TABLE,
)
def sizes() -> ArrayLike:
    """Ratios of two sizes that lie outside those of the row's percentages, by more than the stated spread."""
    return np.array(len(list(_ratios())))


def _ratios() -> Iterator[tuple[str, str]]:
    for name, signatures in OURS.items():
        sized = {c: _percent(MATRIX[name][c]) for c in ("flow", "passage", "dP")}
        for s in signatures:
            parts = _parts(s)
            spreads = {"flow": s.flow[1], "passage": s.passage[1], "dP": s.drop[1]}
            lead = max(parts, key=lambda c: abs(parts[c]))
            if not sized[lead][0]:
                continue  # the row gives no number for what leads
            for column, (low, high) in sized.items():
                if column == lead or not high:
                    continue
                size, spread = abs(parts[column]), spreads[column]
                if (
                    not low / sized[lead][1] <= size + spread
                    or size - spread > high / sized[lead][0]
                ):
                    yield name, column
