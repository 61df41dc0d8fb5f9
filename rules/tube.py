"""The permeate tube of one vessel: where its tip stands, what mixes there, what a sound vessel shows.

Along the vessel, places are counted in elements from the feed end: element k lies between k − 1 and
k, joint k at k; joint 0 is the feed adapter, the last joint the concentrate adapter. The water met
at a point is the mix of all permeate made, or leaked in, between the blocked end and that point.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules.fits import Array
from rules.profile import CHANNEL_M, VOID, mass_transfer_lmh, polarization
from rules.temperature import arrhenius_factor
from rules.train import Stage, Water
from rules.water import density_kg_m3, osmotic_pressure_bar, viscosity_mpa_s

AT_JOINT_MM: Final = 10.0
"""A sample this near a joint counts as taken after it. [mm] Common practice, no source."""

BESIDE_JOINT_MM: Final = 100.0
"""How far from a joint the sheet puts a sample, clear of the interconnector. [mm]"""

TUBE_EXPONENT: Final = 1.75
"""Pressure loss in the tube ~ flow^1.75: turbulent in a smooth pipe (Blasius)."""

Osmotic = Callable[[Array, Array], Array]


@dataclass(frozen=True, slots=True)
class Tube:
    """The permeate tube of a vessel.

    port : end where the permeate leaves; with ``both`` the water parts somewhere inside.
    measured_from : port the probe goes in by and distances are counted from; None for `port`, and
        for the concentrate end when both are open.
    dead_mm : length at either end of an element where no permeate enters. [mm]
    """

    elements: int
    element_length_mm: float = 1016.0
    adapter_length_mm: float = 200.0
    port: Literal["concentrate", "feed", "both"] = "concentrate"
    measured_from: Literal["concentrate", "feed"] | None = None
    dead_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.elements < 1:
            raise ValueError(f"elements must be 1 or more, got {self.elements!r}")
        if not self.element_length_mm > 2.0 * self.dead_mm >= 0.0:
            raise ValueError(
                f"dead_mm must lie between 0 and half of the element, got {self.dead_mm!r}"
            )
        if not self.adapter_length_mm >= 0.0:
            raise ValueError(f"adapter_length_mm must be 0 or more, got {self.adapter_length_mm!r}")
        if self.port not in ("concentrate", "feed", "both"):
            raise ValueError(f"port must be concentrate, feed or both, got {self.port!r}")
        if self.measured_from not in (None, "concentrate", "feed"):
            raise ValueError(
                f"measured_from must be concentrate or feed, got {self.measured_from!r}"
            )
        if self.port != "both" and self.measured_from not in (None, self.port):
            raise ValueError(
                f"the {self.measured_from} end is blocked; the probe must go in by the {self.port} end"
            )

    @classmethod
    def of(
        cls, stage: Stage, measured_from: Literal["concentrate", "feed"] | None = None
    ) -> "Tube":
        """The tube of the vessels of a stage."""
        return cls(
            stage.elements_per_vessel,
            stage.element_length_mm,
            stage.adapter_length_mm,
            stage.permeate_port,
            measured_from,
        )

    @property
    def from_feed(self) -> bool:
        """Whether distances are counted from the feed end."""
        return (self.measured_from or self.port) == "feed"

    @property
    def length_mm(self) -> float:
        """From port face to port face. [mm]"""
        return self.elements * self.element_length_mm + 2.0 * self.adapter_length_mm

    def along(self, distance_mm: ArrayLike) -> Array:
        """Place along the vessel of a distance from the port face; any shape. [elements from feed]"""
        depth = (
            np.asarray(distance_mm, dtype=np.float64) - self.adapter_length_mm
        ) / self.element_length_mm
        return np.asarray(depth if self.from_feed else self.elements - depth)

    def distance_mm(self, along: ArrayLike) -> Array:
        """Distance from the port face of a place along the vessel; the inverse of `along`. [mm]"""
        x = np.asarray(along, dtype=np.float64)
        depth = x if self.from_feed else self.elements - x
        return np.asarray(self.adapter_length_mm + depth * self.element_length_mm)


@dataclass(frozen=True, slots=True)
class Position:
    """One line of a probe sheet: where to hold the tip, and what stands there."""

    distance_mm: float
    along: float
    place: str


def joint_name(joint: int, elements: int) -> str:
    """``interconnector 3-4``, or the adapter at either end."""
    if joint == 0:
        return "feed adapter"
    if joint == elements:
        return "concentrate adapter"
    return f"interconnector {joint}-{joint + 1}"


def positions(tube: Tube, *, half_steps: bool = False) -> tuple[Position, ...]:
    """Places to sample, deepest first: on either side of each joint, where permeate passes.

    half_steps : the middle of each element too. An element that leaks and a joint that leaks look
    alike until samples stand between them.
    """
    beside = min(BESIDE_JOINT_MM / tube.element_length_mm, 0.25)
    found = []
    for e in range(tube.elements):
        name = f"element {e + 1}"
        found.append((e + beside, f"{name}, feed end"))
        if half_steps:
            found.append((e + 0.5, f"{name}, middle"))
        found.append((e + 1.0 - beside, f"{name}, concentrate end"))
    outside = min(BESIDE_JOINT_MM, tube.adapter_length_mm / 2.0) / tube.element_length_mm
    if outside > AT_JOINT_MM / tube.element_length_mm:
        if tube.port != "concentrate":
            found.append((-outside, "in the feed adapter"))
        if tube.port != "feed":
            found.append((tube.elements + outside, "in the concentrate adapter"))
    lines = [Position(round(float(tube.distance_mm(x)), 6), x, place) for x, place in found]
    return tuple(sorted(lines, key=lambda p: -p.distance_mm))


def mixed(flow: ArrayLike, concentration: ArrayLike) -> Array:
    """Concentration of the mix after each of several inflows, in flow order, along the last axis.

    flow : (..., n) inflow of each. concentration : (..., n). returns : (..., n).
    C_k = Σ q_i c_i / Σ q_i over i ≤ k. Source: mass balance.
    """
    q = np.asarray(flow, dtype=np.float64)
    load = np.cumsum(q * np.asarray(concentration, dtype=np.float64), axis=-1)
    total = np.cumsum(np.broadcast_to(q, load.shape), axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(load / np.where(total > 0.0, total, np.nan))


def own(flow: ArrayLike, mixture: ArrayLike) -> Array:
    """What each inflow brings, from the mix after each; the inverse of `mixed`.

    c_k = (Q_k C_k − Q_{k−1} C_{k−1}) / q_k. NaN where nothing flows in. Source: mass balance.
    """
    q, mix = np.broadcast_arrays(
        np.asarray(flow, dtype=np.float64), np.asarray(mixture, dtype=np.float64)
    )
    load = np.cumsum(q, axis=-1) * mix
    gained = np.diff(load, axis=-1, prepend=0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(gained / np.where(q > 0.0, q, np.nan))


def own_error(flow: ArrayLike, error: ArrayLike) -> Array:
    """Standard error of `own` for independent errors of the mixtures, in the same unit.

    error : (..., n) standard error of each mixture, or one for all.
    For equal flows and errors sqrt(k² + (k−1)²) times one reading's: ten-fold at the eighth.
    Source: propagation of independent errors. Checked against tests/reference/probing_noise_gain.csv.
    """
    q, sigma = np.broadcast_arrays(
        np.asarray(flow, dtype=np.float64), np.asarray(error, dtype=np.float64)
    )
    load = np.cumsum(q, axis=-1) * sigma
    before = np.concatenate([np.zeros_like(load[..., :1]), load[..., :-1]], axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.hypot(load, before) / np.where(q > 0.0, q, np.nan))


@dataclass(frozen=True, slots=True)
class Healthy:
    """Permeate of each element of a sound vessel, feed end first.

    flow_m3h : (n,). concentration_mg_l : (n,).
    feed_side_mg_l : (n + 1,) water outside the tube at each joint, or None when not known.
    pressure_drop_bar : from end to end; NaN when not known.
    """

    flow_m3h: Array
    concentration_mg_l: Array
    feed_side_mg_l: Array | None = None
    pressure_drop_bar: float = float("nan")


def dividing_point(tube: Tube, flow_m3h: Array) -> float:
    """Where the permeate parts: −inf when the feed end is blocked, +inf when the other is.

    With both ends open it is the point from which the tube loses equal pressure to either end.
    returns : [elements from the feed end]
    """
    if tube.port != "both":
        return -np.inf if tube.port == "concentrate" else np.inf
    x = np.linspace(0.0, tube.elements, 40 * tube.elements + 1)
    passed = np.interp(
        x, np.arange(tube.elements + 1.0), np.concatenate([[0.0], np.cumsum(flow_m3h)])
    )
    loss = np.abs(passed[:, None] - passed) ** TUBE_EXPONENT
    lean = np.tril(loss).sum(axis=1) - np.triu(loss).sum(axis=1)  # rises along the vessel
    return float(np.interp(0.0, lean, x))


def upstream_share(tube: Tube, along: Array, divide: float) -> Array:
    """Part of each element's permeate that passes each place; it enters evenly along the element.

    along : (m,). returns : (m, elements). [-]
    """
    e = np.arange(tube.elements)
    dead = tube.dead_mm / tube.element_length_mm
    x = np.append(along, divide)
    entered = np.clip((x[:, None] - e - dead) / (1.0 - 2.0 * dead), 0.0, 1.0)
    return np.asarray(np.abs(entered[:-1] - entered[-1]))


def upstream_of(tube: Tube, along: Array, divide: float, sources: Array) -> NDArray[np.bool_]:
    """Whether what enters at a point passes each place.

    along : (m,). sources : (k,) places. returns : (m, k).
    """
    near = AT_JOINT_MM / tube.element_length_mm
    x, at = along[:, None], sources[None, :]
    forward = (at >= divide) & (at <= x + near)
    backward = (at < divide) & (at >= x - near)
    return np.asarray(np.where(x >= divide, forward, backward))


def expected_mg_l(tube: Tube, healthy: Healthy, distance_mm: ArrayLike) -> Array:
    """What a sound vessel shows at distances from the port; NaN where no permeate passes. [mg/L]

    distance_mm : (m,). returns : (m,).
    """
    x = tube.along(np.atleast_1d(np.asarray(distance_mm, dtype=np.float64)))
    share = upstream_share(tube, x, dividing_point(tube, healthy.flow_m3h))
    water = share @ healthy.flow_m3h
    salt = share @ (healthy.flow_m3h * healthy.concentration_mg_l)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(salt / np.where(water > 0.0, water, np.nan))


@dataclass(frozen=True, slots=True)
class Conditions:
    """How a vessel is run; flow of this one vessel.

    concentrate_pressure_bar : when measured, the friction is scaled to it; else the correlation.
    """

    feed_flow_m3h: float
    feed_mg_l: float
    feed_pressure_bar: float
    temperature_c: float = 25.0
    permeate_pressure_bar: float = 0.0
    concentrate_pressure_bar: float | None = None


def healthy_vessel(
    stage: Stage,
    conditions: Conditions,
    *,
    water_lmh_bar: float,
    salt_lmh: float,
    water: Water = Water(),  # noqa: B008 - frozen
    water_activation_k: float = 2640.0,
    salt_activation_k: float = 2640.0,
    channel_m: float = CHANNEL_M,
    slices: int = 20,
    osmotic: Osmotic | None = None,
) -> Healthy:
    """Permeate of each element of a vessel whose elements are all alike, slice by slice.

    water_lmh_bar, salt_lmh : A [L/m2/h/bar] and B [L/m2/h] at 25 °C.
    slices : of each element. osmotic : another law, (mg/L, °C) to bar; None for that of `water`.
    returns : NaN all over when the conditions cannot be run (pressure below osmotic, no flow left).

    Source: solution-diffusion with film theory, J = A (P − Pp − π(Cm) + π(Cp)), Cp = B E Cb / (J + B E),
    E = exp(J/k); friction 6.23 Re^−0.3 of Schock and Miquel (1987, from memory). No loss in the
    permeate tube. Checked against tests/reference/element_model_reference.csv.
    """
    if slices < 1:
        raise ValueError(f"slices must be 1 or more, got {slices!r}")
    if not (water_lmh_bar > 0.0 and salt_lmh > 0.0):
        raise ValueError("water_lmh_bar and salt_lmh must be above 0")
    law = osmotic or (lambda c, t: osmotic_pressure_bar(c, t, water))
    n = stage.elements_per_vessel
    t = np.asarray(conditions.temperature_c, dtype=np.float64)
    a = water_lmh_bar * arrhenius_factor(t, activation_k=water_activation_k)
    b = salt_lmh * arrhenius_factor(t, activation_k=salt_activation_k)
    area_k = stage.element_area_m2 / slices / 1000.0
    feed, salt = conditions.feed_flow_m3h, conditions.feed_mg_l
    flux = np.full(n * slices, 0.3 * feed / (area_k * n * slices))
    cp = np.full(n * slices, 0.01 * salt)
    lost = Healthy(np.full(n, np.nan), np.full(n, np.nan), np.full(n + 1, np.nan))
    for _ in range(400):
        q = flux * area_k
        flow = feed - np.cumsum(q) + 0.5 * q
        bulk = (feed * salt - np.cumsum(q * cp) + 0.5 * q * cp) / np.maximum(flow, 1e-9)
        if not (flow > 0.0).all():
            flux = 0.7 * flux  # asks for more water than is fed: from further below
            continue
        drop = _drop_bar(stage, flow, t, channel_m, slices)
        if conditions.concentrate_pressure_bar is not None:
            measured = conditions.feed_pressure_bar - conditions.concentrate_pressure_bar
            drop = drop * (measured / drop.sum())
        pressure = conditions.feed_pressure_bar - np.cumsum(drop) + 0.5 * drop
        k = mass_transfer_lmh(flow, t, stage, channel_m=channel_m)
        rise = polarization(flux, k)
        cp = b * rise * bulk / (flux + b * rise)
        wall = cp + (bulk - cp) * rise
        pi = law(wall, t)
        wanted = a * (pressure - conditions.permeate_pressure_bar - pi + law(cp, t))
        step = (wanted - flux) / (1.0 + a * pi / k)
        if not np.isfinite(step).all():
            return lost
        flux = np.maximum(flux + 0.7 * step, 1e-3)
        if np.abs(step).max() < 1e-9 * flux.max():
            break
    else:
        return lost
    if flux.min() <= 1e-3:
        return lost
    made = (flux * area_k).reshape(n, slices)
    load = (flux * area_k * cp).reshape(n, slices).sum(axis=1)
    made = made.sum(axis=1)
    left = feed - np.concatenate([[0.0], np.cumsum(made)])
    brine = (feed * salt - np.concatenate([[0.0], np.cumsum(load)])) / left
    return Healthy(made, load / made, brine, float(drop.sum()))


def _drop_bar(stage: Stage, flow_m3h: Array, t: Array, channel_m: float, slices: int) -> Array:
    """Pressure drop of each slice. [bar]"""
    length = stage.element_length_mm / 1000.0
    diameter = 4.0 * VOID / (2.0 / channel_m + (1.0 - VOID) * 8.0 / channel_m)
    speed = flow_m3h / 3600.0 / (stage.element_area_m2 / (2.0 * length) * channel_m * VOID)
    rho = density_kg_m3(t)
    reynolds = rho * speed * diameter / (viscosity_mpa_s(t) / 1000.0)
    friction = 6.23 * reynolds**-0.3 * rho * speed**2 / (2.0 * diameter)
    return np.asarray(friction * length / slices * 1e-5)
