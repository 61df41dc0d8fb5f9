"""A cleaning of one stage in numbers: volume, chemicals, pH, heat, flows and times.

Generic chemicals only. Recipes, flows and times are customs of the trade ("common practice, no
source"); the membrane's own data sheet goes before them, and its limits always win.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, pi
from typing import Final, Literal

import numpy as np

from rules.workparts import SMALL_MM

Chemical = Literal[
    "citric_acid", "hydrochloric_acid", "sodium_hydroxide", "tetrasodium_edta", "detergent"
]
RecipeName = Literal["citric_acid", "hydrochloric_acid", "edta", "detergent"]

PH_MARGIN = 0.2
"""Kept to the membrane's pH limits: pH meters and this estimate are no better. [pH]"""
WEAKEST = 1.5
"""A solution that limits keep further than this from its recipe's pH does not clean. [pH]"""
DRIFT_PH = 0.5
"""Chemical is spent, and added, when pH has moved this far (common practice, no source). [pH]"""
FLUSH_LOOPS = 3
"""Volumes of the loop that flush a solution out, at the least (common practice, no source). [-]"""
WATER_KJ_KG_K = 4.18
"""Heat of water, 4.18 kJ/kg/K from 20 to 60 °C (handbooks, from memory). [kJ/kg/K]"""
LIGHTEST_FLOW: Final = {"8 inch": 6.0, "4 inch": 1.8}
FULLEST_FLOW: Final = {"8 inch": 9.0, "4 inch": 2.3}
"""Flow through one vessel that sweeps deposits out, and that elements stand (common practice, no
source). [m3/h]"""
PRESSURE_MAX_BAR = 4.0
"""Feed pressure while cleaning: so low that hardly any permeate is made, which would press deposits
onto the membrane (common practice, no source). [bar]"""

K_WATER = 1e-14
CITRIC_PK = (3.13, 4.76, 6.40)
"""Steps of citric acid at 25 °C (handbooks, from memory). [pK]"""
EDTA_PK = (2.0, 2.7, 6.2, 10.2)
"""Steps of EDTA at 25 °C (handbooks, from memory). [pK]"""
MOLAR_G: Final[Mapping[str, float]] = {
    "citric_acid": 192.12,
    "hydrochloric_acid": 36.46,
    "sodium_hydroxide": 40.00,
    "tetrasodium_edta": 380.17,
}
"""Molar masses. [g/mol]"""

SUPPLIED_PERCENT: Final[Mapping[str, float]] = {
    "citric_acid": 100.0,
    "hydrochloric_acid": 32.0,
    "sodium_hydroxide": 50.0,
    "tetrasodium_edta": 100.0,
    "detergent": 100.0,
}
"""Usual strengths as supplied, by mass: read the label (common practice, no source). [%]"""

LIQUIDS: Final[Mapping[str, tuple[tuple[float, float], ...]]] = {
    "hydrochloric_acid": (
        (0, 0.998),
        (10, 1.047),
        (20, 1.098),
        (30, 1.149),
        (36, 1.179),
        (40, 1.198),
    ),
    "sodium_hydroxide": (
        (0, 0.998),
        (10, 1.109),
        (20, 1.219),
        (30, 1.328),
        (40, 1.430),
        (50, 1.525),
    ),
}
"""Density at 20 °C by mass per cent (handbook tables, from memory). [%, kg/L]"""
SOLID_FROM: Final = 60.0
"""Sodium hydroxide of at least this strength comes dry. [%]"""


@dataclass(frozen=True, slots=True)
class Recipe:
    """A cleaning solution.

    parts : what is dissolved, as mass fractions of the solution. [-]
    adjust : brings the pH to `target_ph`; None leaves the solution at its own.
    soak_min, recirculate_min : usual times. [min] temperature_c : usual temperature, at most. [°C]
    """

    name: RecipeName
    acid: bool
    parts: tuple[tuple[Chemical, float], ...]
    adjust: Chemical
    target_ph: float | None
    soak_min: int
    recirculate_min: int
    temperature_c: float


RECIPES: Final[Mapping[str, Recipe]] = {
    "citric_acid": Recipe(
        "citric_acid", True, (("citric_acid", 0.02),), "sodium_hydroxide", None, 60, 45, 35.0
    ),
    "hydrochloric_acid": Recipe(
        "hydrochloric_acid", True, (), "hydrochloric_acid", 2.0, 30, 45, 30.0
    ),
    "edta": Recipe(
        "edta", False, (("tetrasodium_edta", 0.01),), "sodium_hydroxide", 11.8, 120, 60, 35.0
    ),
    "detergent": Recipe(
        "detergent", False, (("detergent", 0.00025),), "sodium_hydroxide", 11.8, 120, 60, 35.0
    ),
}
"""Common practice, no source: 2 % citric acid; hydrochloric acid to pH 2; 1 % tetrasodium EDTA or
0.025 % detergent with sodium hydroxide to just below pH 12."""

FOR_CAUSE: Final[Mapping[str, RecipeName]] = {
    "scaling": "citric_acid",
    "metal_oxide_fouling": "citric_acid",
    "colloidal_fouling": "detergent",
    "organic_fouling": "detergent",
    "biofouling": "detergent",
}
"""First solution for a cause, acid or alkaline as `rules.actions.CHEMISTRY` has it."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What the membrane stands while it is cleaned, from its data sheet. [pH, °C]"""

    ph_min: float
    ph_max: float
    temperature_max_c: float


@dataclass(frozen=True, slots=True)
class Dose:
    """Amount of one chemical as it is supplied.

    active_kg : of the pure chemical. kg : as supplied. liters : the same, None for a solid.
    strength_percent : of what is supplied, by mass. adjusts : added in portions, by the pH meter.
    """

    chemical: Chemical
    active_kg: float
    kg: float
    liters: float | None
    strength_percent: float
    adjusts: bool


@dataclass(frozen=True, slots=True)
class Solution:
    """A recipe at its volume. ph : estimated, at 25 °C in soft water, within a few tenths."""

    recipe: Recipe
    volume_l: float
    doses: tuple[Dose, ...]
    ph: float
    temperature_c: float


class NotPossible(Exception):
    """The membrane's limits and the recipe do not go together; the text says which, and what to do."""


@dataclass(frozen=True, slots=True)
class Volume:
    """Solution that a stage needs. [L]"""

    vessels_l: float
    pipes_l: float
    heel_l: float

    @property
    def loop_l(self) -> float:
        """Water in vessels and pipes: what a flush has to carry out."""
        return self.vessels_l + self.pipes_l

    @property
    def total_l(self) -> float:
        """To be made up."""
        return self.loop_l + self.heel_l


def cylinder_l(inside_mm: float, length_m: float) -> float:
    """Volume of a pipe or hose. [L]

    >>> round(cylinder_l(100.0, 24.0), 1)
    188.5
    """
    if not inside_mm > 0 or not length_m >= 0:
        raise ValueError(f"a pipe of {inside_mm!r} mm and {length_m!r} m is not possible")
    return pi / 4.0 * (inside_mm / 1000.0) ** 2 * length_m * 1000.0


def volume(
    *,
    vessels: int,
    inside_diameter_mm: float,
    length_mm: float,
    water_share: float,
    pipes: Sequence[tuple[float, float]],
    heel_l: float,
) -> Volume:
    """Vessels in parallel with their elements in, pipes and hoses (inside mm, m), and the tank's heel.

    heel_l : what stays in the tank so that the pump draws no air.
    """
    if vessels < 1 or not 0 < water_share <= 1 or not heel_l >= 0:
        raise ValueError(f"not possible: {vessels!r} vessels, share {water_share!r}, {heel_l!r} L")
    one = cylinder_l(inside_diameter_mm, length_mm / 1000.0)
    return Volume(vessels * one * water_share, sum(cylinder_l(d, m) for d, m in pipes), heel_l)


def estimated_ph(mol_l: Mapping[str, float]) -> float:
    """pH at 25 °C of these chemicals in pure water, by the balance of charges; concentrations for
    activities, so within about 0.2.

    mol_l : of each chemical; a detergent does not count. [mol/L]
    Source: charge balance with the constants above.
    """
    if any(not value >= 0 for value in mol_l.values()):
        raise ValueError(f"concentrations must not be below 0: {dict(mol_l)!r}")
    edta = mol_l.get("tetrasodium_edta", 0.0)
    sodium = mol_l.get("sodium_hydroxide", 0.0) + 4.0 * edta
    chloride = mol_l.get("hydrochloric_acid", 0.0)
    citric = mol_l.get("citric_acid", 0.0)

    def excess(ph: float) -> float:
        h: float = 10.0**-ph
        return (
            h
            + sodium
            - K_WATER / h
            - chloride
            - citric * _charge(h, CITRIC_PK)
            - edta * _charge(h, EDTA_PK)
        )

    low, high = -1.0, 15.0  # falls all the way: more pH, more negative charge
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return (low + high) / 2.0


def _charge(h: float, pk: Sequence[float]) -> float:
    """Mean negative charge of an acid with these steps at this concentration of H+."""
    weights = [1.0]
    for step in pk:
        weights.append(weights[-1] * 10.0**-step / h)
    return sum(n * w for n, w in enumerate(weights)) / sum(weights)


def adjusting_mol_l(fixed: Mapping[str, float], chemical: Chemical, ph: float) -> float:
    """Concentration of an acid or base that brings a solution to `ph`; 0 when it is there already."""
    rises = chemical == "sodium_hydroxide"

    def short(amount: float) -> bool:
        mixed: dict[str, float] = {**fixed, chemical: fixed.get(chemical, 0.0) + amount}
        reached = estimated_ph(mixed)
        return reached < ph if rises else reached > ph

    if not short(0.0):
        return 0.0
    low, high = 0.0, 2.0
    if short(high):
        raise ValueError(f"pH {ph!r} is not reached with 2 mol/L of {chemical}")
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (middle, high) if short(middle) else (low, middle)
    return (low + high) / 2.0


def solution(
    recipe: Recipe, volume_l: float, limits: Limits | None, strength_percent: Mapping[str, float]
) -> Solution:
    """Amounts of a recipe for a volume, kept inside the membrane's limits by `PH_MARGIN`.

    limits : None when they are not known: the recipe stands as it is, and nobody may start with it.
    strength_percent : of each chemical as supplied, by mass. [%]
    Raises NotPossible when the limits leave no useful pH.
    """
    if not volume_l > 0:
        raise ValueError(f"volume_l must be above 0, got {volume_l!r}")
    fixed: dict[str, float] = {
        name: share * 1000.0 / MOLAR_G[name] for name, share in recipe.parts if name in MOLAR_G
    }
    own = estimated_ph(fixed)
    wanted = own if recipe.target_ph is None else recipe.target_ph
    low, high = (-inf, inf)
    if limits is not None:
        low, high = limits.ph_min + PH_MARGIN, limits.ph_max - PH_MARGIN
    target = min(max(wanted, low), high)
    rises = recipe.adjust == "sodium_hydroxide"
    beyond = (own - target) * (1 if rises else -1) > PH_MARGIN and bool(fixed)
    if abs(target - wanted) > WEAKEST or beyond:
        assert limits is not None
        raise NotPossible(
            f"the membrane's limits, pH {limits.ph_min:g} to {limits.ph_max:g}, leave this solution "
            f"no useful pH: it works at about {wanted:.1f}; choose another solution"
        )
    amount = adjusting_mol_l(fixed, recipe.adjust, target)
    doses = [
        _dose(name, volume_l * share, strength_percent[name], adjusts=False)
        for name, share in recipe.parts
    ]
    if amount > 0:
        kg = amount * MOLAR_G[recipe.adjust] / 1000.0 * volume_l
        doses.append(_dose(recipe.adjust, kg, strength_percent[recipe.adjust], adjusts=True))
    mixed: dict[str, float] = {**fixed, recipe.adjust: fixed.get(recipe.adjust, 0.0) + amount}
    warm = (
        recipe.temperature_c
        if limits is None
        else min(recipe.temperature_c, limits.temperature_max_c)
    )
    return Solution(recipe, volume_l, tuple(doses), estimated_ph(mixed), warm)


def _dose(chemical: Chemical, active_kg: float, strength_percent: float, *, adjusts: bool) -> Dose:
    """Solution of about 1 kg/L is taken: it holds a few per cent at most."""
    if not 0 < strength_percent <= 100:
        raise ValueError(f"strength_percent must be above 0, at most 100: {strength_percent!r}")
    kg = active_kg / (strength_percent / 100.0)
    density = density_kg_l(chemical, strength_percent)
    liters = None if density is None else kg / density
    return Dose(chemical, active_kg, kg, liters, strength_percent, adjusts)


def density_kg_l(chemical: Chemical, strength_percent: float) -> float | None:
    """Density of a liquid as supplied, at 20 °C; None for what comes dry. [kg/L]"""
    table = LIQUIDS.get(chemical)
    if table is None or strength_percent >= SOLID_FROM:
        return None
    strengths, densities = zip(*table, strict=True)
    if strength_percent > strengths[-1]:
        return None
    return float(np.interp(strength_percent, strengths, densities))


def heat_kwh(volume_l: float, from_c: float, to_c: float) -> float:
    """Energy that brings so much solution to its temperature; 0 when it is warm enough. [kWh]

    >>> round(heat_kwh(1000.0, 15.0, 35.0), 1)
    23.2
    """
    return max(0.0, volume_l * WATER_KJ_KG_K * (to_c - from_c) / 3600.0)


@dataclass(frozen=True, slots=True)
class Flow:
    """Flow of a cleaning. [m3/h]

    least, most : through one vessel. each : through one vessel with all of them at once, as far as
        the pump reaches; None when the pump is not known. at_once : vessels that the pump serves at
        `least`, at most all; 0 when not even one. blocks : groups of that many, None when at_once is 0.
    """

    vessels: int
    least_m3h: float
    most_m3h: float
    each_m3h: float | None
    at_once: int
    blocks: int | None

    @property
    def all_least_m3h(self) -> float:
        """For all vessels at once."""
        return self.vessels * self.least_m3h


def flow(
    *,
    vessels: int,
    inside_diameter_mm: float,
    per_vessel_m3h: float | None = None,
    pump_m3h: float | None = None,
) -> Flow:
    """Flow through each vessel, and how many vessels the cleaning pump serves at once.

    per_vessel_m3h : from the element's data sheet; custom for the size when not given.
    """
    if vessels < 1:
        raise ValueError(f"vessels must be at least 1, got {vessels!r}")
    size = "4 inch" if inside_diameter_mm < SMALL_MM else "8 inch"
    least, most = LIGHTEST_FLOW[size], FULLEST_FLOW[size]
    if per_vessel_m3h is not None:
        least = most = per_vessel_m3h
    if pump_m3h is None:
        return Flow(vessels, least, most, None, vessels, 1)
    at_once = min(vessels, int(pump_m3h / least + 1e-9))
    blocks = -(-vessels // at_once) if at_once else None
    return Flow(vessels, least, most, min(most, pump_m3h / vessels), at_once, blocks)
