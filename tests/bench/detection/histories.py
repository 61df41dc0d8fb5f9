"""From a case to what the rules see: the digests of its history, and the findings that need no evaluation."""

import pickle
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.plantfile import load
from rules import robust, sections
from rules.baseline import BaselineRule
from rules.digest import BLOCK_S, Digest
from rules.findings import Finding
from rules.performance import Performance
from rules.sections import Evaluation, Plan, SectionInputs
from rules.train import Train
from rules.watch import Watch
from simulator import faults, plantfile
from simulator.instruments import Instrument
from simulator.plant import _instruments
from simulator.scenario import PlantSpec, Scenario
from simulator.site import Site
from simulator.truth import condition
from tests.bench.detection.cases import Case

Array = NDArray[np.float64]
DAY_S = 86400.0


@dataclass(frozen=True)
class Told:
    """What one closed quarter hour brought: state, digest, findings other than of the membranes."""

    time: float
    state: str
    digest: Digest | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class History:
    """A case as recorded. days (n,) and condition: true change of every stage as logarithms, by day.

    raw : day, feed pressure of the train, permeate conductivity; medians of a digest.
    """

    case: Case
    train: Train
    start: float
    told: tuple[Told, ...]
    days: Array
    condition: Mapping[str, Mapping[str, list[float]]]

    @property
    def plan(self) -> Plan:
        """Sections and observables of the train."""
        return sections.plan(self.train)


class _Prepared(Plan):
    """A plan that has evaluated all rows beforehand, at once; gives the very same numbers."""

    def __init__(self, plan: Plan, rows: Array) -> None:
        for name in plan.__dataclass_fields__:
            object.__setattr__(self, name, getattr(plan, name))
        found = plan.evaluate(rows)
        object.__setattr__(self, "_found", found)
        object.__setattr__(self, "_at", {row.tobytes(): i for i, row in enumerate(rows)})

    def evaluate(self, values: ArrayLike) -> Evaluation:
        rows = np.ascontiguousarray(values, dtype=float)
        at = [self._at.get(row.tobytes(), -1) for row in rows]  # type: ignore[attr-defined]
        if min(at) < 0:
            return super().evaluate(rows)
        found: Evaluation = self._found  # type: ignore[attr-defined]
        inputs = {
            name: SectionInputs(**{f: getattr(s, f)[at] for f in s.__dataclass_fields__})
            for name, s in found.inputs.items()
        }
        return Evaluation(found.observables[at], found.uncertainty[at], inputs)


class _Recorder(Watch):
    """A watch that does not judge the membranes."""

    def _judged(self, performance: Performance, end: float) -> list[Finding]:
        return []


def has(spec: PlantSpec, signal: str) -> bool:
    """Whether an invented plant measures a signal."""
    made: tuple[Instrument, ...] = _instruments(Scenario("", "", "", plant=spec))
    return any(i.signal == signal for i in made)


def record(case: Case, step_s: float) -> History:
    """Run the plant of a case and digest what it shows."""
    faults.EFFECTS.update(dict(case.effects))
    site = Site(case.scenario, case.seed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plant.toml"
        path.write_text(plantfile.exported(site, Path(folder) / "data.csv"), encoding="utf-8")
        train = load(path).trains[0].model
    length = case.scenario.days
    times = site.start_s + np.arange(0.0, length * DAY_S, step_s)
    table = site.sample(times)
    values = np.ascontiguousarray(np.array([table[f"{train.id}/{s}"] for s in train.signals]).T)
    each = int(BLOCK_S // step_s)
    blocks = values[: len(values) // each * each].reshape(-1, each, values.shape[1])
    middles = np.array([robust.median(block) for block in blocks])
    plan = sections.plan(train)
    watch = _Recorder(
        _Prepared(plan, np.concatenate([values, middles])),
        dict.fromkeys(train.signals, "plc"),
        BaselineRule(),
    )
    told = []
    for at, row in zip(times.tolist(), values, strict=True):
        step = watch.minute(at, row)
        if step.digest is not None or step.findings:
            told.append(Told(at, step.state, step.digest, step.findings))
    days = np.arange(0.0, length, 0.5)
    return History(case, train, site.start_s, tuple(told), days, condition(site.train(), days))


def recorded(case: Case, step_s: float, cache: Path | None) -> History:
    """The same, from `cache` when it is there."""
    if cache is None:
        return record(case, step_s)
    path = cache / f"{case.seed}-{case.cause}-{case.scenario.days:.0f}-{step_s:.0f}.pickle"
    if path.exists():
        with path.open("rb") as file:
            return pickle.load(file)  # type: ignore[no-any-return]
    made = record(case, step_s)
    cache.mkdir(parents=True, exist_ok=True)
    # A half-written file must not be read back.
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        pickle.dump(made, file)
    part.replace(path)
    return made
