"""What a train is fed with: the plant's feed water by season, day and weather, or another train's permeate."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from simulator.noise import MeanReverting, key, uniform, wander
from simulator.operation import DAY_S, HORIZON_DAYS
from simulator.scenario import Event, Feed
from simulator.water import Floats

YEAR_DAYS = 365.25
TIDE_S = 12.42 * 3600.0
RAIN_RISE_S, RAIN_MEMORY_S = 4 * 3600.0, 1.5 * DAY_S
RAIN_CLOUDS = 4.0  # turbidity rises by so many times the dilution
SWITCH_S = 3600.0


class Feeding(Protocol):
    """Water that a train can be fed with; every value is a function of the time alone."""

    def temperature_c(self, time_s: Floats) -> Floats:
        """Temperature. [degC]"""

    def salt_mg_l(self, time_s: Floats) -> Floats:
        """Salt. [mg/L as sodium chloride]"""

    def ph(self, time_s: Floats) -> Floats:
        """Acidity. [pH]"""

    def orp_mv(self, time_s: Floats) -> Floats:
        """Oxidation-reduction potential. [mV]"""

    def turbidity_ntu(self, time_s: Floats) -> Floats:
        """Turbidity. [NTU]"""

    def available_m3h(self, time_s: Floats) -> Floats:
        """How much there is of it. [m3/h]"""


@dataclass(frozen=True)
class Made:
    """Permeate of a train at each time. [m3/h, mg/L]"""

    flow_m3h: Floats
    salt_mg_l: Floats


class Maker(Protocol):
    """A train as its permeate sees it."""

    @property
    def feed(self) -> Feeding:
        """What it is fed with itself."""

    def made(self, time_s: Floats) -> Made:
        """Its permeate."""


class PermeateWater:
    """Permeate of one train as the feed of another: all of it, as warm as the feed of the first.

    A membrane holds salt but not carbon dioxide: permeate is more acid than its feed, by about a unit.
    Common practice, no source; nothing is computed from it.
    """

    ACID_PH = 1.2
    CLEAR = 0.3

    def __init__(self, maker: Maker):
        self._maker = maker

    def temperature_c(self, time_s: Floats) -> Floats:
        """Temperature. [degC]"""
        return self._maker.feed.temperature_c(time_s)

    def salt_mg_l(self, time_s: Floats) -> Floats:
        """Salt. [mg/L as sodium chloride]"""
        return self._maker.made(time_s).salt_mg_l

    def ph(self, time_s: Floats) -> Floats:
        """Acidity. [pH]"""
        return self._maker.feed.ph(time_s) - self.ACID_PH

    def orp_mv(self, time_s: Floats) -> Floats:
        """Oxidation-reduction potential. [mV]"""
        return self._maker.feed.orp_mv(time_s)

    def turbidity_ntu(self, time_s: Floats) -> Floats:
        """Turbidity. [NTU]"""
        return self.CLEAR * self._maker.feed.turbidity_ntu(time_s)

    def available_m3h(self, time_s: Floats) -> Floats:
        """How much the first train makes. [m3/h]"""
        return self._maker.made(time_s).flow_m3h


class FeedWater:
    """Feed water of one scenario and seed; every value is a function of the time alone."""

    def __init__(self, feed: Feed, seed: int, start_s: float, events: Sequence[Event] = ()):
        self._feed = feed
        changes = [(start_s + e.at_day * DAY_S, e) for e in events if e.kind == "source"]
        changes.sort(key=lambda change: change[0])
        times, salts, warmths = [start_s], [feed.salt_mg_l], [0.0]
        for at, event in changes:
            times += [at, at + SWITCH_S]
            salts += [salts[-1], salts[-1] if np.isnan(event.salt_mg_l) else event.salt_mg_l]
            warm = event.temperature_c
            warmths += [warmths[-1], warmths[-1] if np.isnan(warm) else warm]
        self._source = np.array(times), np.array(salts), np.array(warmths)
        self._rains = np.empty(0)
        if feed.rain_every_days > 0.0:
            number = np.arange(int(HORIZON_DAYS / feed.rain_every_days))
            part = number + uniform(key(seed, "rain"), number)
            self._rains = start_s + part * feed.rain_every_days * DAY_S
        self._seed = seed
        self._salinity = MeanReverting(
            key(seed, "salinity"), start_s, feed.salt_memory_hours * 3600.0
        )

    def temperature_c(self, time_s: Floats) -> Floats:
        """Temperature. [degC]"""
        feed = self._feed
        day = time_s / DAY_S
        # 1970-01-01 is day 1 of its year; the phase error of leap years is under a day.
        season = -np.cos(2.0 * np.pi * (day + 1.0 - feed.coldest_day_of_year) / YEAR_DAYS)
        warmest_hour = 16.0
        daily = np.cos(2.0 * np.pi * (day - warmest_hour / 24.0))
        weather = wander(key(self._seed, "weather"), time_s, 4.0 * DAY_S)
        return np.asarray(
            feed.temperature_mean_c
            + feed.temperature_season_c * season
            + feed.temperature_day_c * daily
            + feed.temperature_weather_c * np.clip(weather, -2.5, 2.5)
            + np.interp(time_s, self._source[0], self._source[2])
        )

    def _rain(self, time_s: Floats) -> Floats:
        """How much rain water there is: 1 soon after a rain, forgotten within days."""
        if not len(self._rains):
            return np.zeros_like(time_s)
        last = np.searchsorted(self._rains, time_s, side="right") - 1
        ago = np.where(last >= 0, time_s - self._rains[np.maximum(last, 0)], np.inf)
        return np.where(
            np.isfinite(ago),
            (1.0 - np.exp(-ago / RAIN_RISE_S)) * np.exp(-ago / RAIN_MEMORY_S),
            0.0,
        )

    def salt_mg_l(self, time_s: Floats) -> Floats:
        """Salt. [mg/L as sodium chloride]"""
        walk = np.clip(self._salinity.at(time_s), -3.0, 3.0)
        feed = self._feed
        tide = feed.tide_spread * np.cos(2.0 * np.pi * time_s / TIDE_S)
        washed = 1.0 - feed.rain_dilution * self._rain(time_s)
        mean = np.interp(time_s, self._source[0], self._source[1])
        return np.asarray(mean * (1.0 + feed.salt_spread * walk + tide) * washed)

    def available_m3h(self, time_s: Floats) -> Floats:
        """How much there is of it: as much as anybody draws. [m3/h]"""
        return np.full_like(time_s, np.inf)

    def ph(self, time_s: Floats) -> Floats:
        """Acidity. [pH]"""
        return 7.4 + 0.08 * wander(key(self._seed, "ph"), time_s, 30.0 * 3600.0)

    def orp_mv(self, time_s: Floats) -> Floats:
        """Oxidation-reduction potential of dechlorinated water. [mV]"""
        return 190.0 + 15.0 * wander(key(self._seed, "orp"), time_s, 20.0 * 3600.0)

    def turbidity_ntu(self, time_s: Floats) -> Floats:
        """Turbidity after the cartridge filter. [NTU]"""
        swing = wander(key(self._seed, "turbidity"), time_s, 10.0 * 3600.0)
        clouded = 1.0 + RAIN_CLOUDS * self._feed.rain_dilution * self._rain(time_s)
        return np.asarray(0.06 * np.exp(0.25 * swing) * clouded)
