"""How the vessels of a stage are run while somebody samples them: from the history, or as told by hand.

What is told by hand goes before what the history says. What neither knows stays not known.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from daemon.history_reader import HistoryReader
from daemon.plantfile import Plant, TrainConfig, units
from daemon.rows import iso
from rules import design, robust, sections
from rules.conductivity import concentration_mg_l, displayed_us_cm
from rules.train import Compensation, Stage
from rules.tube import Conditions, Healthy, healthy_vessel

WINDOW_S = 1800.0
"""Minutes this near before the sampling are averaged. [s]"""

OLD_S = 6 * 3600.0
"""Minutes older than this say nothing of the sampling. [s]"""

ROUNDS = 12
"""Steps in which the permeabilities are brought to the measured flow and salt; five are usual."""

REFERENCE: Mapping[str, tuple[float, float]] = {"nacl": (3.0, 0.1), "seawater": (1.2, 0.06)}
"""Permeabilities (L/m2/h/bar, L/m2/h) that the conditions of two days are compared with; only ratios count."""

PURE = Compensation("none")

Source = Literal["history", "given", "none"]


class ConditionsUnusable(Exception):
    """Conditions that are not understood or cannot be; all of them, one line each."""


@dataclass(frozen=True, slots=True)
class Known:
    """One thing that can be told by hand: its kind of unit, its unit inside, what is possible."""

    kind: units.Kind
    unit: str
    low: float
    high: float
    words: str


KEYS: Mapping[str, Known] = {
    "feed_conductivity": Known("conductivity", "µS/cm", 1.0, 90_000.0, "of the stage's feed"),
    "feed_pressure": Known("pressure", "bar", 0.1, 120.0, "at the stage's feed"),
    "feed_flow": Known("flow", "m3/h", 0.05, 50.0, "of one vessel"),
    "temperature": Known("temperature", "°C", 0.5, 50.0, "of the water"),
    "concentrate_pressure": Known("pressure", "bar", 0.0, 120.0, "at the stage's concentrate"),
    "permeate_pressure": Known("pressure", "bar", -1.0, 20.0, "of the permeate"),
    "permeate_conductivity": Known(
        "conductivity", "µS/cm", 0.05, 90_000.0, "of the stage's permeate, by its instrument"
    ),
}


@dataclass(frozen=True, slots=True)
class StageState:
    """What is known of a stage at the time of sampling; None where nothing is.

    values : key of `KEYS` -> value in the unit inside. water_lmh_bar, salt_lmh : permeabilities at 25 °C.
    healthy : a sound vessel under these conditions. at : plant time of the newest minute used. [s]
    baseline_us_cm : the stage's permeate as it would be with the salt permeability of the baseline.
    reference_us_cm : permeate of a vessel of fixed membranes, to compare conditions of two days.
    notes : what is missing or doubtful, one sentence each.
    """

    source: Source
    at: float | None = None
    values: Mapping[str, float] = field(default_factory=dict)
    water_lmh_bar: float | None = None
    salt_lmh: float | None = None
    healthy: Healthy | None = None
    baseline_us_cm: float | None = None
    reference_us_cm: float | None = None
    notes: tuple[str, ...] = ()

    def to_json(self) -> dict[str, object]:
        """What is kept beside the readings."""
        return {
            "source": self.source,
            "at": iso(self.at),
            **{key: round(value, 6) for key, value in self.values.items()},
            "water_lmh_bar": self.water_lmh_bar,
            "salt_lmh": self.salt_lmh,
            "reference_us_cm": self.reference_us_cm,
        }


def parse(text: str) -> dict[str, float]:
    """``feed_conductivity=4200,temperature=64°F`` in the units inside; ConditionsUnusable tells all that is wrong."""
    found: dict[str, float] = {}
    wrong: list[str] = []
    for part in filter(None, (p.strip() for p in text.split(","))):
        name, equals, value = (p.strip() for p in part.partition("="))
        if name not in KEYS:
            has = ", ".join(f"{key} [{known.unit}]" for key, known in KEYS.items())
            wrong.append(f"--conditions {part}: {name or 'this'} is not known; use {has}")
        elif not equals:
            wrong.append(f"--conditions {part}: write {name}=VALUE")
        elif name in found:
            wrong.append(f"--conditions {part}: {name} is given twice; give it once")
        else:
            number, problem = measure(name, value)
            if number is None:
                wrong.append(f"--conditions {part}: {problem}")
            else:
                found[name] = number
    if wrong:
        raise ConditionsUnusable("\n".join(wrong))
    return found


def measure(name: str, text: str) -> tuple[float | None, str]:
    """A value with or without its unit, in the unit inside; or None and what is wrong with it."""
    known = KEYS[name]
    digits = text.replace("−", "-").strip()
    cut = len(digits)
    while cut and not (digits[cut - 1].isdigit() or digits[cut - 1] == "."):
        cut -= 1
    number, unit_text = digits[:cut].strip(), digits[cut:].strip()
    # m3/h, m3/d: the 3 belongs to the unit
    for spelled in ("m3/h", "m3/d"):
        if digits.lower().endswith(spelled):
            number, unit_text = digits[: -len(spelled)].strip(), spelled
    try:
        value = float(number)
        unit = units.unit(unit_text or known.unit)
    except ValueError:
        return None, (
            f"{text!r} is not understood; write a number, with a unit when it is not {known.unit}"
            f" ({', '.join(n for n in units.names(known.kind) if n != units.DISSOLVED_SOLIDS)})"
        )
    if unit.kind != known.kind:
        return None, f"{unit_text} measures no {known.kind}; use {known.unit}"
    value = unit.to_si(value)
    if not (math.isfinite(value) and known.low <= value <= known.high):
        return None, (
            f"{value:g} {known.unit} is impossible {known.words}; from {known.low:g} to"
            f" {known.high:g} {known.unit}" + _slip(known, value)
        )
    return value, ""


def _slip(known: Known, value: float) -> str:
    if known.kind == "temperature" and known.low <= (value - 32.0) / 1.8 <= known.high:
        return f". In Fahrenheit? Write {value:g}°F"
    return ""


def stage_state(
    plant: Plant,
    train: TrainConfig,
    stage: int,
    history: HistoryReader | None,
    *,
    when: float | None = None,
    given: Mapping[str, float] | None = None,
    baseline: Mapping[str, float] | None = None,
) -> StageState:
    """The state of a stage at plant time `when` (the newest minute when None).

    stage : from 1. given : what was told by hand, from `parse`. baseline : levels of the train's baseline.
    """
    told = dict(given or {})
    plan = sections.plan(train.model)
    at, row, notes = _minutes(train, history, when)
    geometry = train.stages[stage - 1]
    values: dict[str, float] = {}
    level: dict[str, float] = {}
    if row is not None:
        values, level = _operating(plan, train, stage, geometry, row)
    values |= told
    source: Source = "history" if row is not None else "given" if told else "none"
    state = StageState(source, at, values, notes=tuple(notes))
    state = _with_membranes(plant, train, stage, geometry, plan, level, state)
    before = (baseline or {}).get(f"{stage}/salt_passage")
    if before is not None and "salt_passage" in level and "permeate_conductivity" in values:
        changed = math.exp(before - level["salt_passage"])
        state = replace(state, baseline_us_cm=values["permeate_conductivity"] * changed)
    return state


def _minutes(
    train: TrainConfig, history: HistoryReader | None, when: float | None
) -> tuple[float | None, np.ndarray | None, list[str]]:
    """Medians of the signals over the minutes before `when`, and what to say of them."""
    if history is None or not history.path.is_file():
        return None, None, []
    signals = train.model.signals
    newest = history.last_minute(train.id)
    if newest is None:
        return None, None, []
    if when is None:
        when = newest + 60.0
    found = history.minute_arrays(train.id, when - OLD_S, when, signals)
    if not len(found.times):
        return (
            None,
            None,
            [f"The history has no readings within {OLD_S / 3600:.0f} h before {iso(when)}."],
        )
    last = float(found.times[-1])
    recent = found.times >= last - WINDOW_S
    values = found.values[recent]
    notes = []
    if when - last > 2 * WINDOW_S:
        notes.append(f"The newest readings of the plant are of {iso(last)}.")
    if "running" in signals:
        running = values[:, signals.index("running")]
        if np.isfinite(running).any() and np.nanmean(running) < 0.5:
            notes.append(
                f"Train {train.id} was not running at {iso(last)}: permeate can be sampled only while it"
                " runs. Was the time of sampling another one?"
            )
            return None, None, notes
        values = values[~(running < 0.5)]
    return last, robust.median(values), notes


def _operating(
    plan: sections.Plan, train: TrainConfig, stage: int, geometry: Stage, row: np.ndarray
) -> tuple[dict[str, float], dict[str, float]]:
    """Operating values of a stage, and its observables (those of the train where it has none)."""
    inputs = plan.inputs(row[None])
    part = inputs.get(str(stage))
    whole = inputs.get("train")
    values: dict[str, float] = {}

    def put(key: str, number: float) -> None:
        if math.isfinite(number):
            values[key] = number

    def show(mg_l: float) -> float:
        return float(displayed_us_cm(mg_l, 25.0, PURE, train.model.water))

    if part is None and stage == 1 and whole is not None:
        put("feed_conductivity", show(float(whole.feed_mg_l[0])))
        put("feed_pressure", float(whole.feed_pressure_bar[0]))
        put("feed_flow", float(whole.feed_flow_m3h[0]) / geometry.vessels)
        put("temperature", float(whole.temperature_c[0]))
        put("permeate_pressure", float(whole.permeate_pressure_bar[0]))
    if part is not None:
        put("feed_conductivity", show(float(part.feed_mg_l[0])))
        put("feed_pressure", float(part.feed_pressure_bar[0]))
        put("feed_flow", float(part.feed_flow_m3h[0]) / geometry.vessels)
        put("temperature", float(part.temperature_c[0]))
        put("concentrate_pressure", float(part.concentrate_pressure_bar[0]))
        put("permeate_pressure", float(part.permeate_pressure_bar[0]))
        put("permeate_conductivity", show(float(part.permeate_mg_l[0])))
        put("permeate_flow", float(part.permeate_flow_m3h[0]) / geometry.vessels)
    if "feed_temperature" in train.model.signals:
        # Known even where no section can be normalized.
        put("temperature", float(row[train.model.signals.index("feed_temperature")]))
    observed = dict(zip(plan.observables, plan.observe(row[None])[0].tolist(), strict=True))
    level = {}
    for quantity in ("permeate_flow", "salt_passage"):
        for name in (str(stage), "train"):
            number = observed.get(f"{name}/{quantity}", math.nan)
            if math.isfinite(number):
                level[quantity] = number
                break
    return values, level


def _with_membranes(
    plant: Plant,
    train: TrainConfig,
    stage: int,
    geometry: Stage,
    plan: sections.Plan,
    level: Mapping[str, float],
    state: StageState,
) -> StageState:
    """The state with permeabilities and a sound vessel, where what is known suffices."""
    notes = list(state.notes)
    values = state.values
    if "permeate_flow" not in level or "salt_passage" not in level:
        level = {**_data_sheet(train, plan, stage), **level}
    needed = ("feed_flow", "feed_conductivity", "feed_pressure", "temperature")
    missing = [key for key in needed if key not in values]
    if missing and len(missing) < len(needed):
        notes.append(
            f"Of the conditions {', '.join(missing)} {'is' if len(missing) == 1 else 'are'} not known, so no"
            " expected profile was computed."
        )
    if missing:
        return replace(state, notes=tuple(notes))
    if "permeate_flow" not in level or "salt_passage" not in level:
        notes.append(
            "The permeabilities of the membranes are not known (no history, and no [train.element_test] in"
            " the plant file), so no expected profile was computed."
        )
        return replace(state, notes=tuple(notes))
    feed_mg_l = float(concentration_mg_l(values["feed_conductivity"], 25.0, PURE, plant.water))
    run = Conditions(
        values["feed_flow"],
        feed_mg_l,
        values["feed_pressure"],
        values["temperature"],
        values.get("permeate_pressure", 0.0),
        values.get("concentrate_pressure"),
    )
    # From m3/h over m2 and bar to L/m2/h/bar.
    a, b = 1000.0 * math.exp(level["permeate_flow"]), 1000.0 * math.exp(level["salt_passage"])
    permeate = math.nan
    if state.source == "history" and "permeate_conductivity" in values:
        permeate = float(
            concentration_mg_l(values["permeate_conductivity"], 25.0, PURE, plant.water)
        )
    a, b, healthy = _fitted(
        plant, train, geometry, run, a, b, values.get("permeate_flow"), permeate
    )
    if not np.isfinite(healthy.flow_m3h).all():
        notes.append(
            "A vessel cannot be run under these conditions (flow, pressure, salt and temperature do not fit"
            " together): no expected profile. Are they right?"
        )
        return replace(state, notes=tuple(notes))
    return replace(
        state,
        water_lmh_bar=a,
        salt_lmh=b,
        healthy=healthy,
        reference_us_cm=_reference(plant, train, geometry, run),
        notes=tuple(notes),
    )


def _reference(plant: Plant, train: TrainConfig, geometry: Stage, run: Conditions) -> float | None:
    """Permeate of a vessel of fixed membranes; None where it cannot be run."""
    a, b = REFERENCE[plant.water.kind]
    _, _, healthy = _fitted(plant, train, geometry, run, a, b, None, math.nan)
    flow = healthy.flow_m3h
    mixed = float(flow @ healthy.concentration_mg_l / flow.sum())
    shown = float(displayed_us_cm(mixed, 25.0, PURE, plant.water))
    return shown if math.isfinite(shown) else None


def _data_sheet(train: TrainConfig, plan: sections.Plan, stage: int) -> dict[str, float]:
    """ln A and ln B of new membranes by the element's data sheet; nothing without one."""
    if train.element_test is None:
        return {}
    test = design.ElementTest(
        train.element_test.nominal_flow_m3d,
        train.element_test.rejection,
        train.element_test.pressure_bar,
        train.element_test.temperature_c,
        train.element_test.concentration_mg_l,
        train.element_test.recovery,
    )
    return dict(design.element_levels(plan, test, train.stages[stage - 1].element_area_m2))


def _fitted(
    plant: Plant,
    train: TrainConfig,
    geometry: Stage,
    run: Conditions,
    a: float,
    b: float,
    permeate_m3h: float | None,
    permeate_mg_l: float,
) -> tuple[float, float, Healthy]:
    """Permeabilities that give the measured permeate of a vessel, and that vessel.

    The section's own means and the vessel slice by slice differ by a few per cent.
    """

    def vessel() -> Healthy:
        return healthy_vessel(
            geometry,
            run,
            water_lmh_bar=a,
            salt_lmh=b,
            water=plant.water,
            water_activation_k=train.model.water_activation_k,
            salt_activation_k=train.model.salt_activation_k,
        )

    healthy = vessel()
    for _ in range(ROUNDS):
        flow = float(healthy.flow_m3h.sum())
        salt = float(healthy.flow_m3h @ healthy.concentration_mg_l) / flow
        more = permeate_m3h / flow if permeate_m3h is not None else 1.0
        saltier = permeate_mg_l / salt if math.isfinite(permeate_mg_l) else 1.0
        if not (math.isfinite(more) and math.isfinite(saltier)):
            break
        if abs(more - 1.0) < 1e-4 and abs(saltier - 1.0) < 1e-4:
            break
        a, b = a * more, b * saltier * more
        healthy = vessel()
    return a, b, healthy
