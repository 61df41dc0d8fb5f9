"""Whether a signal is steady: the R statistic of Cao and Rhinehart, and the movement gate that the watch uses.

R compares scatter about a filtered value with scatter from sample to sample. Minute means follow each other
(their correlation time is often longer than a quarter of an hour), which raises R as a disturbance does, and by
R alone a move of a tenth of a per cent is a disturbance. The gate therefore asks two questions instead: has the
signal moved by more than matters, and by more than it usually moves? `python -m tests.bench.steady_rates`
compares them.
"""

from collections import deque
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules import robust

Array = NDArray[np.float64]
Verdicts = NDArray[np.bool_]

BIN_S = 300.0
"""Minutes are gathered into medians of five minutes, so that one odd reading is not a disturbance. [s]"""

WINDOW_BINS = 4
"""Movement is the widest distance between the medians of this many bins in a row: a quarter hour and the end
of the one before, so that a move that ended between them is seen."""

MATTERS = 0.02
"""A movement up to this share of the signal's level does not matter: what normalization leaves of it is a
tenth of a per cent. Common practice, no source. [-]"""

MATTERS_SINGLE = 0.03
"""The same where minutes come so seldom that a bin is a single one, whose odd readings no median takes out. [-]"""

TOO_MUCH = 0.15
"""A movement above this share of the level is a disturbance however usual it is. Common practice, no source. [-]"""

TIMES_USUAL = 3.25
"""A movement up to so many times the usual one (median of the last hours) is the train's own unrest; from
`tests.bench.steady_rates`. [-]"""

USUAL_BINS = 36
USUAL_S = 12 * 3600.0
"""The usual movement rests on so many bins at most, and on none older than this. [s]"""

FEWEST_USUAL = 8
"""Movements that are needed before any counts as usual; until then only what matters decides."""


class _Bin(NamedTuple):
    number: int
    middle: Array


class MovementGate:
    """Tells, minute by minute, which signals are moving. What it remembers is bounded: see `USUAL_BINS`.

    A signal moves when the medians of the last `WINDOW_BINS` bins lie further apart than `MATTERS` of its
    level and than `TIMES_USUAL` times what they usually do, or than `TOO_MUCH` of its level. A signal whose
    level is not above zero, or with fewer than two bins, is not judged: nothing says that it moves.
    The bin in progress counts once it has half as many minutes as the one before.
    """

    def __init__(self, signals: int) -> None:
        if signals < 1:
            raise ValueError(f"signals must be at least 1, got {signals}")
        self._signals = signals
        self._bins: deque[_Bin] = deque()
        self._rows: list[Array] = []
        self._number = -(2**62)
        self._rows_before = 0

    def minute(self, time: float, values: Array) -> Verdicts:
        """Take one minute, later than all before; which signals are moving. [s since 1970-01-01 UTC]

        values : (n_signals,) means, NaN where nothing good. returns : (n_signals,), True where it moves.
        """
        if values.shape != (self._signals,):
            raise ValueError(f"expected {self._signals} values, got shape {values.shape}")
        number = int(time // BIN_S)
        if number < self._number:
            raise ValueError(f"minutes must come in order: {time} is in a bin that is closed")
        if number > self._number:
            self._close(number)
        self._rows.append(np.array(values, dtype=float))
        window = [b.middle for b in self._bins if b.number > number - WINDOW_BINS]
        if 2 * len(self._rows) >= self._rows_before or not window:
            window.append(_middle(self._rows))
        return self._moving(np.array(window))

    def _close(self, number: int) -> None:
        if self._rows:
            self._bins.append(_Bin(self._number, _middle(self._rows)))
            self._rows_before = len(self._rows)
        self._rows, self._number = [], number
        oldest = number - USUAL_S / BIN_S
        while self._bins and (len(self._bins) > USUAL_BINS or self._bins[0].number < oldest):
            self._bins.popleft()

    def _moving(self, window: Array) -> Verdicts:
        if len(window) < 2:
            return np.zeros(self._signals, dtype=bool)
        # NaN loses every comparison in fmax and fmin, and every comparison below is False for it.
        low, high = np.fmin.reduce(window), np.fmax.reduce(window)
        moved = high - low
        single = len(self._rows) == 1 and self._rows_before == 1
        matters = MATTERS_SINGLE if single else MATTERS
        moving = (moved > matters * low) & (high > 0.0)
        if not moving.any():
            return np.asarray(moving)
        level = robust.median(window)
        with np.errstate(invalid="ignore"):
            moving = (moved > matters * level) & (level > 0.0)
            usual = self._usual()
            within = np.isfinite(usual) & (moved <= TIMES_USUAL * usual)
            return np.asarray(moving & ~(within & (moved <= TOO_MUCH * level)))

    def _usual(self) -> Array:
        """Median of the movements that ended before the present window began, (n_signals,); NaN under the fewest."""
        bins = [b for b in self._bins if b.number <= self._number - WINDOW_BINS]
        if len(bins) < FEWEST_USUAL:
            return np.full(self._signals, np.nan)
        numbers = np.array([b.number for b in bins])
        middles = np.array([b.middle for b in bins])
        low, high = middles.copy(), middles.copy()
        for back in range(1, WINDOW_BINS):
            near = (numbers[back:] - numbers[:-back] < WINDOW_BINS)[:, None]
            earlier = np.where(near, middles[:-back], np.nan)
            low[back:] = np.fmin(low[back:], earlier)
            high[back:] = np.fmax(high[back:], earlier)
        moved = high - low
        # A bin that stands alone has not moved and says nothing.
        alone = np.ones(len(numbers), dtype=bool)
        alone[1:] = numbers[1:] - numbers[:-1] >= WINDOW_BINS
        moved[alone] = np.nan
        known = np.isfinite(moved).sum(axis=0)
        return np.where(known >= FEWEST_USUAL, robust.median(moved), np.nan)


def _middle(rows: list[Array]) -> Array:
    return rows[0] if len(rows) == 1 else robust.median(np.array(rows))


def moving(times: Array, values: Array) -> Verdicts:
    """Which signals move at which minute: `MovementGate` over a whole series.

    times : (n,) increasing. [s since 1970-01-01 UTC] values : (n, n_signals), NaN where nothing good.
    returns : (n, n_signals).
    """
    times, values = np.asarray(times, dtype=float), np.asarray(values, dtype=float)
    if values.ndim != 2 or times.shape != values.shape[:1]:
        raise ValueError(
            f"expected (n,) times and (n, n_signals) values, got {times.shape} and {values.shape}"
        )
    gate = MovementGate(values.shape[1])
    found = [gate.minute(t, row) for t, row in zip(times.tolist(), values, strict=True)]
    return np.array(found, dtype=bool).reshape(values.shape)


class RStatistic:
    """The statistic of Cao and Rhinehart, sample by sample, for any number of signals at once.

    R is about 1 for independent noise at a steady level and rises with any movement; its quantiles for
    normal noise are in tests/reference/steady_state_R_quantiles.csv. R has no unit and does not depend on
    the signal's. It is valid for independent samples only: see `expected_r`.

    filter_value, filter_about, filter_between : weights of the new sample in the filtered value, in the
        squared distance from it, and in the squared distance between samples; above 0, at most 1. [-]

    Source: Cao and Rhinehart, J. Process Control 5 (1995) 363-374, from memory.
    """

    def __init__(
        self,
        shape: int | tuple[int, ...],
        filter_value: float = 0.2,
        filter_about: float = 0.1,
        filter_between: float = 0.1,
    ) -> None:
        for name, weight in (
            ("filter_value", filter_value),
            ("filter_about", filter_about),
            ("filter_between", filter_between),
        ):
            if not 0.0 < weight <= 1.0:
                raise ValueError(f"{name} must be above 0 and at most 1, got {weight!r}")
        self._weights = filter_value, filter_about, filter_between
        self._last = np.full(shape, np.nan)
        self._value = np.full(shape, np.nan)
        self._about = np.zeros(shape)
        self._between = np.zeros(shape)
        self._kept_about = np.ones(shape)
        self._kept_between = np.ones(shape)

    def update(self, sample: ArrayLike) -> Array:
        """R after one more sample of each signal, same shape; a NaN leaves its signal as it was and gives NaN.

        NaN too before the second sample and as long as nothing has changed. The filters of squares are
        divided by the weight that they have gathered, so that the start does not bias them.
        """
        x = np.asarray(sample, dtype=float)
        if x.shape != self._last.shape:
            raise ValueError(f"expected samples of shape {self._last.shape}, got {x.shape}")
        by_value, by_about, by_between = self._weights
        known = np.isfinite(x)
        later = known & np.isfinite(self._last)
        about = np.where(later, (x - self._value) ** 2, self._about)
        between = np.where(later, (x - self._last) ** 2, self._between)
        self._about = np.where(later, self._about + by_about * (about - self._about), self._about)
        self._between = np.where(
            later, self._between + by_between * (between - self._between), self._between
        )
        self._kept_about = np.where(later, (1.0 - by_about) * self._kept_about, self._kept_about)
        self._kept_between = np.where(
            later, (1.0 - by_between) * self._kept_between, self._kept_between
        )
        filtered = np.where(later, self._value + by_value * (x - self._value), x)
        self._value = np.where(known, filtered, self._value)
        self._last = np.where(known, x, self._last)
        moved = later & (self._between > 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            about = self._about / (1.0 - self._kept_about)
            between = self._between / (1.0 - self._kept_between)
            ratio = (2.0 - by_value) * about / between
        return np.where(moved, ratio, np.nan)


def r_statistic(
    values: ArrayLike,
    filter_value: float = 0.2,
    filter_about: float = 0.1,
    filter_between: float = 0.1,
) -> Array:
    """R after each sample, (n, ...) along the first axis; see `RStatistic`."""
    samples = np.asarray(values, dtype=float)
    if samples.ndim < 1:
        raise ValueError("expected a series, got a single number")
    statistic = RStatistic(samples.shape[1:], filter_value, filter_about, filter_between)
    return np.array([statistic.update(x) for x in samples]).reshape(samples.shape)


def expected_r(correlation: ArrayLike, filter_value: float = 0.2) -> Array:
    """R of a steady signal whose samples follow each other: ratio of the expectations of its two squares.

    correlation : of one sample with the next, first-order autoregression, any shape; NaN where it is not
        between -1 and 1. [-] returns : same shape, 1 at 0. [-]

    With v the filtered value's variance and c its covariance with the next sample (variance of the signal 1),
    R = (2 - l)(1 + v - 2 c)/(2 - 2 phi), v = l/(2-l) (1 + (1-l) phi)/(1 - (1-l) phi), c = l phi/(1 - (1-l) phi).
    Source: derived here from the definition; checked against simulation.
    """
    if not 0.0 < filter_value <= 1.0:
        raise ValueError(f"filter_value must be above 0 and at most 1, got {filter_value!r}")
    phi = np.asarray(correlation, dtype=float)
    phi = np.where((phi > -1.0) & (phi < 1.0), phi, np.nan)
    keeps = 1.0 - filter_value
    variance = filter_value / (2.0 - filter_value) * (1.0 + keeps * phi) / (1.0 - keeps * phi)
    covariance = filter_value * phi / (1.0 - keeps * phi)
    about = 1.0 + variance - 2.0 * covariance
    return np.asarray((2.0 - filter_value) * about / (2.0 - 2.0 * phi))
