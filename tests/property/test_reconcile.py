"""Reconciliation: balances close, adjustments are least, units do not matter, nothing given is changed."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from rules import quantiles, reconcile
from rules.suspects import judge

Array = NDArray[np.float64]

BALANCES = np.array([[1, -1, -1, 0, 0, 0], [0, 0, 1, -1, -1, 0], [0, 1, 0, 1, 0, -1]], dtype=float)
SPLIT = np.array([[1.0, -1.0, -1.0]])
OFF = hnp.arrays(np.float64, 6, elements=st.floats(-0.2, 0.2))
SPREAD = hnp.arrays(np.float64, 6, elements=st.floats(0.001, 0.05))
FLOWS = np.array([100.0, 50.0, 50.0, 25.0, 25.0, 75.0])
LOST = st.sets(st.integers(0, 5), max_size=4)
SCALE = st.floats(1e-3, 1e3)


def lossy(off: Array, lost: set[int]) -> Array:
    """Measured flows with gaps."""
    y = FLOWS * (1.0 + off)
    y[list(lost)] = np.nan
    return y


def filled(found: reconcile.Reconciliation) -> Array:
    """Reconciled where measured, estimated where that is possible."""
    return np.where(np.isfinite(found.reconciled), found.reconciled, found.estimate)


@given(off=OFF, spread=SPREAD, lost=LOST)
def test_balances_close_and_raw_values_stay(off: Array, spread: Array, lost: set[int]) -> None:
    """Every balance whose streams are all known closes; inputs are left as they are."""
    y, sigma = lossy(off, lost), spread * FLOWS
    before = y.copy(), sigma.copy()
    found = reconcile.linear(BALANCES, y, sigma)
    x = filled(found)
    for balance in BALANCES:
        parts = x[balance != 0]
        if np.isfinite(parts).all():
            assert abs(balance[balance != 0] @ parts) < 1e-8
    np.testing.assert_array_equal(y, before[0])
    np.testing.assert_array_equal(sigma, before[1])
    np.testing.assert_array_equal(found.measured, y)


@given(off=OFF, spread=SPREAD, lost=LOST)
def test_same_as_by_normal_equations(off: Array, spread: Array, lost: set[int]) -> None:
    """The least adjustment, its statistic and its uncertainty, by another road: a basis of all closing flows."""
    y, sigma = lossy(off, lost), spread * FLOWS
    found = reconcile.linear(BALANCES, y, sigma)
    known = np.isfinite(y)
    basis = np.linalg.svd(BALANCES)[2][3:].T  # flows that close are basis @ (three numbers)
    design = basis[known] / sigma[known, None]
    parts = np.linalg.pinv(design)
    x = basis @ (parts @ (y[known] / sigma[known]))
    np.testing.assert_allclose(found.reconciled[known], x[known], rtol=1e-6)
    spread_of = np.sqrt(np.sum((basis @ parts) ** 2, axis=1))
    np.testing.assert_allclose(found.uncertainty[known], spread_of[known], rtol=1e-5, atol=1e-7)
    seen = found.observable
    np.testing.assert_allclose(found.estimate[seen], x[seen], rtol=1e-6)
    np.testing.assert_allclose(found.estimate_uncertainty[seen], spread_of[seen], rtol=1e-5)
    left = (y[known] - x[known]) / sigma[known]
    if found.dof:
        np.testing.assert_allclose(found.statistic, left @ left, rtol=1e-5, atol=1e-8)


@given(off=OFF, spread=SPREAD, lost=LOST)
def test_uncertainty_never_grows(off: Array, spread: Array, lost: set[int]) -> None:
    """A reconciled value is at least as certain as its meter, and more certain when that is redundant."""
    found = reconcile.linear(BALANCES, lossy(off, lost), spread * FLOWS)
    known = np.isfinite(found.sigma)
    assert (found.uncertainty[known] <= found.sigma[known] * (1 + 1e-12)).all()
    more = found.redundant
    assert (found.uncertainty[more] < found.sigma[more]).all()
    same = known & ~more
    np.testing.assert_allclose(found.reconciled[same], found.measured[same])


@given(off=OFF, spread=SPREAD, scale=SCALE)
def test_tests_do_not_depend_on_the_unit(off: Array, spread: Array, scale: float) -> None:
    """Flows in another unit: values scale, statistics stay."""
    y, sigma = FLOWS * (1.0 + off), spread * FLOWS
    one, other = (reconcile.linear(BALANCES, y * f, sigma * f) for f in (1.0, scale))
    np.testing.assert_allclose(other.reconciled, scale * one.reconciled, rtol=1e-9)
    np.testing.assert_allclose(other.statistic, one.statistic, rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(other.test, one.test, rtol=1e-6, atol=1e-7)


@given(
    off=OFF, water=SCALE, salt=SCALE, spread=hnp.arrays(np.float64, 6, elements=st.floats(0.005, 0.05))
)  # fmt: skip
def test_bilinear_balances_close_in_any_units(
    off: Array, water: float, salt: float, spread: Array
) -> None:
    """Water and salt of one stage close, and the statistic does not depend on m3/h or mg/L."""
    q, c = np.array([100.0, 50.0, 50.0]), np.array([2000.0, 20.0, 3980.0])
    sq, sc = q * spread[:3], c * spread[3:]
    q, c = q * (1.0 + off[:3] / 4), c * (1.0 + off[3:] / 4)
    one = reconcile.bilinear(SPLIT, q, sq, c, sc)
    x = one.reconciled
    assert abs(SPLIT[0] @ x[:3]) < 1e-6
    assert abs(SPLIT[0] @ (x[:3] * x[3:])) < 1e-2
    other = reconcile.bilinear(SPLIT, q * water, sq * water, c * salt, sc * salt)
    np.testing.assert_allclose(other.statistic, one.statistic, rtol=1e-5, atol=1e-7)


@given(off=OFF, spread=SPREAD, lost=LOST)
def test_values_that_close_are_a_fixed_point(off: Array, spread: Array, lost: set[int]) -> None:
    """Reconciling what was reconciled changes nothing and finds nothing."""
    found = reconcile.linear(BALANCES, lossy(off, lost), spread * FLOWS)
    again = reconcile.linear(BALANCES, found.reconciled, spread * FLOWS)
    np.testing.assert_allclose(again.reconciled, found.reconciled, rtol=1e-9)
    assert not again.detected()


@settings(max_examples=50)
@given(off=OFF, spread=SPREAD, who=st.integers(0, 5), size=st.floats(1.0, 40.0))
def test_a_meters_test_is_what_the_statistic_falls_by_without_it(
    off: Array, spread: Array, who: int, size: float
) -> None:
    """The measurement test squared, against the statistic of the same values without that meter."""
    y, sigma = FLOWS * (1.0 + 0.05 * off), spread * FLOWS
    y[who] += size * sigma[who]
    found = reconcile.linear(BALANCES, y, sigma)
    y[who] = np.nan
    without = reconcile.linear(BALANCES, y, sigma)
    np.testing.assert_allclose(
        found.test[who] ** 2, found.statistic - without.statistic, rtol=1e-6, atol=1e-6
    )


@settings(max_examples=50)
@given(who=st.integers(0, 5), size=st.floats(20.0, 60.0), sign=st.sampled_from([-1.0, 1.0]))
def test_a_large_error_is_named_with_its_size(who: int, size: float, sign: float) -> None:
    """Of equally good meters with nothing else wrong: the group has it, alone where it is alone."""
    y, sigma = FLOWS.copy(), np.full(6, 0.3)
    y[who] += sign * size * 0.3
    verdict = judge(reconcile.linear(BALANCES, y, sigma))
    assert verdict.detected
    suspect = verdict.suspects[0]
    assert who in suspect.group
    np.testing.assert_allclose(
        suspect.error[suspect.group.index(who)], sign * size * 0.3, rtol=1e-6
    )


@given(dof=st.integers(1, 40), probability=st.floats(1e-6, 1 - 1e-6))
def test_tail_undoes_the_quantile(dof: int, probability: float) -> None:
    """Of chi-square; and a larger probability has a larger quantile."""
    x = quantiles.chi2_quantile(probability, dof)
    np.testing.assert_allclose(quantiles.chi2_tail(x, dof), 1.0 - probability, rtol=1e-9)
    assert quantiles.chi2_quantile((1.0 + probability) / 2.0, dof) > x


@given(tests=st.integers(1, 100), level=st.floats(1e-6, 0.5))
def test_more_tests_need_more(tests: int, level: float) -> None:
    """The critical value grows with the number of tests and falls with the level."""
    one = quantiles.sidak_quantile(level, tests)
    assert quantiles.sidak_quantile(level, tests + 1) > one
    assert quantiles.sidak_quantile(level * 1.5, tests) < one


def test_nan_stays_nan() -> None:
    """No value in, no reconciled value out; no probability of nothing."""
    found = reconcile.linear(BALANCES, np.full((2, 6), np.nan), 1.0)
    assert np.isnan(found.reconciled).all()
    assert (found.dof == 0).all()
    assert np.isnan(quantiles.chi2_tail(float("nan"), 3))
