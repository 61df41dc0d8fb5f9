"""How much the deviations of a healthy train move: instruments, operation, weather and age.

The covariance of all observables of a train. Independent parts stand on the diagonal; what moves
several observables together (the temperature constant of the membrane, say) stands as an outer
product, so that a cause that shows in one stage only is not drowned by a common uncertainty.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from rules.train import QUANTITIES

Array = NDArray[np.float64]

# Sizes below: residue of log-mean and mean-pressure normalization and ordinary wander of sound
# membranes, common practice, no source; the reference asks for 2 to 3 per cent.
FLOOR = {"permeate_flow": 0.008, "salt_passage": 0.02, "pressure_drop": 0.015}
BALANCE_FLOOR = {"water": 0.004, "permeate_flow": 0.004, "permeate_salt": 0.012, "salt": 0.012}

PER_KELVIN = {"permeate_flow": 0.004, "salt_passage": 0.006, "pressure_drop": 0.003}
"""Uncertainty of the membrane's own temperature dependence beside the law in use. [1/K]"""

PER_YEAR = {"permeate_flow": 0.05, "salt_passage": 0.10, "pressure_drop": 0.05}
"""Ageing of sound membranes. [1/yr]"""

PER_LN_FLUX = {"permeate_flow": 0.06, "salt_passage": 0.08, "pressure_drop": 0.0}
PER_LN_FLOW = {"permeate_flow": 0.0, "salt_passage": 0.04, "pressure_drop": 0.2}
PER_LN_BRINE = {"permeate_flow": 0.05, "salt_passage": 0.08, "pressure_drop": 0.0}

WANDER = 0.3
"""Share of the variance of the baseline's digests that does not average out over a window."""

YEAR_S = 365.25 * 86400.0


def split(observable: str) -> tuple[str, str]:
    """Section (or ``balance``) and quantity of an observable."""
    section, _, quantity = observable.partition("/")
    return section, quantity


def floor(observable: str) -> float:
    """Smallest standard deviation believed of an observable. [-]"""
    section, quantity = split(observable)
    return BALANCE_FLOOR[quantity] if section == "balance" else FLOOR[quantity]


def covariance(
    observables: Sequence[str],
    spread: Mapping[str, float],
    count: int,
    operating: Mapping[str, float],
    reference: Mapping[str, float],
    age_s: float,
) -> Array:
    """Covariance of the mean deviations of a healthy train, (n, n).

    spread : baseline standard deviation of one digest, per observable. [-]
    count : digests in the window that is judged.
    operating, reference : operating point now and of the baseline (see `rules.digest`).
    age_s : time since the baseline. [s]
    """
    own = np.array(
        [
            spread.get(name, 0.0) ** 2 * (1.0 / max(count, 1) + WANDER) + floor(name) ** 2
            for name in observables
        ]
    )
    matrix = np.diag(own)
    parts = [split(name) for name in observables]

    def change(section: str, key: str, *, logarithm: bool) -> float:
        now, then = operating.get(f"{section}/{key}"), reference.get(f"{section}/{key}")
        if now is None or then is None:
            return 0.0
        if logarithm:
            return float(np.log(now / then)) if now > 0.0 and then > 0.0 else 0.0
        return now - then

    years = max(age_s, 0.0) / YEAR_S
    for quantity in QUANTITIES:
        here = np.array([q == quantity and s != "balance" for s, q in parts])
        if not here.any():
            continue
        for size, key, logarithm in (
            (PER_KELVIN[quantity], "temperature_c", False),
            (PER_LN_FLUX[quantity], "flux_lmh", True),
            (PER_LN_FLOW[quantity], "average_flow_m3h", True),
            (PER_LN_BRINE[quantity], "feed_brine_mg_l", True),
        ):
            moved = np.array(
                [
                    size * change(s, key, logarithm=logarithm) if h else 0.0
                    for (s, _), h in zip(parts, here, strict=True)
                ]
            )
            matrix += np.outer(moved, moved)
        aged = PER_YEAR[quantity] * years * here
        matrix += np.outer(aged, aged)
    return matrix
