"""What else the instruments show, and what it weighs."""

import numpy as np
import pytest

from rules import signs
from rules.series import DAY_S, History
from rules.signatures import SIGNATURES, SIGNS

NAMES = ("feed_temperature", "feed_ph", "feed_orp", "feed_turbidity", "recovery")
USUAL = dict(zip(NAMES, (18.0, 7.6, 200.0, 0.1, 0.75), strict=True))
NOW = 60.0


def history(**late: float) -> History:
    """Six-hour medians of two months as usual, some of them other in the last four days."""
    days = np.arange(0.0, NOW, 0.25)
    points = np.tile(np.array([USUAL[n] for n in NAMES]), (len(days), 1))
    for name, value in late.items():
        points[days > NOW - 4.0, NAMES.index(name)] = value
    return History(days, np.empty((len(days), 0)), points, np.full(len(days), 24.0))


@pytest.mark.parametrize(
    ("late", "sign"),
    [
        ({"feed_orp": 420.0}, "orp_raised"),
        ({"feed_ph": 8.0}, "ph_raised"),
        ({"feed_temperature": 38.0}, "hot"),
        ({"recovery": 0.79}, "recovery_raised"),
    ],
)
def test_a_sign_shows_alone(late: dict[str, float], sign: str) -> None:
    """What moved is shown, everything else that is measured is not."""
    found = signs.shown(history(**late), NAMES, USUAL, NOW)
    assert {s for s, on in found.items() if on} == {sign}
    assert set(found) == set(SIGNS)


def test_turbid_water_must_last() -> None:
    """One day in three weeks is a rain; a week is a filter."""
    made = history()
    for days, on in ((1.0, False), (7.0, True)):
        made.points[made.days > NOW - days, NAMES.index("feed_turbidity")] = 0.4
        assert signs.shown(made, NAMES, USUAL, NOW)["turbid"] is on


def test_what_is_not_measured_is_left_out() -> None:
    """Neither shown nor not shown: it says nothing."""
    found = signs.shown(history(), NAMES, {"feed_ph": 7.6}, NOW)
    assert set(found) == {"ph_raised", "just_cleaned"}


def test_a_clean_shows_for_two_days() -> None:
    """From its end on."""
    for ago, on in ((-1.0, False), (1.0, True), (47.0, True), (49.0, False)):
        end = NOW * DAY_S - ago * 3600.0
        assert signs.shown(history(), NAMES, USUAL, NOW, cleaned=end)["just_cleaned"] is on


def test_evidence_by_hand() -> None:
    """ln(p/usual) when it shows, ln((1-p)/(1-usual)) when it does not, 0 when it is not known."""
    under, usual = {"orp_raised": 0.6}, SIGNS["orp_raised"]
    assert signs.evidence(under, {"orp_raised": True}) == pytest.approx(np.log(0.6 / usual))
    assert signs.evidence(under, {"orp_raised": False}) == pytest.approx(np.log(0.4 / (1 - usual)))
    assert signs.evidence(under, {"hot": True}) == 0.0


def test_signatures_name_known_signs() -> None:
    """Every sign of the table is one that can be seen, with a probability."""
    for row in SIGNATURES:
        assert set(row.signs) <= set(SIGNS)
        assert all(0.0 < p < 1.0 for p in row.signs.values())
