"""Conditions of a survey or probe: from the history, by hand, and what is said when they are not known."""

import math
from pathlib import Path

import pytest

from daemon import conditions
from daemon.conditions import ConditionsUnusable, parse, stage_state
from daemon.history_reader import HistoryReader
from daemon.plantfile import load
from rules import sections
from tests.sampling_kit import Sampled, sampled


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Sampled:
    """A sound simulated plant with a history of its last hour."""
    return sampled(tmp_path_factory.mktemp("plant"), faults=())


def test_units_of_any_kind() -> None:
    """Every value comes in the unit inside, whatever unit it was written in."""
    got = parse(
        "feed_conductivity=4.2mS/cm, feed_pressure=150 psi,feed_flow=42gpm,temperature=64.4°F"
    )
    assert got["feed_conductivity"] == pytest.approx(4200.0)
    assert got["feed_pressure"] == pytest.approx(10.342, abs=1e-3)  # 1 psi = 6.894757 kPa
    assert got["feed_flow"] == pytest.approx(9.539, abs=1e-3)  # 1 US gallon = 3.785412 L
    assert got["temperature"] == pytest.approx(18.0)
    assert parse("feed_flow=9.5m3/h, temperature=18") == {"feed_flow": 9.5, "temperature": 18.0}


def test_everything_that_is_wrong_at_once() -> None:
    """Unknown keys, other quantities, impossible values and repetitions, one line each."""
    with pytest.raises(ConditionsUnusable) as raised:
        parse(
            "speed=3,temperature=64,feed_pressure=9psig,feed_flow=18°C,feed_conductivity,temperature=5,temperature=6"
        )
    lines = str(raised.value).splitlines()
    assert len(lines) == 6
    for words in ("speed", "64°F", "psi", "measures no flow", "feed_conductivity=VALUE", "twice"):
        assert sum(words in line for line in lines) >= 1, words


@pytest.mark.parametrize("stage", [1, 2])
def test_from_the_history(plant: Sampled, stage: int) -> None:
    """The permeabilities are those of the simulated membranes, and the vessel makes what the stage's meters say."""
    loaded = load(plant.plant_file)
    train = loaded.trains[0]
    got = stage_state(loaded, train, stage, HistoryReader(loaded.store.folder))
    spec = plant.plant.scenario.only.plant
    assert got.source == "history"
    assert got.water_lmh_bar == pytest.approx(spec.water_lmh_bar, rel=0.06)
    assert got.salt_lmh == pytest.approx(spec.salt_lmh, rel=0.10)
    assert got.healthy is not None
    assert got.healthy.flow_m3h.sum() == pytest.approx(got.values["permeate_flow"], rel=1e-3)
    assert got.notes == ()


def test_by_hand_goes_before_the_history(plant: Sampled) -> None:
    """What was told is taken, the rest is that of the history; another temperature gives another vessel."""
    loaded = load(plant.plant_file)
    reader = HistoryReader(loaded.store.folder)
    as_it_is = stage_state(loaded, loaded.trains[0], 1, reader)
    told = stage_state(loaded, loaded.trains[0], 1, reader, given={"feed_conductivity": 6000.0})
    assert told.values["feed_conductivity"] == 6000.0
    assert told.values["feed_pressure"] == as_it_is.values["feed_pressure"]
    assert as_it_is.reference_us_cm is not None
    assert told.reference_us_cm is not None
    assert told.reference_us_cm > 1.3 * as_it_is.reference_us_cm


def test_without_a_history(plant: Sampled) -> None:
    """Nothing told: nothing known. Some of it: what is missing. All of it, with a data sheet: a profile."""
    loaded = load(plant.plant_file)
    train = loaded.trains[0]
    assert stage_state(loaded, train, 1, None).source == "none"
    some = stage_state(loaded, train, 1, None, given={"temperature": 18.0})
    assert "feed_flow, feed_conductivity, feed_pressure are not known" in some.notes[0]
    every = {
        "feed_flow": 9.5,
        "feed_conductivity": 4200.0,
        "feed_pressure": 15.0,
        "temperature": 18.0,
    }
    full = stage_state(loaded, train, 1, None, given=every)
    assert (full.healthy is not None) == (train.element_test is not None)
    if full.healthy is None:
        assert "[train.element_test]" in full.notes[0]
    cannot = stage_state(
        loaded, train, 1, HistoryReader(loaded.store.folder), given=every | {"feed_pressure": 1.0}
    )
    assert cannot.healthy is None
    assert "Are they right?" in cannot.notes[0]


def test_against_the_baseline(plant: Sampled) -> None:
    """With membranes that passed a fifth less salt at the baseline, the stage's permeate would be a fifth purer."""
    loaded = load(plant.plant_file)
    train = loaded.trains[0]
    reader = HistoryReader(loaded.store.folder)
    signals = train.model.signals
    row = list(reader.minutes(train.id, signals=signals))[-1].values
    plan = sections.plan(train.model)
    observed = dict(zip(plan.observables, plan.observe(row).tolist(), strict=True))
    before = {"1/salt_passage": observed["1/salt_passage"] + math.log(0.8)}
    got = stage_state(loaded, train, 1, reader, baseline=before)
    assert got.baseline_us_cm == pytest.approx(0.8 * got.values["permeate_conductivity"], rel=0.03)


def test_of_another_time(plant: Sampled, tmp_path: Path) -> None:
    """Minutes older than six hours say nothing; an empty folder has no history."""
    loaded = load(plant.plant_file)
    reader = HistoryReader(loaded.store.folder)
    late = stage_state(loaded, loaded.trains[0], 1, reader, when=plant.now_s + 2 * conditions.OLD_S)
    assert late.source == "none"
    assert "no readings within 6 h" in late.notes[0]
    empty = stage_state(loaded, loaded.trains[0], 1, HistoryReader(tmp_path))
    assert (empty.source, empty.notes) == ("none", ())
