"""What the residue of the osmotic pressure does to the deviations of a healthy train."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from rules.noise import split

Array = NDArray[np.float64]

STAYS, WANDERS = 0.02, 0.006
"""Residue of the osmotic pressure along a section: what stays (one salt for all, polarization, means) and what wanders.
The first shows only where the operating point gives it another weight than at the reference. Common practice, no
source. [-]"""

BY_OSMOTIC = {"permeate_flow": "flow_by_osmotic", "salt_passage": "passage_by_osmotic"}
"""Quantity -> operating quantity of `rules.digest` that tells what an error of the osmotic pressure does to it."""


class OsmoticResidue:
    """Covariance from the residue of the osmotic pressure.

    observables : names of the rows and columns. operating : names of the operating points that are given.
    baseline : operating quantity -> its value at the baseline.
    """

    def __init__(
        self, observables: Sequence[str], operating: Sequence[str], baseline: Mapping[str, float]
    ) -> None:
        names = []
        for observable in observables:
            section, quantity = split(observable)
            key = BY_OSMOTIC.get(quantity) if section != "balance" else None
            names.append(f"{section}/{key}" if key else "")
        self._columns = np.array([operating.index(n) if n else -1 for n in names], dtype=np.intp)
        self._baseline = np.array([baseline.get(name, np.nan) for name in operating])

    def covariance(self, point: Array, before: Array | None = None) -> Array:
        """Of the deviations at an operating point from the baseline, or from another point `before`, (n, n)."""
        slopes = self._slopes(point)
        stays = STAYS * (slopes - self._slopes(self._baseline if before is None else before))
        return np.asarray(np.outer(stays, stays) + np.diag((WANDERS * slopes) ** 2))

    def _slopes(self, point: Array) -> Array:
        """What a relative error of the osmotic pressure does to every observable; 0 where unknown. [-]"""
        return np.where(self._columns >= 0, np.nan_to_num(point[self._columns]), 0.0)
