"""A probe: samples along the permeate tube of one vessel, and which element or joint they point to.

Every explanation is a shape along the tube: a sound vessel of any level, one element or one joint
that leaks, two of them, or damage that dies away from one end. Its size is integrated out, the
meter's error and the scatter of sound elements are the covariance; what remains is the probability
of each place. What the samples cannot tell apart stays apart in the answer: it is undecided, and
the next sample that would decide is named.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules.conductivity import concentration_mg_l
from rules.fits import Array
from rules.survey import LeftOut, at_25_us_cm, thousandfold, why_not
from rules.train import Compensation, Water
from rules.tube import (
    Healthy,
    Tube,
    dividing_point,
    joint_name,
    own,
    own_error,
    positions,
    upstream_share,
)
from rules.tubefaults import (
    LEAST_PASSING,
    LEVEL_ERROR,
    LEVEL_STEP,
    SLOPE_ERROR,
    Family,
    Key,
    Shapes,
    fitted,
    generic_profiles,
    log_evidence,
    log_sum,
    shapes,
)

DECIDED: Final = 0.80
"""Probability of the first explanation from which it is told as the answer."""

OUTLIER: Final = 1e-6
"""Share of the probability that no explanation has; keeps the others from certainty."""

FEWEST: Final = 3
"""Samples below which nothing is said."""

THOUSAND: Final = "about a thousand times away from the others"

LEAST_INSIDE: Final = 0.25
"""Part of an element's permeate that must enter between samples inside it, to be judged by them alone."""

HELPS: Final = 1.0
"""Standard deviations by which the first two explanations must differ for a further sample."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """One explanation.

    kind : ``sound``, ``joint``, ``element``, ``two``, ``lead`` or ``tail``.
    where : joint numbers from 0 (feed adapter), element numbers from 1; ``(("joint", 3),)``.
    words : the place in words. probability : after the samples.
    size : salt it lets in over the salt of the sound vessel; 0 for a sound one, NaN for gradual ones.
    sizes : of each place of `where`.
    """

    kind: str
    where: tuple[tuple[str, int], ...]
    words: str
    probability: float
    size: float
    sizes: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Part:
    """One element's own permeate, by mass balance between the samples nearest to its ends.

    own_mg_l, error_mg_l : its concentration and standard error; NaN where no two samples bracket it.
    expected_mg_l : of this vessel without what the first explanation blames.
    """

    position: int
    own_mg_l: float
    error_mg_l: float
    expected_mg_l: float


@dataclass(frozen=True, slots=True)
class Contribution:
    """What came in between two samples, in flow order, by mass balance.

    place : what lies between. share : part of the vessel's permeate made there.
    concentration_mg_l : own concentration of that permeate, error its standard error; NaN where
        nothing is made (across a joint).
    gained : salt gained there over the salt of the whole vessel, gained_error its standard error.
    """

    from_mm: float
    to_mm: float
    place: str
    share: float
    concentration_mg_l: float
    error_mg_l: float
    gained: float
    gained_error: float


@dataclass(frozen=True, slots=True)
class Sample:
    """A further sample: where, and by how many standard deviations the first two explanations differ."""

    distance_mm: float
    along: float
    separation: float


@dataclass(frozen=True, slots=True)
class Probe:
    """The answer, with its evidence; arrays have one entry for each reading, in order.

    explanations : most probable first, all above 0.1 %. fault : probability that the vessel is not
    sound. decided : whether the first is probable enough to act on.
    conductivity_25_us_cm, concentration_mg_l : NaN where left out.
    expected_mg_l : this vessel without what the first explanation blames; fitted_mg_l : with it.
    sound : that vessel; None when the readings say nothing. parts : of each element, feed end first.
    next_sample : None when decided or when no sample would help. next_step : what to do.
    """

    explanations: tuple[Explanation, ...]
    fault: float
    decided: bool
    conductivity_25_us_cm: Array
    concentration_mg_l: Array
    expected_mg_l: Array
    fitted_mg_l: Array
    sound: Healthy | None
    parts: tuple[Part, ...]
    contributions: tuple[Contribution, ...]
    next_sample: Sample | None
    next_step: str
    left_out: tuple[LeftOut, ...]
    questions: tuple[str, ...]

    @property
    def first(self) -> Explanation | None:
        """The most probable explanation; None when the readings say nothing."""
        return self.explanations[0] if self.explanations else None


def probe(
    tube: Tube,
    distance_mm: ArrayLike,
    conductivity_us_cm: ArrayLike,
    *,
    healthy: Healthy | None = None,
    temperature_c: ArrayLike | None = None,
    compensation: Compensation = Compensation(),  # noqa: B008 - frozen
    water: Water = Water(),  # noqa: B008 - frozen
    meter: float = 0.02,
) -> Probe:
    """Which element or joint of a vessel lets salt in, from samples along its permeate tube.

    distance_mm : (m,) from the face of the port that the probe goes in by. [mm]
    conductivity_us_cm : (m,) what the meter shows. [µS/cm] NaN for a position not sampled.
    healthy : what a sound vessel gives, from `rules.tube.healthy_vessel`; None when the conditions
        are not known: then any usual profile, of any level, passes for sound.
    temperature_c : of the samples, (m,) or one for all; None for a meter whose own correction is
        taken as it is. meter : standard relative error of one reading. [-]

    Source: mass balance; model comparison by integrated likelihood as in `rules.causes`.
    Checked against tests/reference/probing_profiles.csv and the simulator.
    """
    at = np.atleast_1d(np.asarray(distance_mm, dtype=np.float64))
    shown = np.atleast_1d(np.asarray(conductivity_us_cm, dtype=np.float64))
    if at.ndim != 1 or at.shape != shown.shape:
        raise ValueError(f"{at.shape} distances need as many readings, got {shown.shape}")
    if not 0.0 < meter < 1.0:
        raise ValueError(f"meter must lie between 0 and 1, got {meter!r}")
    if healthy is not None and len(healthy.flow_m3h) != tube.elements:
        raise ValueError(f"the sound profile must have {tube.elements} elements, as the tube has")
    doubts = []
    if healthy is not None and not (
        (healthy.flow_m3h > 0.0).all() and (healthy.concentration_mg_l > 0.0).all()
    ):
        healthy = None
        doubts.append(
            "The conditions given cannot run this vessel; judged as if they were not known. "
            "Are pressure, flow, temperature and salt of the feed right?"
        )
    above = np.where(shown > 0.0, shown, np.nan)
    k25 = at_25_us_cm(above, temperature_c, compensation, water)
    salt = concentration_mg_l(k25, 25.0, Compensation("none"), water)
    family = Family.of(tube.elements)
    sound = [(healthy, 1.0)] if healthy is not None else generic_profiles(tube.elements)
    along = tube.along(at)
    slip = thousandfold(k25 / np.nanmedian(k25)) if np.isfinite(k25).any() else k25 > 0.0
    left_out = _left_out(tube, at, shown, salt, slip, [h for h, _ in sound])
    use = np.ones(len(at), dtype=bool)
    use[[o.index for o in left_out]] = False
    salt, k25 = np.where(use, salt, np.nan), np.where(use, k25, np.nan)
    doubts += [
        f"{at[i]:.0f} mm: {shown[i]:g} µS/cm is {THOUSAND}. Was it in mS/cm, or were they?"
        for i in np.flatnonzero(slip)
    ]
    questions = tuple(doubts)
    if int(use.sum()) < FEWEST:
        return Probe(
            (),
            0.0,
            False,
            k25,
            salt,
            np.full_like(salt, np.nan),
            np.full_like(salt, np.nan),
            None,
            (),
            (),
            None,
            " ".join([*questions, f"{int(use.sum())} usable samples are too few. Sample at "])
            + ", ".join(f"{p.distance_mm:.0f}" for p in positions(tube))
            + " mm.",
            left_out,
            questions,
        )
    judged = _Judged(tube, family, sound, healthy is not None, along[use], salt[use], meter)
    explanations, where = judged.explanations()
    first = explanations[0]
    decided = first.probability >= DECIDED
    expected, mean = np.full_like(salt, np.nan), np.full_like(salt, np.nan)
    expected[use] = judged.sound_at(where[0])
    mean[use] = judged.predicted(where[0], along[:0])[0]
    level = judged.sound_vessel(where[0])
    sample = None
    if not decided and len(where) > 1:
        sample = judged.next_sample(where[0], where[1])
    return Probe(
        explanations=explanations,
        fault=1.0 - sum(e.probability for e in explanations if e.kind == "sound"),
        decided=decided,
        conductivity_25_us_cm=k25,
        concentration_mg_l=salt,
        expected_mg_l=expected,
        fitted_mg_l=mean,
        sound=level,
        parts=_parts(tube, level, along[use], salt[use], meter),
        contributions=_contributions(
            tube, judged.profile(where[0]), at[use], along[use], salt[use], meter
        ),
        next_sample=sample,
        next_step=" ".join([*questions, _next(tube, explanations, decided, sample)]),
        left_out=left_out,
        questions=questions,
    )


def _left_out(
    tube: Tube,
    at: Array,
    shown: Array,
    salt: Array,
    slip: NDArray[np.bool_],
    sound: Sequence[Healthy],
) -> tuple[LeftOut, ...]:
    along = tube.along(at)
    passing = np.min(
        [
            upstream_share(tube, along, dividing_point(tube, h.flow_m3h))
            @ h.flow_m3h
            / h.flow_m3h.mean()
            for h in sound
        ],
        axis=0,
    )
    found = []
    for i in range(len(at)):
        reason = ""
        if not 0.0 <= at[i] <= tube.length_mm:
            reason = f"the tube is 0 to {tube.length_mm:.0f} mm long"
        elif not np.isfinite(salt[i]):
            reason = why_not(float(shown[i]))
        elif slip[i]:
            reason = THOUSAND
        elif not passing[i] > LEAST_PASSING:
            reason = "no permeate of a sound vessel passes there"
        if reason:
            found.append(LeftOut(i, f"{at[i]:.0f} mm", reason))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Best:
    """The best variant of an explanation: its place in the family, sound profile and level."""

    index: int
    profile: int
    level: float


class _Judged:
    """All explanations against the usable samples (m,) of one vessel."""

    def __init__(
        self,
        tube: Tube,
        family: Family,
        sound: Sequence[tuple[Healthy, float]],
        known: bool,
        along: Array,
        salt: Array,
        meter: float,
    ) -> None:
        self.tube, self.family, self.sound = tube, family, sound
        self.along, self.salt, self.meter = along, salt, meter
        self.noise = meter * salt
        self.levels: list[Array] = []
        self.logs: list[Array] = []  # of each profile: (levels, explanations)
        for i, (_, weight) in enumerate(sound):
            found = self.shapes(i, along, salt)
            levels, prior = _levels(found.expected, salt, known)
            self.levels.append(levels)
            logs = log_evidence(family, found, salt, self.noise, levels)
            self.logs.append(logs + prior[:, None] + np.log(weight) + family.log_prior)

    def shapes(self, profile: int, along: Array, salt: Array) -> Shapes:
        return shapes(self.family, self.tube, self.sound[profile][0], along, salt, SLOPE_ERROR)

    def explanations(self) -> tuple[tuple[Explanation, ...], list[_Best]]:
        """Most probable first, with the best variant of each."""
        total = log_sum(np.concatenate(self.logs), 0)
        density = np.exp(total - total.max())
        density = density / density.sum() * (1.0 - OUTLIER) + OUTLIER / len(density)
        summed: dict[Key, float] = {}
        for key, p in zip(self.family.keys, density, strict=True):
            summed[key] = summed.get(key, 0.0) + float(p)
        ranked = sorted(summed.items(), key=lambda item: (-item[1], item[0]))
        told, best = [], []
        for key, p in ranked:
            if p < 1e-3:
                break
            best.append(self.best(key))
            kind, where = key
            size, sizes = 0.0, ()
            if kind in ("lead", "tail"):
                size = np.nan
            elif kind != "sound":
                sizes = tuple(self.predicted(best[-1], self.along[:0])[2].tolist())
                size = sum(sizes)
            words = _words(self.tube.elements, kind, where)
            told.append(Explanation(kind, where, words, p, size, sizes))
        return tuple(told), best

    def best(self, key: Key) -> _Best:
        variants = [i for i, k in enumerate(self.family.keys) if k == key]
        top = None
        for profile, logs in enumerate(self.logs):
            level, i = np.unravel_index(np.argmax(logs[:, variants]), logs[:, variants].shape)
            score = float(logs[level, variants[int(i)]])
            if top is None or score > top[0]:
                top = (score, _Best(variants[int(i)], profile, float(self.levels[profile][level])))
        assert top is not None
        return top[1]

    def profile(self, best: _Best) -> Healthy:
        return self.sound[best.profile][0]

    def sound_at(self, best: _Best) -> Array:
        """What the vessel would show at the samples without what an explanation blames."""
        return self.shapes(best.profile, self.along, self.salt).expected * best.level

    def sound_vessel(self, best: _Best) -> Healthy:
        """The same as a vessel."""
        healthy = self.profile(best)
        return Healthy(healthy.flow_m3h, best.level * healthy.concentration_mg_l)

    def predicted(self, best: _Best, more: Array) -> tuple[Array, Array, Array]:
        """Mean and spread of an explanation at the samples and then at places `more`; its sizes."""
        along = np.append(self.along, more)
        order = np.argsort(self.along)
        near = np.interp(more, self.along[order], self.salt[order])
        found = self.shapes(best.profile, along, np.append(self.salt, near))
        return fitted(
            self.family,
            found,
            best.index,
            best.level,
            np.append(self.salt, np.full(len(more), np.nan)),
            np.append(self.noise, self.meter * near),
        )

    def next_sample(self, one: _Best, other: _Best) -> Sample | None:
        """The place where one more sample differs most between two explanations; None if nowhere."""
        sheet = [p.along for p in positions(self.tube, half_steps=True)]
        inside = np.arange(self.tube.elements)[:, None] + np.array([0.25, 0.75])
        # A place already sampled may be sampled again: the meter errs anew.
        more = np.unique(np.round(np.concatenate([sheet, inside.ravel(), self.along]), 6))
        (a, wide_a, _), (b, wide_b, _) = (self.predicted(h, more) for h in (one, other))
        a, b = a[len(self.salt) :], b[len(self.salt) :]
        wide = (wide_a**2 + wide_b**2)[len(self.salt) :] / 2.0
        error = np.sqrt(wide + (self.meter * (a + b) / 2.0) ** 2)
        with np.errstate(divide="ignore", invalid="ignore"):
            separation = np.nan_to_num(np.abs(a - b) / error)
        i = int(np.argmax(separation))
        if separation[i] < HELPS:
            return None
        return Sample(
            round(float(self.tube.distance_mm(more[i])), 1), float(more[i]), float(separation[i])
        )


def _levels(expected: Array, salt: Array, known: bool) -> tuple[Array, Array]:
    """Grid of levels of the sound profile and their log prior."""
    if known:
        logs = np.arange(-1.0, 1.0 + LEVEL_STEP / 2.0, LEVEL_STEP)
        prior = -0.5 * (logs / LEVEL_ERROR) ** 2
        return np.exp(logs), prior - log_sum(prior, 0)
    ratio = np.log(salt / expected)
    logs = np.arange(ratio.min() - 0.7, ratio.max() + 0.3, LEVEL_STEP)
    return np.exp(logs), np.full(len(logs), np.log(LEVEL_STEP))


def _words(elements: int, kind: str, where: tuple[tuple[str, int], ...]) -> str:
    if kind == "sound":
        return "sound"
    if kind == "lead":
        return "damage of the lead elements"
    if kind == "tail":
        return "damage or scale of the tail elements"
    return " and ".join(
        joint_name(number, elements) if what == "joint" else f"element {number}"
        for what, number in where
    )


def _contributions(
    tube: Tube, healthy: Healthy, at: Array, along: Array, salt: Array, meter: float
) -> tuple[Contribution, ...]:
    """Own part of every stretch between samples, from the blocked end, by mass balance."""
    flow = healthy.flow_m3h
    divide = dividing_point(tube, flow)
    share = upstream_share(tube, along, divide)
    passing = share @ flow / flow.sum()
    whole = float(np.max(passing * salt))
    found = []
    for forward in (True, False):
        branch = np.flatnonzero((along >= divide) == forward)
        branch = branch[np.argsort(along[branch] * (1.0 if forward else -1.0), kind="stable")]
        if not len(branch):
            continue
        made = np.diff(passing[branch], prepend=0.0)
        made = np.where(made > 1e-9, made, 0.0)
        total = np.cumsum(made)
        error = meter * salt[branch]
        value, spread = own(made, salt[branch]), own_error(made, error)
        gained = np.diff(total * salt[branch], prepend=0.0) / whole
        load = total * error / whole
        blurred = np.hypot(load, np.append(0.0, load[:-1]))
        start = max(divide, 0.0) if forward else min(divide, float(tube.elements))
        for i, b in enumerate(branch):
            before = start if i == 0 else float(along[branch[i - 1]])
            found.append(
                Contribution(
                    float(tube.distance_mm(before)) if i == 0 else float(at[branch[i - 1]]),
                    float(at[b]),
                    _stretch(tube, before, float(along[b]), first=i == 0),
                    float(made[i]),
                    float(value[i]),
                    float(spread[i]),
                    float(gained[i]),
                    float(blurred[i]),
                )
            )
    return tuple(found)


def _parts(tube: Tube, sound: Healthy, along: Array, salt: Array, meter: float) -> tuple[Part, ...]:
    """Each element's own permeate, from stretches of the tube that lie inside it.

    A stretch across a joint belongs to no element unless nothing better was sampled: what a leaking joint lets
    in would be counted as the element's.
    """
    flow, n = sound.flow_m3h, tube.elements
    divide = dividing_point(tube, flow)
    made, gained, error = [np.empty((0, n))], [np.empty(0)], [np.empty(0)]
    for forward in (True, False):
        branch = np.flatnonzero((along >= divide) == forward)
        branch = branch[np.argsort(along[branch] * (1.0 if forward else -1.0), kind="stable")]
        passing = upstream_share(tube, along[branch], divide) * flow
        load = passing.sum(axis=1) * salt[branch]
        blurred = meter * load
        made.append(np.diff(passing, axis=0, prepend=np.zeros((1, n))))
        gained.append(np.diff(load, prepend=0.0))
        error.append(np.hypot(blurred, np.append(0.0, blurred[:-1])[: len(blurred)]))
    own_made, own_gained = np.concatenate(made), np.concatenate(gained)
    own_blur = np.concatenate(error)
    total = own_made.sum(axis=1)
    found = []
    for e in range(n):
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.nan_to_num(own_made[:, e] / total)
        inside = share > 0.99
        if own_made[inside, e].sum() < LEAST_INSIDE * flow[e]:
            inside = (share > 0.5) & (own_made[:, e] > LEAST_INSIDE * flow[e])
        water = total[inside].sum()
        whole = water > 0.0
        found.append(
            Part(
                e + 1,
                float(own_gained[inside].sum() / water) if whole else np.nan,
                float(np.sqrt(np.square(own_blur[inside]).sum()) / water) if whole else np.nan,
                float(sound.concentration_mg_l[e]),
            )
        )
    return tuple(found)


def _stretch(tube: Tube, x: float, y: float, *, first: bool) -> str:
    """What lies between two places."""
    low, high = min(x, y), max(x, y)
    names: list[tuple[float, str]] = [
        (e - 0.5, f"element {e}")
        for e in range(1, tube.elements + 1)
        if min(high, e) - max(low, e - 1) > 0.01
    ]
    names += [
        (float(j), joint_name(j, tube.elements))
        for j in range(tube.elements + 1)
        if low < j < high or (first and j == x) or j == y
    ]
    names.sort(reverse=y < x)
    return ", ".join(name for _, name in names)


def _next(
    tube: Tube, explanations: Sequence[Explanation], decided: bool, sample: Sample | None
) -> str:
    first = explanations[0]
    sure = f"{100.0 * first.probability:.0f} %"
    if not decided:
        second = explanations[1]
        between = f"Undecided between {first.words} ({sure}) and {second.words} ({100.0 * second.probability:.0f} %). "
        if sample is None:
            return (
                between
                + "No single further sample would decide; repeat the samples with a better meter."
            )
        end = "feed" if tube.from_feed else "concentrate"
        return between + f"Take one more sample at {sample.distance_mm:.0f} mm from the {end} port."
    if first.kind == "sound":
        return f"Sound ({sure}): no element or joint stands out. Leave the vessel closed."
    if first.kind == "lead":
        return (
            f"The elements at the feed end pass more salt ({sure}), less so further in: oxidation or abrasion. "
            "Find the cause before they are replaced."
        )
    if first.kind == "tail":
        return (
            f"The elements at the concentrate end pass more salt ({sure}), less so toward the feed: scale or what "
            "it left behind. Clean with acid before anything is replaced."
        )
    steps = [
        f"renew the O-rings of the {joint_name(number, tube.elements)}"
        if what == "joint"
        else f"replace element {number}"
        for what, number in first.where
    ]
    words = " and ".join(steps)
    return f"{words[0].upper()}{words[1:]} ({sure})."
