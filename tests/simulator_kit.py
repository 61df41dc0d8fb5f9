"""What tests of the simulator's vessels need: plain water laws, an even stage, and a pass to the end."""

from dataclasses import dataclass

import numpy as np

from simulator.vessels import (
    StageFlow,
    StageShape,
    StageState,
    Surroundings,
    first_guess,
    pass_through,
)
from simulator.water import Floats, WaterLaw


@dataclass(frozen=True)
class TableLaw(WaterLaw):
    """The laws that the element table was computed with, as its head states them, at 25 °C."""

    def density_kg_m3(self, temperature_c: Floats, salt_mg_l: Floats | float = 0.0) -> Floats:
        return np.full_like(temperature_c, 1000.0)

    def viscosity_mpa_s(self, temperature_c: Floats, salt_mg_l: Floats | float = 0.0) -> Floats:
        return np.full_like(temperature_c, 0.890)

    def diffusivity_m2_s(self, temperature_c: Floats) -> Floats:
        return np.full_like(temperature_c, 1.61e-9)

    def osmotic_factor(self, temperature_c: Floats) -> Floats:
        return 0.2654 * (temperature_c + 273.15) / 100.0

    def osmotic_bar(self, salt_mg_l: Floats, factor: Floats) -> Floats:
        return factor * salt_mg_l / (1000.0 - salt_mg_l / 1000.0)


@dataclass(frozen=True)
class IdealLaw(WaterLaw):
    """No polarization (the salt diffuses at once) and osmotic pressure along a given curve."""

    curve_mg_l: tuple[float, ...] = (0.0, 1e9)
    curve_bar: tuple[float, ...] = (0.0, 1e6)

    def diffusivity_m2_s(self, temperature_c: Floats) -> Floats:
        return np.full_like(temperature_c, 1e9)

    def osmotic_bar(self, salt_mg_l: Floats, factor: Floats) -> Floats:
        return np.interp(salt_mg_l, self.curve_mg_l, self.curve_bar)


def even(shape: StageShape, water_lmh_bar: Floats, salt_lmh: Floats, friction: float) -> StageState:
    """A stage whose elements are alike along each vessel."""
    size = (shape.elements, 1, shape.vessels)
    return StageState(
        water=np.broadcast_to(water_lmh_bar, size),
        salt=np.broadcast_to(salt_lmh, size),
        friction=np.full(size, friction),
        bypass=np.zeros(size),
        element_leak=np.zeros(size),
        joint_leak=np.zeros((shape.elements + 1, 1, shape.vessels)),
    )


def settled(
    shape: StageShape,
    state: StageState,
    around: Surroundings,
    *,
    flow: Floats,
    salt: Floats,
    pressure: Floats,
    back: Floats,
) -> StageFlow:
    """Pass until flux and salt stand still."""
    flux, local = first_guess(shape, np.full(len(pressure), 5.0))
    for _ in range(200):
        found = pass_through(shape, state, around, flow, salt, pressure, back, flux, local)
        moved = float(np.max(np.abs(found.local_salt - local) / (np.abs(local) + 1e-3)))
        flux, local = found.flux, found.local_salt
        if found.unsettled < 1e-11 and moved < 1e-9:
            return found
    raise AssertionError(f"not settled: {found.unsettled}, {moved}")
