"""How much the deviations of a healthy train move: instruments and age.

The covariance of all observables of a train. Independent parts stand on the diagonal; what moves
several observables together (ageing, say) stands as an outer product, so that a cause that shows in
one stage only is not drowned by a common uncertainty. Weather and operation: `rules.dependence`.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from rules.train import QUANTITIES, is_interstage

Array = NDArray[np.float64]

# Sizes below: residue of log-mean and mean-pressure normalization and ordinary wander of sound
# membranes, common practice, no source; the reference asks for 2 to 3 per cent.
FLOOR = {"permeate_flow": 0.005, "salt_passage": 0.011, "pressure_drop": 0.010}
BALANCE_FLOOR = {"water": 0.004, "permeate_flow": 0.004, "permeate_salt": 0.012, "salt": 0.012}

INTERSTAGE = (0.004, 0.1)
"""The same of the pressures at the two ends of a pipe between stages, and of the part of them that a booster pump adds
there, which its speed may change. Common practice, no source. [-]"""

PER_YEAR = {"permeate_flow": 0.05, "salt_passage": 0.10, "pressure_drop": 0.05}
"""Ageing of sound membranes. [1/yr]"""

STATED = {"permeate_flow": 0.07, "salt_passage": 0.2, "pressure_drop": 0.0}
"""Uncertainty of levels from a data sheet, the same for all sections: tolerance of elements, and the
way from the test's temperature, flux and salinity to the plant's. Common practice, no source: makers
guarantee flow within 10 to 15 % and state a lowest rejection well below the nominal one."""

LATELY = 0.45
"""Part of the floor that two weeks of a train differ by, where the floor is that of months. [-]"""

UNSTEADY = (0.3, 0.135)
"""How far a transmitter within its accuracy may wander over months, and over two weeks, in its standard uncertainty:
what it was off by before has gone into the reference. Common practice, no source. [-]"""

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
    if section != "balance":
        return FLOOR[quantity]
    return INTERSTAGE[0] if is_interstage(quantity) else BALANCE_FLOOR[quantity]


class Noise:
    """Covariance of the mean deviations of a healthy train against one baseline.

    observables : names of the rows and columns.
    spread : baseline standard deviation of one digest, per observable. [-]
    stated : quantity -> uncertainty of the level of the baseline itself, common to all sections. [-]
    errors : (n, n_signals) what a standard uncertainty of each transmitter does to every observable. [-]
    more : observable -> what its floor is to be raised by, in squares. [-]
    """

    def __init__(
        self,
        observables: Sequence[str],
        spread: Mapping[str, float],
        stated: Mapping[str, float] | None = None,
        errors: Array | None = None,
        more: Mapping[str, float] | None = None,
    ) -> None:
        n = len(observables)
        errors = np.nan_to_num(np.zeros((n, 0)) if errors is None else errors)
        self._errors = errors @ errors.T
        self._spread = np.array([spread.get(name, 0.0) ** 2 for name in observables])
        raised = more or {}
        self._floor = np.array([floor(n) ** 2 + raised.get(n, 0.0) ** 2 for n in observables])
        parts = [split(name) for name in observables]
        # One row for each common cause of movement; each entry is its size for one observable.
        self._aged = np.zeros((len(QUANTITIES), n))
        self._levels = np.zeros((len(QUANTITIES), n))
        for k, quantity in enumerate(QUANTITIES):
            here = [i for i, (s, q) in enumerate(parts) if q == quantity and s != "balance"]
            self._aged[k, here] = PER_YEAR[quantity]
            self._levels[k, here] = (stated or {}).get(quantity, 0.0)

    def covariance(self, count: int, age_s: float) -> Array:
        """Covariance of the mean deviations, (n, n), weather and operation taken off.

        count : digests in the window that is judged. age_s : time since the baseline. [s]
        What is unknown of weather and operation comes on top: `rules.dependence.Dependence.covariance`.
        """
        own = self._spread * (1.0 / max(count, 1) + WANDER) + self._floor
        vectors = np.concatenate([self._aged * (max(age_s, 0.0) / YEAR_S), self._levels])
        return np.asarray(np.diag(own) + vectors.T @ vectors + UNSTEADY[0] ** 2 * self._errors)

    def change(self, count: int, count_before: int) -> Array:
        """Covariance of the change from one window of days to another about two weeks later, (n, n).

        count, count_before : digests in the two windows.
        """
        shares = 1.0 / max(count, 1) + 1.0 / max(count_before, 1)
        own = self._spread * (shares + WANDER) + LATELY**2 * self._floor
        return np.asarray(np.diag(own) + UNSTEADY[1] ** 2 * self._errors)
