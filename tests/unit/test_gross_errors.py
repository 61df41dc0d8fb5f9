"""The study of gross errors keeps its floors: what is found, what is named, and how seldom sound meters are accused.

Floors are some per cent below what `python -m tests.bench.gross_errors` prints, so that another order of random
numbers passes and a weaker test does not.
"""

import numpy as np
import pytest

from tests.bench import gross_errors
from tests.bench.gross_errors import Errors, Layout, layouts

NAMED, BETWEEN = 0, 1


@pytest.fixture(scope="module")
def both() -> tuple[Layout, Layout]:
    """The two layouts of the study."""
    return layouts()


@pytest.mark.parametrize(
    ("which", "detected", "traced", "located"),
    [
        (NAMED, (0.07, 0.36, 0.75), (0.05, 0.33, 0.74), (0.01, 0.08, 0.17)),
        (BETWEEN, (0.08, 0.44, 0.89), (0.07, 0.43, 0.88), (0.03, 0.31, 0.66)),
    ],
)
def test_500_faults_of_3_5_and_10_sigma(
    both: tuple[Layout, Layout],
    which: int,
    detected: tuple[float, ...],
    traced: tuple[float, ...],
    located: tuple[float, ...],
) -> None:
    """Rates by size, and hardly ever the wrong meter."""
    rates = gross_errors.faults(both[which])
    assert [r.faults for r in rates] == [500] * 3
    for rate, *floors in zip(rates, detected, traced, located, strict=True):
        assert rate.detected >= floors[0], rate.size
        assert rate.grouped >= floors[1], rate.size
        assert rate.located >= floors[2], rate.size
        assert rate.wrong <= 0.01, rate.size


@pytest.mark.parametrize("which", [NAMED, BETWEEN])
def test_sound_trains_are_accused_less_than_once_a_year(
    both: tuple[Layout, Layout], which: int
) -> None:
    """24 train-years at every quarter hour; and the screening by a straight line is close enough to leave none out."""
    found = gross_errors.false_alarms(both[which])
    assert found.train_years >= 20
    assert found.judged == found.train_years * 35040
    assert found.per_train_year <= 1.0
    assert found.apart < 0.2


def test_noise_is_as_it_is_stated() -> None:
    """One standard uncertainty in all, half of it constant, the rest with memory from minutes to days."""
    errors = Errors((3000,), np.random.default_rng(7)).digests(97)
    # A mean over 15 minutes of AR(1) with 0.9 keeps this share of the variance of a minute.
    f, n = 0.9, 15
    lags = np.arange(1, n)
    share = (n + 2 * ((n - lags) * f**lags).sum()) / n**2
    expected = 0.5 + 0.35 + 0.15 * share
    assert errors.var() == pytest.approx(expected, rel=0.05)
    steps = np.diff(errors, axis=0)
    assert steps.var() < 0.2 * errors.var()
    apart = np.corrcoef(errors[0], errors[96])[0, 1]
    assert apart == pytest.approx((0.5 + 0.35 * np.exp(-1 / 3)) / expected, abs=0.04)
