"""The movement gate and the R statistic: what they call steady, what they remember, and measured rates."""

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from rules.steady import (
    BIN_S,
    FEWEST_USUAL,
    MATTERS,
    MATTERS_SINGLE,
    TOO_MUCH,
    USUAL_BINS,
    MovementGate,
    RStatistic,
    expected_r,
    moving,
    r_statistic,
)
from tests.bench import steady_rates


def series(changes: NDArray[np.float64], level: float = 12.0) -> NDArray[np.bool_]:
    """Verdicts on one signal with relative changes by the minute."""
    values = level * (1.0 + changes)
    return moving(60.0 * np.arange(len(values)), values[:, None])[:, 0]


@pytest.mark.parametrize(("share", "moves"), [(0.9, False), (1.1, True)])
def test_a_step_counts_when_it_matters(share: float, moves: bool) -> None:
    """A step moves a quiet signal when it is larger than what matters, and for twenty minutes at most."""
    found = series(np.where(np.arange(60) < 30, 0.0, share * MATTERS))
    assert bool(found.any()) is moves
    assert not found[:31].any()
    assert not found[50:].any()


@pytest.mark.parametrize(("share", "moves"), [(0.9, False), (1.1, True)])
def test_single_readings_need_more(share: float, moves: bool) -> None:
    """Where a bin is a single minute, a step counts from a higher share on."""
    values = 12.0 * (1.0 + share * MATTERS_SINGLE * (np.arange(12) >= 6))
    assert bool(moving(BIN_S * np.arange(12), values[:, None]).any()) is moves


def test_one_odd_reading_is_no_movement() -> None:
    """A reading of nothing between good ones does not disturb."""
    changes = np.zeros(60)
    changes[33] = -1.0
    assert not series(changes).any()


def test_the_end_of_the_quarter_hour_before_is_seen() -> None:
    """A step between two quarter hours is seen at the end of the second."""
    assert series(np.where(np.arange(45) < 30, 0.0, 0.05))[44]


def test_unrest_that_is_usual_is_steady_until_it_is_too_much() -> None:
    """Movements as large as those of the last hours are the train's own, up to a limit."""
    bins = np.tile([0.0, 1.0, 0.5], 40)
    quiet = series(np.repeat(0.05 * bins, 5))
    assert quiet[20 : 5 * FEWEST_USUAL].any()
    assert not quiet[5 * (FEWEST_USUAL + 8) :].any()
    loud = series(np.repeat(1.2 * TOO_MUCH * bins, 5))
    assert loud[5 * (FEWEST_USUAL + 8) :].mean() > 0.9


def test_nothing_to_judge_is_no_movement() -> None:
    """Missing values, a single minute and levels that are not above zero say nothing of a movement."""
    rows = np.array([[np.nan, 0.0, -1.0, 12.0]] * 30)
    rows[10:, 3] = np.nan
    rows[20:, 2] = -2.0
    assert not moving(60.0 * np.arange(30), rows).any()


def test_memory_is_bounded_and_long_gaps_are_forgotten() -> None:
    """However long the history, no more bins are kept than the usual movement rests on."""
    gate = MovementGate(1)
    for minute in range(3000):
        gate.minute(60.0 * minute, np.array([1.0]))
    assert len(gate._bins) == USUAL_BINS
    assert not gate.minute(1e7, np.array([2.0])).any()
    assert len(gate._bins) == 0


def test_wrong_arguments_are_refused() -> None:
    """Shapes, weights and the order of time are checked."""
    gate = MovementGate(2)
    gate.minute(600.0, np.zeros(2))
    with pytest.raises(ValueError, match="in order"):
        gate.minute(0.0, np.zeros(2))
    with pytest.raises(ValueError, match="expected 2 values"):
        gate.minute(660.0, np.zeros(3))
    with pytest.raises(ValueError, match="at least 1"):
        MovementGate(0)
    with pytest.raises(ValueError, match="times and"):
        moving(np.zeros(3), np.zeros(3))
    with pytest.raises(ValueError, match="filter_about must be"):
        RStatistic(1, 0.2, 0.0)
    with pytest.raises(ValueError, match="filter_value must be"):
        expected_r(0.5, 1.5)
    with pytest.raises(ValueError, match="single number"):
        r_statistic(1.0)
    with pytest.raises(ValueError, match="of shape"):
        RStatistic(2).update(1.0)


def test_r_by_hand() -> None:
    """The first values of R, worked out by hand: 1.8 times the two squares' weighted means."""
    # x = 0, 1, 0; filtered 0, 0.2; squares about it 1, 0.04; between 1, 1; weights 0.9 and 1 over 1.9.
    expected = [np.nan, 1.8, 1.8 * (0.9 * 1.0 + 0.04) / 1.9]
    np.testing.assert_allclose(r_statistic([0.0, 1.0, 0.0]), expected, rtol=1e-12)


def test_a_constant_has_no_r() -> None:
    """Without scatter there is nothing to compare with."""
    assert np.isnan(r_statistic(np.full(20, 3.0))).all()


@pytest.mark.parametrize("phi", [-0.5, 0.0, 0.5, 0.9, 0.98])
def test_expected_r_of_correlated_noise(phi: float) -> None:
    """The two mean squares of simulated autoregressions have the ratio that is derived."""
    x = steady_rates.autoregression(np.random.default_rng(3), phi, 300, (4000,))
    filtered = x[0].copy()
    about = between = 0.0
    for before, now in itertools.pairwise(x):
        about, between = (
            about + np.mean((now - filtered) ** 2),
            between + np.mean((now - before) ** 2),
        )
        filtered += 0.2 * (now - filtered)
    assert 1.8 * about / between == pytest.approx(float(expected_r(phi)), rel=0.05)
    assert np.isnan(expected_r([1.0, -1.0, np.nan])).all()


@pytest.mark.parametrize("noise", steady_rates.NOISE)
@pytest.mark.parametrize("phi", [0.0, 0.8, 0.9])
def test_false_reject_floor(phi: float, noise: float) -> None:
    """At most one steady quarter hour in twenty of a train of seven signals is called disturbed.

    Other seeds than those on which `TIMES_USUAL` was chosen.
    """
    assert steady_rates.false_reject("movement", phi, noise, 600, seed=77).share <= 0.05


@pytest.mark.parametrize(
    ("disturbance", "phi", "noise", "most"),
    [
        # Noise as minute means of a plant have it: every disturbance is nearly always seen.
        ("ramp 3 %, one signal", 0.0, 0.003, 0.03),
        ("step 3 %, one signal", 0.9, 0.003, 0.02),
        ("ramp 5 %, one signal", 0.9, 0.003, 0.01),
        ("set-point 3 %, four signals", 0.9, 0.003, 0.01),
        ("set-point 6 %, four signals", 0.9, 0.003, 0.01),
        # Three times as much: what is five and more times the noise.
        ("step 5 %, one signal", 0.9, 0.01, 0.15),
        ("set-point 6 %, four signals", 0.9, 0.01, 0.02),
    ],
)
def test_false_accept_floor(disturbance: str, phi: float, noise: float, most: float) -> None:
    """Disturbances of realistic size are seldom called steady."""
    assert (
        steady_rates.false_accept("movement", disturbance, phi, noise, 300, seed=78).share <= most
    )


def test_simulated_plant() -> None:
    """On a simulated plant few steady quarter hours are called disturbed and no clear set-point move steady."""
    blocks = steady_rates.simulated("healthy_set_points", 3.0, 1)
    found = steady_rates.movement(blocks.minutes, 0.0)
    still = (blocks.moved < 0.001) & (blocks.before < 0.001)
    assert still.sum() > 100
    assert found[still].mean() <= 0.03
    clear = blocks.moved > 0.04
    assert clear.any()
    assert found[clear].all()
