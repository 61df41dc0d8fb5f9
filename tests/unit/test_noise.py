"""Covariance of a healthy train: own noise, weather, operation and age. Hand calculations."""

import numpy as np
import pytest

from rules import noise
from rules.noise import Noise

NAMES = ("1/permeate_flow", "2/permeate_flow", "1/salt_passage", "balance/water")
POINT = ("1/temperature_c", "2/temperature_c", "1/flux_lmh")
REFERENCE = {"1/temperature_c": 15.0, "2/temperature_c": 15.0, "1/flux_lmh": 20.0}


def test_own_noise_by_hand() -> None:
    """Nothing moved: the diagonal is spread²·(1/count + wander) + floor², and nothing else."""
    model = Noise(NAMES, {"1/permeate_flow": 0.01}, POINT, REFERENCE)
    got = model.covariance(4, np.array([15.0, 15.0, 20.0]), 0.0)
    expected = [1e-4 * (0.25 + noise.WANDER) + 0.008**2, 0.008**2, 0.02**2, 0.004**2]
    np.testing.assert_allclose(got, np.diag(expected))


def test_weather_moves_the_stages_together() -> None:
    """Ten kelvin of warming widen both stages' flow by the same error, fully correlated."""
    quiet = Noise(NAMES, {}, POINT, REFERENCE).covariance(4, np.array([15.0, 15.0, 20.0]), 0.0)
    warm = Noise(NAMES, {}, POINT, REFERENCE).covariance(4, np.array([25.0, 25.0, 20.0]), 0.0)
    added = warm - quiet
    size = (10.0 * noise.PER_KELVIN["permeate_flow"]) ** 2
    np.testing.assert_allclose(added[:2, :2], np.full((2, 2), size))
    assert added[3, 3] == 0.0


def test_flux_moves_its_own_stage() -> None:
    """A flux that doubled widens the stage it is of, by ln 2 times the coefficient."""
    quiet = Noise(NAMES, {}, POINT, REFERENCE).covariance(4, np.array([15.0, 15.0, 20.0]), 0.0)
    added = (
        Noise(NAMES, {}, POINT, REFERENCE).covariance(4, np.array([15.0, 15.0, 40.0]), 0.0) - quiet
    )
    assert added[0, 0] == pytest.approx((np.log(2.0) * noise.PER_LN_FLUX["permeate_flow"]) ** 2)
    assert added[1, 1] == 0.0


def test_age_widens_and_unknown_operation_does_not() -> None:
    """A year adds the ageing of sound membranes; an operating point that is not known adds nothing."""
    model = Noise(NAMES, {}, POINT, REFERENCE)
    unknown = np.full(3, np.nan)
    fresh, old = model.covariance(4, unknown, 0.0), model.covariance(4, unknown, noise.YEAR_S)
    assert (old - fresh)[0, 0] == pytest.approx(noise.PER_YEAR["permeate_flow"] ** 2)
    np.testing.assert_allclose(fresh, np.diag(np.diag(fresh)))


def test_positive_definite() -> None:
    """However far operation has moved, the covariance has a Cholesky factor."""
    got = Noise(NAMES, {}, POINT, REFERENCE).covariance(1, np.array([40.0, 5.0, 2.0]), 1e9)
    np.linalg.cholesky(got)
    np.testing.assert_array_equal(got, got.T)


def test_levels_of_a_data_sheet_are_uncertain_together() -> None:
    """The uncertainty of a stated level moves both stages alike, and leaves their difference sharp."""
    model = Noise(NAMES, {}, POINT, REFERENCE, {"permeate_flow": 0.07})
    plain = Noise(NAMES, {}, POINT, REFERENCE)
    here = np.array([15.0, 15.0, 20.0])
    added = model.covariance(4, here, 0.0) - plain.covariance(4, here, 0.0)
    np.testing.assert_allclose(added[:2, :2], np.full((2, 2), 0.07**2))
    difference = np.array([1.0, -1.0, 0.0, 0.0])
    assert difference @ added @ difference == pytest.approx(0.0, abs=1e-15)
