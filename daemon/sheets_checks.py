"""What is odd about handheld readings, asked before they are judged: impossible values and slips of unit.

A slip of one reading leaves that reading out; a slip of the whole sheet would make every answer wrong, so it is a
problem and nothing is judged until somebody has said which unit it was.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daemon.conditions import StageState
from rules.conductivity import VALID_US_CM
from rules.survey import SLIP, thousandfold

MOST_TEMPERATURE_C = 45.0
LEAST_TEMPERATURE_C = 0.5
TEMPERATURE_APART_K = 8.0
"""Sample and feed further apart than this are asked about. Common practice, no source."""

CONCENTRATE_TIMES = 20.0
"""No water of a stage is saltier than this many times its feed. Recovery of 95 %."""


@dataclass(frozen=True, slots=True)
class Taken:
    """One reading as it is judged. where : file and line, or what the page calls it. name : what it is of.

    us_cm : as the meter shows it.
    """

    where: str
    name: str
    us_cm: float
    temperature_c: float | None = None

    @property
    def said(self) -> str:
        """Where and what, once."""
        return self.where if self.where == self.name else f"{self.where}: {self.name}"


@dataclass(frozen=True, slots=True)
class Checked:
    """problems : nothing can be judged. questions : what was left out or looks odd. usable : by reading."""

    problems: tuple[str, ...]
    questions: tuple[str, ...]
    usable: tuple[bool, ...]
    temperatures: tuple[float | None, ...]


NEIGHBORS = 4
"""Samples along a tube that one is compared with: the profile itself may rise tenfold."""


def checked(
    readings: Sequence[Taken], state: StageState, along: Sequence[float] | None = None
) -> Checked:
    """Look at the numbers of a sheet together. along : where each was taken, of a profile."""
    problems: list[str] = []
    questions: list[str] = []
    usable = [True] * len(readings)
    values = np.array([r.us_cm for r in readings], dtype=np.float64)
    positive = values[np.isfinite(values) & (values > 0.0)]
    for i, r in enumerate(readings):
        if not np.isfinite(r.us_cm) or r.us_cm <= 0.0:
            usable[i] = False
            questions.append(f"{r.said}: {r.us_cm:g} µS/cm is impossible. What did the meter show?")
    slipped = _whole_sheet(positive, state)
    if slipped:
        problems.append(f"{readings[0].where.rpartition(':')[0] or readings[0].where}: {slipped}")
    elif len(positive):
        middle = _others(values, along)
        for i in np.flatnonzero(thousandfold(values / middle)).tolist():
            if not usable[i]:
                continue
            usable[i] = False
            low = values[i] < middle[i]
            meant = values[i] * 1000.0 if low else values[i] / 1000.0
            questions.append(
                f"{readings[i].said}: {values[i]:g} µS/cm is about a thousand"
                f" {'times less' if low else 'times more'} than the others. Was it"
                f" {'in mS/cm' if low else 'read in nS/cm, or is a decimal point missing'}:"
                f" {meant:g} µS/cm?"
            )
        questions += _too_salty(readings, usable, state)
    temperatures, asked = _temperatures(readings, state)
    return Checked(
        tuple(problems), tuple(dict.fromkeys([*questions, *asked])), tuple(usable), temperatures
    )


def _others(values: np.ndarray, along: Sequence[float] | None) -> np.ndarray:
    """What each reading is compared with: the median of all, or of its neighbors along the tube."""
    fine = np.isfinite(values) & (values > 0.0)
    if along is None:
        return np.full(len(values), np.median(values[fine]))
    at = np.asarray(along)
    found = np.full(len(values), np.nan)
    for i in range(len(values)):
        others = np.flatnonzero(fine & (np.arange(len(values)) != i))
        near = others[np.argsort(np.abs(at[others] - at[i]), kind="stable")[:NEIGHBORS]]
        if len(near):
            found[i] = np.median(values[near])
    return found


def _whole_sheet(positive: np.ndarray, state: StageState) -> str:
    """What is wrong with the unit of all the readings, or nothing."""
    if not len(positive):
        return ""
    middle = float(np.median(positive))
    near = state.values.get("permeate_conductivity")
    feed = state.values.get("feed_conductivity")
    if near is not None and near / middle > SLIP[0] and near / middle < SLIP[1]:
        return (
            f"the readings are about {middle:g} µS/cm, the stage's own instrument shows {near:.3g} µS/cm. Were they"
            " in mS/cm? Name the column conductivity_ms_cm, or say --units conductivity=mS/cm"
        )
    if positive.max() < VALID_US_CM[0]:
        return (
            f"all readings are under {VALID_US_CM[0]:g} µS/cm, purer than permeate is. Were they in mS/cm? Name"
            " the column conductivity_ms_cm, or say --units conductivity=mS/cm"
        )
    if near is not None and SLIP[0] < middle / near < SLIP[1]:
        return (
            f"the readings are about {middle:g} µS/cm, the stage's own instrument shows {near:.3g} µS/cm: a thousand"
            " times less. Were they in µS/cm, and the column is named in mS/cm?"
        )
    if middle > VALID_US_CM[1] or (feed is not None and middle > CONCENTRATE_TIMES * feed):
        return (
            f"the readings are about {middle:g} µS/cm, saltier than any water of this stage. Were they in µS/cm,"
            " and the column is named in another unit?"
        )
    return ""


def _too_salty(readings: Sequence[Taken], usable: list[bool], state: StageState) -> list[str]:
    feed = state.values.get("feed_conductivity")
    questions = []
    for i, r in enumerate(readings):
        if usable[i] and feed is not None and r.us_cm > CONCENTRATE_TIMES * feed:
            usable[i] = False
            questions.append(
                f"{r.said}: {r.us_cm:g} µS/cm is saltier than any water of this stage (its feed has"
                f" {feed:.0f} µS/cm). What did the meter show?"
            )
    return questions


def _temperatures(
    readings: Sequence[Taken], state: StageState
) -> tuple[tuple[float | None, ...], list[str]]:
    """Temperatures that can be, those of the others where one is missing, and what is asked."""
    asked = []
    given = [r.temperature_c for r in readings]
    water = state.values.get("temperature")
    fine: list[float | None] = []
    for r, t in zip(readings, given, strict=True):
        if t is None:
            fine.append(None)
            continue
        as_fahrenheit = (t - 32.0) / 1.8
        possible = LEAST_TEMPERATURE_C <= t <= MOST_TEMPERATURE_C
        far = water is not None and abs(t - water) > TEMPERATURE_APART_K
        maybe = LEAST_TEMPERATURE_C <= as_fahrenheit <= MOST_TEMPERATURE_C and (
            water is None or abs(as_fahrenheit - water) <= TEMPERATURE_APART_K
        )
        if possible and not far:
            fine.append(t)
            continue
        if maybe and (not possible or far):
            asked.append(
                f"{r.said}: {t:g} °C looks like Fahrenheit ({as_fahrenheit:.1f} °C). Name the column"
                " temperature_f, or say --units temperature=°F"
            )
        elif not possible:
            asked.append(f"{r.said}: {t:g} °C cannot be permeate. What did the meter show?")
        else:
            asked.append(
                f"{r.said}: {t:g} °C, while the feed has {water:.1f} °C. Was the sample left standing?"
            )
            fine.append(t)
            continue
        fine.append(None)
    known = [t for t in fine if t is not None]
    if len(known) == len(fine) or not known:
        return tuple(fine), asked
    middle = float(np.median(known))
    without = [r.name for r, t in zip(readings, fine, strict=True) if t is None]
    asked.append(
        f"{readings[0].where.rpartition(':')[0] or 'readings'}: no usable temperature of {', '.join(without)};"
        f" {middle:.1f} °C, that of the others, was taken. Is that right?"
    )
    return tuple(middle if t is None else t for t in fine), asked
