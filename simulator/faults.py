"""What can go wrong in the simulated plant, where, how fast, and what it does to the elements."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.growth import grown
from simulator.vessels import StageShape, StageState
from simulator.water import Floats


@dataclass(frozen=True)
class Effect:
    """What a membrane fault of severity 1 does to the worst element when fully grown.

    water, salt, friction : relative change of A, B and the friction multiplier.
    water_lag : power of the growth that A follows; above 1, flow is lost later than friction rises.
    profile : how the elements of a stage share it (`PROFILES`).
    stage : where it starts when the scenario does not say: 1, -1 (the last) or 0 (all stages).
    cause : what a monitor should call it, when not by its kind.

    What the instruments of the train see of it follows from the model: which elements are hit, how much of
    their flow the others take over, how the salt of the brine rises along them.
    """

    water: float = 0.0
    salt: float = 0.0
    friction: float = 0.0
    water_lag: float = 1.0
    profile: str = "even"
    stage: int = 1
    cause: str = ""


# Sizes: typical magnitudes of the cause matrix in the project's reference folder ("general
# knowledge"); they bring a stage past the customary limits within the growth time.
EFFECTS = {
    "biofouling": Effect(-0.34, 0.06, 1.00, 1.8, "lead", 1),
    "colloidal_fouling": Effect(-0.24, 0.05, 0.60, 1.0, "front", 1),
    "metal_oxide_fouling": Effect(-0.32, 0.18, 0.45, 1.0, "lead", 1),
    "organic_fouling": Effect(-0.22, -0.05, 0.04, 1.0, "even", 0),
    "scaling": Effect(-0.55, 0.90, 1.50, 1.0, "tail", -1),
    "oxidation_damage": Effect(0.15, 1.80, 0.0, 1.0, "lead", 1),
    "abrasion": Effect(0.06, 0.80, 0.0, 1.0, "lead", 1),
    "compaction": Effect(-0.16, -0.04, 0.0, 1.0, "even", 0),
    # Barium, strontium or calcium sulfate: dense, hardly to be dissolved.
    "sulfate_scaling": Effect(-0.50, 0.80, 1.40, 1.0, "tail", -1, "scaling"),
    # A glassy film: flow is lost, little else is seen.
    "silica_scaling": Effect(-0.60, 0.10, 0.20, 1.0, "tail", -1, "scaling"),
    # Carbonate falls out wherever the brine is supersaturated, so it reaches further up the stage.
    "antiscalant_failure": Effect(-0.50, 0.80, 1.20, 1.0, "back", -1, "scaling"),
    # The same for want of acid, which the pH of the feed tells.
    "acid_failure": Effect(-0.50, 0.80, 1.20, 1.0, "back", -1, "scaling"),
    # Debris on the feed face of the first elements, within hours.
    "inlet_plugging": Effect(-0.05, 0.0, 2.5, 1.0, "first", 1, "colloidal_fouling"),
    "hydrolysis_by_cleaning": Effect(0.10, 0.70, 0.0, 1.0, "even", 0, "oxidation_damage"),
    "cleaning_residue": Effect(-0.07, 0.35, 0.0, 1.0, "even", 0, "operating_change"),
    # The outer windings are pushed out: the membrane tears at the glue lines, the channel opens.
    "telescoping": Effect(0.04, 2.5, -0.25, 1.0, "lead", 1, "damaged_element"),
}


@dataclass(frozen=True)
class Clue:
    """What an operator would find upstream while a fault grows, and as long as it is there when it `lasts`."""

    signal: str
    factor: float = 1.0
    offset: float = 0.0
    lasts: bool = True


CLUES = {
    "colloidal_fouling": Clue("feed_turbidity", factor=3.0),
    "inlet_plugging": Clue("feed_turbidity", factor=3.0, lasts=False),
    "oxidation_damage": Clue("feed_orp", offset=260.0),
    "acid_failure": Clue("feed_ph", offset=0.7),
}
CLEANABLE = (
    "biofouling",
    "colloidal_fouling",
    "metal_oxide_fouling",
    "organic_fouling",
    "scaling",
    "sulfate_scaling",
    "silica_scaling",
    "antiscalant_failure",
    "acid_failure",
)
LEAKS = ("o_ring_leak", "damaged_element", "delamination", "brine_seal_bypass")
AT_CLEANING = ("hydrolysis_by_cleaning", "cleaning_residue")
"""What every cleaning after the onset brings: the first adds up for good, the second is gone within days."""
AT_START = ("delamination", "telescoping")
"""What happens when the train starts again after the first standstill that follows the onset: permeate stood above
the feed pressure, or the flow came as a surge."""
RESIDUE_DAYS = 0.6  # residue of a cleaning fades within one or two days; common practice, no source
LINES = ("permeate_backpressure",)
TRANSMITTERS = (
    "transmitter_offset",
    "transmitter_drift",
    "transmitter_span",
    "transmitter_freeze",
    "transmitter_lost",
    "transmitter_noise",
    "transmitter_spikes",
    "transmitter_stuck_range",
    "transmitter_compensation",
    "transmitter_swapped",
    "transmitter_unit",
)
KINDS = (*EFFECTS, *LEAKS, *LINES, *TRANSMITTERS)
REACH = {"lead": 1.8, "front": 5.0, "tail": 1.3, "back": 3.0, "first": 0.15, "even": np.inf}
"""How far each profile reaches: elements after which a third is left, from the feed end or the concentrate end."""
FROM_TAIL = ("tail", "back")
PROFILES = tuple(REACH)

LEAK_REFERENCE_BAR = 12.0


# Part of what a cleaning can restore that each chemistry reaches: acid dissolves scale and metal oxides,
# alkali lifts films, clay and organic matter. Common practice, no source for the numbers.
REACHES = {
    "acid": {
        "scaling": 1.0,
        "metal_oxide_fouling": 1.0,
        "biofouling": 0.15,
        "colloidal_fouling": 0.2,
        "antiscalant_failure": 1.0,
        "acid_failure": 1.0,
        "sulfate_scaling": 0.05,
        "silica_scaling": 0.05,
    },
    "alkaline": {
        "biofouling": 1.0,
        "colloidal_fouling": 1.0,
        "organic_fouling": 1.0,
        "scaling": 0.1,
        "metal_oxide_fouling": 0.15,
        "sulfate_scaling": 0.5,  # by a chelant, in part
        "silica_scaling": 0.6,
    },
}
CHEMISTRIES = ("", *REACHES)


@dataclass(frozen=True)
class Cleaning:
    """A cleaning in place that ended at `day` and removed the part `restores` of the deposits it reaches.

    chemistry : ``acid``, ``alkaline``, or empty for both after one another, which reach what either does.
    """

    day: float
    restores: float
    chemistry: str = ""

    def of(self, kind: str) -> float:
        """Part of the deposit of a kind of fault that is removed. [-]"""
        used = (self.chemistry,) if self.chemistry else tuple(REACHES)
        return self.restores * max(REACHES[name].get(kind, 0.1) for name in used)


@dataclass(frozen=True)
class Renewal:
    """New elements, or new seals, at `day`: all of a stage, of one vessel, or one element.

    seals : only O-rings and brine seals are new, the elements stay.
    """

    day: float
    stage: int
    vessel: int | None = None
    element: int | None = None
    seals: bool = False

    def places(self, shape: StageShape) -> NDArray[np.bool_]:
        """Elements concerned, (elements, 1, vessels)."""
        found = np.zeros((shape.elements, 1, shape.vessels), dtype=bool)
        elements = slice(None) if self.element is None else self.element - 1
        vessels = slice(None) if self.vessel is None else self.vessel - 1
        found[elements, 0, vessels] = True
        return found

    def joints(self, shape: StageShape) -> NDArray[np.bool_]:
        """Joints whose seals are new, (elements + 1, 1, vessels): both ends of each element concerned."""
        at = self.places(shape)
        none = np.zeros((1, 1, shape.vessels), dtype=bool)
        return np.asarray(np.concatenate([at, none]) | np.concatenate([none, at]))


@dataclass(frozen=True)
class Fault:
    """One fault of a scenario.

    severity : size at full growth: a multiplier of `EFFECTS` for membrane faults; the part of a
        vessel's permeate that leaks in for `o_ring_leak`, `damaged_element` and `delamination`; the part of the
        feed that bypasses for `brine_seal_bypass`; bar for `permeate_backpressure`.
    reach_elements : elements from its end of the vessel after which a third of it is left (`REACH`); None for
        what is usual of its kind.
    vessel : one vessel of the stage, or None for all. element, joint : position, when it has one;
        joint 0 is the feed adapter, joint k lies between elements k and k + 1.
    tag : the transmitter concerned. offset : its error in the unit of the signal.
    percent : its error in per cent of the reading (`simulator.transmitter_faults` says what it means of
        each kind). other : the transmitter whose wires it is swapped with. factor : of a wrong unit.
    until_day : when it is repaired. train : whose fault it is; empty for the only one.
    """

    kind: str
    onset_day: float
    growth: str = "linear"
    grows_days: float = 28.0
    severity: float = 1.0
    stage: int | None = None
    vessel: int | None = None
    element: int | None = None
    joint: int | None = None
    tag: str = ""
    offset: float = 0.0
    percent: float = 0.0
    other: str = ""
    factor: float = 1.0
    until_day: float | None = None
    train: str = ""
    reach_elements: float | None = None

    def begins(
        self, cleanings: Sequence[Cleaning] = (), starts: Sequence[float] = ()
    ) -> float | None:
        """Day on which it begins; None when it comes with a cleaning or a start, and none follows its onset."""
        if self.kind not in AT_CLEANING + AT_START:
            return self.onset_day
        moments = [c.day for c in cleanings] if self.kind in AT_CLEANING else list(starts)
        return min((day for day in moments if day >= self.onset_day), default=None)

    def size(
        self, day: Floats, cleanings: Sequence[Cleaning] = (), starts: Sequence[float] = ()
    ) -> Floats:
        """Part of the full size at days since the start of the scenario, 0 to 1; more when it comes repeatedly.

        A cleaning takes its part of what has grown by then; growth goes on at its own law, since
        the cause is still there. starts : days on which the train started again after a standstill.
        """
        day = np.asarray(day, dtype=float)
        begins = self.begins(cleanings, starts)
        if begins is None:
            return np.zeros_like(day)
        if self.kind in AT_CLEANING:
            ago = day - np.array([[c.day] for c in cleanings if c.day >= self.onset_day])
            left = 1.0
            if self.kind == "cleaning_residue":
                left = np.exp(-np.maximum(ago, 0.0) / RESIDUE_DAYS)
            part = np.sum(np.where(ago >= 0.0, left, 0.0), axis=0)
        else:
            part = grown(self.growth, day - begins, self.grows_days)
        if self.kind in CLEANABLE:
            removed = 0.0
            for cleaning in cleanings:
                then = grown(self.growth, np.array(cleaning.day - self.onset_day), self.grows_days)
                here = cleaning.of(self.kind) * (float(then) - removed)
                removed += here
                part = np.where(day >= cleaning.day, part - here, part)
        if self.until_day is not None:
            part = np.where(day >= self.until_day, 0.0, part)
        return np.asarray(part)

    def stages(self, count: int) -> tuple[int, ...]:
        """Numbers of the stages concerned, of a train with `count` stages."""
        if self.stage is not None:
            return (self.stage,)
        default = EFFECTS[self.kind].stage if self.kind in EFFECTS else 1
        if default == 0:
            return tuple(range(1, count + 1))
        return (count,) if default < 0 else (default,)


def cause_of(kind: str) -> str:
    """What a monitor should call a kind of fault, by the words of the design."""
    if kind in TRANSMITTERS:
        return "instrument_fault"
    if kind == "delamination":
        return "damaged_element"
    return (EFFECTS[kind].cause if kind in EFFECTS else "") or kind


def profile(name: str, elements: int, reach_elements: float | None = None) -> Floats:
    """Share of each element of a vessel, feed end first; the worst element has 1.

    reach_elements : in place of that of the profile (`REACH`), when given.
    """
    if name not in PROFILES:
        raise ValueError(f"profile {name!r} is not known; use one of {', '.join(PROFILES)}")
    position = np.arange(elements, dtype=float)
    if name in FROM_TAIL:
        position = position[::-1]
    reach = REACH[name] if reach_elements is None else reach_elements
    return np.asarray(np.exp(-position / reach))


def _vessels(fault: Fault, shape: StageShape) -> Floats:
    if fault.vessel is None:
        return np.ones(shape.vessels)
    chosen = np.zeros(shape.vessels)
    chosen[fault.vessel - 1] = 1.0
    return chosen


def apply(
    state: StageState,
    shape: StageShape,
    number: int,
    stages: int,
    faults: Sequence[Fault],
    day: Floats,
    vessel_permeate_m3h: float,
    cleanings: Sequence[Cleaning] = (),
    renewals: Sequence[Renewal] = (),
    starts: Sequence[float] = (),
) -> StageState:
    """The elements of stage `number` with the faults that have begun; the input is not changed.

    A new element has only what a fault has grown by since it came.
    """
    mine = [r for r in renewals if r.stage == number]
    water, salt, friction = state.water, state.salt, state.friction
    bypass, hole, joint = state.bypass, state.element_leak, state.joint_leak
    for fault in faults:
        if fault.kind in LINES or fault.kind in TRANSMITTERS or number not in fault.stages(stages):
            continue
        part = fault.size(day, cleanings, starts)
        if not np.any(part > 0.0):
            continue
        part = part[None, :, None]

        def since(at_joints: bool, fault: Fault = fault, part: Floats = part) -> Floats:
            """Size of the fault at each element, or joint, since what is there was new."""
            here = part
            for renewal in mine:
                if renewal.seals and not (at_joints or fault.kind == "brine_seal_bypass"):
                    continue
                new = renewal.joints(shape) if at_joints else renewal.places(shape)
                then = float(fault.size(np.array([renewal.day]), cleanings, starts)[0])
                after = (day >= renewal.day)[None, :, None]
                here = np.where(new & after, np.maximum(part - then, 0.0), here)
            return here

        where = _vessels(fault, shape)[None, None, :]
        if fault.kind in EFFECTS:
            effect = EFFECTS[fault.kind]
            share = profile(effect.profile, shape.elements, fault.reach_elements)
            if fault.element is not None:
                share = (np.arange(shape.elements) == fault.element - 1).astype(float)
            place = share[:, None, None] * where * fault.severity
            part = since(False)
            water = water * np.maximum(1.0 + effect.water * place * part**effect.water_lag, 0.02)
            salt = salt * np.maximum(1.0 + effect.salt * place * part, 0.02)
            friction = friction * np.maximum(1.0 + effect.friction * place * part, 0.02)
            continue
        if fault.kind == "brine_seal_bypass":
            at = np.ones(shape.elements)
            if fault.element is not None:
                at = (np.arange(shape.elements) == fault.element - 1).astype(float)
            bypass = bypass + at[:, None, None] * where * since(False) * fault.severity
            continue
        size = since(fault.kind == "o_ring_leak")
        opening = fault.severity * vessel_permeate_m3h / LEAK_REFERENCE_BAR**0.5 * where * size
        if fault.kind == "o_ring_leak":
            at_joint = np.arange(shape.elements + 1) == (3 if fault.joint is None else fault.joint)
            joint = joint + at_joint.astype(float)[:, None, None] * opening
        else:
            # A glue line gives way where the brine presses least: at the tail.
            usual = shape.elements if fault.kind == "delamination" else 1
            at_element = np.arange(shape.elements) == (fault.element or usual) - 1
            hole = hole + at_element.astype(float)[:, None, None] * opening
    return StageState(water, salt, friction, bypass, hole, joint)


def line_pressure(faults: Sequence[Fault], number: int, stages: int, day: Floats) -> Floats:
    """Extra pressure in the permeate line of a stage. [bar]"""
    extra = np.zeros_like(np.asarray(day, dtype=float))
    for fault in faults:
        if fault.kind == "permeate_backpressure" and number in fault.stages(stages):
            extra = extra + fault.severity * fault.size(day)
    return extra
