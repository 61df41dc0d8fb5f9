"""What each fault of a vessel looks like along its permeate tube, and how well it explains samples.

All shapes are linear in the salt that a fault lets in: with C the concentration found at a place, λ
the water let in of concentration c_b, and S and Q the salt and permeate of the sound vessel that
pass there, (Q + λ) C = S + λ c_b, so that C = S/Q + λ (c_b − C)/Q exactly.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.fits import Array
from rules.tube import Healthy, Tube, dividing_point, upstream_of, upstream_share

# Sound vessels. Common practice, no source; the false alarms of blind trials hold them to account.
SALT_SCATTER: Final = 0.10
"""Spread of the concentration of sound elements of one vessel, relative. [-]"""
FLOW_SCATTER: Final = 0.05
SLOPE_ERROR: Final = 0.03
"""Error of the expected slope along the vessel, relative, for each element. [-]"""
LEVEL_ERROR: Final = 0.25
"""Error of the expected level when the conditions are known: the membranes have aged. [-]"""
DIVIDE_ERROR: Final = 0.3
"""Error of the point where the permeate parts when both ends are open. [elements]"""
TIP_MM: Final = 15.0
"""Error of the place of the tip. [mm]"""

# When the conditions are not known, a sound vessel has one of these: fall of the permeate flow from
# element to element, and recovery of an element, by both of which the salt rises (J falls, Cb rises).
FALLS: Final = (0.02, 0.06, 0.12, 0.22)
FALL_PRIOR: Final = (0.25, 0.35, 0.25, 0.15)
RECOVERIES: Final = (0.04, 0.08, 0.12)

LEVEL_STEP: Final = 0.1
LEVEL_ALONG: Final = 0.035
"""Spread of the level about each grid value, so that the grid has no gaps. [-]"""

SIZES: Final = (0.08, 0.16, 0.32, 0.64, 1.28, 2.56, 5.12, 10.24)
SIZE_PRIOR: Final = (0.10, 0.16, 0.18, 0.18, 0.15, 0.11, 0.07, 0.05)
"""Salt let in by a fault over all the salt of the sound vessel, and its prior. [-]"""
ALONG: Final = 0.35
PAIR_SIZES: Final = (0.2, 0.6, 1.8, 5.4)
PAIR_PRIOR: Final = (0.35, 0.35, 0.2, 0.1)
PAIR_ALONG: Final = 0.5

DECAYS: Final = (1.0, 1.7, 3.0)
"""Length over which damage from one end dies away. [elements]"""
RISES: Final = (0.5, 1.0, 2.0, 4.0)
"""How far the salt of the end element has risen, relative. [-]"""
FLOW_TURNS: Final = (-0.35, 0.1)
"""Change of its flow for each doubling of its salt; scale takes flow, oxidation gives it. [-]"""

PRIOR: Final = {
    "sound": 0.34,
    "joint": 0.26,
    "element": 0.22,
    "two": 0.08,
    "lead": 0.05,
    "tail": 0.05,
}
"""Prior probabilities of a vessel that a survey found worth probing. Common practice, no source."""

LEAST_PASSING: Final = 0.02
"""Share of one element's permeate that must pass a place for a sample there to say something."""


Key = tuple[str, tuple[tuple[str, int], ...]]
"""Kind of an explanation and where."""


@dataclass(frozen=True, slots=True)
class Family:
    """Every explanation of a vessel of some number of elements, and its prior.

    columns : faults of one place, kind and number; first those whose salt enters evenly along an
        element or at a joint, then those at a point inside an element.
    point : (k,) place of a column along the vessel, NaN for the even ones.
    pairs : (2, p) columns of two faults at once, of the first sort.
    gradual : kind, share (elements,), rise, turn of flow.
    keys, log_prior : of sound, columns, pairs and gradual ones, in this order.
    """

    elements: int
    columns: tuple[tuple[str, int], ...]
    point: Array
    pairs: NDArray[np.intp]
    gradual: tuple[tuple[str, Array, float, float], ...]
    keys: tuple[Key, ...]
    log_prior: Array

    @classmethod
    def of(cls, elements: int) -> "Family":
        """All explanations of a vessel."""
        n = elements
        numbers = range(1, n + 1)
        columns = [("element", e) for e in numbers] + [("joint", j) for j in range(n + 1)]
        main = len(columns)
        point = [np.nan] * n + [float(j) for j in range(n + 1)]
        prior = [0.6 * PRIOR["element"] / n] * n + [PRIOR["joint"] / (n + 1)] * (n + 1)
        for e in numbers:  # a hole or a glue line is at one place of the element
            columns += [("element", e)] * 2
            point += [e - 0.75, e - 0.25]
            prior += [0.2 * PRIOR["element"] / n] * 2
        pairs = np.stack(np.triu_indices(main, 1))
        prior += [PRIOR["two"] / pairs.shape[1]] * pairs.shape[1]
        at = np.arange(n, dtype=np.float64)
        gradual = tuple(
            (kind, np.exp(-away / decay), rise, turn)
            for kind, away in (("lead", at), ("tail", n - 1.0 - at))
            for decay in DECAYS
            for rise in RISES
            for turn in FLOW_TURNS
        )
        prior += [2.0 * PRIOR[g[0]] / len(gradual) for g in gradual]
        keys: list[Key] = [("sound", ())]
        keys += [(c[0], (c,)) for c in columns]
        keys += [("two", (columns[a], columns[b])) for a, b in pairs.T]
        keys += [(g[0], ()) for g in gradual]
        log_prior = np.log(np.array([PRIOR["sound"], *prior]))
        return cls(n, tuple(columns), np.array(point), pairs, gradual, tuple(keys), log_prior)


def generic_profiles(elements: int) -> list[tuple[Healthy, float]]:
    """Sound vessels of any operation, level 1, with their prior weights."""
    e = np.arange(elements, dtype=np.float64)
    found = []
    for fall, prior in zip(FALLS, FALL_PRIOR, strict=True):
        for recovery in RECOVERIES:
            flow = np.exp(-fall * e)
            salt = np.exp((fall - np.log1p(-recovery)) * e)
            salt = salt / np.average(salt, weights=flow)
            found.append((Healthy(flow, salt), prior / len(RECOVERIES)))
    return found


@dataclass(frozen=True, slots=True)
class Shapes:
    """A sound profile and every fault at places along the tube (m,), for a level of 1.

    passing : (m,) permeate that passes, in permeates of one element. expected : (m,).
    covariance : (m, m) of a sound vessel. linear : (m, k) columns of a `Family`, gradual : (m, g).
    """

    passing: Array
    expected: Array
    covariance: Array
    linear: Array
    gradual: Array


class _Mix:
    """The mix at places along the tube for a given parting of the permeate."""

    def __init__(self, tube: Tube, along: Array, divide: float) -> None:
        self.share = upstream_share(tube, along, divide)

    def of(self, flow: Array, salt: Array) -> Array:
        """(m,) concentration; NaN where nothing passes."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray((self.share @ (flow * salt)) / (self.share @ flow))


def shapes(
    family: Family, tube: Tube, healthy: Healthy, along: Array, measured: Array, tilt: float
) -> Shapes:
    """Everything at places `along` (m,), where `measured` (m,) was found.

    tilt : error of the slope of the profile. [relative, for each element]
    """
    flow, salt, n = healthy.flow_m3h, healthy.concentration_mg_l, family.elements
    divide = dividing_point(tube, flow)
    mix = _Mix(tube, along, divide)
    water, expected = mix.share @ flow, mix.of(flow, salt)
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = mix.share * flow / water[:, None]
    by_salt = SALT_SCATTER * parts * salt
    by_flow = FLOW_SCATTER * parts * (salt - expected[:, None])
    by_slope = (parts * salt) @ ((np.arange(n) - (n - 1) / 2.0) * tilt)
    step = TIP_MM / tube.element_length_mm
    ahead, behind = (_Mix(tube, along + d, divide).of(flow, salt) for d in (step, -step))
    by_tip = np.nan_to_num((ahead - behind) / 2.0)
    covariance = by_salt @ by_salt.T + by_flow @ by_flow.T + np.outer(by_slope, by_slope)
    covariance += np.diag(by_tip**2) + LEVEL_ALONG**2 * np.outer(expected, expected)
    if np.isfinite(divide):
        far, near = (
            _Mix(tube, along, divide + d).of(flow, salt) for d in (DIVIDE_ERROR, -DIVIDE_ERROR)
        )
        moved = np.nan_to_num((far - near) / 2.0)
        covariance += np.outer(moved, moved)
    linear = np.empty((len(along), len(family.columns)))
    for i, (kind, number) in enumerate(family.columns):
        if np.isnan(family.point[i]):
            passes = mix.share[:, number - 1]
        else:
            passes = upstream_of(tube, along, divide, family.point[i : i + 1])[:, 0].astype(float)
        bent = np.ones(len(along))
        if healthy.feed_side_mg_l is not None:
            low = number if kind == "joint" else number - 1
            bent = np.maximum(1.0 - measured / healthy.feed_side_mg_l[low : number + 1].mean(), 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            linear[:, i] = passes * bent * float(flow @ salt) / water
    gradual = np.empty((len(along), len(family.gradual)))
    for i, (_, share, rise, turn) in enumerate(family.gradual):
        grown = flow * np.clip(1.0 + turn * np.log2(1.0 + rise * share), 0.1, 2.0)
        gradual[:, i] = mix.of(grown, salt * (1.0 + rise * share)) - expected
    return Shapes(water / flow.mean(), expected, covariance, linear, gradual)


def normal_size(
    rr: Array, rg: Array, gg: Array, mean: Array | float, spread: Array | float
) -> Array:
    """Log-likelihood with the size of a shape normal about `mean`; the part without the sizes is `rr`.

    rr, rg, gg : r'Wr, r'Wg, g'Wg, for residual r, shape g and inverse covariance W; all broadcast.
    """
    left = rg - mean * gg
    variance = np.square(spread)
    return np.asarray(
        -0.5 * (rr - 2.0 * mean * rg + np.square(mean) * gg)
        + 0.5 * variance * left**2 / (1.0 + variance * gg)
        - 0.5 * np.log1p(variance * gg)
    )


def log_sum(values: Array, axis: int | tuple[int, ...]) -> Array:
    top = values.max(axis=axis, keepdims=True)
    total = np.log(np.exp(values - top).sum(axis=axis, keepdims=True)) + top
    return np.asarray(np.squeeze(total, axis))


def log_evidence(
    family: Family, found: Shapes, measured: Array, noise: Array, levels: Array
) -> Array:
    """Log-likelihood of samples under every explanation, at levels (s,) of the sound profile.

    measured, noise : (m,) samples and their standard errors. returns : (s, keys of `family`).
    Sizes are integrated out in closed form, each normal about the values of a grid.
    """
    s = levels[:, None, None]
    covariance = s**2 * found.covariance + np.diag(noise**2)
    lower = np.linalg.cholesky(covariance)
    residual = measured - levels[:, None] * found.expected
    right = np.concatenate([residual[:, :, None], s * found.linear, s * found.gradual], axis=2)
    white = np.linalg.solve(lower, right)
    r, k = white[:, :, 0], found.linear.shape[1]
    g, slow = white[:, :, 1 : 1 + k], white[:, :, 1 + k :]
    rr = (r**2).sum(axis=1)[:, None]
    rg = np.einsum("sm,smk->sk", r, g)
    gg = (g**2).sum(axis=1)
    size = np.array(SIZES)
    single = normal_size(rr[:, :, None], rg[:, :, None], gg[:, :, None], size, ALONG * size)
    main = 2 * family.elements + 1
    gram = np.einsum("smk,sml->skl", g[:, :, :main], g[:, :, :main])
    with_slow = normal_size(rr, np.einsum("sm,smk->sk", r, slow), (slow**2).sum(axis=1), 1.0, ALONG)
    logs = np.concatenate(
        [
            -0.5 * rr,
            log_sum(single + np.log(SIZE_PRIOR), 2),
            _pairs(family.pairs, rr, rg, gram),
            with_slow,
        ],
        axis=1,
    )
    return np.asarray(logs - np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)[:, None])


def _pairs(pairs: NDArray[np.intp], rr: Array, rg: Array, gram: Array) -> Array:
    """Log-likelihood of every pair of places (s, p), both sizes integrated out."""
    a, b = pairs
    ra, rb = rg[:, a], rg[:, b]
    aa, bb, ab = gram[:, a, a], gram[:, b, b], gram[:, a, b]
    logs = []
    for x, wx in zip(PAIR_SIZES, PAIR_PRIOR, strict=True):
        for y, wy in zip(PAIR_SIZES, PAIR_PRIOR, strict=True):
            va, vb = (PAIR_ALONG * x) ** -2.0, (PAIR_ALONG * y) ** -2.0
            left_a, left_b = ra - x * aa - y * ab, rb - x * ab - y * bb
            determinant = (aa + va) * (bb + vb) - ab**2
            gain = left_a**2 * (bb + vb) - 2.0 * left_a * left_b * ab + left_b**2 * (aa + va)
            square = rr - 2.0 * (x * ra + y * rb) + x * x * aa + y * y * bb + 2.0 * x * y * ab
            logs.append(
                0.5 * (gain / determinant - square - np.log(determinant / (va * vb)))
                + np.log(wx * wy)
            )
    return log_sum(np.stack(logs), 0)


def fitted(
    family: Family, found: Shapes, index: int, level: float, measured: Array, noise: Array
) -> tuple[Array, Array, Array]:
    """What explanation `index` says at every place, given the samples at some of them.

    measured : (m,) NaN where nothing was sampled. noise : (m,).
    returns : mean (m,), standard deviation (m,) without the meter's error, sizes.
    """
    k, p = found.linear.shape[1], family.pairs.shape[1]
    if index == 0:
        columns = np.empty((len(measured), 0))
    elif index <= k:
        columns = found.linear[:, index - 1 : index]
    elif index <= k + p:
        columns = found.linear[:, family.pairs[:, index - 1 - k]]
    else:
        columns = found.gradual[:, index - 1 - k - p :][:, :1]
    columns = level * columns
    known = np.isfinite(measured)
    own = level**2 * found.covariance
    inverse = np.linalg.inv(own[np.ix_(known, known)] + np.diag(noise[known] ** 2))
    residual = measured[known] - level * found.expected[known]
    seen = columns[known]
    weak = 1e-9 * np.eye(columns.shape[1])
    sizes = np.linalg.solve(seen.T @ inverse @ seen + weak, seen.T @ inverse @ residual)
    sizes = np.maximum(sizes, 0.0)
    spread = columns * (ALONG * sizes)
    prior = own + spread @ spread.T
    gain = prior[:, known] @ np.linalg.inv(prior[np.ix_(known, known)] + np.diag(noise[known] ** 2))
    mean = level * found.expected + columns @ sizes
    mean = mean + gain @ (measured - mean)[known]
    left = np.diag(prior) - np.einsum("ij,ij->i", gain, prior[:, known])
    return np.asarray(mean), np.sqrt(np.maximum(left, 0.0)), sizes
