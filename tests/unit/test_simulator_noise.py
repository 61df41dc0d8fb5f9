"""Randomness of the simulator: a function of key and time, with the spread it claims."""

import numpy as np
import pytest

from simulator.noise import MeanReverting, gauss, key, keys, uniform, wander


def test_same_number_whenever_asked() -> None:
    """One index of a stream gives the same number alone and among others."""
    stream = key(7, "A/feed_flow", "white")
    many = gauss(stream, np.arange(1000))
    assert gauss(stream, np.array([512]))[0] == many[512]
    assert gauss(stream, np.arange(500, 600))[12] == many[512]


def test_streams_are_strangers() -> None:
    """Other seeds and other names give numbers without correlation."""
    index = np.arange(20000)
    one = gauss(key(1, "x"), index)
    for other in (gauss(key(2, "x"), index), gauss(key(1, "y"), index)):
        assert abs(np.corrcoef(one, other)[0, 1]) < 0.03


def test_normal_deviates() -> None:
    """Mean 0, spread 1, 4.55 % beyond two spreads (normal distribution), no echo one step later."""
    drawn = gauss(key(3, "z"), np.arange(100_000))
    assert abs(drawn.mean()) < 0.015
    assert drawn.std() == pytest.approx(1.0, abs=0.015)
    assert np.mean(np.abs(drawn) > 2.0) == pytest.approx(0.0455, abs=0.003)
    assert abs(np.corrcoef(drawn[1:], drawn[:-1])[0, 1]) < 0.015


def test_uniform_stays_inside() -> None:
    """Numbers between 0 and 1, neither included, also before 1970."""
    drawn = uniform(key(3, "u"), np.arange(-50_000, 50_000))
    assert drawn.min() > 0.0
    assert drawn.max() < 1.0
    assert drawn.mean() == pytest.approx(0.5, abs=0.01)


def test_several_streams_at_once() -> None:
    """A column of keys gives row by row what each key gives alone."""
    together = gauss(keys(5, ["a", "b"], "white"), np.arange(10))
    assert np.array_equal(together[1], gauss(key(5, "b", "white"), np.arange(10)))


def test_wander_is_smooth_with_spread_one() -> None:
    """The curve has spread 1 everywhere and moves little in a hundredth of its period."""
    times = np.arange(0.0, 4000.0, 0.01)
    curve = wander(key(9, "w"), times, 1.0)
    assert curve.std() == pytest.approx(1.0, abs=0.05)
    assert curve[::100].std() == pytest.approx(1.0, abs=0.06)
    assert curve[50::100].std() == pytest.approx(1.0, abs=0.06)
    assert np.max(np.abs(np.diff(curve))) < 0.15


def test_mean_reverting_walk() -> None:
    """Spread 1, correlation exp(-lag/memory), the same whatever was asked before (definition)."""
    start, memory = 1.7e9, 36.0 * 3600.0
    walk = MeanReverting(key(1, "salt"), start, memory)
    late = walk.at(np.array([start + 3e7]))[0]
    times = start + 1800.0 * np.arange(60_000)
    values = walk.at(times)
    assert MeanReverting(key(1, "salt"), start, memory).at(np.array([start + 3e7]))[0] == late
    assert values.std() == pytest.approx(1.0, abs=0.12)
    lag = 72
    measured = np.corrcoef(values[lag:], values[:-lag])[0, 1]
    assert measured == pytest.approx(np.exp(-lag * 1800.0 / memory), abs=0.1)
    assert walk.at(np.array([start - 5e6]))[0] == values[0]
