"""How often steady quarter hours are called disturbed, and disturbed ones steady. A table, no verdict.

Run with `python -m tests.bench.steady_rates [--trials 400] [--days 12]`.

Made-up part: a train of seven signals, each its level times 1 plus a first-order autoregression, three hours of
which go before the quarter hour that is judged. Simulated part: the minutes of a simulated plant whose
set-points move every day; what is steady and what is not is told by the simulator's own set-points.
A quarter hour is disturbed when any signal is. Rates come with 95 % intervals (Wilson, from memory).
"""

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules import steady
from rules.state import judged_signals
from simulator.plant import Plant
from tests.simulated import run

Array = NDArray[np.float64]
Verdicts = NDArray[np.bool_]

SIGNALS = 7
HISTORY, BLOCK = 180, 15
PHI = (0.0, 0.5, 0.8, 0.9, 0.95, 0.98)
NOISE = (0.003, 0.01, 0.02)
R_99 = 1.729448
"""99 % quantile of R for weights 0.2, 0.1, 0.1: tests/reference/steady_state_R_quantiles.csv."""


def autoregression(
    rng: np.random.Generator, phi: float, minutes: int, shape: tuple[int, ...]
) -> Array:
    """First-order autoregression of variance 1, (minutes, *shape)."""
    x = rng.standard_normal((minutes, *shape))
    fresh = np.sqrt(1.0 - phi * phi)
    for t in range(1, minutes):
        x[t] = phi * x[t - 1] + fresh * x[t]
    return x


def _ramp(size: float) -> Array:
    return np.concatenate([np.zeros(HISTORY), size * np.arange(1, BLOCK + 1) / BLOCK])


def _step(size: float, at: int) -> Array:
    return np.concatenate([np.zeros(HISTORY + at), np.full(BLOCK - at, size)])


DISTURBANCES: Mapping[str, tuple[Array, int]] = {
    "ramp 3 %, one signal": (_ramp(0.03), 1),
    "ramp 5 %, one signal": (_ramp(0.05), 1),
    "step 3 %, one signal": (_step(0.03, 7), 1),
    "step 5 %, one signal": (_step(0.05, 7), 1),
    "set-point 3 %, four signals": (_ramp(0.03), 4),
    "set-point 6 %, four signals": (_ramp(0.06), 4),
}
"""Relative change by minute, and how many signals follow it. [-]"""


def trains(
    rng: np.random.Generator, phi: float, noise: float, trials: int, disturbance: str | None = None
) -> Array:
    """Relative values (HISTORY + BLOCK, trials, SIGNALS) of trains, disturbed in the last quarter hour or not."""
    x = 1.0 + noise * autoregression(rng, phi, HISTORY + BLOCK, (trials, SIGNALS))
    if disturbance is not None:
        change, follow = DISTURBANCES[disturbance]
        x[..., :follow] += change[:, None, None]
    return x


# -- gates: (HISTORY + BLOCK, trials, SIGNALS) and phi -> (trials,) disturbed ------------------------


def span(x: Array, phi: float) -> Verdicts:
    """Widest spread of the minutes over their median above 6 %: what the watch used before."""
    block = x[-BLOCK:]
    return np.asarray((np.ptp(block, axis=0) > 0.06 * np.median(block, axis=0)).any(axis=-1))


def r_white(x: Array, phi: float) -> Verdicts:
    """R above its 99 % quantile for independent noise."""
    return np.asarray((steady.r_statistic(x[-90:])[-1] > R_99).any(axis=-1))


def r_known(x: Array, phi: float) -> Verdicts:
    """R above that quantile times the expected R, the true autocorrelation being known."""
    limit = R_99 * steady.expected_r(phi)
    return np.asarray((steady.r_statistic(x[-90:])[-1] > limit).any(axis=-1))


def r_whitened(x: Array, phi: float) -> Verdicts:
    """R of what is left when the lag-1 autocorrelation of the last three hours is taken off."""
    past = x[:HISTORY] - x[:HISTORY].mean(axis=0)
    found = (past[1:] * past[:-1]).sum(axis=0) / (past**2).sum(axis=0)
    white = x[1:] - found * x[:-1]
    return np.asarray((steady.r_statistic(white[-90:])[-1] > R_99).any(axis=-1))


def r_that_matters(x: Array, phi: float) -> Verdicts:
    """R for independent noise above its quantile, and a spread above 2 %."""
    block = x[-BLOCK:]
    matters = np.ptp(block, axis=0) > 0.02 * np.median(block, axis=0)
    return np.asarray((matters & (steady.r_statistic(x[-90:])[-1] > R_99)).any(axis=-1))


def slope(x: Array, phi: float) -> Verdicts:
    """A straight line that rises more than 2 % and more than 3.5 of its standard errors."""
    block = x[-BLOCK:]
    t = np.arange(BLOCK) - (BLOCK - 1) / 2.0
    rise = np.tensordot(t, block, 1) / (t @ t)
    rest = block - block.mean(axis=0) - rise * t[:, None, None]
    error = np.sqrt((rest**2).sum(axis=0) / (BLOCK - 2) / (t @ t))
    change = np.abs(rise) * (BLOCK - 1)
    matters = change > 0.02 * np.median(block, axis=0)
    return np.asarray((matters & (np.abs(rise) > 3.5 * error)).any(axis=-1))


def movement(x: Array, phi: float) -> Verdicts:
    """The gate of the watch: more than matters, and more than usual."""
    flat = x.reshape(len(x), -1)
    gate = steady.MovementGate(flat.shape[1])
    verdict = np.zeros(flat.shape[1], dtype=bool)
    for minute, row in enumerate(flat):
        verdict = gate.minute(60.0 * minute, row)
    return np.asarray(verdict.reshape(x.shape[1:]).any(axis=-1))


Gate = Callable[[Array, float], Verdicts]
GATES: Mapping[str, Gate] = {
    "span 6 %": span,
    "R 99 %": r_white,
    "R, phi known": r_known,
    "R, whitened": r_whitened,
    "R and 2 %": r_that_matters,
    "slope": slope,
    "movement": movement,
}


@dataclass(frozen=True)
class Rate:
    """So many of so many, with its Wilson interval of 95 %."""

    count: int
    of: int

    @property
    def share(self) -> float:
        """The rate. [-]"""
        return self.count / self.of

    @property
    def interval(self) -> tuple[float, float]:
        """Its 95 % interval. [-]"""
        z2 = 1.96**2
        middle = (self.count + z2 / 2.0) / (self.of + z2)
        half = (
            1.96
            * np.sqrt(self.count * (self.of - self.count) / self.of + z2 / 4.0)
            / (self.of + z2)
        )
        return max(0.0, float(middle - half)), min(1.0, float(middle + half))

    def __str__(self) -> str:
        if not self.of:
            return f"{'-':>17}"
        low, high = self.interval
        return f"{100 * self.share:5.1f} ({100 * low:4.1f}-{100 * high:4.1f})"


def false_reject(gate: str, phi: float, noise: float, trials: int, seed: int = 1) -> Rate:
    """How often steady trains are called disturbed."""
    x = trains(np.random.default_rng([seed, int(1000 * phi)]), phi, noise, trials)
    return Rate(int(GATES[gate](x, phi).sum()), trials)


def false_accept(
    gate: str, disturbance: str, phi: float, noise: float, trials: int, seed: int = 2
) -> Rate:
    """How often disturbed trains are called steady."""
    rng = np.random.default_rng([seed, int(1000 * phi)])
    x = trains(rng, phi, noise, trials, disturbance)
    return Rate(int((~GATES[gate](x, phi)).sum()), trials)


@dataclass(frozen=True)
class Blocks:
    """Quarter hours of a simulated plant with three hours of production before each.

    minutes : (HISTORY + BLOCK, n_blocks, n_signals). moved : how far permeate or concentrate set-points moved in
    the block, as a share (n_blocks,). before : and in the 20 minutes before.
    """

    minutes: Array
    moved: Array
    before: Array


def simulated(scenario: str, days: float, seed: int) -> Blocks:
    """Quarter hours of a scenario during which, and three hours before, the train produces."""
    plant = run(scenario, days, 60.0, seed)
    names = [plant.train.signals.index(s) for s in judged_signals(plant.train.signals)]
    timeline = Plant(scenario, seed).timeline
    mode, since = timeline.mode(plant.times)
    produces = (mode == 3) & (since > 3600.0)
    permeate, recovery = timeline.setpoints(plant.times)
    targets = np.array([permeate, permeate / recovery, permeate * (1.0 / recovery - 1.0)])
    minutes, moved, before = [], [], []
    for start in range(HISTORY, len(plant.times) - BLOCK, BLOCK):
        if not produces[start - HISTORY : start + BLOCK].all():
            continue
        minutes.append(plant.values[start - HISTORY : start + BLOCK, names])
        here, earlier = targets[:, start : start + BLOCK], targets[:, start - 20 : start]
        moved.append((np.ptp(here, axis=1) / here.mean(axis=1)).max())
        before.append((np.ptp(earlier, axis=1) / earlier.mean(axis=1)).max())
    return Blocks(np.array(minutes).transpose(1, 0, 2), np.array(moved), np.array(before))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=400)
    parser.add_argument("--days", type=float, default=12.0)
    chosen = parser.parse_args()
    head = "".join(f"{name:>19}" for name in GATES)
    print(f"False reject: steady quarter hours called disturbed [%]\n{'phi  noise':34}{head}")
    for phi in PHI:
        for noise in NOISE:
            rates = [false_reject(g, phi, noise, chosen.trials) for g in GATES]
            label = f"{phi:4.2f} {100 * noise:4.1f} %"
            print(f"{label:34}" + "".join(f"{r!s:>19}" for r in rates), flush=True)
    print(f"False accept: disturbed quarter hours called steady [%]\n{'':34}{head}")
    for kind in DISTURBANCES:
        for phi, noise in ((0.0, 0.003), (0.9, 0.003), (0.9, 0.01), (0.98, 0.01)):
            rates = [false_accept(g, kind, phi, noise, chosen.trials) for g in GATES]
            label = f"{kind} {phi:4.2f} {100 * noise:3.1f} %"
            print(f"{label:34.34}" + "".join(f"{r!s:>19}" for r in rates), flush=True)
    print(f"Simulated plants, {chosen.days:g} days\n{'':34}{head}")
    for scenario in ("healthy", "healthy_set_points"):
        blocks = simulated(scenario, chosen.days, 1)
        verdicts = {name: gate(blocks.minutes, 0.0) for name, gate in GATES.items()}
        for low, high in ((0.0, 0.001), (0.005, 0.02), (0.02, 0.03), (0.03, 0.05), (0.05, 1.0)):
            use = (blocks.moved >= low) & (blocks.moved < high)
            if low == 0.0:
                use &= blocks.before < 0.001
            count = int(use.sum())
            found = [Rate(int((v == (low == 0.0))[use].sum()), count) for v in verdicts.values()]
            what = "steady" if low == 0.0 else f"set-point {100 * low:g}-{100 * high:g} %"
            label = f"{scenario} {what}, {count}"
            print(f"{label:34.34}" + "".join(f"{r!s:>19}" for r in found), flush=True)


if __name__ == "__main__":
    main()
