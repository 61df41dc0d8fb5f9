"""A survey of a stage judged: readings checked, compared with the stage and its past, and said in plain words."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from daemon.conditions import StageState
from daemon.plantfile import Plant, TrainConfig
from daemon.sheets_checks import Taken, checked
from daemon.sheets_reader import ReadingsUnusable
from daemon.survey_record import Sampling
from rules import survey as rules
from rules.train import Compensation

METER = 0.02
"""Relative error of a pocket meter, when nothing else is said. Common practice, no source."""

AGREE = 0.05
"""Two readings of one vessel nearer than this are averaged."""

AGAIN = "again"
"""Ends the name of a vessel that is read once more, to see whether train or meter have moved."""

MOST_PAST = 5
"""How many earlier surveys a vessel is compared with."""


@dataclass(frozen=True, slots=True)
class Past:
    """What earlier surveys say. ratio : vessel -> to the median of its stage, where it did not stand out.

    count : surveys behind them. level_us_cm : median of the stage then, brought to today's conditions.
    """

    ratio: Mapping[str, float] = field(default_factory=dict)
    count: int = 0
    level_us_cm: float | None = None


@dataclass(frozen=True, slots=True)
class VesselLine:
    """One vessel. us_cm, expected_us_cm : at 25 °C; None when not read, or nothing to compare with."""

    vessel: str
    us_cm: float | None = None
    expected_us_cm: float | None = None
    score: float | None = None
    ratio: float | None = None
    probability: float | None = None
    suspect: bool = False
    doubtful: bool = False
    low: bool = False


@dataclass(frozen=True, slots=True)
class SurveyAnswer:
    """vessels : every one of the stage, in order. suspects : worst first. next_step : what to do.

    questions : what looks wrong with the readings. notes : what is known less well, and why.
    """

    stage: int
    vessels: tuple[VesselLine, ...]
    suspects: tuple[str, ...]
    next_step: str
    questions: tuple[str, ...]
    notes: tuple[str, ...]
    median_us_cm: float | None
    shift: float | None
    meter_ratio: float | None

    def to_json(self) -> dict[str, Any]:
        """As DESIGN promises it: the vessels that were read, at 25 °C."""
        return {
            "stage": self.stage,
            "vessels": [
                {
                    "vessel": v.vessel,
                    "conductivity": _rounded(v.us_cm),
                    "expected": _rounded(v.expected_us_cm),
                    "score": _rounded(v.score),
                    "suspect": v.suspect,
                }
                for v in self.vessels
                if v.us_cm is not None
            ],
            "suspects": list(self.suspects),
            "next": " ".join([*self.questions, self.next_step]),
        }


def _rounded(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.4g}")


def names(train: TrainConfig, stage: int) -> tuple[str, ...]:
    """Every vessel of a stage."""
    return tuple(f"{stage}-{v:02d}" for v in range(1, train.stages[stage - 1].vessels + 1))


def vessel_name(text: str, stage: int | None = None) -> tuple[int, int] | None:
    """Stage and number of ``1-03``, ``1-3`` or, inside a stage, ``3``, also ``1-03 again``; None when it is none."""
    plain = text.strip().removesuffix(AGAIN).strip()
    found = re.fullmatch(r"(?:(\d{1,2})\s*[-/.]\s*)?[vV]?(\d{1,3})", plain)
    if found is None or (found[1] is None and stage is None):
        return None
    return (stage or 0) if found[1] is None else int(found[1]), int(found[2])


def past_of(
    surveys: Sequence[Sampling], state: StageState, vessels: int, *, since: float = -math.inf
) -> Past:
    """What finished surveys of the same stage later than `since` say of it now; the newest first.

    vessels : how many the stage has; a survey of too few of them is no comparison.
    """
    used = [s for s in surveys if s.answer is not None and s.at > since][:MOST_PAST]
    ratios: dict[str, list[float]] = {}
    levels: list[float] = []
    for one in used:
        assert one.answer is not None
        read = {v["vessel"]: v for v in one.answer["vessels"] if v["conductivity"] is not None}
        sound = {name: v for name, v in read.items() if not v["suspect"]}
        if len(read) < min(rules.FEWEST, vessels) or not sound:
            continue
        counted = read if len(read) >= rules.FEWEST else sound
        middle = float(np.median([v["conductivity"] for v in counted.values()]))
        levels.append(middle * _under(state, one))
        for name, v in sound.items():
            ratios.setdefault(name, []).append(v["conductivity"] / middle)
    if not levels:
        return Past()
    return Past(
        {name: float(np.mean(r)) for name, r in ratios.items()},
        min(len(r) for r in ratios.values()),
        levels[0],
    )


def _under(state: StageState, earlier: Sampling) -> float:
    """What the change of conditions since then does to a sound stage; 1 when it is not known."""
    then, now = earlier.conditions.get("reference_us_cm"), state.reference_us_cm
    return now / then if then and now else 1.0


def judge(
    plant: Plant,
    train: TrainConfig,
    stage: int,
    readings: Sequence[Taken],
    state: StageState,
    *,
    past: Past = Past(),
    meter: float = METER,
    compensation: Compensation = Compensation(),  # noqa: B008 - frozen
    partly: bool = False,
) -> SurveyAnswer:
    """The answer to the readings of a stage; ReadingsUnusable when the sheet as a whole cannot be right.

    readings : of any vessels, `name` as written. partly : readings are still coming in, so vessels without one
        are not asked for.
    """
    every = names(train, stage)
    questions: list[str] = []
    grouped: dict[str, list[Taken]] = {}
    for reading in readings:
        found = vessel_name(reading.name, stage)
        if found is None or found[0] != stage or not 1 <= found[1] <= len(every):
            questions.append(
                f"{reading.where}: {reading.name} is no vessel of stage {stage}; it has {every[0]} to"
                f" {every[-1]}. Which one was it?"
            )
        else:
            name = every[found[1] - 1]
            grouped.setdefault(name, []).append(
                Taken(reading.where, name, reading.us_cm, reading.temperature_c)
            )
    flat = [r for several in grouped.values() for r in several]
    look = checked(flat, state)
    questions += look.questions
    if look.problems or not flat:
        problems = list(look.problems) or [
            f"no reading of a vessel of stage {stage} ({every[0]} to {every[-1]})"
        ]
        raise ReadingsUnusable("\n".join([*problems, *questions]))
    at_25 = {
        name: values
        for name, values in _at_25(
            plant, flat, look.usable, look.temperatures, compensation
        ).items()
        if values
    }
    used: dict[str, float] = {}
    for name, values in at_25.items():
        if max(values) > (1.0 + AGREE) * min(values):
            places = " and ".join(r.where for r in grouped[name])
            questions.append(
                f"{places}: vessel {name} is there more than once, with {' and '.join(f'{v:.3g}' for v in values)}"
                " µS/cm. Which one holds, or has the train moved meanwhile? It was left out."
            )
        else:
            used[name] = float(np.mean(values))
    missing = [name for name in every if name not in grouped]
    if missing and not partly:
        questions.append(
            f"No reading of {_listed(missing)}. Was the valve shut? A survey compares all vessels of the stage."
        )
    return _answer(stage, every, used, state, past, meter, questions)


def _at_25(
    plant: Plant,
    readings: Sequence[Taken],
    usable: Sequence[bool],
    temperatures: Sequence[float | None],
    compensation: Compensation,
) -> dict[str, list[float]]:
    """Usable readings of each vessel at 25 °C."""
    if compensation.kind == "none" and any(t is None for t in temperatures):
        raise ReadingsUnusable(
            "a meter without compensation needs the temperature of every sample; add a column temperature_c"
        )
    found: dict[str, list[float]] = {}
    for r, fine, t in zip(readings, usable, temperatures, strict=True):
        k25 = float(rules.at_25_us_cm(max(r.us_cm, 1e-9), t, compensation, plant.water))
        if fine and math.isfinite(k25):
            found.setdefault(r.name, []).append(k25)
    return found


def _answer(
    stage: int,
    every: Sequence[str],
    used: Mapping[str, float],
    state: StageState,
    past: Past,
    meter: float,
    questions: Sequence[str],
) -> SurveyAnswer:
    notes = list(state.notes)
    vessels = [name for name in every if name in used]
    if not vessels:
        raise ReadingsUnusable("\n".join([*questions, "no usable reading is left to judge"]))
    expected = None
    level = past.level_us_cm
    unknown = [v for v in vessels if v not in past.ratio]
    if level is not None and len(unknown) < 0.5 * len(vessels):
        expected = [past.ratio.get(v, math.nan) * level for v in vessels]
        if unknown:
            notes.append(
                f"Of {_listed(unknown)} nothing sound is known from before: compared with the others."
            )
    # The instrument sees the mix of all vessels.
    online = state.values.get("permeate_conductivity") if len(vessels) == len(every) else None
    got = rules.survey(
        [used[v] for v in vessels],
        vessels=vessels,
        expected_us_cm=expected,
        past=past.count if expected is not None else 0,
        earlier_us_cm=level if expected is None and level else state.baseline_us_cm,
        online_us_cm=online,
        meter=meter,
    )
    sure = {s.vessel: s.probability for s in got.suspects}
    lines = {}
    for i, name in enumerate(vessels):
        of_it = got.conductivity_25_us_cm[i] / got.ratio[i]
        known = len(vessels) >= rules.FEWEST or expected is not None
        lines[name] = VesselLine(
            name,
            used[name],
            float(of_it) if known else None,
            float(got.score[i]) if math.isfinite(got.score[i]) else None,
            float(used[name] / of_it) if known else None,
            sure.get(name),
            name in sure,
            name in got.doubtful,
            name in got.low,
        )
    if expected is None:
        notes.append(
            "No earlier survey of this stage: vessels are compared with each other, and membranes differ by"
            " nature. The next one will be sharper."
        )
    else:
        surveys = f"{past.count} survey{'' if past.count == 1 else 's'}"
        notes.append(f"Vessels were compared with their own past ({surveys}).")
    return SurveyAnswer(
        stage=stage,
        vessels=tuple(lines.get(name, VesselLine(name)) for name in every),
        suspects=tuple(s.vessel for s in got.suspects),
        next_step=got.next_step,
        questions=tuple(questions),
        notes=tuple(notes),
        median_us_cm=float(np.median([used[v] for v in vessels])),
        shift=got.shift if math.isfinite(got.shift) else None,
        meter_ratio=got.meter_ratio if math.isfinite(got.meter_ratio) else None,
    )


def _listed(vessels: Sequence[str]) -> str:
    """A few names in a row; many of them shortened."""
    if len(vessels) <= 6:
        return ", ".join(vessels)
    return f"{', '.join(vessels[:5])} and {len(vessels) - 5} more"
