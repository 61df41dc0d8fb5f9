"""Step or ramp, onset, slope and forecast, on series made by hand."""

import numpy as np
import pytest

from rules import trend

DAYS = np.arange(0.0, 30.0, 0.25)
RNG = np.random.default_rng(7)
NOISE = RNG.normal(0.0, 0.004, len(DAYS))
SIGMA = np.full(len(DAYS), 0.005)


def shapes(
    power: int, size: float, correlation: float, repeats: int
) -> list[tuple[trend.Shape, float]]:
    """Fits to correlated noise with a step (0), ramp (1) or curve (2) that ends at `size` standard deviations.

    The change begins 2 to 20 days before the end; with each fit the true onset.
    """
    rng = np.random.default_rng(11)
    noise = rng.standard_normal((repeats, len(DAYS)))
    for i in range(1, len(DAYS)):
        noise[:, i] *= np.sqrt(1.0 - correlation**2)
        noise[:, i] += correlation * noise[:, i - 1]
    found = []
    for row in 0.005 * noise:
        onset = float(DAYS[-1] - rng.uniform(2.0, 20.0))
        grown = np.clip((DAYS - onset) / (DAYS[-1] - onset), 0.0, None) ** power * (onset < DAYS)
        fit = trend.shape(DAYS, row + 0.005 * size * grown, SIGMA, 0.01)
        assert fit is not None
        found.append((fit, onset))
    return found


def test_a_step_is_a_step() -> None:
    """A step of 5 per cent on day 20 is found there, of that size, and preferred over a ramp."""
    found = trend.shape(DAYS, NOISE + 0.05 * (DAYS > 20.0), SIGMA, 0.01)
    assert found is not None
    assert found.step > found.ramp + 3.0
    assert found.onset == pytest.approx(20.0, abs=0.5)
    assert found.step_size == pytest.approx(0.05, abs=0.005)


def test_a_ramp_is_a_ramp() -> None:
    """A decline of 0.5 per cent a day from day 15 is found with its rate, and preferred over a step."""
    found = trend.shape(DAYS, NOISE - 0.005 * np.maximum(DAYS - 15.0, 0.0), SIGMA, 0.01)
    assert found is not None
    assert found.ramp > found.step + 3.0
    assert found.onset == pytest.approx(15.0, abs=1.5)
    assert found.ramp_rate == pytest.approx(-0.005, abs=0.0005)


def test_growth_that_accelerates_is_told() -> None:
    """Growth with the square of time is preferred over a ramp, with its onset; an even ramp is not."""
    grown = np.maximum(DAYS - 10.0, 0.0)
    found = trend.shape(DAYS, NOISE + 0.0005 * grown**2, SIGMA, 0.01)
    assert found is not None
    assert found.curve > found.ramp + 3.0
    assert found.onset == pytest.approx(10.0, abs=2.0)
    even = trend.shape(DAYS, NOISE + 0.01 * grown, SIGMA, 0.01)
    assert even is not None
    assert even.ramp > even.curve + 3.0


def test_fits_agree_with_least_squares() -> None:
    """The sizes found in one pass are those of numpy's least squares at the chosen onset."""
    values = NOISE + 0.01 * np.maximum(DAYS - 12.0, 0.0)
    found = trend.shape(DAYS, values, SIGMA, 1e6)
    assert found is not None
    for onset, power, size in (
        (found.step_onset, 0, found.step_size),
        (found.ramp_onset, 1, found.ramp_rate),
    ):
        basis = np.where(onset < DAYS, (DAYS - onset) ** power, 0.0)
        expected = np.linalg.lstsq(np.stack([basis, np.ones_like(DAYS)], 1), values, rcond=None)[0]
        assert size == pytest.approx(float(expected[0]), rel=1e-6)


def test_shape_ignores_gaps_and_needs_six() -> None:
    """Missing values are left out; under six values there is no shape."""
    values = NOISE + 0.05 * (DAYS > 20.0)
    holes = values.copy()
    holes[::3] = np.nan
    found = trend.shape(DAYS, holes, SIGMA, 0.01)
    assert found is not None
    assert found.onset == pytest.approx(20.0, abs=0.75)
    assert trend.shape(DAYS[:5], values[:5], SIGMA[:5], 0.01) is None


def test_forecast_on_an_exact_line() -> None:
    """On a line without scatter the limit is met exactly when hand calculation says."""
    line = trend.local_slope(DAYS, -0.004 * (DAYS - 10.0), 30.0, 20.0)
    assert line is not None
    assert (line.level, line.slope) == pytest.approx((-0.08, -0.004))
    found = trend.days_to(-0.1, line)
    assert found is not None
    assert found[0] == pytest.approx(5.0)
    assert found[1] == pytest.approx(5.0, abs=0.01)


def test_forecast_range_holds_the_truth_mostly() -> None:
    """The 10 to 90 per cent range covers the true day in most of 200 noisy repeats, and not by being endless."""
    hits = 0
    rng = np.random.default_rng(3)
    for _ in range(200):
        values = 0.01 * (DAYS - 10.0) + rng.normal(0.0, 0.01, len(DAYS))
        line = trend.local_slope(DAYS, values, 30.0, 20.0)
        assert line is not None
        found = trend.days_to(0.25, line)  # truly met on day 35, in 5 days
        assert found is not None
        early, late = found[1], found[2]
        assert late is not None
        hits += early <= 5.0 <= late
    assert hits >= 160


def test_no_forecast_away_from_the_limit() -> None:
    """A line that runs away from the limit, or hardly runs, gives no forecast; a limit passed gives 0."""
    away = trend.Slope(-0.05, 0.004, 0.001, 0.0005)
    flat = trend.Slope(-0.05, -0.0005, 0.001, 0.0005)
    past = trend.Slope(-0.12, -0.004, 0.001, 0.0005)
    assert trend.days_to(-0.1, away) is None
    assert trend.days_to(-0.1, flat) is None
    assert trend.days_to(-0.1, past) == (0.0, 0.0, 0.0)
    assert trend.local_slope(DAYS[:4], DAYS[:4], 1.0, 0.0) is None


def test_a_range_covers_a_decline_that_speeds_up() -> None:
    """Where the last days go faster than the whole, the likely time is the sooner one and the range holds both."""
    days = np.arange(0.0, 20.0, 0.25)
    values = -0.08 * (days / 20.0) ** 2
    found = trend.range_to(-0.10, days, values, 20.0, [10.0, 17.0])
    long = trend.days_to(-0.10, trend.local_slope(days, values, 20.0, 10.0))
    assert found is not None
    assert long is not None
    truth = 20.0 * np.sqrt(0.10 / 0.08) - 20.0
    assert found.late is not None
    assert found.early - 0.1 <= truth <= found.late
    assert abs(found.likely - truth) < 0.25 < abs(long[0] - truth)


def test_a_decline_that_has_stopped_has_an_open_end() -> None:
    """When the last days do not clearly go to the limit, nobody knows how late it can be."""
    days = np.arange(0.0, 20.0, 0.25)
    values = np.where(days < 15.0, -0.004 * days, -0.06) + 1e-4 * np.sin(7.0 * days)
    found = trend.range_to(-0.10, days, values, 20.0, [8.0, 17.0])
    assert found is not None
    assert found.late is None


def test_no_range_without_a_direction() -> None:
    """Noise goes nowhere."""
    days = np.arange(0.0, 20.0, 0.25)
    values = 0.002 * np.sin(9.0 * days)
    assert trend.range_to(-0.10, days, values, 20.0, [10.0, 17.0]) is None


# Correlation of neighbors in the tests below: the one that trend.CORRELATION stands for.
MATCHING = (1.0 - trend.CORRELATION) / (1.0 + trend.CORRELATION)


@pytest.mark.parametrize(
    ("power", "size", "least"),
    [(0, 2.0, 0.5), (0, 4.0, 0.85), (1, 4.0, 0.3), (1, 8.0, 0.5), (2, 8.0, 0.7)],
)
def test_shapes_in_correlated_noise_are_named(power: int, size: float, least: float) -> None:
    """In correlated noise steps, ramps and curves get their own name in at least so many of 200 repeats."""
    named = [np.argmax([s.step, s.ramp, s.curve]) for s, _ in shapes(power, size, MATCHING, 200)]
    assert np.mean(np.equal(named, power)) >= least


@pytest.mark.parametrize("power", [0, 1, 2])
@pytest.mark.parametrize("size", [2.0, 4.0, 8.0])
def test_the_onset_lies_in_its_interval(power: int, size: float) -> None:
    """Whatever the shape is taken for, the true onset lies in the interval in seven of eight repeats or more."""
    fits = shapes(power, size, MATCHING, 200)
    assert np.mean([s.earliest <= t <= s.latest for s, t in fits]) >= 0.875
    assert all(s.earliest <= s.onset <= s.latest for s, _ in fits)


def test_an_interval_narrows_with_the_size() -> None:
    """The larger a step, the better its onset is known; the onset of a large one to a day."""
    widths = [
        np.median([s.latest - s.earliest for s, _ in shapes(0, size, MATCHING, 100)])
        for size in (2.0, 4.0, 8.0)
    ]
    assert widths[0] > widths[1] > widths[2]
    assert widths[2] <= 1.0


def test_odds_of_step_and_ramp_mean_what_they_say() -> None:
    """Among steps and ramps of many sizes, mixed evenly, odds of so many nats come true about as often as they say.

    Never clearly less often: where the odds speak for a step, they are modest.
    """
    odds, truth = [], []
    for power in (0, 1):
        for size in (1.0, 2.0, 4.0, 8.0):
            odds += [s.step_over_ramp for s, _ in shapes(power, size, MATCHING, 300)]
            truth += [power == 0] * 300
    told, steps = np.array(odds), np.array(truth)
    for low, high in ((-np.inf, -2.0), (-2.0, -0.5), (-0.5, 0.5), (0.5, 2.0), (2.0, np.inf)):
        here = (told > low) & (told <= high)
        assert here.sum() >= 100
        said = np.mean(1.0 / (1.0 + np.exp(-told[here])))
        came = np.mean(steps[here])
        assert -0.08 <= came - said <= 0.16


def test_a_shape_reversed_in_sign_is_the_same_shape() -> None:
    """Turned upside down, a series gives the same onset and odds, and sizes of the other sign; it is not changed."""
    values = NOISE + 0.02 * (DAYS > 20.0)
    kept = values.copy()
    up, down = (trend.shape(DAYS, sign * values, SIGMA, 0.01) for sign in (1.0, -1.0))
    assert up is not None
    assert down is not None
    assert up.step_size == pytest.approx(-down.step_size, rel=1e-9)
    assert up.step_over_ramp == pytest.approx(down.step_over_ramp, rel=1e-9)
    assert (up.onset, up.earliest, up.latest) == (down.onset, down.earliest, down.latest)
    np.testing.assert_array_equal(values, kept)
