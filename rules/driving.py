"""What drives a section, and how the permeate of a train is split among its stages.

The net driving pressure, the concentration at the membrane and the flow along the channel, either by
the means of ASTM D4516 or by the exact means of `rules.profile`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules import normalize, profile, water
from rules.fits import Array, above_zero
from rules.graph import (
    Columns,
    Found,
    Lack,
    Recipe,
    column,
    combine,
    constant,
    downward,
    linear,
    several,
)
from rules.train import Means, Stage, Water

_ROUNDS: Final = 40
_HALVINGS: Final = 12
_STARTS: Final = 16
_CLOSE: Final = 1e-13
"""Largest difference of ln A between stages at which the split is found."""


@dataclass(frozen=True, slots=True)
class Feed:
    """What flows into a section and out of it as permeate: m3/h, mg/L, °C, bar (gauge).

    passed : concentration of the permeate, or a `Lack`: then it is taken as salt-free.
    """

    flow: Found
    permeate: Found
    salt: Found
    passed: Found
    temperature: Found
    feed_pressure: Found
    concentrate_pressure: Found
    permeate_pressure: Found


@dataclass(frozen=True, slots=True)
class Driving:
    """Recipes of what drives a section.

    ndp_bar : mean net driving pressure. at_membrane_mg_l : mean concentration that salt passes from.
    average_mg_l : log mean on the feed side. channel_m3h : flow along the feed channel.
    """

    recovery: Found
    flux_lmh: Found
    average_mg_l: Found
    ndp_bar: Found
    at_membrane_mg_l: Found
    channel_m3h: Found


def driving(stages: Sequence[Stage], x: Feed, law: Water, means: Means) -> Driving:
    """What drives a section of these stages in series."""
    area_m2 = sum(s.area_m2 for s in stages)

    def osmotic(c: Array, temperature_c: Array) -> Array:
        return water.osmotic_pressure_bar(c, temperature_c, law)

    recovery = combine(
        lambda q, f: q / above_zero(f),
        x.permeate,
        x.flow,
        slopes=lambda y, q, f: (1.0 / f, -y / f),
    )
    flux = linear((1000.0 / area_m2, x.permeate))
    average = combine(water.feed_brine_average, x.salt, recovery)
    pi_feed = combine(osmotic, average, x.temperature)
    pi_perm = (
        constant(0.0) if isinstance(x.passed, Lack) else combine(osmotic, x.passed, x.temperature)
    )
    middle = linear((1.0, x.flow), (-0.5, x.permeate))
    if means == "d4516":
        drop = linear((1.0, x.feed_pressure), (-1.0, x.concentrate_pressure))
        ndp = combine(
            normalize.net_driving_pressure_bar,
            x.feed_pressure,
            drop,
            x.permeate_pressure,
            pi_feed,
            pi_perm,
            slopes=lambda value, *p: (1.0, -0.5, -1.0, -1.0, 1.0),
        )
        return Driving(recovery, flux, average, ndp, average, middle)
    # Polarization at the mean flow of a vessel; over several stages, of the stage in the middle.
    vessels = sum(s.vessels * s.elements_per_vessel for s in stages) / sum(
        s.elements_per_vessel for s in stages
    )
    transfer = combine(
        lambda f, t: profile.mass_transfer_lmh(f / vessels, t, stages[0]), middle, x.temperature
    )
    piled = combine(profile.polarization, flux, transfer)
    # The osmotic law is taken as a straight line through its value at the average concentration.
    pi_membrane = combine(
        lambda p, c, a, e: p * c / a * e,
        pi_feed,
        x.salt,
        average,
        piled,
        slopes=lambda y, p, c, a, e: (y / p, y / c, -y / a, y / e),
    )
    pressure = linear(
        (0.5, x.feed_pressure),
        (0.5, x.concentrate_pressure),
        (-1.0, x.permeate_pressure),
        (1.0, pi_perm),
    )

    def solve(f: Array, q: Array, p: Array, pi: Array) -> Array:
        found = profile.exact_means(f, q, p, pi)
        return np.stack([found.ndp_bar, found.flow_m3h, found.concentration_ratio])

    ndp, channel, ratio = several(3, solve, x.flow, x.permeate, pressure, pi_membrane)
    at_membrane = combine(
        lambda c, r, e: c * r * e,
        x.salt,
        ratio,
        piled,
        slopes=lambda y, c, r, e: (y / c, y / r, y / e),
    )
    return Driving(
        recovery, flux, average, ndp, at_membrane, middle if isinstance(channel, Lack) else channel
    )


def onward(salt: Array, feed: Array, permeate: Array, passed: Array, left: Array) -> Array:
    """Concentration of what a stage leaves, by salt balance; all broadcast. [mg/L]"""
    return np.asarray((feed * salt - permeate * passed) / above_zero(left))


def split(
    stages: Sequence[Stage],
    feeds: Sequence[Feed],
    total: Found,
    law: Water,
    means: Means,
) -> tuple[Found, ...]:
    """Permeate of each of two or more stages from that of the train, by one water permeability.

    feeds : of each stage; flow and salt of the first, passed, temperature and pressures of all are
        used, the flows of the later ones follow.
    total : permeate of the train. [m3/h]
    returns : recipes of the permeate flows, so that Qp/(area · NDP) is the same in every stage. [m3/h]
        NaN where there is no such split. A stage whose permeability differs from the others' is
        not seen in it: its share is that of sound membranes.
    """
    n = len(stages)
    passed = [constant(0.0) if isinstance(x.passed, Lack) else x.passed for x in feeds]
    known: list[Found] = [total, feeds[0].flow, feeds[0].salt, feeds[0].temperature]
    for x, salt in zip(feeds, passed, strict=True):
        known += [x.feed_pressure, x.concentrate_pressure, x.permeate_pressure, salt]
    names = [f"known {i}" for i in range(len(known))]
    shares = [f"share {k}" for k in range(n - 1)]
    solver = _Split(stages, law, means, names, shares)
    return several(n, solver.solve, *known, slopes=solver.slopes)


class _Split:
    """Newton's rule on the logarithms of the flows' ratios to the last stage's, halved where it misses.

    names : of the known parts in the order of `split`: total, feed flow, feed salt, temperature, then
        feed, concentrate and permeate pressure and permeate salt of each stage.
    shares : of the unknown ratios.
    """

    def __init__(
        self,
        stages: Sequence[Stage],
        law: Water,
        means: Means,
        names: Sequence[str],
        shares: Sequence[str],
    ) -> None:
        n = len(stages)
        self.names, self.shares = names, shares
        self.areas = [stage.area_m2 for stage in stages]
        x: list[Found] = [column(name) for name in names]
        flows = several(n, _flows, x[0], *(column(name) for name in shares))
        flow, salt = x[1], x[2]
        levels: list[Found] = []
        for k, (stage, permeate) in enumerate(zip(stages, flows, strict=True)):
            pf, pc, pp, passed = x[4 + 4 * k : 8 + 4 * k]
            found = driving(
                (stage,), Feed(flow, permeate, salt, passed, x[3], pf, pc, pp), law, means
            )
            levels.append(
                combine(
                    lambda q, p, a=stage.area_m2: np.log(above_zero(q) / (a * above_zero(p))),
                    permeate,
                    found.ndp_bar,
                )
            )
            left = linear((1.0, flow), (-1.0, permeate))
            salt = combine(onward, salt, flow, permeate, passed, left)
            flow = left
        misses = [linear((1.0, level), (-1.0, levels[-1])) for level in levels[:-1]]
        self.misses = [m for m in misses if isinstance(m, Recipe)]
        self.paths = [downward(m) for m in self.misses]

    def _miss(self, known: dict[str, Array], z: Array) -> Array:
        """Differences of ln A to the last stage's, (n−1, rows)."""
        columns = self._columns(known, z, slopes=False)
        return np.stack([columns.of(m) for m in self.misses])

    def _sloped(self, known: dict[str, Array], z: Array) -> tuple[Array, dict[str, Array]]:
        """The same, and the slopes of all by each name, (n−1, rows)."""
        columns = self._columns(known, z, slopes=True)
        miss = np.stack([columns.of(m) for m in self.misses])
        slopes = {name: np.zeros(miss.shape) for name in (*known, *self.shares)}
        for i, path in enumerate(self.paths):
            for name, by in columns.gradient(path):
                slopes[name][i] = by
        return miss, slopes

    def _columns(self, known: dict[str, Array], z: Array, *, slopes: bool) -> Columns:
        shares = dict(zip(self.shares, z, strict=True))
        return Columns(known | shares, z.shape[1], slopes=slopes)

    def _system(self, slopes: dict[str, Array]) -> Array:
        """Slopes of the misses by the shares, (rows, n−1, n−1); a row without a solution is NaN."""
        system = np.stack([slopes[name] for name in self.shares], axis=-1).swapaxes(0, 1)
        finite = np.isfinite(system).all(axis=(1, 2))
        determinant = np.linalg.det(np.where(np.reshape(finite, (-1, 1, 1)), system, 0.0))
        system[determinant == 0.0] = np.eye(len(self.shares)) * np.nan
        return np.asarray(system)

    def slopes(self, flows: Array, *parts: Array) -> list[list[Array]]:
        """Slopes of the flows by every part, by the rule of implicit functions."""
        known = dict(zip(self.names, parts, strict=True))
        total = parts[0]
        share = flows / total
        z = np.log(flows[:-1] / flows[-1])
        _, slopes = self._sloped(known, z)
        right = np.stack([slopes[name] for name in self.names], axis=-1).swapaxes(0, 1)
        by = -np.linalg.solve(self._system(slopes), right)  # (rows, n−1, parts)
        found = []
        for k in range(len(flows)):
            mine = [(float(k == j) - share[j])[:, None] * by[:, j] for j in range(len(z))]
            of_flow = flows[k][:, None] * sum(mine)
            of_flow[:, 0] += share[k]
            found.append(list(of_flow.T))
        return found

    def solve(self, *parts: Array) -> Array:
        """Permeate flows stacked in front, of the shape that the parts broadcast to."""
        full = np.broadcast_arrays(*parts)
        known = {
            name: np.ascontiguousarray(p, dtype=np.float64).ravel()
            for name, p in zip(self.names, full, strict=True)
        }
        # As if water flowed by pressure and area alone.
        weight = []
        for k, area in enumerate(self.areas):
            pf, pc, pp = (known[name] for name in self.names[4 + 4 * k : 7 + 4 * k])
            weight.append(np.log(above_zero(area * ((pf + pc) / 2.0 - pp))))
        z = np.stack([w - weight[-1] for w in weight[:-1]])
        miss, slopes = self._sloped(known, z)
        # Salt leaves the later stages less: where they cannot give that much, they start with less.
        downstream = np.arange(len(z), 0, -1.0)[:, None]
        for _ in range(_STARTS):
            lost = ~np.isfinite(miss).all(axis=0)
            if not lost.any():
                break
            z = np.where(lost, z + 0.25 * downstream, z)
            miss, slopes = self._sloped(known, z)
        for _ in range(_ROUNDS):
            size = np.abs(miss).max(axis=0)
            active = np.isfinite(size) & (size > _CLOSE)
            if not active.any():
                break
            system = self._system(slopes)
            move = -np.linalg.solve(system, np.where(active, miss, 0.0).T[..., None])[..., 0].T
            move = np.where(np.isfinite(move), move, 0.0)
            move = np.clip(move, -1.0, 1.0)
            for _ in range(_HALVINGS):
                tried = self._miss(known, z + move)
                worse = active & ~(np.abs(tried).max(axis=0) <= size)
                if not worse.any():
                    break
                move = np.where(worse, move / 2.0, move)
            z = z + np.where(worse, 0.0, move)
            kept = miss
            miss, slopes = self._sloped(known, z)
            if not (active & (np.abs(miss) < np.abs(kept)).any(axis=0)).any():
                break
        found = np.abs(miss).max(axis=0) < 1e-9
        return np.where(found, _flows(known["known 0"], *z), np.nan).reshape(-1, *full[0].shape)


def _flows(total: Array, *z: Array) -> Array:
    """Flows that sum up to the total, in the ratios exp(z) to the last one; stacked in front."""
    ratios = [np.exp(one) for one in z]
    rest = 1.0 + sum(ratios)
    return np.stack([*(total * r / rest for r in ratios), total * (1.0 / rest)])
