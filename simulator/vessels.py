"""Flow, salt and pressure through the vessels of one stage, element by element.

Solution-diffusion with a concentration film:

    J = A (P - Pp - pi(Cm) + pi(Cp));   Cp = B E Cb / (J + B E);   Cm - Cp = (Cb - Cp) E
    E = exp(J / k);   Sh = 0.065 Re^0.875 Sc^0.25;   dP = 6.23 Re^-0.3 rho u^2 / (2 dh) L

Sherwood and friction correlations: Schock and Miquel, Desalination 64 (1987) 339, from memory.
Every array has the element first, then time, then vessel.
"""

from dataclasses import dataclass, field, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from simulator.water import Floats, WaterLaw

REFERENCE_K = 298.15
MOST_LEAKED = 0.4  # of the brine, at one place, however large the leak
MOST_DRAWN = 0.6  # of its feed by one element, on the way to the steady state
LEAST_FLUX_LMH = 1e-3  # check valves keep permeate from running back through the membrane


@dataclass(frozen=True)
class StageShape:
    """Geometry of a stage; spacer height in mm, element length in m, area in m2."""

    vessels: int
    elements: int
    area_m2: float = 37.2
    length_m: float = 1.016
    spacer_mm: float = 0.71
    porosity: float = 0.89

    @property
    def hydraulic_diameter_m(self) -> float:
        """Of a channel filled with spacer net: 4 eps / (2/h + (1 - eps) 8/h). [m]"""
        height = self.spacer_mm * 1e-3
        return 4.0 * self.porosity / (2.0 / height + (1.0 - self.porosity) * 8.0 / height)

    @property
    def open_section_m2(self) -> float:
        """Area that the brine of one element flows through: two membrane sides share it. [m2]"""
        width = self.area_m2 / (2.0 * self.length_m)
        return width * self.spacer_mm * 1e-3 * self.porosity


@dataclass(frozen=True)
class StageState:
    """What the elements of a stage are like; shapes broadcast to (element, time, vessel).

    water, salt : permeabilities A [L/m2/h/bar] and B [L/m2/h] at 25 degC.
    friction : multiplier of the spacer friction. [-]
    bypass : part of the feed that passes outside the element's brine seal. [-]
    element_leak : hole in the element's membrane or glue line. [m3/h per root of bar]
    joint_leak : leak of brine into the permeate tube at joints 0 (feed adapter), 1 (between
        elements 1 and 2) up to the concentrate adapter; one more joint than elements. [same]
    """

    water: Floats
    salt: Floats
    friction: Floats
    bypass: Floats
    element_leak: Floats
    joint_leak: Floats


@dataclass(frozen=True)
class Surroundings:
    """Temperature and what follows from it, shape (time, 1).

    salt_mg_l : of the brine half-way along the train; its density and viscosity are taken for all of it.
    """

    temperature_c: Floats
    water_activation_k: float
    salt_activation_k: float
    law: WaterLaw = field(default_factory=WaterLaw)
    salt_mg_l: Floats | float = 0.0

    def at(self, places: NDArray[np.int64]) -> Self:
        """The surroundings at some of the times."""
        salt = np.asarray(self.salt_mg_l)
        salt = salt if salt.size == 1 else salt[places]
        return replace(self, temperature_c=self.temperature_c[places], salt_mg_l=salt)

    def __post_init__(self) -> None:
        t = self.temperature_c
        inverse = 1.0 / REFERENCE_K - 1.0 / (t + 273.15)
        viscosity = self.law.viscosity_mpa_s(t, self.salt_mg_l) * 1e-3
        density = self.law.density_kg_m3(t, self.salt_mg_l)
        diffusivity = self.law.diffusivity_m2_s(t)
        derived = {
            "water_factor": np.exp(self.water_activation_k * inverse),
            "salt_factor": np.exp(self.salt_activation_k * inverse),
            "viscosity_pa_s": viscosity,
            "density_kg_m3": density,
            "diffusivity_m2_s": diffusivity,
            "schmidt_quarter": (viscosity / density / diffusivity) ** 0.25,
            "osmotic_factor": self.law.osmotic_factor(t),
        }
        for name, value in derived.items():
            object.__setattr__(self, name, value)

    water_factor: Floats = field(init=False)
    salt_factor: Floats = field(init=False)
    viscosity_pa_s: Floats = field(init=False)
    density_kg_m3: Floats = field(init=False)
    diffusivity_m2_s: Floats = field(init=False)
    schmidt_quarter: Floats = field(init=False)
    osmotic_factor: Floats = field(init=False)


@dataclass
class StageFlow:
    """One pass through a stage. Flows m3/h, salt g/h (mg/L times m3/h), pressures bar.

    `flux` [L/m2/h] and `local_salt` [mg/L] are (element, time, vessel) and start the next pass;
    `leaked` [m3/h] is the brine that entered the permeate tube through each element's hole,
    `joint_leaked` at each joint; `leaked_salt` and `joint_leaked_salt` [g/h] are their salt. `gain` is
    what a bar more of feed pressure would make there. [L/m2/h/bar] The rest is (time, vessel); `taken` is what
    that bar would take out of the feed up to the end of the stage [m3/h/bar], and `arrives` what is left of it
    there, above 1 since less brine loses less pressure.
    """

    flux: Floats
    local_salt: Floats
    permeate: Floats
    permeate_salt: Floats
    concentrate: Floats
    concentrate_salt: Floats
    drop_bar: Floats
    unsettled: float
    leaked: Floats
    leaked_salt: Floats
    joint_leaked: Floats
    joint_leaked_salt: Floats
    element_drop_bar: Floats
    gain: Floats
    taken: Floats
    arrives: Floats


def first_guess(shape: StageShape, flux_lmh: Floats) -> tuple[Floats, Floats]:
    """Flux and local permeate salt to start from; `flux_lmh` (time,) is the mean of the train."""
    size = (shape.elements, len(flux_lmh), shape.vessels)
    return np.array(np.broadcast_to(flux_lmh[:, None], size)), np.full(size, 20.0)


def pass_through(
    shape: StageShape,
    state: StageState,
    around: Surroundings,
    flow: Floats,
    salt_mg_l: Floats,
    pressure: Floats,
    permeate_pressure: Floats,
    flux: Floats,
    local_salt: Floats,
    before: tuple[Floats, Floats] | None = None,
) -> StageFlow:
    """Go once along the vessels; each element is taken at its middle (second order in length).

    The flux of the middle comes from `flux` of the pass before, improved by one Newton step, so
    repeated passes settle on the steady state. `flow` (time, vessel) is the inlet of each vessel, `before` what a
    bar more for the train takes out of it in the stages before [m3/h/bar], and what arrives of that bar.
    With None, `gain` and what follows from it are left at nothing.
    """
    law = around.law
    diameter = shape.hydraulic_diameter_m
    speed_per_flow = 1.0 / 3600.0 / shape.open_section_m2
    reynolds_per_flow = speed_per_flow * diameter * around.density_kg_m3 / around.viscosity_pa_s
    transfer = 0.065 * around.schmidt_quarter * around.diffusivity_m2_s / diameter * 3.6e6
    friction_unit = (
        6.23 * around.density_kg_m3 / (2.0 * diameter) * shape.length_m * speed_per_flow**2 * 1e-5
    )
    area_k = shape.area_m2 / 1000.0
    new_flux = np.empty_like(flux)
    new_local = np.empty_like(flux)
    gain = np.empty_like(flux if before is not None else flux[:0])
    taken, arrives = before or (np.zeros((1, 1)), np.ones((1, 1)))
    leaked = np.zeros_like(flux)
    leaked_salt = np.zeros_like(flux)
    joint_leaked = np.zeros((shape.elements + 1, *flux.shape[1:]))
    joint_leaked_salt = np.zeros_like(joint_leaked)
    element_drop = np.empty_like(flux)
    anything_leaks = bool(np.any(state.joint_leak) or np.any(state.element_leak))
    bypassed = bool(np.any(state.bypass))

    flow = np.array(np.broadcast_to(flow, flux.shape[1:]))
    salt = flow * salt_mg_l
    pressure = np.array(np.broadcast_to(pressure, flux.shape[1:]))
    inlet_pressure = pressure.copy()
    pair = np.empty((2, *flow.shape))
    permeate = np.zeros_like(flow)
    permeate_salt = np.zeros_like(flow)
    for e in range(shape.elements):
        if anything_leaks and e == 0:
            lost = state.joint_leak[0] * np.sqrt(np.maximum(pressure - permeate_pressure, 0.0))
            lost = np.minimum(lost, MOST_LEAKED * flow)
            lost_salt = lost * salt / flow
            joint_leaked[0], joint_leaked_salt[0] = lost, lost_salt
            flow = flow - lost
            salt = salt - lost_salt
        # A guess far off must not empty the channel.
        most_flux = flow * (MOST_DRAWN / area_k)
        j = np.minimum(flux[e], most_flux)
        q = j * area_k
        middle = flow - 0.5 * q
        bulk = (salt - 0.5 * q * local_salt[e]) / middle
        channel = middle * (1.0 - state.bypass[e]) if bypassed else middle
        log_reynolds = np.log(reynolds_per_flow * channel)
        k = transfer * np.exp(0.875 * log_reynolds)
        drop = friction_unit * state.friction[e] * channel**2 * np.exp(-0.3 * log_reynolds)
        part = j / k
        at_membrane = np.exp(part)
        be = state.salt[e] * around.salt_factor * at_membrane
        cp = be * bulk / (j + be)
        excess = (bulk - cp) * at_membrane
        wall = cp + excess
        pair[0], pair[1] = wall, cp  # one call for both: numpy's overhead counts at one instant
        pi_wall, pi_permeate = law.osmotic_bar(pair, around.osmotic_factor)
        a = state.water[e] * around.water_factor
        inside = pressure - 0.5 * drop - permeate_pressure
        wanted = a * (inside - pi_wall + pi_permeate)
        # Slope of what is wanted: polarization grows with the flux, and at little flux the
        # permeate gets so salty that its own osmotic pressure decides.
        steeper = excess / k + at_membrane * cp * (1.0 - part) / (j + be)
        gentler = 1.0 / (1.0 + a * pi_wall / wall * steeper)
        j_new = j + (wanted - j) * gentler
        if before is not None:
            # What a bar more makes here, and what it takes back since less and saltier brine arrives.
            saltier = a * gentler * pi_wall * (1.0 + 0.875 * part) / middle
            more = (a * gentler * arrives - saltier * taken) / (1.0 + 0.5 * area_k * saltier)
            gain[e] = more
            taken = taken + more * area_k
            arrives = arrives + 1.7 * drop / middle * taken
        j_new = np.maximum(j_new, LEAST_FLUX_LMH)
        j_new = np.minimum(j_new, most_flux)
        new_flux[e] = j_new
        new_local[e] = cp
        element_drop[e] = drop
        q = j_new * area_k
        flow = flow - q
        salt = salt - q * cp
        pressure = pressure - drop
        permeate += q
        permeate_salt += q * cp
        if anything_leaks:
            hole = state.element_leak[e] * np.sqrt(np.maximum(inside, 0.0))
            joint = state.joint_leak[e + 1] * np.sqrt(np.maximum(pressure - permeate_pressure, 0.0))
            hole = np.minimum(hole, MOST_LEAKED * flow)
            joint = np.minimum(joint, MOST_LEAKED * flow)
            brine = salt / flow
            leaked[e], leaked_salt[e] = hole, hole * brine
            joint_leaked[e + 1], joint_leaked_salt[e + 1] = joint, joint * brine
            flow = flow - hole - joint
            salt = salt - (hole + joint) * brine
    if anything_leaks:
        permeate += leaked.sum(axis=0) + joint_leaked.sum(axis=0)
        permeate_salt += leaked_salt.sum(axis=0) + joint_leaked_salt.sum(axis=0)
    unsettled = float(np.max(np.abs(new_flux - flux) / (new_flux + 1.0), initial=0.0))
    return StageFlow(
        flux=new_flux,
        local_salt=new_local,
        permeate=permeate,
        permeate_salt=permeate_salt,
        concentrate=flow,
        concentrate_salt=salt,
        drop_bar=inlet_pressure - pressure,
        unsettled=unsettled,
        leaked=leaked,
        leaked_salt=leaked_salt,
        joint_leaked=joint_leaked,
        joint_leaked_salt=joint_leaked_salt,
        element_drop_bar=element_drop,
        gain=gain,
        taken=taken,
        arrives=arrives,
    )
