"""Labelled cases: an invented plant of one of five types, and at most one thing that goes wrong with it.

Everything is drawn anew for each seed: geometry and permeabilities, temperature laws that differ from the
textbook's, season, salinity, how it is run, and for a fault its onset, growth, size and how strongly it moves
flow, passage and pressure drop against each other.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from simulator.faults import EFFECTS, Effect, Fault
from simulator.scenario import Event, Feed, Operation, PlantSpec, Scenario
from simulator.vessels import StageShape

TYPES = ("two stages", "few instruments", "stage pressures", "three stages", "salty")
"""Two stages with everything measured; with the ends of the train alone; with the pressures of each stage but
flows of the train alone; three stages; one stage on salty water."""

REPORT_SEED = 1000

FAMILY = {
    "biofouling": "fouling",
    "colloidal_fouling": "fouling",
    "metal_oxide_fouling": "fouling",
    "organic_fouling": "fouling",
    "scaling": "scaling",
    "oxidation_damage": "membrane damage",
    "abrasion": "membrane damage",
    "o_ring_leak": "seal leak",
    "damaged_element": "seal leak",
    "brine_seal_bypass": "bypass",
    "compaction": "compaction",
    "instrument_fault": "instrument",
    "permeate_backpressure": "operation",
    "operating_change": "operation",
}
"""A damaged element and a leaking O-ring are told apart by the probe alone: one family, one action."""

ACTIONS = {
    "fouling": {"clean"},
    "scaling": {"clean"},
    "membrane damage": {"replace"},
    "seal leak": {"probe"},
    "bypass": {"probe"},
    "compaction": {"watch"},
    "instrument": {"check_instrument"},
    "operation": {"adjust_operation", "watch"},
}

Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Case:
    """One plant history with its truth.

    cause : of DESIGN's causes, or ``none``. stage : where; None for the train, or where it is no matter.
    points : signals any of which is a right answer to an instrument fault.
    onset : day it begins; inf for a sound plant. slow : whether it grows over days.
    effects : what each kind of deposit does in this history.
    """

    seed: int
    plant: str
    cause: str
    scenario: Scenario
    onset: float = np.inf
    stage: int | None = None
    points: tuple[str, ...] = ()
    slow: bool = False
    effects: tuple[tuple[str, Effect], ...] = ()

    @property
    def name(self) -> str:
        """A name for tables."""
        return f"{self.seed}: {self.cause} on {self.plant}"

    @property
    def family(self) -> str:
        """Family of the cause, or ``none``."""
        return FAMILY.get(self.cause, "none")


def _log_uniform(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _spec(rng: Rng, kind: str) -> tuple[PlantSpec, Feed, Operation]:
    """An invented plant of a type and how it is run."""
    stages: tuple[StageShape, ...]
    if kind == "three stages":
        wide = int(rng.integers(8, 13))
        stages = tuple(StageShape(n, 6) for n in (wide, round(0.5 * wide), round(0.28 * wide)))
        salt, recovery, flux = rng.uniform(500, 1000), rng.uniform(0.80, 0.85), rng.uniform(21, 25)
    elif kind == "salty":
        stages = (StageShape(int(rng.integers(5, 13)), int(rng.integers(6, 8))),)
        salt, recovery, flux = (
            rng.uniform(6.5e3, 1.1e4),
            rng.uniform(0.50, 0.60),
            rng.uniform(15, 20),
        )
    else:
        wide, long = int(rng.integers(6, 13)), int(rng.integers(6, 8))
        stages = (StageShape(wide, long), StageShape(round(0.5 * wide), long))
        salt, recovery, flux = rng.uniform(900, 3e3), rng.uniform(0.70, 0.78), rng.uniform(19, 25)
    salty = kind == "salty"
    measured = {"few instruments": "train", "stage pressures": "interstage"}.get(kind, "stages")
    spec = PlantSpec(
        stages=stages,
        water_lmh_bar=rng.uniform(2.2, 3.0) if salty else rng.uniform(2.8, 4.5),
        salt_lmh=_log_uniform(rng, 0.05, 0.10) if salty else _log_uniform(rng, 0.06, 0.16),
        water_scatter=rng.uniform(0.02, 0.06),
        salt_scatter=rng.uniform(0.05, 0.12),
        friction_scatter=rng.uniform(0.01, 0.04),
        water_activation_k=rng.uniform(2400, 3100),
        salt_activation_k=rng.uniform(2300, 3600),
        permeate_static_bar=rng.uniform(0.2, 0.8),
        # A booster between pressures that are not measured cannot be normalized by anybody.
        booster_bar=float(rng.choice([0.0, 0.0, 2.0]))
        if stages[1:] and measured != "train"
        else 0.0,
        instruments=measured,
        highest_feed_bar=50.0 if salty else 30.0,
    )
    feed = Feed(
        temperature_mean_c=rng.uniform(12, 26),
        temperature_season_c=rng.uniform(1.5, 7),
        temperature_day_c=rng.uniform(0.1, 1.0),
        temperature_weather_c=rng.uniform(0.2, 1.2),
        coldest_day_of_year=rng.uniform(0, 365),
        salt_mg_l=float(salt),
        salt_spread=rng.uniform(0.01, 0.08),
        salt_memory_hours=rng.uniform(12, 72),
        tide_spread=float(rng.choice([0.0, 0.0, 0.03])),
        rain_every_days=float(rng.choice([0.0, 0.0, 12.0])),
        rain_dilution=rng.uniform(0.05, 0.25),
    )
    area = sum(s.vessels * s.elements * s.area_m2 for s in stages)
    run = Operation(
        permeate_m3h=float(flux * area / 1000.0),
        recovery=float(recovery),
        setpoint_every_days=_log_uniform(rng, 2, 20),
        setpoint_spread=rng.uniform(0.01, 0.06),
        stop_every_days=_log_uniform(rng, 3, 30),
    )
    return spec, feed, run


def _varied(rng: Rng, kind: str) -> Effect:
    """A deposit of a kind as this plant has it: other proportions, another profile along the vessel."""
    effect = EFFECTS[kind]
    profile = effect.profile
    if profile in ("lead", "front"):
        profile = str(rng.choice(["lead", "lead", "front"]))

    def vary(size: float) -> float:
        return size * float(np.exp(rng.normal(0.0, 0.2)))

    return replace(
        effect,
        water=max(vary(effect.water), -0.9),
        salt=vary(effect.salt),
        friction=vary(effect.friction),
        profile=profile,
    )


Made = tuple[tuple[Fault, ...], int | None, bool, tuple[tuple[str, Effect], ...]]


def _deposit(cause: str, where: int | None, days: tuple[float, float], growth: str) -> Callable:  # type: ignore[type-arg]
    def make(rng: Rng, onset: float, count: int) -> Made:
        grows = _log_uniform(rng, *days)
        stage = count if where == -1 else where
        fault = Fault(
            cause,
            onset,
            growth=growth if rng.uniform() < 0.75 else "linear",
            grows_days=grows,
            severity=rng.uniform(0.7, 1.3),
            stage=stage,
        )
        return (fault,), stage, grows > 2.0, ((cause, _varied(rng, cause)),)

    return make


def _anywhere(cause: str, days: tuple[float, float]) -> Callable:  # type: ignore[type-arg]
    """A fault of the lead stage, or of all stages."""

    def make(rng: Rng, onset: float, count: int) -> Made:
        whole = count > 1 and rng.uniform() < 0.4
        numbers = range(1, count + 1) if whole else (1,)
        grows, size = _log_uniform(rng, *days), rng.uniform(0.6, 1.2)
        law = str(rng.choice(["linear", "saturating"]))
        faults = tuple(Fault(cause, onset, law, grows, size, stage=n) for n in numbers)
        return faults, None if whole else 1, grows > 2.0, ((cause, _varied(rng, cause)),)

    return make


def _vessel(cause: str) -> Callable:  # type: ignore[type-arg]
    def make(rng: Rng, onset: float, count: int) -> Made:
        stage = int(rng.integers(1, count + 1))
        step = rng.uniform() < 0.8
        fault = Fault(
            cause,
            onset,
            growth="step" if step else "linear",
            grows_days=0.04 if step else _log_uniform(rng, 3, 20),
            severity=_log_uniform(rng, 0.006, 0.03),
            stage=stage,
            vessel=1 + int(rng.integers(0, 3)),
            joint=int(rng.integers(0, 7)) if cause == "o_ring_leak" else None,
            element=1 + int(rng.integers(0, 6)) if cause == "damaged_element" else None,
        )
        return (fault,), stage, not step, ()

    return make


def _bypass(rng: Rng, onset: float, count: int) -> Made:
    stage = int(rng.integers(1, count + 1))
    fault = Fault("brine_seal_bypass", onset, "step", 0.04, rng.uniform(0.12, 0.35), stage=stage)
    return (fault,), stage, False, ()


def _valve(rng: Rng, onset: float, count: int) -> Made:
    stage = int(rng.integers(1, count + 1))
    fault = Fault("permeate_backpressure", onset, "step", 0.04, rng.uniform(0.8, 2.0), stage=stage)
    return (fault,), stage, False, ()


def _compaction(rng: Rng, onset: float, count: int) -> Made:
    grows = _log_uniform(rng, 4, 25)
    fault = Fault("compaction", onset, "saturating", grows, rng.uniform(0.6, 1.3))
    return (fault,), None, True, (("compaction", _varied(rng, "compaction")),)


MAKERS: dict[str, Callable[[Rng, float, int], Made]] = {
    "biofouling": _deposit("biofouling", 1, (25, 80), "accelerating"),
    "colloidal_fouling": _deposit("colloidal_fouling", 1, (12, 70), "linear"),
    "metal_oxide_fouling": _deposit("metal_oxide_fouling", 1, (8, 60), "linear"),
    "organic_fouling": _anywhere("organic_fouling", (2, 15)),
    "scaling": _deposit("scaling", -1, (6, 80), "linear"),
    "oxidation_damage": _anywhere("oxidation_damage", (8, 50)),
    "abrasion": _deposit("abrasion", 1, (10, 60), "linear"),
    "o_ring_leak": _vessel("o_ring_leak"),
    "damaged_element": _vessel("damaged_element"),
    "brine_seal_bypass": _bypass,
    "compaction": _compaction,
    "permeate_backpressure": _valve,
}
ROLES = {
    "feed_flow": (0.06, 0.15),
    "permeate_flow": (0.06, 0.15),
    "concentrate_flow": (0.08, 0.2),
    "feed_conductivity": (0.12, 0.35),
    "permeate_conductivity": (0.15, 0.4),
    "concentrate_conductivity": (0.12, 0.35),
    "feed_pressure": (0.03, 0.08),
    "concentrate_pressure": (0.03, 0.08),
    "feed_temperature": (0.08, 0.2),
}
"""Sizes of transmitter errors, as a part of the reading: those that mislead a normalization by several per cent."""


def signals_of(spec: PlantSpec) -> list[str]:
    """Signals of a plant whose error the bench may put in."""
    count = len(spec.stages)
    found = [r for r in ROLES if r != "concentrate_pressure"]
    found.remove("feed_pressure")
    if spec.instruments == "stages" and count > 1:
        found += [
            f"{n}/{r}"
            for n in range(1, count + 1)
            for r in ("permeate_flow", "permeate_conductivity")
        ]
    if spec.instruments == "train":
        return [*found, "1/feed_pressure", f"{count}/concentrate_pressure"]
    return found + [
        f"{n}/{r}" for n in range(1, count + 1) for r in ("feed_pressure", "concentrate_pressure")
    ]


def _instrument(
    rng: Rng, onset: float, spec: PlantSpec, has: Callable[[str], bool]
) -> tuple[Fault, bool]:
    names = [s for s in signals_of(spec) if has(s)]
    tag = names[int(rng.integers(len(names)))]
    low, high = ROLES[tag.rpartition("/")[2]]
    percent = 100.0 * rng.uniform(low, high) * float(rng.choice([-1.0, 1.0]))
    slow = rng.uniform() < 0.5
    grows = _log_uniform(rng, 5, 30) if slow else 0.04
    return Fault("transmitter_drift", onset, "linear", grows, tag=tag, percent=percent), slow


def draw(
    seed: int, has: Callable[[PlantSpec, str], bool], *, sound: bool = False, days: float = 365.0
) -> Case:
    """The case of a seed.

    has : whether an invented plant measures a signal. sound : without a fault. days : length of a sound history;
        one with a fault goes on until ten days after it is fully grown.
    """
    rng = np.random.default_rng([seed, int(sound)])
    kind = TYPES[seed % len(TYPES)]
    spec, feed, run = _spec(rng, kind)
    base = Scenario(f"case {seed}", kind, "drawn", days, spec, feed, run)
    if sound:
        return Case(seed, kind, "none", replace(base, events=_events(rng, days, run)))
    onset = rng.uniform(18.0, 40.0)
    causes = (*MAKERS, *["instrument_fault"] * 4)
    cause = causes[(seed // len(TYPES)) % len(causes)]
    points: tuple[str, ...] = ()
    if cause == "instrument_fault":
        fault, slow = _instrument(rng, onset, spec, lambda s: has(spec, s))
        faults, stage, effects = (fault,), None, ()
        points = (fault.tag,)
    else:
        faults, stage, slow, effects = MAKERS[cause](rng, onset, len(spec.stages))
    length = onset + max(f.grows_days for f in faults) + 10.0
    return Case(
        seed,
        kind,
        cause,
        replace(base, faults=tuple(faults), days=length),
        onset,
        stage,
        points,
        slow,
        effects,
    )


def _events(rng: Rng, days: float, run: Operation) -> tuple[Event, ...]:
    """What a sound plant is put through: set-points for good, another source, a longer stop."""
    events = []
    for _ in range(int(rng.poisson(days / 120.0))):
        events.append(
            Event(
                "setpoint",
                float(rng.uniform(5, days)),
                permeate_m3h=run.permeate_m3h * float(rng.uniform(0.85, 1.12)),
                recovery=run.recovery + float(rng.uniform(-0.04, 0.02)),
            )
        )
    for _ in range(int(rng.poisson(days / 200.0))):
        events.append(Event("stop", float(rng.uniform(5, days)), hours=float(rng.uniform(12, 96))))
    return tuple(sorted(events, key=lambda e: e.at_day))
