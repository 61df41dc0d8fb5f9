"""The feed water: temperature by season, day and weather; salinity; what else is measured."""

import numpy as np

from simulator.noise import MeanReverting, key, wander
from simulator.operation import DAY_S
from simulator.scenario import Feed
from simulator.water import Floats

YEAR_DAYS = 365.25


class FeedWater:
    """Feed water of one scenario and seed; every value is a function of the time alone."""

    def __init__(self, feed: Feed, seed: int, start_s: float):
        self._feed = feed
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
        )

    def salt_mg_l(self, time_s: Floats) -> Floats:
        """Salt. [mg/L as sodium chloride]"""
        walk = np.clip(self._salinity.at(time_s), -3.0, 3.0)
        return np.asarray(self._feed.salt_mg_l * (1.0 + self._feed.salt_spread * walk))

    def ph(self, time_s: Floats) -> Floats:
        """Acidity. [pH]"""
        return 7.4 + 0.08 * wander(key(self._seed, "ph"), time_s, 30.0 * 3600.0)

    def orp_mv(self, time_s: Floats) -> Floats:
        """Oxidation-reduction potential of dechlorinated water. [mV]"""
        return 190.0 + 15.0 * wander(key(self._seed, "orp"), time_s, 20.0 * 3600.0)

    def turbidity_ntu(self, time_s: Floats) -> Floats:
        """Turbidity after the cartridge filter. [NTU]"""
        swing = wander(key(self._seed, "turbidity"), time_s, 10.0 * 3600.0)
        return 0.06 * np.exp(0.25 * swing)
