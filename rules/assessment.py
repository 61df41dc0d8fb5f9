"""What was done to a train, judged by what it changed: every observable before and after, with its errors.

An element or seal that was replaced is judged by the return to the best level of the weeks before, new
membranes by the baseline of the old ones, a calibration by what it changed. Cleanings: `rules.cleanings`.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from math import log
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from rules import noise
from rules.actions import CHEMISTRY
from rules.baseline import Baseline
from rules.levels import Level, Levels
from rules.series import DAY_S
from rules.train import Limits
from rules.words import CAUSE_WORDS, percent, quantity_words

Array = NDArray[np.float64]

Verdict = Literal[
    "pending",  # too little steady operation so far
    "unknown",  # there was too little, and there will not be more
    "restored",
    "partly_restored",
    "failed",
    "nothing_to_restore",
    "returned",
    "not_returned",
    "changed",
    "unchanged",
]

BEFORE_S, LONGEST_BEFORE_S = 2 * DAY_S, 7 * DAY_S
"""The level before is that of the last two days; of a week, where the train stood. [s]"""

FEWEST_BINS = 3
"""A level rests on at least so many six-hour medians."""

REPAIR_SETTLED_S, REPAIR_AFTER_S = 12 * 3600.0, 2 * DAY_S
"""Permeate of a repaired train is judged after the one, over the other. Common practice, no source. [s]"""

CALIBRATION_AFTER_S = 1.5 * DAY_S
EARLIER_S = 60 * DAY_S
"""The best level of the weeks before a repair is looked for so far back. [s]"""

GIVEN_UP_S = 14 * DAY_S
"""Nothing is judged any more when there was no steady operation for so long afterwards. [s]"""

REAL = 3.0
"""A change is real from so many standard errors on."""

TOLERANCE = log(1.05)
"""A level has returned when it is this near, or within `REAL` standard errors. Common practice, no source. [-]"""

SIGNS = {"permeate_flow": -1.0, "salt_passage": 1.0, "pressure_drop": 1.0}
"""Direction in which a quantity gets worse."""


@dataclass(frozen=True, slots=True)
class Effect:
    """One observable before and after. Deviations from the baseline in force, ln(actual/baseline). [-]

    None where not known.
    restored : share of the loss that is gone again, and its standard error. [-]
    earlier : the level it should return to, where that is another than the baseline's. [-]
    half_back_d : after so many days half of what was restored was lost again. [d]
    held_d : so long, to the next cleaning, that was not so; None while that is not known. [d]
    """

    observable: str
    before: float | None
    before_error: float | None
    after: float | None
    after_error: float | None
    restored: float | None = None
    restored_error: float | None = None
    earlier: float | None = None
    half_back_d: float | None = None
    held_d: float | None = None


@dataclass(frozen=True, slots=True)
class Assessment:
    """One job, judged.

    event : as it was entered (`cleaning_end`, `seals_replaced` ...). begin, end : of the job. [s]
    verdict : see `Verdict`. leading : the observable that decides, or empty.
    final : whether it can still change with time (not counting how long a cleaning lasts).
    cause, chemistry, counts : of a cleaning: the deposit that was there, what it was cleaned with, and whether
        it counts as a correct one.
    """

    event: str
    begin: float
    end: float
    verdict: Verdict
    effects: tuple[Effect, ...] = ()
    leading: str = ""
    final: bool = False
    cause: str | None = None
    chemistry: tuple[str, ...] = ()
    counts: bool = True

    def effect(self, observable: str) -> Effect | None:
        """The effect on one observable."""
        return next((e for e in self.effects if e.observable == observable), None)

    def to_json(self) -> str:
        """All of it as one JSON object; floats read back exactly."""
        return json.dumps(asdict(self), separators=(",", ":"), allow_nan=False)

    @classmethod
    def from_json(cls, text: str) -> "Assessment":
        """The inverse of `to_json`."""
        values: dict[str, Any] = json.loads(text)
        values["effects"] = tuple(Effect(**e) for e in values["effects"])
        values["chemistry"] = tuple(values["chemistry"])
        return cls(**values)


def sign_of(observable: str) -> float:
    """Direction in which an observable gets worse; 0 for a balance."""
    section, quantity = noise.split(observable)
    return 0.0 if section == "balance" else SIGNS[quantity]


def known(value: float) -> float | None:
    """A number, or None when it is not one."""
    return float(value) if np.isfinite(value) else None


def effects_of(
    observables: Sequence[str], before: Level, after: Level | None, earlier: Array | None = None
) -> tuple[Effect, ...]:
    """Effects on every observable that is known before; with the share restored where there was a loss.

    earlier : (n_observables,) level without the loss; the baseline's when None. [-]
    """
    found = []
    for i, name in enumerate(observables):
        b, b_error = float(before.values[i]), float(before.errors[i])
        a = float(after.values[i]) if after else np.nan
        a_error = float(after.errors[i]) if after else np.nan
        if not np.isfinite(b):
            continue
        target = float(earlier[i]) if earlier is not None else 0.0
        effect = Effect(
            name,
            known(b),
            known(b_error),
            known(a),
            known(a_error),
            earlier=known(target) if earlier is not None else None,
        )
        loss, left = sign_of(name) * (b - target), sign_of(name) * (a - target)
        if loss > REAL * b_error and np.isfinite(left):
            effect = replace(
                effect,
                restored=1.0 - left / loss,
                restored_error=float(np.hypot(a_error / loss, left * b_error / loss**2)),
            )
        found.append(effect)
    return tuple(found)


def leading_loss(effects: Sequence[Effect], limits: Limits) -> Effect | None:
    """The effect with the largest real loss before, as a share of its limit; None when there was none."""

    def share(effect: Effect) -> float:
        quantity = noise.split(effect.observable)[1]
        loss = (effect.before or 0.0) - (effect.earlier or 0.0)
        return abs(loss) / abs(float(np.log1p(getattr(limits, quantity))))

    lost = [e for e in effects if e.restored is not None]
    return max(lost, key=share) if lost else None


def repair(
    event: str, at: float, levels: Levels, limits: Limits, now: float, until: float
) -> Assessment:
    """The assessment of elements or seals that were replaced at `at`.

    now : how far the train has been watched. until : when something else was done, inf when nothing was. [s]
    """
    before = levels.before(at, BEFORE_S, LONGEST_BEFORE_S, FEWEST_BINS)
    if before is None:
        return Assessment(event, at, at, "unknown", final=True)
    begin = at + REPAIR_SETTLED_S
    end = min(begin + REPAIR_AFTER_S, until)
    after = levels.level(begin, end, FEWEST_BINS)
    if after is None:
        late = now >= min(at + GIVEN_UP_S, until)
        return Assessment(event, at, at, "unknown" if late else "pending", final=late)
    signs = np.array([sign_of(name) for name in levels.observables])
    earlier = levels.best(at - EARLIER_S, at, signs)
    effects = effects_of(levels.observables, before, after, earlier)
    lead = leading_loss(effects, limits)
    final = now >= end
    if lead is None or lead.after is None or lead.after_error is None:
        return Assessment(event, at, at, "nothing_to_restore", effects, final=final)
    left = sign_of(lead.observable) * (lead.after - (lead.earlier or 0.0))
    back = left <= max(TOLERANCE, REAL * lead.after_error)
    verdict: Verdict = "returned" if back else "not_returned"
    return Assessment(event, at, at, verdict, effects, lead.observable, final)


def calibration(at: float, levels: Levels, now: float, until: float) -> Assessment:
    """The assessment of a calibration at `at`, by everything that it changed."""
    before = levels.before(at, BEFORE_S, LONGEST_BEFORE_S, FEWEST_BINS)
    if before is None:
        return Assessment("calibrated", at, at, "unknown", final=True)
    end = min(at + CALIBRATION_AFTER_S, until)
    after = levels.level(at, end, FEWEST_BINS)
    if after is None:
        late = now >= min(at + GIVEN_UP_S, until)
        return Assessment("calibrated", at, at, "unknown" if late else "pending", final=late)
    changed = [
        replace(e, restored=None, restored_error=None)
        for e in effects_of(levels.observables, before, after)
        if e.after is not None
        and abs(e.after - (e.before or 0.0))
        > REAL * np.hypot(e.before_error or 0.0, e.after_error or 0.0)
    ]
    changed.sort(key=lambda e: -abs((e.after or 0.0) - (e.before or 0.0)))
    return Assessment(
        "calibrated",
        at,
        at,
        "changed" if changed else "unchanged",
        tuple(changed),
        changed[0].observable if changed else "",
        final=now >= end,
    )


def membranes(at: float, old: Baseline, new: Baseline) -> Assessment:
    """The assessment of new membranes: their baseline against that of the old ones when they were new."""
    effects = []
    back = True
    for name, level in new.values.items():
        if name not in old.values:
            continue
        after = level - old.values[name]
        error = float(np.hypot(new.spread.get(name, 0.0), old.spread.get(name, 0.0)))
        effects.append(Effect(name, None, None, after, error))
        back = back and sign_of(name) * after <= max(TOLERANCE, REAL * error)
    if not effects:
        return Assessment("membranes_replaced", at, at, "unknown", final=True)
    worst = max(effects, key=lambda e: sign_of(e.observable) * (e.after or 0.0))
    verdict: Verdict = "returned" if back else "not_returned"
    return Assessment(
        "membranes_replaced", at, at, verdict, tuple(effects), worst.observable, final=True
    )


# -- in words -----------------------------------------------------------------------------------

WORDS: Mapping[str, str] = {
    "pending": "Not judged yet: too little steady operation since.",
    "unknown": "Could not be judged: too little steady operation before or after.",
    "restored": "Restored.",
    "partly_restored": "Short of the target.",
    "failed": "Failed: nothing was restored, or the flow is under 90 % of the baseline.",
    "nothing_to_restore": "There was no real loss to restore.",
    "returned": "Back at the earlier level.",
    "not_returned": "Not back at the earlier level.",
    "changed": "Changed what is computed.",
    "unchanged": "Changed nothing that can be seen.",
}


def share(effect: Effect) -> str:
    """``57 ± 6 %``; empty when nothing was there to restore."""
    if effect.restored is None:
        return ""
    return f"{100 * effect.restored:.0f} ± {100 * (effect.restored_error or 0.0):.0f} %"


def sentence(effect: Effect) -> str:
    """One effect in words, with its numbers."""
    what = quantity_words(effect.observable)
    what = what[0].upper() + what[1:]
    if effect.after is None:
        return f"{what}: {percent(effect.before or 0.0)} before."
    if effect.before is None:
        return f"{what}: {percent(effect.after)} against that of the old membranes when new."
    text = f"{what}: {percent(effect.before)} before, {percent(effect.after)} after"
    if effect.restored is not None:
        some = share(effect) if effect.restored > 0.0 else "nothing"
        text += f", {some} of the loss restored"
    if effect.half_back_d is not None:
        text += f"; half of that was lost again after {effect.half_back_d:.0f} days"
    elif effect.held_d is not None:
        text += f"; more than half of that held for {effect.held_d:.0f} days, to the next clean"
    return f"{text}."


def sentences(one: Assessment, most: int = 4) -> tuple[str, ...]:
    """The verdict and its numbers, the deciding one first, at most `most` numbers."""
    lines = [WORDS[one.verdict]]
    if not one.counts:
        lines.append(_why_not(one))
    lead = one.effect(one.leading)
    rest = [e for e in one.effects if e is not lead and _worth_telling(e)]
    rest.sort(key=lambda e: (e.restored is None, noise.split(e.observable)))
    shown = [*([lead] if lead else []), *rest][:most]
    return (*lines, *(sentence(e) for e in shown))


def _why_not(one: Assessment) -> str:
    used = " and ".join(one.chemistry)
    if used:
        asked = (
            f"{CAUSE_WORDS[one.cause]}: {CHEMISTRY[one.cause]}" if one.cause in CHEMISTRY else ""
        )
        return (
            f"Not counted: {used} is not what the deposit asks for{f' ({asked})' if asked else ''}."
        )
    return "Not counted: no cleaning helps against what was there."


def _worth_telling(effect: Effect) -> bool:
    if effect.restored is not None or effect.before is None:
        return True
    moved = abs((effect.after or 0.0) - effect.before)
    return moved > REAL * float(np.hypot(effect.before_error or 0.0, effect.after_error or 0.0))
