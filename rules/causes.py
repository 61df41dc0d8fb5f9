"""All causes in one likelihood: each is a direction in the space of deviations, its size integrated out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules import signs
from rules.actions import errand
from rules.findings import CauseProbability
from rules.hypotheses import Hypothesis
from rules.noise import split
from rules.trend import LARGEST_LOG_RATIO, Shape

Array = NDArray[np.float64]

MAGNITUDES = np.array([0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.28])
MAGNITUDE_PRIOR = np.array([0.13, 0.20, 0.25, 0.20, 0.12, 0.07, 0.03])
ALONG = 0.35
"""Spread of the magnitude about each grid value, so that the grid has no gaps. [-]"""

PRIOR_NONE = 0.9
"""Prior probability that nothing is wrong at an evaluation. Common practice, no source."""

ERROR_SIZES, ERROR_SHARES = np.array([0.2, 1.0, 4.0]), np.array([0.4, 0.5, 0.1])
"""Spreads of a transmitter's error in its usual size, and how common they are: some are wired or ranged wrongly, and
far off. Common practice, no source. [-]"""

ALIKE = 0.3
"""A cause that keeps this part of the first one's likelihood, were that true, is not told apart from it. [-]"""

OUTLIER = 1e-6
"""Share of the likelihood that no cause explains; keeps probabilities from certainty."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The posterior.

    causes : every cause with its probability, ``none`` among them. First the most probable one of the most probable
        errand (`rules.actions.errand`): what a person is sent for is to be right. Then the most probable first.
    fault : probability that anything is wrong. [-]
    section : the most probable section of the first cause that is not ``none``; None for all.
    step : probability that the first cause came as a step.
    best : the most probable hypothesis of the first cause that is not ``none``; None when there is none.
    """

    causes: tuple[CauseProbability, ...]
    fault: float
    section: str | None
    step: float
    best: Hypothesis | None = None


def _log_density(residuals: Array, covariances: Array) -> Array:
    """Log of the normal density of each row of `residuals` (k, n) under `covariances` (k, n, n)."""
    lower = np.linalg.cholesky(covariances)
    white = np.linalg.solve(lower, residuals[..., None])[..., 0]
    logs = np.log(np.diagonal(lower, axis1=-2, axis2=-1)).sum(-1)
    constant = 0.5 * residuals.shape[-1] * np.log(2.0 * np.pi)
    return np.asarray(-0.5 * (white**2).sum(-1) - logs - constant)


def _log_sum(values: Array, weights: Array, axis: int = -1) -> Array:
    top = values.max(axis=axis, keepdims=True)
    return np.asarray(
        np.squeeze(top, axis) + np.log((weights * np.exp(values - top)).sum(axis=axis))
    )


class Candidates:
    """All hypotheses of a train, laid out in arrays for `judge`.

    hypotheses : all of the same number of observables; none for a train that measures too little.
    """

    def __init__(self, hypotheses: Sequence[Hypothesis]) -> None:
        # Membrane causes first: their magnitude is integrated over a grid, the transmitters' in
        # closed form.
        self.hypotheses = tuple(sorted(hypotheses, key=lambda h: h.point is not None))
        self.membrane = sum(1 for h in self.hypotheses if h.point is None)
        self.mean = np.array([h.mean for h in self.hypotheses])
        self.spread = np.array([h.spread for h in self.hypotheses])
        self.prior = np.array([h.prior for h in self.hypotheses])
        self.step = np.array([h.step for h in self.hypotheses])
        self.accelerating = np.array([h.accelerating for h in self.hypotheses])
        self.rate, self.factor = np.array([h.rate for h in self.hypotheses]).reshape(-1, 2).T

    def signs(self, seen: Mapping[str, bool]) -> Array:
        """Log-likelihood of what else is seen, under each hypothesis. [nats]"""
        return np.array([signs.evidence(h.signs, seen) for h in self.hypotheses])


def judge(
    candidates: Candidates,
    deviation: Array,
    covariance: Array,
    history: Shape | None,
    seen: Mapping[str, bool] | None = None,
    lean: Mapping[str, float] | None = None,
) -> Verdict:
    """Posterior over all causes, given the deviations of a train and how they came about.

    deviation : (n,) mean deviations; NaN where not known (left out). [-]
    covariance : (n, n) of a healthy train, from `rules.noise`.
    history : shape in time of the leading observable, or None when too short.
    seen : which signs show beside the deviations (`rules.signs.shown`).
    lean : cause -> log-likelihood by other evidence (`rules.leak`). [nats]
    """
    known = np.isfinite(deviation)
    usable = (
        np.abs(candidates.mean[:, known]).max(axis=1, initial=0.0) > 0.01
        if known.any() and candidates.hypotheses
        else np.zeros(len(candidates.hypotheses), dtype=bool)
    )
    if not usable.any():
        return Verdict((CauseProbability("none", 1.0),), 0.0, None, 0.0)
    z, sigma = deviation[known], covariance[np.ix_(known, known)]
    mean, spread = candidates.mean[usable][:, known], candidates.spread[usable][:, known]
    membrane = int(usable[: candidates.membrane].sum())
    logs = np.concatenate(
        [
            _membrane_logs(mean[:membrane], spread[:membrane], z, sigma),
            _instrument_logs(mean[membrane:], spread[membrane:], z, sigma),
        ]
    )
    nothing = float(_log_density(z[None], sigma[None])[0])
    weights = candidates.prior[usable]
    weights = weights * (1.0 - PRIOR_NONE) / weights.sum()
    timing, steps = _timing(candidates, history)
    beside = candidates.signs(seen)[usable] if seen else np.zeros(int(usable.sum()))
    if lean:
        beside = beside + np.array([lean.get(h.cause, 0.0) for h in candidates.hypotheses])[usable]
    scores = np.append(
        logs + timing[usable] + beside + np.log(weights), nothing + np.log(PRIOR_NONE)
    )
    density = np.exp(scores - scores.max())
    density = density / density.sum() * (1.0 - OUTLIER) + OUTLIER / len(density)
    chosen = [h for h, use in zip(candidates.hypotheses, usable, strict=True) if use]
    return _collect(chosen, density, steps[usable])


def _membrane_logs(mean: Array, spread: Array, z: Array, sigma: Array) -> Array:
    """Log-likelihood of each membrane hypothesis (k, n), its magnitude integrated out."""
    k, n = mean.shape
    if not k:
        return np.empty(0)
    own = np.zeros((k, n, n))
    own[:, np.arange(n), np.arange(n)] = spread**2
    own += ALONG**2 * mean[:, :, None] * mean[:, None, :]
    m = MAGNITUDES
    covariances = sigma + (m**2)[None, :, None, None] * own[:, None]
    residuals = z - m[None, :, None] * mean[:, None, :]
    logs = _log_density(residuals.reshape(-1, n), covariances.reshape(-1, n, n))
    return _log_sum(logs.reshape(k, -1), MAGNITUDE_PRIOR)


def _instrument_logs(mean: Array, spread: Array, z: Array, sigma: Array) -> Array:
    """Log-likelihood of each transmitter's error (k, n), its size normal about zero, usual or far larger."""
    if not len(mean):
        return np.empty(0)
    own = mean[:, :, None] * mean[:, None, :]
    i = np.arange(mean.shape[1])
    own[:, i, i] += spread**2
    residuals = np.broadcast_to(z, mean.shape)
    logs = [_log_density(residuals, sigma + size**2 * own) for size in ERROR_SIZES]
    return _log_sum(np.stack(logs, axis=-1), ERROR_SHARES)


def _timing(candidates: Candidates, history: Shape | None) -> tuple[Array, Array]:
    """Log-likelihood of the shape in time under each hypothesis, and how probably it was a step."""
    if history is None:
        return np.zeros_like(candidates.step), candidates.step
    best = max(history.step, history.ramp, history.curve)
    step = max(history.step - best, -LARGEST_LOG_RATIO) + np.log(candidates.step)
    ramp = np.logaddexp(
        max(history.ramp - best, -LARGEST_LOG_RATIO) + np.log1p(-candidates.accelerating),
        max(history.curve - best, -LARGEST_LOG_RATIO) + np.log(candidates.accelerating),
    ) + np.log1p(-candidates.step)
    rate = max(abs(history.ramp_rate), 1e-5)
    ramp = ramp + _log_normal(rate, candidates.rate, candidates.factor)
    ramp = ramp - _log_normal(rate, 0.03, 10.0)
    total = np.logaddexp(step, ramp)
    return total, np.exp(step - total)


def _log_normal(value: float, middle: Array | float, factor: Array | float) -> Array:
    width = np.log(factor)
    return np.asarray(-0.5 * (np.log(value / middle) / width) ** 2 - np.log(width))


def _collect(usable: Sequence[Hypothesis], density: Array, steps: Array) -> Verdict:
    causes: dict[tuple[str, str | None], float] = {}
    for h, p in zip(usable, density, strict=False):
        causes[(h.cause, h.point)] = causes.get((h.cause, h.point), 0.0) + float(p)
    none = float(density[-1])
    causes[("none", None)] = none
    sent: dict[str, float] = {}
    for (cause, _), p in causes.items():
        sent[errand(cause)] = sent.get(errand(cause), 0.0) + p
    ranked = sorted(causes.items(), key=lambda item: (-item[1], item[0][0], item[0][1] or ""))
    likeliest = max(ranked, key=lambda item: sent[errand(item[0][0])])
    ranked.sort(key=lambda item: item is not likeliest)
    first = next(key for key, _ in ranked if key[0] != "none")
    places: dict[str | None, float] = {}
    stepped = total = 0.0
    for h, p, s in zip(usable, density, steps, strict=False):
        if (h.cause, h.point) == first:
            places[h.section] = places.get(h.section, 0.0) + float(p)
            stepped += float(p) * float(s)
            total += float(p)
    section = max(places.items(), key=lambda item: item[1])[0]
    own = [
        (float(p), -i)
        for i, (h, p) in enumerate(zip(usable, density, strict=False))
        if (h.cause, h.point) == first and h.section == section
    ]
    return Verdict(
        causes=tuple(CauseProbability(cause, p, point) for (cause, point), p in ranked),
        fault=1.0 - none,
        section=section,
        step=stepped / total if total > 0.0 else 0.0,
        best=usable[-max(own)[1]],
    )


@dataclass(frozen=True, slots=True)
class Explained:
    """What one hypothesis explains of the deviations, and what it leaves.

    size : its magnitude, with the standard error. [-]
    left : (n,) deviations that remain. covariance : (n, n) of a train that has only this.
    """

    size: float
    error: float
    left: Array
    covariance: Array


def explain_by(best: Hypothesis, deviation: Array, covariance: Array) -> Explained:
    """Fit the magnitude of a hypothesis to the deviations by generalized least squares.

    deviation : (n,); NaN is left out of the fit and stays. covariance : (n, n) of a healthy train.
    """
    known = np.isfinite(deviation)
    z, mean = deviation[known], best.mean[known]
    sigma, spread = covariance[np.ix_(known, known)], best.spread[known]
    size, weight = float(mean @ z) / max(float(mean @ mean), 1e-12), 1.0
    # Its own spread grows with the size it has: two passes settle it.
    for _ in range(2):
        whole = sigma + np.diag((size * spread) ** 2)
        inverse = np.linalg.inv(whole)
        weight = float(mean @ inverse @ mean)
        size = float(mean @ inverse @ z) / weight
        if best.point is None:
            size = max(size, 0.0)
    total = covariance + np.diag((size * best.spread) ** 2)
    total = total + np.outer(best.mean, best.mean) / weight
    return Explained(size, weight**-0.5, deviation - size * best.mean, total)


def alike(
    candidates: Candidates,
    best: Hypothesis,
    covariance: Array,
    known: NDArray[np.bool_],
    size: float,
) -> tuple[CauseProbability, ...]:
    """Causes that would fit nearly as well if `best` were true: the instruments cannot tell them apart.

    known : (n,) observables that are known. size : magnitude at which it is tried. [-]
    """
    deviation = np.where(known, size * best.mean, np.nan)
    verdict = judge(candidates, deviation, covariance, None)
    # How common a cause is has nothing to do with what the instruments see.
    common: dict[tuple[str, str | None], float] = {}
    for h in candidates.hypotheses:
        common[h.cause, h.point] = common.get((h.cause, h.point), 0.0) + h.prior
    seen = {
        c: c.probability / common[c.cause, c.point] for c in verdict.causes if c.cause != "none"
    }
    own = max((p for c, p in seen.items() if _is(c, best)), default=0.0)
    return tuple(c for c, p in seen.items() if not _is(c, best) and p >= ALIKE * own)


def _is(cause: CauseProbability, hypothesis: Hypothesis) -> bool:
    return (cause.cause, cause.point) == (hypothesis.cause, hypothesis.point)


def restrict(verdict: Verdict, most: int = 4) -> tuple[CauseProbability, ...]:
    """The causes worth telling: those above one per cent, `most` at the most, probabilities as they are."""
    return tuple(c for c in verdict.causes if c.probability >= 0.01 and c.cause != "none")[:most]


def standing_out(deviation: Array, covariance: Array) -> Array:
    """How many standard deviations each observable is off, by itself or given all the others; NaN in NaN out.

    Given the others: what a healthy train may do to several observables together (weather, the level
    of a data sheet) does not hide one section that departs from the rest.
    """
    score = np.full(len(deviation), np.nan)
    known = np.isfinite(deviation)
    if known.any():
        z, sigma = deviation[known], covariance[np.ix_(known, known)]
        inverse = np.linalg.inv(sigma)
        alone = np.abs(z) / np.sqrt(np.diag(sigma))
        given = np.abs(inverse @ z) / np.sqrt(np.diag(inverse))
        score[known] = np.maximum(alone, given)
    return score


def as_deviations(
    observables: Sequence[str], deviation: Array
) -> Mapping[str, Mapping[str, float]]:
    """Section -> quantity -> deviation, of what is known; balances are left out."""
    table: dict[str, dict[str, float]] = {}
    for name, value in zip(observables, deviation, strict=True):
        section, quantity = split(name)
        if section != "balance" and np.isfinite(value):
            table.setdefault(section, {})[quantity] = float(value)
    return table
