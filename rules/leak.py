"""A leak or the membrane: how a risen salt passage answers to temperature and flux tells them apart, where these vary.

The salt that passes the membrane goes with its salt permeability: it falls with flux as concentration and rises with
temperature, and normalization takes both off. What leaks past a seal does neither: it is feed-side water through an
opening, by the root of the pressure across it and whatever the temperature. Where a share f of the salt leaks, the
normalized salt passage therefore falls with temperature by f times what normalization took off, and rises with the
root of the flux by f:

    ln passage = level + growth · time + c · f · (−β · (T − T0) + ln(flux/flux0)/2),     f = 1 − exp(−rise)

with c = 1 for a leak and c = 0 for the membrane. Derived here from the orifice and the solution-diffusion laws
(fundamentals of both from memory); held against the simulator in tests/unit/test_leak.py.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.trend import CORRELATION

Array = NDArray[np.float64]

FEWEST = 16
"""Rows after the onset that are needed. [-]"""

LEAST_RISE = 0.06
"""A smaller rise of salt passage tells nothing. [-]"""

TELLING = 0.45
"""The share is told to people when its standard error is below this. [-]"""

LARGEST_NATS = 4.0
"""The evidence is not believed further: openings and membranes have habits of their own. [nats]"""

LEAKS = ("o_ring_leak", "damaged_element")
MEMBRANE = ("oxidation_damage", "abrasion")


@dataclass(frozen=True, slots=True)
class Answer:
    """How the risen salt passage answers to temperature and flux.

    share : c of the model: 1 like a leak, 0 like the membrane. error : its standard error. [-]
    """

    share: float
    error: float

    @property
    def telling(self) -> bool:
        """Whether it is worth a sentence."""
        return self.error <= TELLING

    def nats(self, cause: str) -> float:
        """Log-likelihood of a cause by it, over knowing nothing; 0 for causes that it says nothing of. [nats]"""
        if cause in LEAKS:
            expected = 1.0
        elif cause in MEMBRANE:
            expected = 0.0
        else:
            return 0.0
        wide = float(np.hypot(self.error, 0.6))
        here = -0.5 * ((self.share - expected) / self.error) ** 2 - np.log(self.error)
        nothing = -0.5 * ((self.share - 0.5) / wide) ** 2 - np.log(wide)
        return float(np.clip(here - nothing, -LARGEST_NATS, LARGEST_NATS))


def answer(
    days: Array,
    passage: Array,
    temperature_c: Array,
    flux_lmh: Array,
    onset: float,
    per_kelvin: float,
) -> Answer | None:
    """Fit the model to the rows since the onset.

    days, passage, temperature_c, flux_lmh : (n,) deviation of normalized salt passage as logarithm, and the
        operating point of each row; rows with NaN are left out. onset : [d]
    per_kelvin : β, what normalization takes off the salt permeability for each kelvin. [1/K]
    returns : None with too few rows, too small a rise, or no variation to tell by.
    """
    known = np.isfinite(passage) & np.isfinite(temperature_c) & np.isfinite(flux_lmh)
    use = known & (days > onset) & (flux_lmh > 0.0)
    if use.sum() < FEWEST:
        return None
    t, y = days[use] - onset, passage[use]
    before = passage[known & (days <= onset)]
    base = float(np.median(before)) if len(before) else 0.0
    rise = y - base
    if float(np.median(rise)) < LEAST_RISE:
        return None
    # The share follows the smoothed rise, not the noise of each row.
    line = np.polyfit(t, rise, 1) if float(np.ptp(t)) > 0.0 else np.array([0.0, rise.mean()])
    share = 1.0 - np.exp(-np.maximum(np.polyval(line, t), 0.0))
    warmth = temperature_c[use] - temperature_c[use].mean()
    flux = np.log(flux_lmh[use])
    regressor = share * (-per_kelvin * warmth + (flux - flux.mean()) / 2.0)
    basis = np.stack([np.ones_like(t), t, t**2, regressor], axis=1)
    found, _, rank, _ = np.linalg.lstsq(basis, y, rcond=None)
    if rank < basis.shape[1]:
        return None
    left = y - basis @ found
    variance = float(left @ left) / max(len(t) - basis.shape[1], 1) / CORRELATION
    error = float(np.sqrt(variance * np.linalg.inv(basis.T @ basis)[-1, -1]))
    return Answer(float(found[-1]), error) if error > 0.0 else None
