"""A simulated plant as the watch sees it: its train by way of the plant file, and its minutes as arrays."""

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon.plantfile import load
from rules import sections
from rules.baseline import BaselineRule
from rules.findings import Finding, Presence
from rules.train import Train
from rules.watch import Step, Watch
from simulator import plantfile
from simulator.site import Site

Array = NDArray[np.float64]
DAY_S = 86400.0


@dataclass(frozen=True)
class Run:
    """A scenario over some days. times (n,) [s], values (n, n_signals) in SI."""

    name: str
    train: Train
    start: float
    times: Array
    values: Array

    def watch(self, rule: BaselineRule | None = None) -> Watch:
        """A new watch over this train, all signals from one device ``plc``."""
        device = dict.fromkeys(self.train.signals, "plc")
        return Watch(sections.plan(self.train), device, rule or BaselineRule())

    def day(self, time: float) -> float:
        """Days since the start of the run."""
        return (time - self.start) / DAY_S

    def column(self, signal: str) -> int:
        """Column of a signal."""
        return self.train.signals.index(signal)

    def rows(self, since: float = -np.inf, until: float = np.inf) -> Iterator[tuple[float, Array]]:
        """Times and values from `since` up to and not including `until`. [s]"""
        use = (self.times >= since) & (self.times < until)
        yield from zip(self.times[use].tolist(), self.values[use], strict=True)


def run(name: str, days: float, step_s: float = 300.0, seed: int = 1, train_id: str = "A") -> Run:
    """Simulate the first `days` of a train of a scenario, one row each `step_s`."""
    plant = Site(name, seed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plant.toml"
        path.write_text(plantfile.exported(plant, Path(folder) / "data.csv"), encoding="utf-8")
        train = load(path).train(train_id).model
    times = plant.start_s + np.arange(0.0, days * DAY_S, step_s)
    table = plant.sample(times)
    values = np.array([table[f"{train.id}/{s}"] for s in train.signals]).T
    return Run(name, train, plant.start_s, times, values)


class Confirmed:
    """The least of a notice: which findings have held for their time. `raised` keeps the first of each."""

    def __init__(self) -> None:
        self._since: dict[str, float] = {}
        self.active: dict[str, Finding] = {}
        self.raised: list[tuple[float, Finding]] = []

    def take(self, time: float, findings: Sequence[Finding]) -> None:
        """Take the findings of one step. [s]"""
        for finding in findings:
            if finding.presence is Presence.PRESENT:
                began = self._since.setdefault(finding.matter, time)
                if finding.matter not in self.active and time - began >= finding.confirm_s:
                    self.active[finding.matter] = finding
                    self.raised.append((time, finding))
            elif finding.presence is Presence.ABSENT:
                self._since.pop(finding.matter, None)
                self.active.pop(finding.matter, None)


def walk(run: Run, watch: Watch | None = None) -> list[tuple[float, Step]]:
    """All steps of a run through a watch, with their times."""
    watch = watch or run.watch()
    return [(time, watch.minute(time, row)) for time, row in run.rows()]
