"""A survey: the permeate of every vessel of one stage by handheld meter, compared with each other.

Only within one stage: the next one is fed saltier water. A stage that rises as a whole has no
outlier; that shows against earlier levels only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules import robust
from rules.conductivity import VALID_US_CM, displayed_at_25_us_cm
from rules.fits import Array, within
from rules.train import Compensation, Water

LIMIT: Final = 3.5
"""Score beyond which a reading is no reading of its group. Iglewicz and Hoaglin, in NIST/SEMATECH 1.3.5.17."""

FIRST_LIMIT: Final = 2.5
"""Score from which a vessel is to be probed when nothing is known of before.

Lower than `LIMIT`, which is for throwing readings away: a needless probe costs an hour, a missed leak weeks. On
blind trials less than one sound vessel in a hundred is suspected (`python -m tests.bench.survey_trials --past 0`)."""

PAST_LIMIT: Final = 2.5
"""The same for vessels compared with their own past, where the spread is that of the meter alone."""

FLOOR: Final = 0.05
"""Least spread, relative to the median: a very tight group must not flag 2 %. A choice of ours."""

MODIFIED: Final = 0.6745
"""Scale of the modified z-score, as printed: (x − median) · 0.6745 / MAD."""

PAST_FLOOR: Final = 0.015
"""Least spread against a vessel's own past: valves and lines differ from day to day. A choice of ours."""

PAST_SEEN: Final = 0.4
"""How much of the spread that is seen counts against the known one: of few vessels it is mostly chance."""

FEWEST: Final = 3
"""Readings below which nothing can be compared within the stage."""

ALONE: Final = 0.06
"""Least spread of a vessel against its own past when there are no others to show what the day does. A choice of
ours: conditions are known to some per cent."""

SHIFT: Final = 0.10
"""Rise or fall of the whole stage that is told; the usual limit of salt passage."""

METER_APART: Final = 0.10
"""Disagreement of meter and online instrument that is told. Common practice, no source."""

PRIOR: Final = 0.10
"""Prior probability that a vessel is at fault. Common practice, no source."""

DOUBTFUL: Final = 2.0
"""Score from which a vessel that does not stand out yet is to be sampled again. A choice of ours."""

FAULT_SCORE: Final = 10.0
"""Mean score of a vessel at fault, exponentially distributed. Common practice, no source."""

SLIP: Final = (300.0, 3000.0)
"""Ratio to the median that looks like mS/cm written for µS/cm, or the reverse."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A reading that was not used, by its place in the input, and why."""

    index: int
    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class Suspect:
    """A vessel that stands out.

    score : standard deviations above the median, spread floored. ratio : to the median or to what
    is expected of this vessel. probability : that it is at fault, on its score alone.
    """

    vessel: str
    conductivity_us_cm: float
    score: float
    ratio: float
    probability: float


@dataclass(frozen=True, slots=True)
class Survey:
    """The answer, with its evidence; arrays have one entry for each reading, in order.

    conductivity_25_us_cm : NaN where left out.
    compared : the same, over what is expected of each vessel where that is given; what is scored.
    modified_z : by the plain MAD; NaN when that is zero. score : with the floored spread.
    median, mad, spread : of `compared`.
    suspects : worst first. doubtful : not quite among them. low : vessels that read far too little.
    shift : change of the whole stage against earlier, −; NaN when nothing is known of before.
    meter_ratio : handheld mean over the online instrument; NaN without one.
    next_step : what to do. questions : readings that look like a slip, earlier values that are missing.
    """

    vessels: tuple[str, ...]
    conductivity_25_us_cm: Array
    compared: Array
    modified_z: Array
    score: Array
    ratio: Array
    median: float
    mad: float
    spread: float
    suspects: tuple[Suspect, ...]
    doubtful: tuple[str, ...]
    low: tuple[str, ...]
    shift: float
    shifted: bool
    meter_ratio: float
    meter_agrees: bool | None
    left_out: tuple[LeftOut, ...]
    questions: tuple[str, ...]
    next_step: str


def at_25_us_cm(
    displayed_us_cm: ArrayLike,
    temperature_c: ArrayLike | None,
    compensation: Compensation,
    water: Water,
) -> Array:
    """Conductivity at 25 °C from what a meter shows, by the law of the water. Broadcasts. [µS/cm]

    temperature_c : of the sample; None for a meter whose own correction is taken as it is.
    NaN outside the validity of the laws.
    """
    if temperature_c is None:
        if compensation.kind == "none":
            raise ValueError(
                "a meter that does not compensate needs the temperature of the samples"
            )
        return within(displayed_us_cm, *VALID_US_CM)
    return displayed_at_25_us_cm(displayed_us_cm, temperature_c, compensation, water)


def thousandfold(ratio: Array) -> NDArray[np.bool_]:
    """Whether a reading is about a thousand times away from the others, up or down; NaN is not."""
    with np.errstate(divide="ignore", invalid="ignore"):
        away = np.maximum(ratio, 1.0 / ratio)
    return np.asarray((away > SLIP[0]) & (away < SLIP[1]))


def why_not(value: float) -> str:
    """Why a reading of conductivity cannot be used."""
    if not np.isfinite(value):
        return "no number"
    if value <= 0.0:
        return f"{value:g} µS/cm is impossible: zero or less"
    low, high = VALID_US_CM
    return f"{value:g} µS/cm or its temperature is outside the range of the laws ({low:g} to {high:g} µS/cm)"


def survey(
    conductivity_us_cm: ArrayLike,
    *,
    vessels: Sequence[str] | None = None,
    temperature_c: ArrayLike | None = None,
    compensation: Compensation = Compensation(),  # noqa: B008 - frozen
    water: Water = Water(),  # noqa: B008 - frozen
    expected_us_cm: ArrayLike | None = None,
    past: int = 0,
    earlier_us_cm: float | None = None,
    online_us_cm: float | None = None,
    meter: float = 0.02,
    limit: float | None = None,
    floor: float | None = None,
) -> Survey:
    """Which vessels of one stage stand out, and what to do next.

    conductivity_us_cm : (n,) what the meter shows for each vessel. [µS/cm]
    vessels : names; 1, 2, ... when not given. temperature_c : (n,) or one for all, or None.
    expected_us_cm : (n,) at 25 °C, of earlier surveys; compared with where given for every vessel
        that was read. past : how many surveys they are the mean of; 0 when that is not known. With a past a
        minority of the vessels may have none (NaN): they are compared with the others.
    earlier_us_cm : median of the stage at 25 °C before. [µS/cm]
    online_us_cm : the stage's own instrument now, at 25 °C. meter : relative error of the meter. [-]
    limit, floor : score that stands out, least relative spread. When not given `FIRST_LIMIT` and 5 %, among
        vessels that differ by nature; against a known past `PAST_LIMIT` and the error of the meter, now and then.

    Source: modified z-score, Iglewicz and Hoaglin, NIST/SEMATECH e-Handbook 1.3.5.17, with a floor
    on the spread. Checked against tests/reference/vessel_survey.csv.
    """
    shown = np.atleast_1d(np.asarray(conductivity_us_cm, dtype=np.float64))
    if shown.ndim != 1 or not shown.size:
        raise ValueError("conductivity_us_cm must be one row of one or more readings")
    names = tuple(vessels) if vessels is not None else tuple(str(i + 1) for i in range(len(shown)))
    if len(names) != len(shown) or len(set(names)) != len(names):
        raise ValueError(f"{len(shown)} readings need as many different vessels, got {names!r}")
    if not ((limit is None or limit > 0.0) and (floor is None or floor >= 0.0) and meter >= 0.0):
        raise ValueError("limit must be above 0; floor and meter must be 0 or more")
    if past < 0:
        raise ValueError(f"past must be 0 or more, got {past!r}")
    k25 = at_25_us_cm(np.where(shown > 0.0, shown, np.nan), temperature_c, compensation, water)
    usable = np.isfinite(k25)
    left_out = tuple(
        LeftOut(int(i), names[i], why_not(float(shown[i]))) for i in np.flatnonzero(~usable)
    )
    expected = None
    strange = np.zeros(len(shown), dtype=bool)
    if expected_us_cm is not None:
        given = np.broadcast_to(np.asarray(expected_us_cm, dtype=np.float64), shown.shape)
        known = np.isfinite(given) & (given > 0.0)
        if known[usable].all():
            expected = given
        elif past > 0 and known[usable].sum() > 0.5 * usable.sum():
            strange = ~known
            expected = np.where(known, given, np.median(given[known & usable]))
    compared = k25 if expected is None else k25 / expected
    own_past = expected is not None and past > 0
    if limit is None:
        limit = PAST_LIMIT if own_past else FIRST_LIMIT
    if floor is None:
        floor = max(meter * np.sqrt(1.0 + 1.0 / past), PAST_FLOOR) if own_past else FLOOR
    median = float(robust.median(compared))
    mad = float(robust.median(np.abs(compared - median)))
    seen = robust.MAD_TO_SIGMA * mad
    if own_past:
        seen *= PAST_SEEN
    spread = max(seen, floor * median) if usable.any() else np.nan
    # A vessel without a past differs from the others by nature too: it stands out as on a first survey.
    wide = np.where(strange, max(spread, FLOOR * median) * FIRST_LIMIT / PAST_LIMIT, spread)
    off = compared - median
    few = int(usable.sum()) < FEWEST
    if few and own_past:
        # Too few to compare with each other: each with what it was before.
        off, wide = compared - 1.0, np.full(len(shown), max(spread / median, ALONE))
    elif few:
        off = np.full_like(off, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        modified = MODIFIED * off / (mad if mad > 0.0 else np.nan)
        score = off / np.where(wide > 0.0, wide, np.nan)
        ratio = compared / (1.0 if few and own_past else median)
    slip = thousandfold(ratio)
    questions = [
        f"Vessel {names[i]}: {k25[i]:g} µS/cm is about a thousand times away from the others. "
        "Was it in mS/cm, or were they?"
        for i in np.flatnonzero(slip)
    ]
    if expected_us_cm is not None and expected is None:
        questions.append(
            "Not every vessel has an earlier value: they are compared with each other only. "
            "Which are missing?"
        )
    suspects = tuple(
        Suspect(names[i], float(k25[i]), float(score[i]), float(ratio[i]), _probability(score[i]))
        for i in sorted(np.flatnonzero((score > limit) & ~slip), key=lambda i: -score[i])
    )
    least = min(DOUBTFUL, 0.8 * limit)
    doubtful = tuple(names[i] for i in np.flatnonzero((score > least) & (score <= limit) & ~slip))
    low = tuple(names[i] for i in np.flatnonzero((score < -max(limit, LIMIT)) & ~slip))
    shift, shifted = _shift(k25, compared, expected is not None, earlier_us_cm, meter)
    meter_ratio = np.nan
    if online_us_cm is not None and online_us_cm > 0.0 and usable.any():
        meter_ratio = float(np.mean(k25[usable]) / online_us_cm)
    agrees = bool(abs(meter_ratio - 1.0) <= METER_APART) if np.isfinite(meter_ratio) else None
    return Survey(
        vessels=names,
        conductivity_25_us_cm=k25,
        compared=compared,
        modified_z=modified,
        score=score,
        ratio=ratio,
        median=median,
        mad=mad,
        spread=float(spread),
        suspects=suspects,
        doubtful=doubtful,
        low=low,
        shift=shift,
        shifted=shifted,
        meter_ratio=meter_ratio,
        meter_agrees=agrees,
        left_out=left_out,
        questions=tuple(questions),
        next_step=_next(
            FEWEST if few and own_past else int(usable.sum()),
            suspects,
            doubtful,
            low,
            shift,
            # Of so few it is the vessels themselves that have moved.
            shifted and not (few and own_past),
            meter_ratio,
            agrees,
            questions,
        ),
    )


def _probability(score: float) -> float:
    """Posterior that a vessel of this score is at fault: exponential scores against normal ones."""
    fault = np.log(PRIOR / FAULT_SCORE) - score / FAULT_SCORE
    sound = np.log((1.0 - PRIOR) / np.sqrt(2.0 * np.pi)) - 0.5 * score * score
    return float(1.0 / (1.0 + np.exp(np.clip(sound - fault, -700.0, 700.0))))


def _shift(
    k25: Array, compared: Array, per_vessel: bool, earlier_us_cm: float | None, meter: float
) -> tuple[float, bool]:
    """Relative change of the median against before, and whether it is more than error."""
    if per_vessel:
        before, now = 1.0, compared
    elif earlier_us_cm is not None and earlier_us_cm > 0.0:
        before, now = earlier_us_cm, k25
    else:
        return np.nan, False
    middle = float(robust.median(now))
    shift = middle / before - 1.0
    scatter = float(robust.standard_error(now)) / middle
    error = np.hypot(scatter if np.isfinite(scatter) else 0.0, meter)
    return shift, bool(abs(shift) > max(SHIFT, 3.0 * error))


def _next(
    usable: int,
    suspects: Sequence[Suspect],
    doubtful: Sequence[str],
    low: Sequence[str],
    shift: float,
    shifted: bool,
    meter_ratio: float,
    agrees: bool | None,
    questions: Sequence[str],
) -> str:
    words = list(questions)
    if usable < FEWEST:
        words.append(
            f"{usable} usable reading{'' if usable == 1 else 's'}: nothing to compare within the stage. "
            "Sample every vessel of the stage."
        )
    if suspects:
        first = suspects[0]
        others = ", ".join(s.vessel for s in suspects[1:])
        words.append(
            f"Probe vessel {first.vessel} first: {first.conductivity_us_cm:.3g} µS/cm, {first.ratio:.2f} times "
            f"what the others lead one to expect{f'; then {others}' if others else ''}."
        )
    if doubtful:
        words.append(
            f"Sample {', '.join(doubtful)} again: a little high, which may be chance or the nature of the membranes."
        )
    if low:
        words.append(
            f"Sample {', '.join(low)} again: far too low, perhaps a dead or swapped sample line."
        )
    if shifted:
        words.append(
            f"The whole stage has moved by {100.0 * shift:+.0f} % against before: look for what acts on all "
            "vessels (feed, temperature, oxidation, the instrument) before opening any."
        )
    if agrees is False:
        words.append(
            f"The meter reads {meter_ratio:.2f} times the online instrument: check one against a standard."
        )
    if not words:
        words.append("No vessel stands out; nothing to probe.")
    return " ".join(words)
