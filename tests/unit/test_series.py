"""The bounded memory of digests: windows, condensed history, and that it depends only on recent digests."""

import numpy as np
import pytest

from rules.digest import Digest
from rules.series import BIN_S, COARSE_S, DAY_S, FINE_S, Series

NAMES = ("1/permeate_flow", "1/pressure_drop")


def made(start: float, level: float) -> Digest:
    """A digest of one known observable and one operating quantity."""
    return Digest(start, 15, {}, {}, {"1/flux_lmh": 20.0}, {NAMES[0]: level}, {}, {})


def filled(starts: np.ndarray) -> Series:
    """A series whose level is the time in days."""
    series = Series(NAMES, ("1/flux_lmh",))
    for start in starts.tolist():
        series.add(made(start, start / DAY_S))
    return series


def test_window_takes_from_the_start_or_the_fewest() -> None:
    """A window holds what is younger than its start, or the fewest wanted when they are young enough."""
    series = filled(np.arange(0.0, 10 * 900.0, 900.0))
    assert series.window(6 * 900.0, 2, 0.0) == slice(6, 10)
    assert series.window(9 * 900.0, 4, 0.0) == slice(6, 10)
    assert series.window(9 * 900.0, 4, 7 * 900.0) is None
    assert series.levels[series.window(8 * 900.0, 2, 0.0), 0] == pytest.approx([8 / 96, 9 / 96])


def test_history_condenses_what_is_old() -> None:
    """Older digests stand as six-hour medians, the last days as hours, each digest exactly once."""
    series = filled(np.arange(0.0, 10 * DAY_S, 900.0))
    past = series.history()
    assert np.all(np.diff(past.days) > 0.0)
    assert past.counts.sum() == 960
    assert set(past.counts.tolist()) == {24.0, 4.0}
    assert past.rows[:, 0] == pytest.approx(past.days)  # the level is the time
    assert np.isnan(past.rows[:, 1]).all()
    assert past.days[past.counts == 4.0][0] * DAY_S >= 10 * DAY_S - FINE_S - BIN_S


def test_memory_is_bounded() -> None:
    """After months nothing older than the longest memory is left, and no more single digests than days allow."""
    series = filled(np.arange(0.0, 80 * DAY_S, 3600.0))
    assert series.history().days[0] >= 80.0 - COARSE_S / DAY_S - 0.5
    assert len(series.digests) <= (FINE_S + BIN_S) / 3600.0


@pytest.mark.parametrize("gap_days", [0.0, 2.5, 10.0])
def test_content_depends_on_recent_digests_only(gap_days: float) -> None:
    """A series filled with the last 49 days only equals the one filled from the start, over a gap as well."""
    starts = np.arange(0.0, 70 * DAY_S, 900.0)
    starts = starts[(starts < 60 * DAY_S) | (starts >= (60 + gap_days) * DAY_S)]
    long = filled(starts)
    short = filled(starts[starts > starts[-1] - COARSE_S - DAY_S])
    assert long.digests == short.digests
    for a, b in zip(
        (long.history().days, long.history().rows, long.history().counts),
        (short.history().days, short.history().rows, short.history().counts),
        strict=True,
    ):
        np.testing.assert_array_equal(a, b)


def test_order_is_required() -> None:
    """A digest that is not later than the last raises; an empty series has an empty history."""
    series = filled(np.array([0.0, 900.0]))
    with pytest.raises(ValueError, match="in order"):
        series.add(made(900.0, 0.0))
    assert len(Series(NAMES).history().days) == 0
