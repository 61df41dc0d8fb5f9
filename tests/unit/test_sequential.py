"""Charts and slopes: their run lengths by simulation, limits from a wanted rate, worked cases, wrong arguments."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from rules import normal, runlength, slopes
from rules.sequential import Cusum, Ewma, shift_since


def mean_run(chart: Cusum | Ewma, shift: float, correlation: float = 0.0) -> float:
    """Average run length of 1500 charts on simulated samples of standard deviation 1; fixed seed."""
    rng = np.random.default_rng(2)
    count = 1500
    state, x = chart.begin((count,)), rng.standard_normal(count)
    length, running = np.full(count, 4000), np.ones(count, bool)
    for i in range(4000):
        state = chart.step(state, x + shift)
        new = chart.signal(state) & running
        length[new], running = i + 1, running & ~new
        if not running.any():
            break
        x = correlation * x + np.sqrt(1.0 - correlation**2) * rng.standard_normal(count)
    assert running.mean() < 0.01
    return float(length.mean())


@pytest.mark.parametrize(("head_start", "shift"), [(0.0, 0.0), (2.0, 0.0), (2.0, 0.5), (0.0, 1.0)])
def test_cusum_runs_as_long_as_computed(head_start: float, shift: float) -> None:
    """Simulated run lengths of two sums, with and without head start, are the computed ones within 8 per cent."""
    chart = Cusum(0.5, 4.0, head_start)
    want = runlength.cusum_arl(shift, reference=0.5, limit=4.0, head_start=head_start)
    assert mean_run(chart, shift) == pytest.approx(want, rel=0.08)


def test_ewma_runs_a_little_shorter_with_exact_limits() -> None:
    """With the narrow limits of its first samples an EWMA signals no later than computed, and not much earlier."""
    for shift in (0.0, 1.0):
        want = runlength.ewma_arl(shift, weight=0.1, factor=2.4)
        assert 0.7 * want <= mean_run(Ewma(0.1, 2.4), shift) <= 1.02 * want


@pytest.mark.parametrize("correlation", [0.3, 0.54, 0.85])
def test_widened_limits_are_on_the_safe_side(correlation: float) -> None:
    """On correlated samples widened limits give no more false alarms than wanted, and at most four times fewer."""
    factor = runlength.widening(correlation)
    limit = factor * runlength.cusum_limit(100.0, reference=0.5 / factor)
    assert 95.0 <= mean_run(Cusum(0.5, limit), 0.0, correlation) <= 400.0
    plain = runlength.cusum_limit(100.0, reference=0.5)
    assert mean_run(Cusum(0.5, plain), 0.0, correlation) < 50.0
    chart = Ewma(0.1, runlength.ewma_factor(100.0, weight=0.1), correlation=correlation)
    assert 75.0 <= mean_run(chart, 0.0, correlation) <= 400.0


def test_widened_limits_see_a_shift_when_computed() -> None:
    """A shift in correlated samples is seen within a third more than the computed time."""
    for correlation in (0.3, 0.7):
        f = runlength.widening(correlation)
        limit = f * runlength.cusum_limit(300.0, reference=0.5 / f)
        want = runlength.cusum_arl(1.0 / f, reference=0.5 / f, limit=limit / f)
        assert want <= mean_run(Cusum(0.5, limit), 1.0, correlation) <= 1.33 * want


def test_ewma_limits_hold_the_scatter_of_correlated_samples() -> None:
    """The limit over its factor is the simulated standard deviation of the weighted mean, from the start on."""
    rng = np.random.default_rng(4)
    for correlation in (-0.5, 0.6):
        x = rng.standard_normal((20000, 40))
        for i in range(1, 40):
            x[:, i] = correlation * x[:, i - 1] + np.sqrt(1 - correlation**2) * x[:, i]
        x[:, 17] = np.nan  # a gap, in which correlation fades
        run = Ewma(0.2, 3.0, correlation=correlation).run(x)
        for i in (0, 1, 5, 18, 39):
            assert run.limit[0, i] / 3.0 == pytest.approx(run.mean[:, i].std(), rel=0.03)


@pytest.mark.parametrize("arl", [10.0, 370.0, 35_064.0])
def test_limits_give_the_wanted_run(arl: float) -> None:
    """Limits from a wanted run length and the run length of these limits are inverse."""
    for k, part in ((0.25, 0.0), (0.5, 0.5), (1.0, 0.0)):
        h = runlength.cusum_limit(arl, reference=k, head_start=part)
        got = runlength.cusum_arl(0.0, reference=k, limit=h, head_start=part * h)
        assert got == pytest.approx(arl, rel=1e-6)
    factor = runlength.ewma_factor(arl, weight=0.2)
    assert runlength.ewma_arl(0.0, weight=0.2, factor=factor) == pytest.approx(arl, rel=1e-6)


def test_single_samples_are_the_simplest_chart() -> None:
    """An EWMA of weight 1 and a CUSUM of limit 0 have the run length of a limit on single samples."""
    want = 1.0 / (2.0 * stats.norm.sf(3.0))
    assert runlength.ewma_arl(0.0, weight=1.0, factor=3.0) == pytest.approx(want, rel=1e-9)
    assert runlength.cusum_arl(0.0, reference=3.0, limit=0.0) == pytest.approx(want, rel=1e-9)


def test_a_run_beyond_telling_is_endless() -> None:
    """Where a signal all but never comes the run length is infinite, not a number of rounding."""
    assert runlength.cusum_arl(0.0, reference=3.0, limit=60.0) == np.inf
    assert runlength.ewma_arl(0.0, weight=0.5, factor=12.0) == np.inf
    one = runlength.cusum_arl(3.0, reference=1.0, limit=20.0)  # one side endless, the other not
    assert one == pytest.approx(
        runlength.cusum_arl(3.0, reference=1.0, limit=20.0, two_sided=False)
    )


def test_a_cusum_tells_onset_and_size() -> None:
    """A clean shift of 2 after 30 samples is 10 samples old, and of size 2, when 10 samples are in."""
    chart = Cusum(0.5, 5.0)
    state = chart.run(np.r_[np.zeros(30), np.full(10, -2.0)]).state
    assert (int(state.low_run), int(state.high_run)) == (10, 0)
    assert float(shift_since(state, 0.5)) == pytest.approx(-2.0)
    assert np.isnan(shift_since(chart.begin(), 0.5))


def test_a_cusum_restarts_after_its_signal() -> None:
    """With restart the sum after a signal begins again from the head start."""
    run = Cusum(0.5, 2.0, 1.0, restart=True).run([2.0, 1.0, 0.0])
    assert run.high.tolist() == [2.5, 1.5, 1.0]
    assert run.signal.tolist() == [True, False, False]


def test_normal_distribution_agrees_with_scipy() -> None:
    """Density, probability and quantile are scipy's, into the far tail; NaN stays."""
    z = np.linspace(-37.0, 9.0, 301)
    assert normal.below(z) == pytest.approx(stats.norm.cdf(z), rel=1e-12)
    assert normal.density(z) == pytest.approx(stats.norm.pdf(z), rel=1e-12)
    assert np.isnan(normal.below(np.nan))
    for p in (1e-300, 1e-9, 0.025, 0.5, 0.975, 1.0 - 1e-9):
        assert normal.quantile(p) == pytest.approx(stats.norm.ppf(p), rel=1e-12, abs=1e-15)


def test_slopes_agree_with_scipy() -> None:
    """Slope, interval, tau and exact p of 60 random series, half of them with ties, are scipy's."""
    rng = np.random.default_rng(3)
    for i in range(60):
        n = int(rng.integers(4, 60))
        t, y = rng.permutation(n).astype(float), rng.normal(0.0, 3.0, n)
        if i % 2:
            y = np.round(y)
        line, test = slopes.theil_sen(t, y), slopes.mann_kendall(t, y)
        want = stats.theilslopes(y, t)
        got = (line.slope, line.intercept, line.low, line.high)
        assert np.array(got) == pytest.approx(np.array(want), abs=1e-12)
        tau = stats.kendalltau(t, y, method="asymptotic" if i % 2 else "exact")
        assert test.tau == pytest.approx(tau.statistic, abs=1e-12)
        if i % 2 == 0 and n <= slopes.EXACT:
            assert test.p == pytest.approx(tau.pvalue, rel=1e-9)
        if i % 2:  # scipy's z has no correction for continuity
            z = np.sign(test.s) * stats.norm.isf(tau.pvalue / 2.0)
            assert test.s / np.sqrt(test.variance) == pytest.approx(z, abs=1e-9)


def test_interval_of_a_slope_holds_the_truth() -> None:
    """In 95 of 100 repeats, give or take 3, the 95 per cent interval holds the true slope."""
    rng = np.random.default_rng(5)
    t = np.arange(25.0)
    line = slopes.theil_sen(t, 0.3 * t + rng.standard_t(3, (1000, 25)))
    assert np.mean((line.low <= 0.3) & (line.high >= 0.3)) == pytest.approx(0.95, abs=0.03)


@pytest.mark.parametrize("correlation", [0.3, 0.54, 0.8])
def test_correlated_noise_is_no_trend(correlation: float) -> None:
    """Told of the correlation, the test finds a trend in noise as often as it says; untold, far more often."""
    rng = np.random.default_rng(6)
    x = rng.standard_normal((1500, 60))
    for i in range(1, 60):
        x[:, i] = correlation * x[:, i - 1] + np.sqrt(1.0 - correlation**2) * x[:, i]
    t = np.arange(60.0)
    told = np.mean(slopes.mann_kendall(t, x, correlation=correlation).p < 0.05)
    untold = np.mean(slopes.mann_kendall(t, x).p < 0.05)
    assert told == pytest.approx(0.05, abs=0.025)
    assert untold > 2.0 * told


def test_too_little_gives_no_slope() -> None:
    """One value has no slope, two no interval, all the same no test; nothing at all gives nothing."""
    one, two = slopes.theil_sen([1.0], [2.0]), slopes.theil_sen([1.0, 2.0], [2.0, 3.0])
    assert np.isnan([one.slope, one.low, one.intercept, two.low, two.high]).all()
    assert (float(two.slope), float(two.intercept)) == (1.0, 1.0)
    assert np.isnan(slopes.theil_sen([1.0, 1.0], [2.0, 3.0]).slope)
    assert np.isnan(slopes.mann_kendall([1.0, 2.0, 3.0], np.ones((2, 3))).p).all()
    nothing = slopes.theil_sen([], np.ones((2, 0)))
    assert np.isnan(nothing.slope).all()
    assert nothing.count.tolist() == [0, 0]


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: Cusum(-0.5, 5.0),
        lambda: Cusum(0.5, float("nan")),
        lambda: Cusum(0.5, 5.0, 5.1),
        lambda: Cusum(0.5, 5.0).run(1.0),
        lambda: Ewma(0.0, 3.0),
        lambda: Ewma(0.1, 0.0),
        lambda: Ewma(0.1, 3.0, sigma=-1.0),
        lambda: Ewma(0.1, 3.0, correlation=1.0),
        lambda: Ewma(0.1, 3.0).run(1.0),
        lambda: runlength.cusum_arl(float("nan"), reference=0.5, limit=5.0),
        lambda: runlength.cusum_arl(0.0, reference=0.1, limit=4.0, head_start=4.0),
        lambda: runlength.cusum_arl(0.0, reference=0.1, limit=-1.0),
        lambda: runlength.cusum_limit(1.0, reference=0.5),
        lambda: runlength.cusum_limit(10.0, reference=5.0),
        lambda: runlength.cusum_limit(10.0, reference=0.5, head_start=0.6),
        lambda: runlength.ewma_arl(0.0, weight=1.1, factor=3.0),
        lambda: runlength.ewma_arl(np.inf, weight=0.1, factor=3.0),
        lambda: runlength.widening(-0.1),
        lambda: runlength.widening(1.0),
        lambda: slopes.theil_sen([1.0, 2.0], [1.0]),
        lambda: slopes.theil_sen([1.0, np.nan], [1.0, 2.0]),
        lambda: slopes.theil_sen(np.arange(1001.0), np.arange(1001.0)),
        lambda: slopes.theil_sen([1.0, 2.0], [1.0, 2.0], confidence=1.0),
        lambda: slopes.mann_kendall([1.0, 2.0], [1.0, 2.0], correlation=1.0),
        lambda: normal.quantile(1.0),
        lambda: slopes.Window.empty(2),
        lambda: slopes.Window.empty(5).add(1.0, 1.0).add(1.0, 2.0),
        lambda: slopes.Window.empty(5).add(float("nan"), 1.0),
    ],
)
def test_a_wrong_argument_raises(wrong: Callable[[], object]) -> None:
    """A wrong argument is a mistake of the caller, not a gap in the data."""
    with pytest.raises(ValueError, match=r"must|at most|even without"):
        wrong()
