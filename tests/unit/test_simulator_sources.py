"""Feed water that changes, boosters between stages, concentrate led back: the plant answers as plants do."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.feed import FeedWater
from simulator.plant import Plant
from simulator.scenario import Event, Feed, Scenario, load
from simulator.site import Site
from simulator.truth import truth_of

Array = NDArray[np.float64]

DAY_S = 86400.0
START_S = 1_767_571_200.0
QUIET = replace(
    load("healthy"),
    operation=replace(load("healthy").operation, stop_every_days=0.0, setpoint_every_days=0.0),
)


def truth(scenario: Scenario, days: float = 0.25) -> dict[str, Array]:
    """Noiseless signals at one instant."""
    plant = Plant(scenario, seed=1)
    return plant.truth(np.array([plant.start_s + days * DAY_S]))


def with_plant(**changes: float) -> dict[str, Array]:
    """The quiet plant with some of its specification changed."""
    return truth(replace(QUIET, plant=replace(QUIET.plant, **changes)))


def test_booster_lifts_the_second_stage() -> None:
    """A booster of 2 bar: stage 2 has more pressure and makes more, stage 1 needs less; the total is held."""
    plain, boosted = with_plant(), with_plant(booster_bar=2.0)
    step = boosted["2/feed_pressure"] - (boosted["1/concentrate_pressure"] - 0.1)
    assert step[0] == pytest.approx(2.0, abs=1e-5)
    assert boosted["2/permeate_flow"] > plain["2/permeate_flow"]
    assert boosted["1/feed_pressure"] < plain["1/feed_pressure"]
    assert boosted["permeate_flow"][0] == pytest.approx(plain["permeate_flow"][0], rel=1e-6)


def test_concentrate_led_back_makes_the_feed_saltier() -> None:
    """A fifth of the fresh flow led back: by hand, the mix is (fresh + 0.2 · concentrate)/1.2; balances close."""
    scenario = replace(QUIET, plant=replace(QUIET.plant, recirculated=0.2))
    plant = Plant(scenario, seed=1)
    t = np.array([plant.start_s + 0.25 * DAY_S])
    salt, kelvin = plant.feed.salt_mg_l(t), plant.feed.temperature_c(t)
    permeate, recovery = plant.timeline.setpoints(t)
    inlet = plant.inlet_m3h(permeate, recovery)
    got = plant.solved(t, permeate=permeate, feed=inlet, temperature_c=kelvin, salt_mg_l=salt)
    first, last = got.stages[0], got.stages[-1]
    fresh = permeate / recovery
    assert inlet[0] == pytest.approx(1.2 * fresh[0])
    mixed = (fresh * salt + 0.2 * fresh * last.concentrate_mg_l) / (1.2 * fresh)
    assert first.feed_mg_l[0] == pytest.approx(mixed[0], rel=1e-5)
    led_away = (last.concentrate_m3h - 0.2 * fresh) * last.concentrate_mg_l
    assert fresh[0] * salt[0] == pytest.approx(
        led_away[0] + (got.permeate_m3h * got.permeate_mg_l)[0], rel=1e-5
    )


def test_truth_of_a_plant_that_leads_back_is_flat() -> None:
    """Without faults the condition of such a plant changes by ageing alone."""
    scenario = replace(QUIET, plant=replace(QUIET.plant, recirculated=0.2, booster_bar=1.5))
    condition = truth_of(Site(scenario, seed=1), 10.0)["condition_by_day"]["A"]
    for stage in condition.values():
        assert all(abs(v) < 0.003 for values in stage.values() for v in values)


def test_tide_comes_and_goes_twice_a_day() -> None:
    """Salinity with the tide: its spread, and the same again after 12.42 hours."""
    feed = FeedWater(Feed(salt_spread=0.0, tide_spread=0.05), 1, START_S)
    t = START_S + np.arange(0.0, 10 * DAY_S, 600.0)
    salt = feed.salt_mg_l(t)
    assert salt.max() == pytest.approx(2100.0, rel=1e-3)
    assert salt.min() == pytest.approx(1900.0, rel=1e-3)
    np.testing.assert_allclose(feed.salt_mg_l(t + 12.42 * 3600.0), salt, rtol=1e-9)


def test_rain_dilutes_and_clouds_for_days() -> None:
    """About every ten days the water is thinner and cloudier, for some days, and never thicker."""
    dry = FeedWater(Feed(salt_spread=0.0), 1, START_S)
    wet = FeedWater(Feed(salt_spread=0.0, rain_every_days=10.0, rain_dilution=0.3), 1, START_S)
    t = START_S + np.arange(0.0, 100 * DAY_S, 3600.0)
    thin = wet.salt_mg_l(t) / dry.salt_mg_l(t)
    cloud = wet.turbidity_ntu(t) / dry.turbidity_ntu(t)
    assert 0.72 < thin.min() < 0.8
    assert thin.max() <= 1.0
    assert 0.1 < np.mean(thin < 0.95) < 0.4
    assert cloud[thin.argmin()] == pytest.approx(cloud.max())
    assert cloud.max() > 1.8


def test_another_source_is_mixed_in_within_an_hour() -> None:
    """From day 2 on, water of 3 g/L that is 4 K warmer."""
    events = (Event("source", 2.0, salt_mg_l=3000.0, temperature_c=4.0),)
    old = FeedWater(Feed(salt_spread=0.0), 1, START_S)
    new = FeedWater(Feed(salt_spread=0.0), 1, START_S, events)
    t = START_S + np.array([1.9, 2.0 + 0.5 / 24.0, 2.1, 30.0]) * DAY_S
    np.testing.assert_allclose(new.salt_mg_l(t), [2000.0, 2500.0, 3000.0, 3000.0])
    warmer = new.temperature_c(t) - old.temperature_c(t)
    np.testing.assert_allclose(warmer, [0.0, 2.0, 4.0, 4.0], atol=1e-9)


def test_energy_by_hand_and_with_fouling() -> None:
    """Feed flow times feed pressure over 36 and the efficiency, and more of it when the membranes foul."""
    quiet = truth_of(Site(QUIET, seed=1), 2.0)["energy_by_day"]["A"]
    plain = with_plant()
    day0 = plain["feed_flow"][0] * plain["1/feed_pressure"][0] / 36.0 / 0.8
    # The day's weather is not the mean of the year: colder water needs more pressure.
    assert quiet["pump_kw"][0] == pytest.approx(day0, rel=0.25)
    assert quiet["kwh_m3"][0] == pytest.approx(quiet["pump_kw"][0] / 78.0, rel=1e-3)
    fouled = truth_of(Site("lead_biofouling", seed=1), 42.0)["energy_by_day"]["A"]
    assert fouled["pump_kw"][-1] > 1.05 * fouled["pump_kw"][8]
    boosted = replace(QUIET, plant=replace(QUIET.plant, booster_bar=2.0))
    both = truth_of(Site(boosted, seed=1), 1.0)["energy_by_day"]["A"]
    # What the booster lifts, the high-pressure pump need not.
    assert both["pump_kw"][0] == pytest.approx(quiet["pump_kw"][0], rel=0.05)
