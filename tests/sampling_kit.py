"""A simulated plant with a real history of its last hour, and the handheld readings a technician takes there."""

import asyncio
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from daemon.history import History
from daemon.minutes import Minute
from daemon.plantfile import load
from drivers.protocol import Quality
from simulator import handheld, plantfile
from simulator.faults import Fault
from simulator.operation import DAY_S
from simulator.plant import Plant
from simulator.scenario import load as scenario_of
from simulator.site import Site
from simulator.truth import iso

LEAK = Fault("o_ring_leak", 1.0, "step", severity=0.012, stage=1, vessel=3, joint=4)
"""An interconnector of vessel 1-03 that lets salt in from the second day on."""

DAY = 2.0


@dataclass(frozen=True)
class Sampled:
    """The plant file of a simulated plant, and the plant to read by hand at `now_s`."""

    plant_file: Path
    plant: Plant
    now_s: float

    def survey(self, stage: int, at_s: float | None = None) -> str:
        """A survey of a stage as a CSV."""
        rows = handheld.survey(
            self.plant, stage, self.now_s if at_s is None else at_s, handheld.Meter()
        )
        lines = [f"{r.vessel},{r.conductivity_us_cm:g},{r.temperature_c:g}" for r in rows]
        return "\n".join(["vessel,conductivity_us_cm,temperature_c", *lines, ""])

    def probe(self, vessel: str, distance_mm: Sequence[float]) -> str:
        """A probe of a vessel as a CSV."""
        rows = handheld.probe(self.plant, vessel, list(distance_mm), self.now_s, handheld.Meter())
        lines = [f"{r.depth_mm:g},{r.conductivity_us_cm:g},{r.temperature_c:g}" for r in rows]
        return "\n".join(["distance_mm,conductivity_us_cm,temperature_c", *lines, ""])


def sampled(folder: Path, faults: Sequence[Fault] = (LEAK,), *, history: bool = True) -> Sampled:
    """A plant of two stages after two days, with the minutes of its last hour in its store."""
    site = Site(replace(scenario_of("healthy"), faults=tuple(faults)), 5)
    now_s = site.start_s + DAY * DAY_S
    plant_file = folder / "plant.toml"
    extras = plantfile.Extras(store=str(folder / "store"))
    plant_file.write_text(plantfile.exported(site, folder / "h.csv", extras), encoding="utf-8")
    if history:
        # In a thread of its own: a test with a browser has a loop running already.
        with ThreadPoolExecutor(1) as thread:
            thread.submit(lambda: asyncio.run(_write(plant_file, site, now_s))).result()
    return Sampled(plant_file, site.train(), now_s)


async def _write(plant_file: Path, site: Site, now_s: float) -> None:
    plant = load(plant_file)
    (train,) = plant.trains
    signals = train.model.signals
    times = np.arange(now_s - 3600.0, now_s, 60.0)
    table = site.sample(times)
    plant.store.folder.mkdir()
    store = History.open(plant.store.folder, trains={train.id: signals})
    try:
        for i, t in enumerate(times.tolist()):
            row = np.array([table[f"{train.id}/{s}"][i] for s in signals])
            good = np.ones(len(signals), np.uint16)
            worst = np.full(len(signals), Quality.GOOD, np.uint8)
            await store.append_minute(Minute(train.id, int(t), row, good, worst, 1, ()))
    finally:
        store.close()


def when(at_s: float) -> str:
    """An instant as a command takes it."""
    return iso(round(at_s))
