"""The cost of waiting with a clean, by hand."""

import pytest

from rules.series import DAY_S
from rules.waiting import BAR_M3H_KW, EFFICIENCY, extra_power_kw, waiting

OPERATING = {
    "1/average_flow_m3h": 75.0,
    "1/permeate_flow_m3h": 50.0,
    "1/ndp_bar": 10.0,
    "1/pressure_drop_bar": 2.0,
}


def test_power_of_a_lost_permeability_by_hand() -> None:
    """One tenth of the permeability at 10 bar is one bar more on 100 m3/h."""
    lost = {"1": {"permeate_flow": -0.1053605}}
    assert extra_power_kw(lost, OPERATING) == pytest.approx(
        1.0 * 100.0 * BAR_M3H_KW / EFFICIENCY, rel=1e-5
    )


def test_power_of_blocked_channels_by_hand() -> None:
    """Half of what the drop has grown by: 2 bar are 25 % more than they were, 0.4 bar."""
    blocked = {"1": {"pressure_drop": 0.2231436}}
    assert extra_power_kw(blocked, OPERATING) == pytest.approx(
        0.2 * 100.0 * BAR_M3H_KW / EFFICIENCY, rel=1e-5
    )


def test_a_better_train_costs_nothing() -> None:
    """More permeability than at the baseline is no loss, and what is not known is not guessed."""
    assert extra_power_kw({"1": {"permeate_flow": 0.1}}, OPERATING) == 0.0
    assert extra_power_kw({"1": {"permeate_flow": -0.1}}, {}) is None


def test_the_cheapest_date_is_the_least_of_the_cycle() -> None:
    """No other length of the cycle costs less a day, at the price of energy and of a clean."""
    prices = {"energy_per_kwh": 0.2, "cleaning": 600.0}
    found = waiting(4.0, 0.0, 20.0 * DAY_S, prices)
    assert found.per_day == pytest.approx(4.0 * 24.0 * 0.2)
    assert found.cheapest_at is not None
    growth = 24.0 * 4.0 / 20.0 * 0.2

    def per_day(days: float) -> float:
        return (600.0 + growth * days**2 / 2.0) / days

    best = found.cheapest_at / DAY_S
    assert per_day(best) <= min(per_day(0.9 * best), per_day(1.1 * best))


def test_without_prices_there_is_power_only() -> None:
    """No price, no cost and no date."""
    found = waiting(4.0, 0.0, 20.0 * DAY_S, {})
    assert (found.extra_kw, found.per_day, found.cheapest_at) == (4.0, None, None)
