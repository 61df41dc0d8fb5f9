"""Thinning of trends, and times in words."""

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon import words
from daemon.page import trends
from daemon.page.times import SiteTime, ago


def at(*when: int) -> float:
    """Seconds of a UTC date and time."""
    return datetime(*when, tzinfo=UTC).timestamp()  # type: ignore[arg-type]


def test_robust_mean_leaves_out_what_is_far_from_the_median() -> None:
    """By hand: the median is 1.0 and the scaled MAD 0.148, so 50 is left out and the rest averaged."""
    rows = np.array([[1.0, 1.1, 0.9, 1.0, 50.0], [2.0, np.nan, 2.0, np.nan, 2.0]])
    assert trends.robust_mean(rows) == pytest.approx([1.0, 2.0])


def test_robust_mean_of_nothing_is_not_a_number() -> None:
    """A bucket without a finite value stays a gap."""
    rows = np.array([[np.nan, np.nan], [np.nan, np.inf], [3.0, np.nan]])
    assert np.isnan(trends.robust_mean(rows)[:2]).all()
    assert trends.robust_mean(rows)[2] == 3.0


def test_week_is_shown_digest_by_digest() -> None:
    """Seven days are 672 quarter-hours, which need no thinning."""
    begin = at(2026, 3, 1)
    starts = begin + 900.0 * np.arange(672)
    values = np.sin(np.arange(672.0))[:, None]
    thinned = trends.thin(starts, values, begin, begin + 7 * 86400)
    assert thinned.width_s == 900.0
    assert thinned.times == pytest.approx(starts + 450)
    assert thinned.values == pytest.approx(values)


@given(
    days=st.sampled_from([7.0, 30.0, 90.0, 365.0, 0.3]),
    shift=st.floats(0, 2e6),
    seed=st.integers(0, 1000),
    most=st.integers(2, 1500),
)
def test_thinned_columns_keep_bounds_gaps_and_inputs(
    days: float, shift: float, seed: int, most: int
) -> None:
    """Never more points than asked, never a value outside the data, a gap where there is none."""
    random = np.random.default_rng(seed)
    begin = at(2026, 1, 1) + shift
    slots = int(days * 96)
    chosen = np.sort(random.choice(slots, size=random.integers(0, min(slots, 300)), replace=False))
    starts = np.floor(begin / 900) * 900 + 900.0 * chosen
    values = random.normal(size=(len(starts), 2))
    values[random.random(values.shape) < 0.2] = np.nan
    before = values.copy()
    thinned = trends.thin(starts, values, begin, begin + days * 86400, most=most)
    assert np.array_equal(values, before, equal_nan=True)
    assert len(thinned.times) == len(thinned.values) <= most
    assert np.allclose(np.diff(thinned.times), thinned.width_s)
    for time, row in zip(thinned.times, thinned.values, strict=True):
        inside = (starts >= time - thinned.width_s / 2) & (starts < time + thinned.width_s / 2)
        for j, value in enumerate(row):
            known = values[inside, j][np.isfinite(values[inside, j])]
            assert np.isfinite(value) == bool(len(known))
            if len(known):
                assert known.min() - 1e-12 <= value <= known.max() + 1e-12


def test_thin_refuses_an_empty_span() -> None:
    """Begin must lie before end, and two points are the least."""
    nothing = np.empty((0, 1))
    with pytest.raises(ValueError, match="begin must be before end"):
        trends.thin(np.empty(0), nothing, 5.0, 5.0)
    with pytest.raises(ValueError, match="most must be at least 2"):
        trends.thin(np.empty(0), nothing, 0.0, 5.0, most=1)


@pytest.mark.parametrize(
    ("zone", "said"),
    [
        ("UTC", "Sun 29 Mar, 00:30 UTC"),
        ("Europe/Madrid", "Sun 29 Mar, 01:30 CET"),
        ("America/Lima", "Sat 28 Mar, 19:30 UTC-05"),
        ("Asia/Riyadh", "Sun 29 Mar, 03:30 UTC+03"),
    ],
)
def test_instants_carry_the_zone_of_the_site(zone: str, said: str) -> None:
    """The same instant in four zones; rules of the tz database, offsets from memory."""
    assert SiteTime(zone, at(2026, 4, 1)).stamp(at(2026, 3, 29, 0, 30)) == said


def test_summer_time_and_other_years_are_told() -> None:
    """An hour later Madrid is on summer time; another year is written out."""
    time = SiteTime("Europe/Madrid", at(2026, 4, 1))
    assert time.stamp(at(2026, 3, 29, 1, 30)) == "Sun 29 Mar, 03:30 CEST"
    assert time.day(at(2025, 12, 31, 22)) == "Wed 31 Dec 2025"
    assert time.day(at(2025, 12, 31, 23)) == "Thu 1 Jan"


def test_days_ahead_go_by_the_calendar() -> None:
    """Tomorrow begins at the site's midnight."""
    time = SiteTime("Europe/Madrid", at(2026, 4, 1, 21, 0))  # 23:00 in Madrid
    assert time.ahead(at(2026, 4, 1, 21, 30)) == "today"
    assert time.ahead(at(2026, 4, 1, 22, 30)) == "tomorrow"
    assert time.ahead(at(2026, 4, 9, 12)) == "in 8 days"
    assert time.ahead(at(2026, 4, 1, 20)) == "reached"


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (-3.0, "0 s ago"),
        (59.4, "59 s ago"),
        (60.0, "1 min ago"),
        (3600.0, "1 h ago"),
        (7500.0, "2 h 5 min ago"),
        (86400.0, "1 day ago"),
        (1e6, "11 days ago"),
    ],
)
def test_ages_in_words(seconds: float, said: str) -> None:
    """Ages are told in their largest units, and never in the future."""
    assert ago(seconds) == said


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.04, "0.0 %"), (-0.04, "0.0 %"), (-9.04, "−9.0 %"), (9.96, "+10 %"), (123.4, "+123 %")],
)
def test_percentages_have_a_sign_and_no_false_digits(value: float, said: str) -> None:
    """Zero has no sign, and above ten there are no decimals."""
    assert words.percent(value) == said


def test_single_spikes_do_not_squash_the_axis() -> None:
    """An axis shows the lines and the limit; one value of +400 % in 1440 lies outside it."""
    line = 3.0 * np.sin(np.arange(1440) / 100.0)
    line[700] = 400.0
    line[100:140] = np.nan
    low, high = trends.axis(line[:, None], 15.0)
    assert low < -3.0
    assert 15.0 < high < 25.0


def test_a_change_that_has_just_come_is_on_the_axis() -> None:
    """The last values count even when they are less than a hundredth of all, unless it is a single one."""
    line = np.zeros(1440)
    line[-4:] = 60.0
    assert trends.axis(line[:, None], 15.0)[1] > 60.0
    line[-4:-1] = 0.0
    assert trends.axis(line[:, None], 15.0)[1] < 25.0


def test_an_axis_without_values_shows_limit_and_baseline() -> None:
    """Without any value the axis still holds zero and the limit."""
    low, high = trends.axis(np.full((10, 2), np.nan), -10.0)
    assert low < -10.0
    assert high > 0.0
    assert trends.axis(np.empty((10, 0)), -10.0) == (low, high)
