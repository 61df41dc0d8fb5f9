"""The normalization loop: restart from the record at any minute, and what is not mixed."""

from dataclasses import replace
from pathlib import Path

import pytest

from daemon import plantfile
from daemon.minutes import Minute
from daemon.normalize import Normalizer
from daemon.notices import Notices
from daemon.plantfile import Plant
from daemon.record import Record
from daemon.replay import Source
from daemon.sqlite import StoreError
from simulator.__main__ import main
from tests.notices_kit import quick_record


@pytest.fixture(scope="module")
def leaking(tmp_path_factory: pytest.TempPathFactory) -> tuple[Plant, list[Minute]]:
    """Twelve days of a train that springs a leak on day nine, a minute each quarter of an hour and a bit."""
    folder = tmp_path_factory.mktemp("leak")
    arguments = ["o_ring_leak", "--days", "12", "--step-minutes", "7"]
    files = ["--export", str(folder / "h.csv"), "--write-plant", str(folder / "plant.toml")]
    assert main([*arguments, *files]) == 0
    plant = plantfile.load(folder / "plant.toml")
    return plant, list(Source(plant, folder / "h.csv").minutes(plant.train("A")))


def judge(plant: Plant, record: Record, minutes: list[Minute]) -> None:
    """Judge minutes with a fresh normalizer, as after a start: rebuilt from what the record has."""
    normalizer = Normalizer(plant.train("A"), record, Notices(record, plant))
    since, until = normalizer.memory_from, normalizer.judged_until
    normalizer.rebuild(m for m in minutes if since < m.time <= until)
    for minute in minutes:
        if minute.time > normalizer.judged_until and minute.time > until:
            normalizer.take(minute)


def test_a_restart_at_any_minute_changes_nothing(
    leaking: tuple[Plant, list[Minute]], tmp_path: Path
) -> None:
    """Started again six times on the way, the journal and the digests are those of one run."""
    plant, minutes = leaking
    found = []
    for cuts in ((), (3, 401, 402, 1851, 1900, 2300)):
        folder = tmp_path / str(len(cuts))
        folder.mkdir()
        with quick_record(folder) as record:
            for end in (*cuts, len(minutes)):
                judge(plant, record, minutes[:end])
            journal = [line.body for line in record.journal()]
            found.append((journal, record.digests("A"), record.baselines("A")))
    assert found[0] == found[1]
    assert any('"cause": "o_ring_leak"' in body for body in found[0][0])


def test_a_record_of_another_water_law_is_not_mixed(
    leaking: tuple[Plant, list[Minute]], tmp_path: Path
) -> None:
    """When the plant file changes what the numbers mean, the start is refused with the way out."""
    plant, minutes = leaking
    with quick_record(tmp_path) as record:
        judge(plant, record, minutes[:600])
        assert len(record.baselines("A")) == 1
        train = plant.train("A")
        other = replace(train, model=replace(train.model, pressure_drop_exponent=1.7))
        changed = replace(plant, trains=(other,))
        with pytest.raises(
            StoreError, match=r"train A: the baseline was made with: .*new \[store\] folder"
        ):
            judge(changed, record, minutes)
