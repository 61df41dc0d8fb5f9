"""Drawn histories: an invented plant, at most one thing that goes wrong, and meters that wander."""

from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from tests.bench.detection.cases import FAMILY
from tests.bench.lumped.physics import (
    CELLS,
    Array,
    Feed,
    Flows,
    Membrane,
    Train,
    Vessels,
    conductivity_us_cm,
)

Rng = np.random.Generator

KINDS = ("two", "ends", "pressures", "three", "single", "seawater")
STAGES = {
    "two": ((8, 6), (4, 6)),
    "ends": ((9, 6), (4, 6)),
    "pressures": ((6, 7), (3, 7)),
    "three": ((10, 6), (5, 6), (3, 6)),
    "single": ((6, 6),),
    "seawater": ((12, 7),),
}
"""Vessels and elements of each stage. ``ends``: meters at the ends of the train alone; ``pressures``: pressures of each
stage, flows of the train."""

ELEMENT_M2 = 37.2
CAUSES = (
    "biofouling",
    "colloidal_fouling",
    "metal_oxide_fouling",
    "organic_fouling",
    "scaling",
    "silica_scaling",
    "oxidation_damage",
    "abrasion",
    "o_ring_leak",
    "damaged_element",
    "brine_seal_bypass",
    "compaction",
    "permeate_backpressure",
    *("instrument_fault",) * 4,
)
GROWS = {
    "biofouling": (25.0, 70.0),
    "colloidal_fouling": (10.0, 45.0),
    "metal_oxide_fouling": (10.0, 45.0),
    "organic_fouling": (2.0, 12.0),
    "scaling": (5.0, 45.0),
    "silica_scaling": (20.0, 60.0),
    "oxidation_damage": (6.0, 40.0),
    "abrasion": (10.0, 40.0),
    "compaction": (3.0, 15.0),
}
"""Days to full growth; what is not here comes as a step. After the speeds of the cause-symptom matrix of the tests'
reference folder."""

WHITE = {"flow": 0.004, "conductivity": 0.006, "pressure": 0.002, "temperature": 0.003}
OFFSET = {"flow": 0.012, "conductivity": 0.02, "pressure": 0.003, "temperature": 0.01}
WANDERS = {"flow": 0.002, "conductivity": 0.004, "pressure": 0.0008, "temperature": 0.003}
ERRORS = {
    "flow": (0.05, 0.14),
    "conductivity": (0.10, 0.35),
    "pressure": (0.02, 0.07),
    "temperature": (0.08, 0.20),
}
"""Meters, as parts of the reading: noise of five minutes, installation, wander over ten days, and faults. Invented."""
UNITS = {"flow": "m3/h", "conductivity": "µS/cm", "pressure": "bar", "temperature": "°C"}


@dataclass(frozen=True)
class Case:
    """One history with its truth.

    columns : signal -> readings. onset, crossed : days, inf for never. cleanings : days on which one began.
    """

    seed: int
    kind: str
    cause: str
    stage: int | None
    point: str | None
    onset: float
    crossed: float
    slow: bool
    words: str
    step_minutes: int
    columns: dict[str, Array]
    cleanings: tuple[float, ...] = ()

    @property
    def family(self) -> str:
        """Family of the cause, or ``none``."""
        return FAMILY.get(self.cause, "none")


def wander(rng: Rng, n: int, step_h: float, memory_h: float, spread: float) -> Array:
    """First-order autoregression of a memory and a spread, (n,)."""
    kept = float(np.exp(-step_h / memory_h))
    news = rng.normal(0.0, spread * np.sqrt(1.0 - kept * kept), n).tolist()
    start = float(rng.normal(0.0, spread))
    return np.array(list(accumulate(news, lambda x, e: kept * x + e, initial=start))[1:])


def _stages(kind: str, n: int, rng: Rng) -> list[Vessels]:
    friction = float(rng.uniform(0.9, 1.5))
    return [
        Vessels(
            vessels,
            vessels * elements * ELEMENT_M2,
            friction * elements / 6.0,
            *(np.ones((CELLS, n)) for _ in range(3)),
            np.zeros((CELLS, n)),
            np.zeros(n),
            np.zeros(n),
        )
        for vessels, elements in STAGES[kind]
    ]


def _growth(cause: str, days: Array, onset: float, grows: float) -> Array:
    if not grows:
        return np.asarray(days >= onset, dtype=float)
    x = np.clip((days - onset) / grows, 0.0, None)
    if cause == "biofouling":
        return np.clip(x, 0.0, 1.0) ** 2
    if cause in ("organic_fouling", "compaction"):
        return np.asarray(1.0 - np.exp(-2.5 * x))
    return np.clip(x, 0.0, 1.0)


def _spoil(cause: str, stages: list[Vessels], grown: Array, rng: Rng) -> int | None:
    """Change the stages in place; the stage that shows it, None for all. Sizes after the cause-symptom matrix."""

    def u(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    place = (np.arange(CELLS) + 0.5) / CELLS
    lead = (np.exp(-3.0 * place) / np.exp(-3.0 * place).mean())[:, None] * grown
    tail = lead[::-1]
    first, last = stages[0], stages[-1]
    if cause == "biofouling":
        first.friction[:] *= 1.0 + u(0.4, 0.8) * lead
        first.water[:] *= np.exp(-u(0.08, 0.2) * lead)
        return 1
    if cause == "colloidal_fouling":
        first.friction[:] *= 1.0 + u(0.3, 0.5) * lead
        first.water[:] *= np.exp(-u(0.15, 0.3) * lead)
        first.salt[:] *= 1.0 + u(0.0, 0.1) * grown
        return 1
    if cause == "metal_oxide_fouling":
        first.friction[:] *= 1.0 + u(0.2, 0.4) * lead
        first.water[:] *= np.exp(-u(0.2, 0.35) * lead)
        first.salt[:] *= 1.0 + u(0.1, 0.2) * lead
        return 1
    if cause == "scaling":
        last.water[:] *= np.exp(-u(0.2, 0.5) * tail)
        last.salt[:] *= 1.0 + u(0.2, 0.8) * tail
        last.friction[:] *= 1.0 + u(0.1, 0.4) * tail
        return len(stages)
    if cause == "silica_scaling":
        last.water[:] *= np.exp(-u(0.25, 0.5) * tail)
        last.salt[:] *= 1.0 + u(0.0, 0.1) * grown
        last.friction[:] *= 1.0 + u(0.0, 0.08) * grown
        return len(stages)
    if cause == "abrasion":
        first.salt[:] *= 1.0 + u(0.3, 0.9) * lead
        first.water[:] *= 1.0 + u(0.0, 0.06) * lead
        return 1
    if cause in ("organic_fouling", "oxidation_damage"):
        alone = len(stages) == 1 or rng.uniform() < 0.6
        loss, more, opens = u(0.15, 0.35), u(0.5, 1.5), u(0.05, 0.2)
        for stage in stages[:1] if alone else stages:
            if cause == "organic_fouling":
                stage.water[:] *= np.exp(-loss * (grown if not alone else 0.5 * (grown + lead)))
            else:
                stage.salt[:] *= 1.0 + more * (grown if not alone else 0.5 * (grown + lead))
                stage.water[:] *= 1.0 + opens * grown
        return 1 if alone else None
    if cause == "compaction":
        loss, tighter = u(0.08, 0.2), u(0.0, 0.1)
        for stage in stages:
            stage.water[:] *= np.exp(-loss * grown)
            stage.salt[:] *= 1.0 - tighter * grown
        return None
    at = int(rng.integers(len(stages)))
    stage = stages[at]
    if cause in ("o_ring_leak", "damaged_element"):
        stage.leak[int(rng.integers(CELLS))] += CELLS * u(0.2, 0.9) * grown
    if cause == "brine_seal_bypass":
        stage.bypass[:] += u(0.08, 0.2) * grown
    if cause == "permeate_backpressure":
        stage.back_bar[:] += u(0.6, 1.8) * grown
    return at + 1


def _crossed(stages: list[Vessels], days: Array, power: float) -> float:
    """Day on which a customary criterion is truly crossed: -10 % flow, +10 % passage, +15 % drop of a stage."""
    first = np.inf
    for s in stages:
        beyond = (
            (s.water.mean(0) <= 0.9)
            | (s.salt.mean(0) + s.leak.mean(0) >= 1.1)
            | (s.friction.mean(0) * (1.0 - s.bypass) ** power >= 1.15)
        )
        if beyond.any():
            first = min(first, float(days[np.argmax(beyond)]))
    return first


def _signals(kind: str, feed: Feed, made: Flows) -> dict[str, Array]:
    count = len(made.permeate_m3h)
    found = {
        "feed_flow": feed.flow_m3h,
        "feed_temperature": feed.temperature_c,
        "feed_conductivity": conductivity_us_cm(feed.salt_mg_l),
        "permeate_flow": made.total_m3h,
        "permeate_conductivity": conductivity_us_cm(made.mixed_mg_l),
        "concentrate_flow": made.concentrate_m3h,
        "concentrate_conductivity": conductivity_us_cm(made.concentrate_mg_l),
    }
    for k in range(count):
        if kind != "ends" or k == 0:
            found[f"{k + 1}/feed_pressure"] = made.feed_bar[k]
        if kind != "ends" or k == count - 1:
            found[f"{k + 1}/concentrate_pressure"] = made.concentrate_bar[k]
        if kind in ("two", "three"):
            found[f"{k + 1}/permeate_flow"] = made.permeate_m3h[k]
            found[f"{k + 1}/permeate_conductivity"] = conductivity_us_cm(made.permeate_mg_l[k])
    return found


def draw(seed: int, *, sound_days: float | None = None) -> Case:
    """The case of a seed; sound_days : a history of that length in which nothing goes wrong."""
    rng = np.random.default_rng([77, seed, sound_days is not None])
    kind = KINDS[seed % len(KINDS)]
    cause = "none" if sound_days else CAUSES[seed // len(KINDS) % len(CAUSES)]
    onset = np.inf if sound_days else float(rng.uniform(20.0, 40.0))
    grows = float(rng.uniform(*GROWS[cause])) if cause in GROWS else 0.0
    if cause == "instrument_fault" and rng.uniform() < 0.5:
        grows = float(rng.uniform(5.0, 25.0))
    step = int(rng.choice([15, 60]))
    length = sound_days or onset + grows + 12.0
    n, hours = int(length * 1440 / step), step / 60.0
    days = np.arange(n) * step / 1440.0
    stages = _stages(kind, n, rng)
    salt = {"seawater": rng.uniform(33e3, 38e3), "single": rng.uniform(2e3, 5e3)}.get(
        kind, rng.uniform(600.0, 2500.0)
    )
    sea = kind == "seawater"
    membrane = Membrane(
        water=rng.uniform(1.0, 1.4) if sea else rng.uniform(2.8, 4.6),
        salt=rng.uniform(0.03, 0.06) if sea else rng.uniform(0.06, 0.2),
        water_per_k=rng.uniform(0.024, 0.034),
        salt_per_k=rng.uniform(0.03, 0.06),
        friction_power=rng.uniform(1.5, 1.8),
    )
    recovery = {"seawater": rng.uniform(0.38, 0.45), "single": rng.uniform(0.45, 0.55)}.get(
        kind, rng.uniform(0.7, 0.8)
    )
    flux = rng.uniform(12.5, 15.0) if sea else rng.uniform(18.0, 24.0)
    area = sum(s.area_m2 for s in stages)
    flow, share = np.full(n, flux * area / 1000.0), np.full(n, recovery)
    at = 0
    while at < n:
        held = int(rng.exponential(6.0) * 1440 / step) + 1
        flow[at : at + held] *= 1.0 + rng.normal(0.0, 0.02)
        share[at : at + held] += rng.normal(0.0, 0.006)
        at += held
    cleanings: tuple[float, ...] = ()
    if sound_days:
        flow, share, swing = _operated(rng, flow, share, step)
        cleanings = tuple(
            float(d) for d in np.cumsum(rng.uniform(30.0, 90.0, 12)) if d < sound_days - 5.0
        )
    else:
        swing = np.ones(n)
    season = rng.uniform(1.0, 6.0) * np.sin(2 * np.pi * (days + rng.uniform(0, 365)) / 365.0)
    daily = rng.uniform(0.1, 1.0) * np.sin(2 * np.pi * days)
    warmth = rng.uniform(14.0, 27.0) + season + daily + wander(rng, n, hours, 60.0, 0.5)
    salts = salt * swing * np.exp(wander(rng, n, hours, 40.0, rng.uniform(0.01, 0.05)))
    grown = _growth(cause, days, onset, grows) * float(rng.uniform(0.8, 1.2))
    stage = None
    if cause not in ("none", "instrument_fault"):
        stage = _spoil(cause, stages, grown, rng)
    feed = Feed(flow / share, salts, warmth)
    train = Train(stages, membrane)
    guess = flux / membrane.water + 0.78e-3 * salt / (1.0 - recovery) + 2.0
    made = train.at_flow(feed, flow, guess)
    noise = float(np.exp(rng.uniform(np.log(0.4), np.log(2.0))))
    columns = _signals(kind, feed, made)
    point, error = None, 0.0
    if cause == "instrument_fault":
        point = str(rng.choice(list(columns)))
        error = float(rng.uniform(*ERRORS[point.rpartition("_")[2]]) * rng.choice([-1.0, 1.0]))
    for name, true in columns.items():
        what = name.rpartition("_")[2]
        read = true * (1.0 + rng.normal(0.0, OFFSET[what]))
        read = read * (1.0 + wander(rng, n, hours, 240.0, WANDERS[what] * noise))
        read = read * (1.0 + rng.normal(0.0, WHITE[what] * noise / np.sqrt(step / 5.0), n))
        if name == point:
            read = read * (1.0 + error * np.minimum(grown, 1.0))
        columns[name] = read
    columns["running"] = np.ones(n)
    _stops(columns, rng, step)
    for day in cleanings:
        _clean(columns, rng, step, int(day * 1440 / step))
    named = "scaling" if cause == "silica_scaling" else cause
    words = f"{cause}{f' {point} {100 * error:+.0f} %' if point else ''} on {kind}, every {step} min, noise {noise:.1f}"
    return Case(
        seed,
        kind,
        named,
        stage,
        point,
        onset,
        _crossed(stages, days, membrane.friction_power),
        grows > 0.0,
        words,
        step,
        columns,
        cleanings,
    )


def _operated(rng: Rng, flow: Array, share: Array, step: int) -> tuple[Array, Array, Array]:
    """What a sound plant is put through for weeks: another flux, another recovery, another source of feed.

    returns : permeate flow [m3/h], recovery, and the feed's salt over its usual one.
    """
    flow, share, swing = flow.copy(), share.copy(), np.ones(len(flow))
    at = int(rng.exponential(20.0) * 1440 / step)
    while at < len(flow):
        end = at + int(rng.uniform(2.0, 25.0) * 1440 / step)
        what = int(rng.integers(3))
        if what == 0:
            flow[at:end] *= rng.uniform(0.85, 1.1)
        elif what == 1:
            share[at:end] += rng.uniform(-0.05, 0.02)
        else:
            swing[at:end] *= rng.uniform(0.75, 1.25)
        at = end + int(rng.exponential(15.0) * 1440 / step)
    return flow, share, swing


CLEANED_H = 6.0


def _clean(columns: dict[str, Array], rng: Rng, step: int, at: int) -> None:
    """A cleaning of some hours, and the salt passage that it leaves behind for a day or two."""
    residue, fades_d = float(rng.uniform(0.1, 0.4)), float(rng.uniform(0.3, 0.7))
    _rest(columns, at, int(CLEANED_H * 60 / step), 1.5, residue, fades_d * 1440.0 / step)


def _rest(
    columns: dict[str, Array], at: int, length: int, bar: float, more: float, fades: float
) -> None:
    """Rows without production; afterwards more salt in the permeate, fading over so many rows."""
    for name, values in columns.items():
        if name == "running" or name.endswith("_flow"):
            values[at : at + length] = 0.0
        elif name.endswith("_pressure"):
            values[at : at + length] = bar
        elif name.endswith("permeate_conductivity"):
            after = values[at + length :]
            after *= 1.0 + more * np.exp(-np.arange(len(after)) / fades)


def _stops(columns: dict[str, Array], rng: Rng, step: int) -> None:
    """Stops of some hours; afterwards what the standstill left in the permeate is rinsed out."""
    rinse_h = float(rng.uniform(0.3, 1.5))
    at = int(rng.exponential(12.0) * 1440 / step) + 1
    while at < len(columns["running"]):
        length = max(1, int(rng.uniform(60, 480) / step))
        _rest(columns, at, length, 0.2, 1.5, rinse_h * 60.0 / step)
        at += length + int(rng.exponential(12.0) * 1440 / step) + 1
