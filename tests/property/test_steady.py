"""What must hold of the steady gate and the R statistic for any data."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from rules.state import STATES, StateGate
from rules.steady import (
    BIN_S,
    MATTERS,
    WINDOW_BINS,
    MovementGate,
    RStatistic,
    expected_r,
    moving,
    r_statistic,
)

Array = NDArray[np.float64]

level = st.one_of(st.floats(0.5, 2.0), st.just(np.nan), st.sampled_from([0.0, -1.0, 1.0]))
tables = hnp.arrays(float, st.tuples(st.integers(1, 90), st.integers(1, 4)), elements=level)
steps = st.sampled_from([20.0, 60.0, 300.0, 450.0, 900.0])
scales = st.sampled_from(
    [2.0**-20, 0.25, 4.0, 2.0**14]
)  # exact, so that no verdict can hang on a last bit


@given(tables, steps, scales)
@settings(max_examples=60)
def test_the_gate_does_not_depend_on_units(table: Array, step: float, scale: float) -> None:
    """Verdicts on scaled values are the same; shapes are those of the values; nothing is changed."""
    times, before = step * np.arange(len(table)), table.copy()
    found = moving(times, table)
    assert found.shape == table.shape
    np.testing.assert_array_equal(table, before)
    np.testing.assert_array_equal(found, moving(times, table * scale))


@given(tables, steps)
@settings(max_examples=60)
def test_signals_are_judged_each_by_itself(table: Array, step: float) -> None:
    """A signal's verdict is the one it gets alone, and one that is missing never moves."""
    times = step * np.arange(len(table))
    together = moving(times, table)
    for column in range(table.shape[1]):
        np.testing.assert_array_equal(together[:, [column]], moving(times, table[:, [column]]))
    gone = table.copy()
    gone[:, 0] = np.nan
    assert not moving(times, gone)[:, 0].any()


def _plain(times: Array, values: Array) -> NDArray[np.bool_]:
    """The gate's first question at the last minute of every bin, from the whole series at once."""
    numbers = (times // BIN_S).astype(int)
    bins = {int(n): np.median(values[numbers == n], axis=0) for n in np.unique(numbers)}
    found = []
    for n in bins:
        window = np.array([bins[k] for k in range(n - WINDOW_BINS + 1, n + 1) if k in bins])
        found.append(np.ptp(window, axis=0) > MATTERS * np.median(window, axis=0))
    return np.array(found)


@given(hnp.arrays(float, st.tuples(st.just(40), st.integers(1, 3)), elements=st.floats(1.0, 1.06)))
@settings(max_examples=60)
def test_incremental_is_what_the_whole_series_gives(table: Array) -> None:
    """Before anything is usual, the verdict at the end of a bin is that of medians of the whole series."""
    times = 60.0 * np.arange(len(table))
    np.testing.assert_array_equal(moving(times, table)[4::5], _plain(times, table))


@given(st.integers(0, 2**32 - 1), st.integers(200, 400))
@settings(max_examples=4)
def test_half_a_day_rebuilds_the_gate(seed: int, more: int) -> None:
    """A gate that saw only the last half day and a gate that saw everything agree."""
    rng = np.random.default_rng(seed)
    values = 1.0 + 0.02 * rng.standard_normal((1200 + more, 2)).cumsum(axis=0) / 3.0
    times = 60.0 * np.arange(len(values))
    late = slice(300, None)
    np.testing.assert_array_equal(
        moving(times, values)[1100:], moving(times[late], values[late])[800:]
    )


@given(tables, scales)
@settings(max_examples=60)
def test_r_has_no_unit_and_keeps_shape(table: Array, scale: float) -> None:
    """R is the same in any unit, NaN where the sample is missing, never negative, and by columns."""
    before = table.copy()
    found = r_statistic(table)
    np.testing.assert_array_equal(table, before)
    assert found.shape == table.shape
    assert np.isnan(found[np.isnan(table)]).all()
    assert not (found < 0.0).any()
    np.testing.assert_allclose(found, r_statistic(table * scale), rtol=1e-12)
    np.testing.assert_allclose(found[:, 0], r_statistic(table[:, 0]), rtol=1e-12)
    gone = np.isnan(table[:, 0])
    np.testing.assert_allclose(found[~gone, 0], r_statistic(table[~gone, 0]), rtol=1e-12)


@given(hnp.arrays(float, st.integers(2, 60), elements=st.floats(-3.0, 3.0)))
def test_r_is_what_its_definition_gives(x: Array) -> None:
    """Sample by sample R equals weighted means over the whole series."""
    filtered = [x[0]]
    for value in x[1:]:
        filtered.append(0.2 * value + 0.8 * filtered[-1])
    about, between = (x[1:] - np.array(filtered[:-1])) ** 2, np.diff(x) ** 2
    weights = 0.9 ** np.arange(len(about))[::-1]
    last = RStatistic(())
    got = [float(last.update(value)) for value in x][-1]
    if (weights @ between) > 1e-9:
        assert got == pytest.approx(1.8 * (weights @ about) / (weights @ between), rel=1e-6)


@given(hnp.arrays(float, hnp.array_shapes(max_dims=2), elements=st.floats(-2.0, 2.0)))
def test_expected_r_rises_with_correlation(phi: Array) -> None:
    """More correlation raises R, outside of -1 to 1 there is none, and shapes are kept."""
    found = expected_r(phi)
    assert found.shape == phi.shape
    inside = np.abs(phi) < 1.0
    assert np.isnan(found[~inside]).all()
    ordered = np.sort(phi[inside])
    assert (np.diff(expected_r(ordered)) >= -1e-9).all()


SIGNALS = (
    "permeate_flow",
    "feed_flow",
    "concentrate_flow",
    "1/feed_pressure",
    "running",
    "cleaning",
)
anything = st.one_of(st.floats(-1e3, 1e3), st.sampled_from([0.0, 1.0, np.nan]))


@given(hnp.arrays(float, st.tuples(st.integers(1, 60), st.just(6)), elements=anything))
@settings(max_examples=60)
def test_every_minute_has_a_state(table: Array) -> None:
    """Whatever is read, there is a state; a minute of nothing is unknown; values are not changed."""
    gate, before = StateGate(SIGNALS, 100.0), table.copy()
    found = [gate.minute(60.0 * i, row, None) for i, row in enumerate(table)]
    assert set(found) <= set(STATES)
    assert all((s == "unknown") for s, r in zip(found, table, strict=True) if np.isnan(r).all())
    np.testing.assert_array_equal(table, before)


def test_one_signal_a_gate() -> None:
    """A gate of one signal answers with one verdict."""
    assert MovementGate(1).minute(0.0, np.array([1.0])).shape == (1,)
