"""Pressure vessels as a row of lumped cells, all instants of a history at once.

Each cell is well mixed in its entry: flux and salt flux of solution-diffusion, polarization of film theory with a
power law for mass transfer, friction with a power of the flow. Temperature laws are linear (water) and exponential
(salt). Constants are invented; forms are textbook (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CELLS = 10
RELAXED = 0.5
"""Share of a new flux that is taken at each round of the search for the feed pressure. [-]"""
TRANSFER_LMH, TRANSFER_AT_M3H, TRANSFER_POWER = 130.0, 8.0, 0.6
"""Mass transfer at a flow per vessel, and the power of the flow that it goes with."""
LEAST_LMH = 0.02


def osmotic_bar(salt_mg_l: Array, temperature_c: Array) -> Array:
    """Osmotic pressure of mostly sodium chloride, 0.78 bar per g/L at 25 °C, from memory. [bar]"""
    return np.asarray(0.78e-3 * salt_mg_l * (temperature_c + 273.15) / 298.15)


def conductivity_us_cm(salt_mg_l: Array) -> Array:
    """Conductivity at 25 °C by a power law with a bend, about 2 µS/cm per mg/L when dilute, from memory. [µS/cm]"""
    return np.asarray(2.05 * salt_mg_l**0.986 * (1.0 - 3.5e-6 * salt_mg_l))


def viscosity(temperature_c: Array) -> Array:
    """Viscosity of water over that at 20 °C: 2.35 % less for each kelvin, from memory. [-]"""
    return np.asarray(np.exp(-0.0235 * (temperature_c - 20.0)))


@dataclass(frozen=True)
class Vessels:
    """One stage, and how it has changed at every instant (rows of cells, columns of instants).

    water, salt, friction : factors on the membrane's constants, (CELLS, n). leak : salt permeability that a leak adds,
    over the stage's mean. bypass : share of the feed that flows around the membrane, (n,). back_bar : pressure that a
    valve adds to the permeate, (n,).
    """

    vessels: int
    area_m2: float
    friction_bar: float
    water: Array
    salt: Array
    friction: Array
    leak: Array
    bypass: Array
    back_bar: Array


@dataclass(frozen=True)
class Membrane:
    """Constants at 25 °C, and how they go with temperature. [L/m2/h/bar], [L/m2/h], [1/K]"""

    water: float
    salt: float
    water_per_k: float
    salt_per_k: float
    friction_power: float


@dataclass
class Flows:
    """What a train does, each an array over the instants; lists by stage. m3/h, bar, mg/L."""

    permeate_m3h: list[Array] = field(default_factory=list)
    permeate_mg_l: list[Array] = field(default_factory=list)
    feed_bar: list[Array] = field(default_factory=list)
    concentrate_bar: list[Array] = field(default_factory=list)
    concentrate_m3h: Array = field(default_factory=lambda: np.empty(0))
    concentrate_mg_l: Array = field(default_factory=lambda: np.empty(0))

    @property
    def total_m3h(self) -> Array:
        """Permeate of the train. [m3/h]"""
        return np.asarray(sum(self.permeate_m3h))

    @property
    def mixed_mg_l(self) -> Array:
        """Concentration of the permeate of the train. [mg/L]"""
        salt = sum(q * c for q, c in zip(self.permeate_m3h, self.permeate_mg_l, strict=True))
        return np.asarray(salt / self.total_m3h)


@dataclass(frozen=True)
class Feed:
    """What flows in, arrays over the instants."""

    flow_m3h: Array
    salt_mg_l: Array
    temperature_c: Array


class Train:
    """Stages in series. It remembers the fluxes of the last round, so that rounds converge."""

    def __init__(
        self, stages: Sequence[Vessels], membrane: Membrane, permeate_bar: float = 0.3
    ) -> None:
        self._stages, self._membrane, self._permeate_bar = stages, membrane, permeate_bar
        self._flux = [np.full_like(s.water, 18.0) for s in stages]

    def step(self, feed: Feed, pressure_bar: Array) -> Flows:
        """One round along the train at a feed pressure; fluxes move half of the way to where they belong."""
        flow, salt, pressure = feed.flow_m3h, feed.salt_mg_l, pressure_bar
        made = Flows()
        warm = feed.temperature_c - 25.0
        m = self._membrane
        for number, stage in enumerate(self._stages):
            cell_m2 = stage.area_m2 / CELLS
            if number:
                pressure = pressure - 0.1
            made.feed_bar.append(pressure)
            water_out, salt_out = np.zeros_like(flow), np.zeros_like(flow)
            for i in range(CELLS):
                through = flow * (1.0 - stage.bypass) / stage.vessels
                drop = stage.friction_bar / CELLS * stage.friction[i]
                drop = drop * (through / TRANSFER_AT_M3H) ** m.friction_power
                drop = drop * viscosity(feed.temperature_c) ** (2.0 - m.friction_power)
                old = self._flux[number][i]
                transfer = TRANSFER_LMH * (through / TRANSFER_AT_M3H) ** TRANSFER_POWER
                wall = salt * np.exp(old / transfer)
                driving = pressure - drop / 2.0 - self._permeate_bar - stage.back_bar
                driving = driving - osmotic_bar(wall, feed.temperature_c)
                permeability = m.water * (1.0 + m.water_per_k * warm) * stage.water[i]
                flux = old + RELAXED * (np.maximum(permeability * driving, LEAST_LMH) - old)
                self._flux[number][i] = flux
                passes = m.salt * (np.exp(m.salt_per_k * warm) * stage.salt[i] + stage.leak[i])
                water = flux * cell_m2 / 1000.0
                passed = passes * wall * flux / (flux + passes) * cell_m2 / 1000.0
                left = np.maximum(flow - water, 0.02 * flow)
                salt = (flow * salt - passed) / left
                flow, pressure = left, pressure - drop
                water_out, salt_out = water_out + water, salt_out + passed
            made.permeate_m3h.append(water_out)
            made.permeate_mg_l.append(salt_out / water_out)
            made.concentrate_bar.append(pressure)
        made.concentrate_m3h, made.concentrate_mg_l = flow, salt
        return made

    def at_pressure(self, feed: Feed, pressure_bar: Array, rounds: int = 30) -> Flows:
        """What the train makes at a feed pressure."""
        made = self.step(feed, pressure_bar)
        for _ in range(rounds - 1):
            made = self.step(feed, pressure_bar)
        return made

    def at_flow(self, feed: Feed, permeate_m3h: Array, guess_bar: float, rounds: int = 60) -> Flows:
        """What the train does when its pump is controlled to a permeate flow.

        Raises ArithmeticError when no pressure gives that flow within a thousandth.
        """
        area = sum(s.area_m2 for s in self._stages)
        pressure = np.full_like(permeate_m3h, guess_bar)
        for _ in range(rounds):
            made = self.step(feed, pressure)
            short = (permeate_m3h - made.total_m3h) * 1000.0 / area / self._membrane.water
            pressure = pressure + 0.9 * np.clip(short, -1.0, 1.0)
        miss = float(np.abs(made.total_m3h / permeate_m3h - 1.0).max())
        if miss > 1e-3:
            raise ArithmeticError(f"no feed pressure gives the permeate flow: off by {miss:.2%}")
        return made
