"""The causes that a train's instruments can show, each as a direction in the space of its deviations.

Membrane causes from the signature table, at the places of the train; transmitters by the slopes of our own
computation; a booster pump or valve between stages by the balance of the pressures around it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rules.noise import split
from rules.sections import Plan
from rules.signatures import (
    BETWEEN_STAGES_PRIOR,
    BETWEEN_STAGES_RATE,
    BETWEEN_STAGES_STEP,
    EVEN,
    INSTRUMENT_PRIOR,
    INSTRUMENT_RATE,
    INSTRUMENT_SIZE,
    INSTRUMENT_STEP,
    PERMEATE_BACKPRESSURE,
    SIGNATURES,
    Signature,
)
from rules.train import QUANTITIES, STATUS_ROLES, is_interstage

Array = NDArray[np.float64]

ELSEWHERE = 0.04
"""Spread of what a cause does to the other sections, relative to its magnitude. [-]"""

CONCENTRATES = 1.9
"""How much more concentrated the feed of a stage is than that of the one before: a stage recovers about half. Common
practice, no source. [-]"""

INEXACT = (0.15, 0.01)
"""What a transmitter's error does is known by slopes at the baseline: off by this part of each change where the error
is large or the operating point another, and by this part of the largest change; balances are sums and exact.
Common practice, no source. [-]"""


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One cause at one place.

    section : name of the section that shows it, or None for the whole train.
    point : signal of the transmitter, for ``instrument_fault``.
    mean : (n,) change of the observables for a magnitude of 1. spread : (n,) its spread.
    """

    cause: str
    section: str | None
    point: str | None
    mean: Array
    spread: Array
    step: float
    rate: tuple[float, float]
    prior: float
    accelerating: float = EVEN
    signs: Mapping[str, float] = field(default_factory=dict)


def membrane_hypotheses(plan: Plan) -> list[Hypothesis]:
    """The rows of the signature table on the stages of a train."""
    stages = range(1, len(plan.train.stages) + 1)
    found: list[Hypothesis] = []
    places: dict[str, list[tuple[int, ...]]] = {
        "lead": [(1,)],
        "tail": [(len(stages),)],
        "any": [(k,) for k in stages],
        "all": [tuple(stages)],
    }
    for row in SIGNATURES:
        found += _placed(row, plan, places[row.place])
    signals = set(plan.train.signals)
    if "permeate_pressure" not in signals:
        blind = [(k,) for k in stages if f"{k}/permeate_pressure" not in signals]
        found += _placed(PERMEATE_BACKPRESSURE, plan, blind)
    return found + _between_stages(plan.observables)


def _between_stages(observables: Sequence[str]) -> list[Hypothesis]:
    """A booster pump or valve between two stages that is run differently: up or down, nothing else moves."""
    found = []
    for i, (place, quantity) in enumerate(split(o) for o in observables):
        if place != "balance" or not is_interstage(quantity):
            continue
        for sign in (1.0, -1.0):
            mean = np.zeros(len(observables))
            mean[i] = sign
            found.append(
                Hypothesis(
                    "operating_change",
                    None,
                    None,
                    mean,
                    np.zeros(len(observables)),
                    BETWEEN_STAGES_STEP,
                    BETWEEN_STAGES_RATE,
                    BETWEEN_STAGES_PRIOR / 2.0,
                )
            )
    return found


def _placed(row: Signature, plan: Plan, places: Sequence[tuple[int, ...]]) -> list[Hypothesis]:
    """A row at each of several places (stages that show it), as far as its leading quantity is measured there.

    Places that the instruments cannot tell apart become one.
    """
    sizes = dict(zip(QUANTITIES, (row.flow, row.passage, row.drop), strict=True))
    leading = max(QUANTITIES, key=lambda q: abs(sizes[q][0]))
    found: dict[tuple[str | None, bytes], Hypothesis] = {}
    for stages in places:
        at = [s for s in plan.sections if leading in s.quantities and set(s.stages) & set(stages)]
        if not at:
            continue
        parts = np.array([_part(plan, o, stages) for o in plan.observables])
        names = [split(o)[1] for o in plan.observables]
        sized = np.array([sizes.get(q, (0.0, 0.0)) for q in names]).T
        mean = parts * sized[0]
        largest = np.abs(mean).max()
        elsewhere = np.array(
            [ELSEWHERE if o.partition("/")[0] != "balance" else 0.0 for o in plan.observables]
        )
        mean, spread = mean / largest, np.where(parts > 0.0, parts * sized[1] / largest, elsewhere)
        section = None if row.place == "all" and len(plan.sections) > 1 else at[0].name
        prior = row.prior * row.weight / len(places)
        same = found.get((section, mean.tobytes()))
        found[section, mean.tobytes()] = Hypothesis(
            row.cause,
            section,
            None,
            mean,
            spread,
            row.step,
            row.rate,
            prior + (same.prior if same else 0.0),
            row.accelerating,
            row.signs,
        )
    return list(found.values())


def _part(plan: Plan, observable: str, stages: Sequence[int]) -> float:
    """How much of what happens in some stages an observable shows: their share of its membrane, salt or length."""
    name, quantity = split(observable)
    if name == "balance":
        return 0.0
    section = next(s for s in plan.sections if s.name == name)
    weights = {
        k: {
            "permeate_flow": plan.train.stages[k - 1].area_m2,
            "salt_passage": plan.train.stages[k - 1].area_m2 * CONCENTRATES ** (k - 1),
            "pressure_drop": 1.0,
        }[quantity]
        for k in section.stages
    }
    return sum(w for k, w in weights.items() if k in stages) / sum(weights.values())


def instrument_hypotheses(
    plan: Plan, values: Array, jacobian: Array | None = None
) -> list[Hypothesis]:
    """One hypothesis for each transmitter: what its error would do to every observable.

    values : (n_signals,) the operating point at which the derivative is taken.
    jacobian : (n_observables, n_signals) there, when it is known already.
    """
    if jacobian is None:
        jacobian = plan.jacobian(values)
    computed = np.array([split(o)[0] != "balance" for o in plan.observables], dtype=float)
    found = []
    for column, name in enumerate(plan.train.signals):
        section, _, role = name.rpartition("/")
        size = INSTRUMENT_SIZE.get(role)
        if size is None or role in STATUS_ROLES or not np.isfinite(values[column]):
            continue
        direction = np.nan_to_num(jacobian[:, column]) * values[column] * size
        if np.abs(direction).max(initial=0.0) < 0.01:
            continue
        found.append(
            Hypothesis(
                "instrument_fault",
                section if section in {s.name for s in plan.sections} else None,
                name,
                direction,
                computed * (INEXACT[0] * np.abs(direction) + INEXACT[1] * np.abs(direction).max()),
                INSTRUMENT_STEP,
                INSTRUMENT_RATE,
                INSTRUMENT_PRIOR,
            )
        )
    return found
