"""A probe of a vessel judged: readings checked, the element or joint named, and said in plain words."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from daemon.conditions import StageState
from daemon.plantfile import Plant, TrainConfig
from daemon.sheets_checks import Taken, checked
from daemon.sheets_reader import ReadingsUnusable
from daemon.survey import METER
from rules import probe as rules
from rules.probe import Explanation
from rules.train import Compensation
from rules.tube import Tube, expected_mg_l, positions

Verdict = Literal["sound", "damaged_element", "o_ring_leak", "adapter_leak"]

AGREE = 0.10
"""Two readings of one place nearer than this are both used."""

GAP = 1.2
"""Samples further apart than this leave something between them that cannot be told. [elements]"""

LENGTHS = (("cm", 10.0), ("in", 25.4), ("ft", 304.8), ("m", 1000.0))


@dataclass(frozen=True, slots=True)
class At:
    """A reading at a distance of the tube's tip from the port. [mm]"""

    distance_mm: float
    taken: Taken


@dataclass(frozen=True, slots=True)
class ProfilePoint:
    """One sample. us_cm, expected_us_cm : at 25 °C; None where it was left out."""

    distance_mm: float
    us_cm: float | None
    expected_us_cm: float | None


@dataclass(frozen=True, slots=True)
class ElementLine:
    """One element's own permeate at 25 °C, by mass balance; None where the samples do not tell."""

    position: int
    us_cm: float | None
    error_us_cm: float | None
    expected_us_cm: float | None


@dataclass(frozen=True, slots=True)
class ProbeAnswer:
    """verdict, where : the likeliest explanation. confidence : its probability.

    others : further explanations in words with their probabilities. curve : distance and expected conductivity
    along the tube. next_mm : the one more sample that would decide, or None. questions : what looks wrong with the
    readings. notes : what is known less well.
    """

    vessel: str
    tube: Tube
    profile: tuple[ProfilePoint, ...]
    verdict: Verdict
    where: str | None
    confidence: float
    decided: bool
    words: str
    elements: tuple[ElementLine, ...]
    others: tuple[tuple[str, float], ...]
    curve: tuple[tuple[float, float], ...]
    accused: tuple[tuple[str, int], ...]
    next_step: str
    next_mm: float | None
    questions: tuple[str, ...]
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """As DESIGN promises it; conductivities at 25 °C."""
        return {
            "vessel": self.vessel,
            "profile": [
                {
                    "distance_mm": p.distance_mm,
                    "conductivity": _rounded(p.us_cm),
                    "expected": _rounded(p.expected_us_cm),
                }
                for p in self.profile
            ],
            "verdict": self.verdict,
            "where": self.where,
            "confidence": round(self.confidence, 3),
            "contributions": [
                {
                    "position": e.position,
                    "conductivity": _rounded(e.us_cm),
                    "expected": _rounded(e.expected_us_cm),
                }
                for e in self.elements
            ],
            "next": " ".join([*self.questions, self.next_step]),
        }


def _rounded(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.4g}")


def verdict_of(vessel: str, elements: int, first: Explanation) -> tuple[Verdict, str | None]:
    """The verdict and the place as everything else of the product names them.

    Of two faults the larger one; damage from one end is named by its end element.
    """
    if first.kind == "sound":
        return "sound", None
    if first.kind == "lead":
        return "damaged_element", f"{vessel}/1"
    if first.kind == "tail":
        return "damaged_element", f"{vessel}/{elements}"
    largest = int(np.argmax(first.sizes)) if len(first.sizes) == len(first.where) else 0
    what, number = first.where[largest]
    if what == "element":
        return "damaged_element", f"{vessel}/{number}"
    if number == 0:
        return "adapter_leak", "feed adapter"
    if number == elements:
        return "adapter_leak", "concentrate adapter"
    return "o_ring_leak", f"{vessel}/{number}-{number + 1}"


def tube_of(
    train: TrainConfig, stage: int, measured_from: Literal["concentrate", "feed"] | None = None
) -> Tube:
    """The tube of the vessels of a stage; ReadingsUnusable when that end is blocked."""
    try:
        return Tube.of(train.stages[stage - 1], measured_from)
    except ValueError as error:
        raise ReadingsUnusable(f"stage {stage}: {error}") from error


def judge(
    plant: Plant,
    vessel: str,
    tube: Tube,
    readings: Sequence[At],
    state: StageState,
    *,
    meter: float = METER,
    compensation: Compensation = Compensation(),  # noqa: B008 - frozen
    partly: bool = False,
) -> ProbeAnswer:
    """The answer to samples of a vessel; ReadingsUnusable when the sheet as a whole cannot be right.

    partly : readings are still coming in, so stretches without one are not asked for.
    """
    if not readings:
        raise ReadingsUnusable(f"no reading of vessel {vessel}")
    look = checked([r.taken for r in readings], state, [r.distance_mm for r in readings])
    problems = list(look.problems)
    questions = list(look.questions)
    usable = list(look.usable)
    if not problems and not partly:
        problems += _length_slip(tube, readings)
    if not problems:
        questions += _outside(tube, readings, usable)
        questions += _twice(readings, usable)
    if compensation.kind == "none" and any(t is None for t in look.temperatures):
        problems.append(
            "a meter without compensation needs the temperature of every sample; add a column temperature_c"
        )
    if not problems and sum(usable) < rules.FEWEST:
        at = ", ".join(f"{p.distance_mm:.0f}" for p in positions(tube))
        problems.append(
            f"vessel {vessel}: {sum(usable)} usable sample{'' if sum(usable) == 1 else 's'}, at least"
            f" {rules.FEWEST} are needed. Sample at {at} mm"
        )
    if problems:
        raise ReadingsUnusable("\n".join([*problems, *questions]))
    if not partly:
        questions += _gaps(tube, [r for r, fine in zip(readings, usable, strict=True) if fine])
    at_mm = np.array([r.distance_mm for r in readings])
    shown = np.array([r.taken.us_cm for r in readings])
    shown[~np.array(usable)] = np.nan
    warmth = np.array([np.nan if t is None else t for t in look.temperatures])
    got = rules.probe(
        tube,
        at_mm,
        shown,
        healthy=state.healthy,
        temperature_c=None if np.isnan(warmth).all() else warmth,
        compensation=compensation,
        water=plant.water,
        meter=meter,
    )
    for left in got.left_out:
        if usable[left.index]:
            questions.append(
                f"{readings[left.index].taken.where}: {left.name}: left out, {left.reason}."
            )
    first = got.first
    if first is None or got.sound is None:
        raise ReadingsUnusable("\n".join([*questions, got.next_step]))
    verdict, where = verdict_of(vessel, tube.elements, first)
    # Of a vessel's permeate the two are proportional within a per cent.
    for_each = float(np.nanmedian(got.conductivity_25_us_cm / got.concentration_mg_l))

    def us_cm(mg_l: float) -> float | None:
        return mg_l * for_each if math.isfinite(mg_l) else None

    notes = list(state.notes)
    if state.healthy is None and not notes:
        notes.append(
            "The operating conditions are not known: the shape of the profile was judged, not its level."
        )
    grid = np.linspace(0.0, tube.length_mm, 8 * tube.elements + 1)
    along = expected_mg_l(tube, got.sound, grid)
    return ProbeAnswer(
        vessel=vessel,
        tube=tube,
        profile=tuple(
            ProfilePoint(
                float(r.distance_mm),
                None
                if math.isnan(got.conductivity_25_us_cm[i])
                else float(got.conductivity_25_us_cm[i]),
                us_cm(float(got.expected_mg_l[i])),
            )
            for i, r in enumerate(readings)
        ),
        verdict=verdict,
        where=where,
        confidence=first.probability,
        decided=got.decided,
        words=first.words,
        elements=tuple(
            ElementLine(p.position, us_cm(p.own_mg_l), us_cm(p.error_mg_l), us_cm(p.expected_mg_l))
            for p in got.parts
        ),
        others=tuple((e.words, e.probability) for e in got.explanations[1:4]),
        curve=tuple(
            (float(mm), float(mg_l) * for_each)
            for mm, mg_l in zip(grid, along, strict=True)
            if math.isfinite(mg_l)
        ),
        accused=first.where,
        next_step=got.next_step,
        next_mm=got.next_sample.distance_mm if got.next_sample is not None else None,
        questions=tuple(questions),
        notes=tuple(notes),
    )


def _length_slip(tube: Tube, readings: Sequence[At]) -> list[str]:
    """Whether all distances are in another unit of length."""
    furthest = max(r.distance_mm for r in readings)
    if len(readings) < 2 or furthest > 0.35 * tube.length_mm:
        least = min(r.distance_mm for r in readings)
        if least > tube.length_mm:
            return [
                f"{readings[0].taken.where}: all distances are beyond the tube's end ({tube.length_mm:.0f} mm)."
                " Is it the right vessel, and the right unit?"
            ]
        return []
    for name, scale in LENGTHS:
        if 0.5 * tube.length_mm <= furthest * scale <= 1.02 * tube.length_mm:
            return [
                f"{readings[0].taken.where}: the distances go to {furthest:g} mm only, the tube is"
                f" {tube.length_mm:.0f} mm long. Were they in {name}? Name the column distance_{name}, or say"
                f" --units distance={name}"
            ]
    return []


def _outside(tube: Tube, readings: Sequence[At], usable: list[bool]) -> list[str]:
    asked = []
    for i, r in enumerate(readings):
        if usable[i] and not 0.0 <= r.distance_mm <= tube.length_mm:
            usable[i] = False
            asked.append(
                f"{r.taken.where}: {r.distance_mm:g} mm is outside the tube, which is 0 to"
                f" {tube.length_mm:.0f} mm from the port. Which distance was it?"
            )
    return asked


def _twice(readings: Sequence[At], usable: list[bool]) -> list[str]:
    """Readings of one place that disagree are left out and asked about."""
    asked = []
    places: dict[float, list[int]] = {}
    for i, r in enumerate(readings):
        if usable[i]:
            places.setdefault(round(r.distance_mm), []).append(i)
    for mm, several in places.items():
        values = [readings[i].taken.us_cm for i in several]
        if len(several) > 1 and max(values) > (1.0 + AGREE) * min(values):
            for i in several:
                usable[i] = False
            where = " and ".join(readings[i].taken.where for i in several)
            shown = " and ".join(f"{v:g}" for v in values)
            asked.append(
                f"{where}: {mm:.0f} mm is there more than once, with {shown} µS/cm. Which one holds? It was"
                " left out."
            )
    return asked


def _gaps(tube: Tube, readings: Sequence[At]) -> list[str]:
    """Stretches without a sample, from end to end of the elements."""
    along = np.sort(tube.along(np.array([r.distance_mm for r in readings])))
    ends = np.concatenate([[min(along[0], 0.0)], along, [max(along[-1], float(tube.elements))]])
    if tube.port == "both":
        return []
    asked = []
    sheet = positions(tube)
    for low, high in itertools.pairwise(ends):
        if high - low > GAP:
            between = [p for p in sheet if low + 0.15 < p.along < high - 0.15]
            at = ", ".join(f"{p.distance_mm:.0f}" for p in between)
            first, last = math.floor(low + 0.2) + 1, math.ceil(high - 0.2)
            named = f"element {first}" if first >= last else f"elements {first} to {last}"
            asked.append(
                f"No sample along {named}: what leaks there cannot be placed. Sample at {at} mm too."
            )
    return asked
