"""Covariance of a healthy train: own noise and age. Hand calculations."""

import numpy as np
import pytest

from rules import noise
from rules.noise import Noise

NAMES = ("1/permeate_flow", "2/permeate_flow", "1/salt_passage", "balance/water")


def test_own_noise_by_hand() -> None:
    """A fresh baseline: the diagonal is spread²·(1/count + wander) + floor², and nothing else."""
    got = Noise(NAMES, {"1/permeate_flow": 0.01}).covariance(4, 0.0)
    expected = [1e-4 * (0.25 + noise.WANDER) + 0.005**2, 0.005**2, 0.011**2, 0.004**2]
    np.testing.assert_allclose(got, np.diag(expected))


def test_age_moves_the_stages_together() -> None:
    """A year adds the ageing of sound membranes, to both stages alike and not to balances."""
    model = Noise(NAMES, {})
    added = model.covariance(4, noise.YEAR_S) - model.covariance(4, 0.0)
    np.testing.assert_allclose(added[:2, :2], np.full((2, 2), noise.PER_YEAR["permeate_flow"] ** 2))
    assert added[3, 3] == 0.0


def test_positive_definite() -> None:
    """However old the baseline, the covariance is symmetric and has a Cholesky factor."""
    got = Noise(NAMES, {}).covariance(1, 1e9)
    np.linalg.cholesky(got)
    np.testing.assert_array_equal(got, got.T)


def test_levels_of_a_data_sheet_are_uncertain_together() -> None:
    """The uncertainty of a stated level moves both stages alike, and leaves their difference sharp."""
    model, plain = Noise(NAMES, {}, {"permeate_flow": 0.07}), Noise(NAMES, {})
    added = model.covariance(4, 0.0) - plain.covariance(4, 0.0)
    np.testing.assert_allclose(added[:2, :2], np.full((2, 2), 0.07**2))
    difference = np.array([1.0, -1.0, 0.0, 0.0])
    assert difference @ added @ difference == pytest.approx(0.0, abs=1e-15)
