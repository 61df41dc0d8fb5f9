"""Charts and slopes: sample by sample as whole series, shift, scale, reversal, gaps, shapes, inputs unchanged."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from rules import runlength, slopes
from rules.sequential import Cusum, Ewma

NUMBERS = st.floats(-1e3, 1e3).map(lambda x: round(x, 6))
GAPPY = NUMBERS | st.sampled_from([np.nan, np.inf, -np.inf])
SERIES = hnp.arrays(np.float64, st.integers(0, 30), elements=NUMBERS)
GAPPY_SERIES = hnp.arrays(np.float64, st.integers(0, 30), elements=GAPPY)
MANY = hnp.arrays(
    np.float64,
    hnp.array_shapes(min_dims=1, max_dims=3, min_side=0, max_side=6),
    elements=GAPPY,
)
CUSUMS = st.builds(
    lambda k, h, part, restart: Cusum(k, h, part * h, restart),
    st.floats(0.0, 3.0),
    st.floats(0.0, 10.0),
    st.floats(0.0, 1.0),
    st.booleans(),
)
EWMAS = st.builds(
    Ewma, st.floats(0.01, 1.0), st.floats(0.5, 5.0), st.floats(0.1, 10.0), st.floats(-0.9, 0.95)
)
CHARTS = st.one_of(CUSUMS, EWMAS)


@settings(max_examples=50)
@given(CHARTS, MANY, st.integers(0, 6))
def test_whole_series_are_samples_one_by_one(chart: Cusum | Ewma, x: np.ndarray, cut: int) -> None:
    """Whole series, series cut in two, each series alone, and single samples give identical numbers."""
    kept = x.copy()
    whole = chart.run(x)
    first = chart.run(x[..., :cut])
    second = chart.run(x[..., cut:], first.state)
    state = chart.begin(x.shape[:-1])
    for i in range(x.shape[-1]):
        state = chart.step(state, x[..., i])
    for name in type(whole).__slots__:
        if name != "state":
            parts = [getattr(first, name), getattr(second, name)]
            np.testing.assert_array_equal(np.concatenate(parts, -1), getattr(whole, name))
            assert getattr(whole, name).shape == x.shape
    for name in type(state).__slots__:
        np.testing.assert_array_equal(getattr(state, name), getattr(whole.state, name))
        np.testing.assert_array_equal(getattr(second.state, name), getattr(whole.state, name))
    for at in np.ndindex(x.shape[:-1]):
        np.testing.assert_array_equal(chart.run(x[at]).signal, whole.signal[at])
    np.testing.assert_array_equal(x, kept)


@given(CHARTS, GAPPY_SERIES)
def test_a_gap_shows_as_a_gap_and_signals_nothing(chart: Cusum | Ewma, x: np.ndarray) -> None:
    """Where a sample is missing nothing is shown and nothing signals; elsewhere numbers are finite."""
    run = chart.run(x)
    gap = ~np.isfinite(x)
    shown = run.high if hasattr(run, "high") else run.mean
    np.testing.assert_array_equal(np.isnan(shown), gap)
    assert not run.signal[gap].any()


@given(CUSUMS, GAPPY_SERIES)
def test_a_cusum_goes_on_after_a_gap(chart: Cusum, x: np.ndarray) -> None:
    """The sums are those of the same samples without the gaps between them."""
    known = np.isfinite(x)
    np.testing.assert_array_equal(chart.run(x).high[known], chart.run(x[known]).high)


@given(st.floats(0.0, 3.0), st.floats(0.0, 1.0), SERIES)
def test_cusum_by_its_closed_form(k: float, start: float, x: np.ndarray) -> None:
    """The upper sum is the plain sum above its lowest point so far, the head start counted as the first sample."""
    run = Cusum(k, 10.0, start).run(x)
    for sign, got in ((1.0, run.high), (-1.0, run.low)):
        plain = np.cumsum(np.r_[start, sign * x - k])
        want = plain - np.minimum(np.minimum.accumulate(plain), 0.0)
        np.testing.assert_allclose(got, want[1:], rtol=1e-12, atol=1e-9)


@given(st.floats(0.01, 1.0), st.floats(-0.9, 0.9), SERIES)
def test_ewma_by_its_closed_form(weight: float, correlation: float, x: np.ndarray) -> None:
    """Mean and variance are those of the weighted sum written out."""
    run = Ewma(weight, 2.0, 3.0, correlation).run(x)
    for n in range(1, len(x) + 1):
        w = weight * (1.0 - weight) ** np.arange(n)[::-1]
        lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        variance = w @ correlation**lags @ w
        assert run.mean[n - 1] == pytest.approx(w @ x[:n], rel=1e-9, abs=1e-9)
        assert run.limit[n - 1] == pytest.approx(6.0 * np.sqrt(variance), rel=1e-9)


@given(CUSUMS, SERIES, st.sampled_from([0.25, 2.0, 1024.0]))
def test_cusum_scales_and_mirrors(chart: Cusum, x: np.ndarray, c: float) -> None:
    """In other units everything is in other units; upside down, the two sums change places."""
    run = chart.run(x)
    other = Cusum(c * chart.reference, c * chart.limit, c * chart.head_start, chart.restart)
    scaled, mirrored = other.run(c * x), chart.run(-x)
    np.testing.assert_allclose(scaled.high, c * run.high, rtol=1e-12, atol=1e-12)
    np.testing.assert_array_equal(mirrored.high, run.low)
    np.testing.assert_array_equal(mirrored.signal, run.signal)


@given(EWMAS, SERIES)
def test_ewma_scales_and_mirrors(chart: Ewma, x: np.ndarray) -> None:
    """In other units mean and limit are in other units; upside down, the mean changes its sign."""
    run = chart.run(x)
    other = Ewma(chart.weight, chart.factor, 4.0 * chart.sigma, chart.correlation).run(4.0 * x)
    np.testing.assert_allclose(other.mean, 4.0 * run.mean, rtol=1e-12)
    np.testing.assert_allclose(other.limit, 4.0 * run.limit, rtol=1e-12)
    np.testing.assert_array_equal(chart.run(-x).mean, -run.mean)


@settings(max_examples=20)
@given(st.floats(0.1, 1.5), st.floats(0.5, 6.0), st.floats(0.0, 3.0))
def test_run_lengths_are_ordered(k: float, h: float, shift: float) -> None:
    """A larger shift is seen sooner, a wider limit later, a head start helps; either sign is the same."""

    def run(d: float, limit: float, head_start: float = 0.0) -> float:
        return runlength.cusum_arl(d, reference=k, limit=limit, head_start=head_start)

    base = run(shift, h)
    assert run(shift + 0.2, h) < base < run(shift, h + 0.2)
    assert 1.0 <= run(shift, h, h / 2.0) < base
    assert run(-shift, h) == pytest.approx(base, rel=1e-9)
    weighted = runlength.ewma_arl(shift, weight=0.2, factor=2.5)
    assert runlength.ewma_arl(shift + 0.2, weight=0.2, factor=2.5) < weighted
    assert weighted < runlength.ewma_arl(shift, weight=0.2, factor=2.7)
    assert runlength.ewma_arl(-shift, weight=0.2, factor=2.5) == pytest.approx(weighted, rel=1e-9)


FIELDS = ("slope", "low", "high")


@given(SERIES, st.sampled_from([0.5, 4.0, -2.0]), st.integers(-100, 100))
def test_lines_move_with_their_values(y: np.ndarray, c: float, shift: int) -> None:
    """Scaled values scale slope and interval, shifted ones shift the intercept; tau and p stay."""
    t = np.arange(float(len(y))) ** 1.5
    line, moved = slopes.theil_sen(t, y), slopes.theil_sen(t, c * y + shift)
    low, high = ("low", "high") if c > 0 else ("high", "low")
    for got, want in (("slope", "slope"), ("low", low), ("high", high)):
        np.testing.assert_allclose(
            getattr(moved, got), c * getattr(line, want), rtol=1e-6, atol=1e-8
        )
    np.testing.assert_allclose(moved.intercept, c * line.intercept + shift, rtol=1e-6, atol=1e-6)
    test, scaled = slopes.mann_kendall(t, y), slopes.mann_kendall(t, c * y)
    np.testing.assert_array_equal(scaled.s, np.sign(c) * test.s)
    np.testing.assert_array_equal(scaled.p, test.p)


@given(SERIES)
def test_backwards_the_slope_changes_its_sign(y: np.ndarray) -> None:
    """The series read backwards has the opposite slope, interval and S, and the same p."""
    t = np.arange(float(len(y)))
    line, back = slopes.theil_sen(t, y), slopes.theil_sen(t, y[::-1])
    np.testing.assert_array_equal(back.slope, -line.slope)
    np.testing.assert_array_equal((back.low, back.high), (-line.high, -line.low))
    test, turned = slopes.mann_kendall(t, y), slopes.mann_kendall(t, y[::-1])
    np.testing.assert_array_equal((turned.s, turned.z, turned.p), (-test.s, -test.z, test.p))


@settings(max_examples=50)
@given(GAPPY_SERIES, st.randoms(use_true_random=False))
def test_gaps_and_order_do_not_matter(y: np.ndarray, random: object) -> None:
    """Gaps count as left out, whatever the order in which the values come; the interval holds the slope."""
    t = np.linspace(-3.0, 50.0, len(y))
    order = np.arange(len(y))
    random.shuffle(order)  # type: ignore[attr-defined]
    kept = y.copy()
    known = np.isfinite(y)
    for line, test in (
        (slopes.theil_sen(t[order], y[order]), slopes.mann_kendall(t[order], y[order])),
        (slopes.theil_sen(t[known], y[known]), slopes.mann_kendall(t[known], y[known])),
    ):
        whole, tested = slopes.theil_sen(t, y), slopes.mann_kendall(t, y)
        for name in (*FIELDS, "intercept", "count"):
            np.testing.assert_array_equal(getattr(line, name), getattr(whole, name))
        for name in type(tested).__slots__:
            np.testing.assert_array_equal(getattr(test, name), getattr(tested, name))
    assert np.isnan(whole.low) or whole.low <= whole.slope <= whole.high
    assert np.isnan(tested.p) or 0.0 <= tested.p <= 1.0
    np.testing.assert_array_equal(y, kept)


@settings(max_examples=30)
@given(MANY)
def test_many_series_are_each_alone(y: np.ndarray) -> None:
    """Leading dimensions are kept, and each series gives what it gives alone."""
    t = np.arange(float(y.shape[-1])) * 0.25
    line, test = slopes.theil_sen(t, y), slopes.mann_kendall(t, y, correlation=0.3)
    for found, one in (
        (line, lambda row: slopes.theil_sen(t, row)),
        (test, lambda row: slopes.mann_kendall(t, row, correlation=0.3)),
    ):
        for name in type(found).__slots__:
            field = getattr(found, name)
            assert field.shape == y.shape[:-1]
            for at in np.ndindex(y.shape[:-1]):
                np.testing.assert_allclose(field[at], getattr(one(y[at]), name), rtol=1e-12)


@settings(max_examples=40)
@given(
    hnp.arrays(np.float64, st.integers(1, 30), elements=GAPPY | st.integers(-2, 2).map(float)),
    st.integers(3, 9),
)
def test_a_window_is_its_last_values(y: np.ndarray, size: int) -> None:
    """After every value the window gives to the last bit what its last known values give at once."""
    window = slopes.Window.empty(size)
    t = np.cumsum(0.1 + np.arange(len(y)) % 3)
    assume(np.isfinite(y).any())
    for i in range(len(y)):
        window = window.add(float(t[i]), float(y[i]))
        known = np.flatnonzero(np.isfinite(y[: i + 1]))[-size:]
        want, got = slopes.theil_sen(t[known], y[known]), window.line()
        for name in (*FIELDS, "intercept", "count"):
            np.testing.assert_array_equal(getattr(got, name), getattr(want, name))
        np.testing.assert_array_equal(window.trend().s, slopes.mann_kendall(t[known], y[known]).s)
