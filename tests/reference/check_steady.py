"""The R statistic against quantiles that were simulated elsewhere, and its expectation on correlated data."""

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from rules import steady
from tests.reference.checks import check, relative
from tests.reference.tables import rows

TABLE = "steady_state_R_quantiles.csv"
QUANTILES = {"q05": 0.05, "q50": 0.5, "q75": 0.75, "q90": 0.9, "q95": 0.95, "q975": 0.975}
SERIES, SETTLE, EVERY, TAKEN = 30_000, 120, 20, 8


@cache
def _simulated() -> tuple[tuple[dict[str, str], np.ndarray], ...]:
    """R of settled white noise for each row of the table, one generator with a fixed seed."""
    rng = np.random.default_rng(20)
    found = []
    for row in rows(TABLE):
        weights = [float(row[f"lambda{i}"]) for i in (1, 2, 3)]
        statistic = steady.RStatistic(SERIES, *weights)
        taken = []
        for sample in range(SETTLE + EVERY * TAKEN):
            r = statistic.update(rng.standard_normal(SERIES))
            if sample >= SETTLE and sample % EVERY == 0:
                taken.append(r)
        found.append((row, np.concatenate(taken)))
    return tuple(found)


@check(
    "R statistic of white noise, mean and quantiles to 97.5 %",
    source="Cao and Rhinehart (1995), method from memory; quantiles by Monte Carlo",
    status="computed",
    tolerance=0.01,
    table=TABLE,
)
def quantiles() -> ArrayLike:
    """Mean and quantiles of R over all rows of weights."""
    return np.concatenate(
        [
            relative(
                [r.mean(), *np.quantile(r, list(QUANTILES.values()))],
                [float(row[c]) for c in ("mean", *QUANTILES)],
            )
            for row, r in _simulated()
        ]
    )


@check(
    "R statistic of white noise, 99 % quantile",
    source="Cao and Rhinehart (1995), method from memory; quantiles by Monte Carlo",
    status="computed",
    tolerance=0.02,
    table=TABLE,
)
def highest_quantile() -> ArrayLike:
    """The 99 % quantile, which scatters more."""
    return np.concatenate(
        [relative([np.quantile(r, 0.99)], [float(row["q99"])]) for row, r in _simulated()]
    )
