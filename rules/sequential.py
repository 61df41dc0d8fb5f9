"""Charts that look at one sample after the other: CUSUM and EWMA, batch and incremental.

Both see small lasting shifts much earlier than a limit on single samples. `run` takes whole series,
`step` one sample: it takes a state and gives a new one, so its cost does not depend on how long the chart has
been running, and it is the same arithmetic, to the last bit. A sample that is not a finite number leaves
the state as it was, and shows as NaN without a signal: a gap neither alarms nor calms.

Limits for a wanted rate of false alarms: `rules.runlength`.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class CusumState:
    """Where a CUSUM stands. All fields have the leading shape of the series (...).

    high, low : the upper and the lower sum, both never below 0. Units of the data.
    high_run, low_run : samples since each sum was last 0: the change, if there is one, began so many
        samples ago (Page's estimate of the onset).
    """

    high: Array
    low: Array
    high_run: Counts
    low_run: Counts


@dataclass(frozen=True, slots=True)
class CusumRun:
    """A CUSUM over whole series, time along the last axis (..., n).

    high, low : sums after each sample; NaN where the sample was not finite. signal : a sum is above
        the limit. state : where the chart stands after the last sample, to go on from.
    """

    high: Array
    low: Array
    signal: Flags
    state: CusumState


@dataclass(frozen=True, slots=True)
class Cusum:
    """Two-sided tabular CUSUM of deviations from a target.

    high = max(0, high + deviation − reference), low = max(0, low − deviation − reference); signal when
    one is above the limit. All lengths in the units of the deviations: divide these by their standard
    deviation, and the usual tables apply.

    reference : slack, half the shift to be found soonest (k). >= 0
    limit : decision limit (h). >= 0
    head_start : both sums begin here, half of `limit` for a fast initial response. 0 <= head_start <= limit
    restart : after a signal both sums begin anew from the head start, as after a repair; when False,
        they go on.

    Raises ValueError for anything else. Source: Page (1954) Biometrika 41, tabular form as in the
    NIST/SEMATECH e-Handbook 6.3.2.3; head start: Lucas and Crosier (1982) Technometrics 24.
    Checked against tests/reference/cusum_examples.csv.
    """

    reference: float
    limit: float
    head_start: float = 0.0
    restart: bool = False

    def __post_init__(self) -> None:
        for name in ("reference", "limit", "head_start"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{name} must be a number from 0 on, got {value!r}")
        if self.head_start > self.limit:
            raise ValueError(f"head_start must not be above limit, got {self.head_start!r}")

    def begin(self, shape: tuple[int, ...] = ()) -> CusumState:
        """The state before the first sample of series of leading `shape`."""
        sums, runs = np.full(shape, self.head_start), np.zeros(shape, np.int64)
        return CusumState(sums, sums, runs, runs)

    def step(self, state: CusumState, deviation: ArrayLike) -> CusumState:
        """The state after one more sample; deviation : (...), the shape of the state."""
        x = np.asarray(deviation, dtype=float)
        known = np.isfinite(x)
        x = np.where(known, x, 0.0)
        high, low = state.high, state.low
        high_run, low_run = state.high_run, state.low_run
        if self.restart:
            again = self.signal(state)
            high, low = (np.where(again, self.head_start, s) for s in (high, low))
            high_run, low_run = (np.where(again, 0, r) for r in (high_run, low_run))
        up = np.maximum(0.0, high + x - self.reference)
        down = np.maximum(0.0, low - x - self.reference)
        return CusumState(
            np.where(known, up, state.high),
            np.where(known, down, state.low),
            np.where(known, np.where(up > 0.0, high_run + 1, 0), state.high_run),
            np.where(known, np.where(down > 0.0, low_run + 1, 0), state.low_run),
        )

    def signal(self, state: CusumState) -> Flags:
        """Whether a sum is above the limit, (...)."""
        return np.asarray((state.high > self.limit) | (state.low > self.limit))

    def run(self, deviations: ArrayLike, state: CusumState | None = None) -> CusumRun:
        """The chart over series (..., n), from the beginning or from `state`."""
        x = np.asarray(deviations, dtype=float)
        if x.ndim == 0:
            raise ValueError("deviations must have time along the last axis; for one sample: step")
        state = self.begin(x.shape[:-1]) if state is None else state
        high, low = np.full(x.shape, np.nan), np.full(x.shape, np.nan)
        for i in range(x.shape[-1]):
            state = self.step(state, x[..., i])
            known = np.isfinite(x[..., i])
            high[..., i] = np.where(known, state.high, np.nan)
            low[..., i] = np.where(known, state.low, np.nan)
        return CusumRun(high, low, (high > self.limit) | (low > self.limit), state)


def shift_since(state: CusumState, reference: float) -> Array:
    """Mean shift since the onset that the larger sum tells of, signed; NaN while both are 0. (...)

    Source: NIST/SEMATECH e-Handbook and textbooks: reference + sum / samples. Too large on average
    right after a signal, because a signal picks what is large.
    """
    up = state.high >= state.low
    total, count = np.where(up, state.high, state.low), np.where(up, state.high_run, state.low_run)
    size = reference + total / np.maximum(count, 1)
    return np.where(count > 0, np.where(up, size, -size), np.nan)


@dataclass(frozen=True, slots=True)
class EwmaState:
    """Where an EWMA stands. All fields have the leading shape of the series (...).

    mean : weighted mean of the deviations. Units of the data.
    variance : of that mean, over the variance of one deviation. [-]
    covariance : of that mean with the newest sample, over the same. [-]
    """

    mean: Array
    variance: Array
    covariance: Array


@dataclass(frozen=True, slots=True)
class EwmaRun:
    """An EWMA over whole series, time along the last axis (..., n).

    mean : after each sample; NaN where the sample was not finite. limit : above target by so much, or below,
        is a signal; NaN there too. state : where the chart stands after the last sample.
    """

    mean: Array
    limit: Array
    signal: Flags
    state: EwmaState


@dataclass(frozen=True, slots=True)
class Ewma:
    """Exponentially weighted mean of deviations from a target, with limits exact from the first sample on.

    weight : of the newest sample (λ), above 0, at most 1; 0.05 to 0.3 for small shifts.
    factor : limits in standard deviations of the weighted mean (L). > 0
    sigma : standard deviation of one deviation. > 0, units of the data.
    correlation : lag-one correlation of neighboring samples (AR(1)), above −1, below 1; it widens the
        limits to what the weighted mean of such data really scatters.

    Raises ValueError for anything else. Source: NIST/SEMATECH e-Handbook 6.3.2.4; limits with
    1 − (1 − λ)^(2i): Lucas and Saccucci (1990) Technometrics 32; correlated data: variance of the
    weighted sum of a stationary AR(1) process, sample by sample, derived here; it ends at
    λ/(2−λ) · (1+ρ(1−λ))/(1−ρ(1−λ)).
    Checked against tests/reference/ewma_examples.csv.
    """

    weight: float
    factor: float
    sigma: float = 1.0
    correlation: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 < self.weight <= 1.0:
            raise ValueError(f"weight must be above 0 and at most 1, got {self.weight!r}")
        for name in ("factor", "sigma"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"{name} must be a number above 0, got {value!r}")
        if not -1.0 < self.correlation < 1.0:
            raise ValueError(f"correlation must be between -1 and 1, got {self.correlation!r}")

    def begin(self, shape: tuple[int, ...] = ()) -> EwmaState:
        """The state before the first sample of series of leading `shape`."""
        nothing = np.zeros(shape)
        return EwmaState(nothing, nothing, nothing)

    def step(self, state: EwmaState, deviation: ArrayLike) -> EwmaState:
        """The state after one more sample; deviation : (...), the shape of the state.

        A gap counts as one interval in which the correlation with what was seen fades.
        """
        x = np.asarray(deviation, dtype=float)
        known = np.isfinite(x)
        new, old = self.weight, 1.0 - self.weight
        ahead = self.correlation * state.covariance  # of the old mean with the next sample
        mean = new * np.where(known, x, 0.0) + old * state.mean
        variance = new**2 + old**2 * state.variance + 2.0 * new * old * ahead
        return EwmaState(
            np.where(known, mean, state.mean),
            np.where(known, variance, state.variance),
            np.where(known, new + old * ahead, ahead),
        )

    def limit(self, state: EwmaState) -> Array:
        """How far from the target the weighted mean may be, (...). Units of the data."""
        return np.asarray(self.factor * self.sigma * np.sqrt(state.variance))

    def signal(self, state: EwmaState) -> Flags:
        """Whether the weighted mean is outside the limits, (...). Never before the first sample."""
        return np.asarray(np.abs(state.mean) > self.limit(state))

    def run(self, deviations: ArrayLike, state: EwmaState | None = None) -> EwmaRun:
        """The chart over series (..., n), from the beginning or from `state`."""
        x = np.asarray(deviations, dtype=float)
        if x.ndim == 0:
            raise ValueError("deviations must have time along the last axis; for one sample: step")
        state = self.begin(x.shape[:-1]) if state is None else state
        mean, limit = np.full(x.shape, np.nan), np.full(x.shape, np.nan)
        for i in range(x.shape[-1]):
            state = self.step(state, x[..., i])
            known = np.isfinite(x[..., i])
            mean[..., i] = np.where(known, state.mean, np.nan)
            limit[..., i] = np.where(known, self.limit(state), np.nan)
        return EwmaRun(mean, limit, np.abs(mean) > limit, state)
