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

STATED = {"permeate_flow": 0.07, "salt_passage": 0.2, "pressure_drop": 0.0}
"""Uncertainty of levels from a data sheet, the same for all sections: tolerance of elements, and the
way from the test's temperature, flux and salinity to the plant's. Common practice, no source: makers
guarantee flow within 10 to 15 % and state a lowest rejection well below the nominal one."""

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


# What moves each quantity beside its own noise: size, operating quantity, as a logarithm or not.
_DRIVERS = {
    quantity: (
        (PER_KELVIN[quantity], "temperature_c", False),
        (PER_LN_FLUX[quantity], "flux_lmh", True),
        (PER_LN_FLOW[quantity], "average_flow_m3h", True),
        (PER_LN_BRINE[quantity], "feed_brine_mg_l", True),
    )
    for quantity in QUANTITIES
}


class Noise:
    """Covariance of the mean deviations of a healthy train against one baseline.

    observables : names of the rows and columns.
    spread : baseline standard deviation of one digest, per observable. [-]
    operating : names of the operating quantities, in the order of the rows given to `covariance`.
    reference : operating point of the baseline (see `rules.digest`).
    stated : quantity -> uncertainty of the level of the baseline itself, common to all sections. [-]
    """

    def __init__(
        self,
        observables: Sequence[str],
        spread: Mapping[str, float],
        operating: Sequence[str] = (),
        reference: Mapping[str, float] | None = None,
        stated: Mapping[str, float] | None = None,
    ) -> None:
        n = len(observables)
        reference = reference or {}
        self._spread = np.array([spread.get(name, 0.0) ** 2 for name in observables])
        self._floor = np.array([floor(name) ** 2 for name in observables])
        self._reference = np.array([reference.get(name, np.nan) for name in operating])
        column = {name: i for i, name in enumerate(operating)}
        parts = [split(name) for name in observables]
        # One row for each common cause of movement; each entry is the size for one observable
        # and the column of the operating quantity that it follows.
        sizes, columns, logarithms, aged, levels = [], [], [], [], []
        for quantity in QUANTITIES:
            here = [i for i, (s, q) in enumerate(parts) if q == quantity and s != "balance"]
            for size, key, logarithm in _DRIVERS[quantity]:
                known = [i for i in here if f"{parts[i][0]}/{key}" in column]
                if not known or size == 0.0:
                    continue
                row, follows = np.zeros(n), np.zeros(n, dtype=int)
                row[known] = size
                follows[known] = [column[f"{parts[i][0]}/{key}"] for i in known]
                sizes.append(row)
                columns.append(follows)
                logarithms.append(logarithm)
            row = np.zeros(n)
            row[here] = PER_YEAR[quantity]
            aged.append(row)
            row = np.zeros(n)
            row[here] = (stated or {}).get(quantity, 0.0)
            levels.append(row)
        self._sizes = np.array(sizes).reshape(-1, n)
        self._columns = np.array(columns, dtype=int).reshape(-1, n)
        self._logarithms = np.array(logarithms, dtype=bool)
        self._aged = np.array(aged)
        self._levels = np.array(levels)

    def covariance(self, count: int, operating: Array, age_s: float) -> Array:
        """Covariance of the mean deviations, (n, n).

        count : digests in the window that is judged.
        operating : (n_operating,) operating point now; NaN where not known, which counts as unchanged.
        age_s : time since the baseline. [s]
        """
        own = self._spread * (1.0 / max(count, 1) + WANDER) + self._floor
        matrix = np.diag(own)
        years = max(age_s, 0.0) / YEAR_S
        vectors = np.concatenate([self._aged * years, self._levels])
        if len(self._sizes):
            with np.errstate(invalid="ignore", divide="ignore"):
                plain = operating - self._reference
                ratio = np.log(operating / self._reference)
            moved = np.where(self._logarithms[:, None], ratio[self._columns], plain[self._columns])
            moved = np.where(np.isfinite(moved), moved, 0.0) * self._sizes
            vectors = np.concatenate([vectors, moved])
        return np.asarray(matrix + vectors.T @ vectors)
