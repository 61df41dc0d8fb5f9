"""Replay equals live on twenty random plants: rows as they come, with restarts, against the same rows afterwards."""

import asyncio
import random
from dataclasses import replace
from pathlib import Path

import pytest

from daemon import plantfile
from daemon.history import History
from daemon.normalize import Normalizer
from daemon.notices import Notices
from daemon.plantfile import Plant
from daemon.record import Record
from daemon.replay import Source
from simulator.export import export
from simulator.plantfile import exported
from simulator.site import Site
from tests.bench.detection.cases import draw
from tests.bench.detection.histories import has
from tests.story.plant_kit import journal_of_replay

DAYS, STEP_MINUTES, ONSET_DAY = 6.0, 40.0, 2.6
RESTARTS = 4


def drawn(seed: int, folder: Path) -> tuple[Plant, Path]:
    """A random plant with a fault of full size within a day, exported."""
    case = draw(seed, has)
    faults = tuple(
        replace(f, onset_day=ONSET_DAY, grows_days=min(f.grows_days, 1.0))
        for f in case.scenario.faults
    )
    site = Site(replace(case.scenario, days=DAYS, faults=faults), seed)
    rows, plant_file = folder / "rows.csv", folder / "plant.toml"
    export(site, rows, days=DAYS, step_minutes=STEP_MINUTES)
    plant_file.write_text(exported(site, rows), encoding="utf-8")
    return plantfile.load(plant_file), rows


async def live(plant: Plant, rows: Path, folder: Path, chance: random.Random) -> list[str]:
    """Minutes stored and judged one by one, the judging begun anew some times; the journal."""
    (train,) = plant.trains
    minutes = list(Source(plant, rows).minutes(train))
    cuts = {chance.randrange(len(minutes)) for _ in range(RESTARTS)}
    history = History.open(folder, trains={train.id: train.model.signals})
    with Record.open(folder, durable=False) as record:
        normalizer = Normalizer(train, record, Notices(record, plant))
        for k, minute in enumerate(minutes):
            await history.append_minute(minute)
            if k not in cuts:
                normalizer.take(minute)
                continue
            # As the service starts: rebuilt from what was concluded, then what was stored since is caught up with.
            normalizer = Normalizer(train, record, Notices(record, plant))
            stored = list(history.minutes(train.id, signals=train.model.signals))
            since, until = normalizer.memory_from, normalizer.judged_until
            normalizer.rebuild(m for m in stored if since < m.time <= until)
            for one in stored:
                if one.time > until:
                    normalizer.take(one)
        history.close()
        return [line.body for line in record.journal()]


@pytest.mark.parametrize("seed", range(400, 420))
def test_replay_equals_live(seed: int, tmp_path: Path) -> None:
    """The journal of the live run, of its history replayed and of the historian's rows replayed: one, to the byte."""
    plant, rows = drawn(seed, tmp_path)
    store = tmp_path / "store"
    store.mkdir()
    told = asyncio.run(live(plant, rows, store, random.Random(seed)))
    assert told == journal_of_replay(plant, store)
    assert told == journal_of_replay(plant, rows)
