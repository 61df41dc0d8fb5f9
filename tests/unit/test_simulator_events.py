"""Cleanings by chemistry, and new membranes, elements and seals in the simulated plant."""

from dataclasses import replace

import numpy as np
import pytest

from simulator.faults import Cleaning, Fault, Renewal
from simulator.operation import DIMINISHES
from simulator.plant import Plant
from simulator.scenario import Event, Scenario, ScenarioError, load, parse
from simulator.vessels import StageShape

DAY_S = 86400.0
QUIET = replace(
    load("healthy"),
    operation=replace(load("healthy").operation, stop_every_days=0.0, setpoint_every_days=0.0),
)


def plant(*events: Event, faults: tuple[Fault, ...] = ()) -> Plant:
    """The quiet plant with events and faults."""
    return Plant(replace(QUIET, events=events, faults=faults), seed=2)


def ratio(story: Plant, signal: str, day: float, against: Plant | None = None) -> float:
    """A noiseless signal over that of a plant to which nothing happens."""
    other = against or plant()
    t = np.array([story.start_s + day * DAY_S])
    return float(story.truth(t)[signal][0] / other.truth(t)[signal][0])


@pytest.mark.parametrize(
    ("kind", "right", "wrong"),
    [
        ("scaling", "acid", "alkaline"),
        ("metal_oxide_fouling", "acid", "alkaline"),
        ("biofouling", "alkaline", "acid"),
        ("organic_fouling", "alkaline", "acid"),
    ],
)
def test_the_right_chemistry_restores(kind: str, right: str, wrong: str) -> None:
    """Of a deposit fully grown, the right chemistry leaves a tenth, the wrong one most, both leave a tenth."""
    fault = Fault(kind, 0.0, grows_days=5.0)
    day = np.array([10.0])
    assert fault.size(day, [Cleaning(8.0, 0.9, right)])[0] == pytest.approx(0.1)
    assert fault.size(day, [Cleaning(8.0, 0.9, wrong)])[0] > 0.8
    assert fault.size(day, [Cleaning(8.0, 0.9)])[0] == pytest.approx(0.1)


def test_cleanings_restore_less_and_less() -> None:
    """The second cleaning takes 95 % of what the first took, the third 95 % of that; the log names the chemistry."""
    story = plant(*(Event("cleaning", float(d), chemistry="acid") for d in (5, 10, 15)))
    first, second, third = (c.restores for c in story.timeline.cleanings)
    assert second == pytest.approx(first * DIMINISHES)
    assert third == pytest.approx(first * DIMINISHES**2)
    lines = [(line.event, line.detail) for line in story.timeline.log]
    assert lines[:2] == [
        ("cleaning_start", "all stages, acid"),
        ("cleaning_end", "all stages, acid"),
    ]


def test_new_membranes_are_new() -> None:
    """After oxidation, new membranes: passage falls back to about the level of the first day."""
    fault = Fault("oxidation_damage", 1.0, grows_days=10.0)
    worn = plant(faults=(fault,))
    renewed = plant(Event("replace_membranes", 20.0), faults=(fault,))
    signal = "permeate_conductivity"
    assert ratio(worn, signal, 25.0) > 1.3
    assert ratio(renewed, signal, 25.0) == pytest.approx(1.0, abs=0.05)
    assert ratio(renewed, signal, 15.0, worn) == pytest.approx(1.0)


def test_preservative_is_rinsed_out_within_hours() -> None:
    """The first permeate of new elements is salty, for some hours."""
    renewed = plant(Event("replace_membranes", 2.0, hours=8.0))
    end = 2.0 + 8.0 / 24.0
    signal = "permeate_conductivity"
    assert ratio(renewed, signal, end + 1.0 / 24.0) > 2.0
    assert ratio(renewed, signal, end + 0.5) == pytest.approx(1.0, abs=0.05)


def test_a_new_seal_ends_a_leak_and_nothing_else() -> None:
    """New O-rings in the leaking vessel end the leak; in another vessel they change nothing; scale stays."""
    leak = Fault("o_ring_leak", 1.0, "step", severity=0.02, stage=1, vessel=3, joint=2)
    scale = Fault("scaling", 1.0, grows_days=5.0)
    worn = plant(faults=(leak, scale))
    mended = plant(Event("replace_seals", 8.0, stage=1, vessel=3), faults=(leak, scale))
    elsewhere = plant(Event("replace_seals", 8.0, stage=1, vessel=4), faults=(leak, scale))
    only_scale = plant(faults=(scale,))
    day, signal = 12.0, "1/permeate_conductivity"
    assert ratio(worn, signal, day) > 1.1
    assert ratio(mended, signal, day, only_scale) == pytest.approx(1.0, abs=1e-6)
    assert ratio(elsewhere, signal, day, worn) == pytest.approx(1.0, abs=1e-6)


def test_one_new_element() -> None:
    """A hole goes with its element; its neighbors are the old ones."""
    hole = Fault("damaged_element", 1.0, "step", severity=0.02, stage=2, vessel=2, element=4)
    mended = plant(Event("replace_element", 5.0, stage=2, vessel=2, element=4), faults=(hole,))
    assert ratio(mended, "2/permeate_conductivity", 4.0) > 1.1
    assert ratio(mended, "2/permeate_conductivity", 9.0) == pytest.approx(1.0, abs=0.02)
    t = np.array([mended.start_s + 9.0 * DAY_S])
    water = mended.stage_state(2, t).water / plant().stage_state(2, t).water
    changed = np.argwhere(np.abs(water - 1.0) > 1e-12).tolist()
    assert changed == [[3, 0, 1]]
    assert ("element_replaced", "2-02/4") in [
        (line.event, line.detail) for line in mended.timeline.log
    ]


def test_places_of_a_renewal() -> None:
    """Both joints of a new element have new seals."""
    shape = StageShape(2, 3)
    one = Renewal(1.0, 1, vessel=2, element=2)
    assert np.argwhere(one.places(shape)).tolist() == [[1, 0, 1]]
    assert np.argwhere(one.joints(shape)).tolist() == [[1, 0, 1], [2, 0, 1]]
    assert Renewal(1.0, 1).joints(shape).all()


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ('kind = "cleaning"\nchemistry = "soap"', "chemistry 'soap'; use acid or alkaline"),
        ('kind = "source"', "give salt_mg_l, temperature_c or both"),
        ('kind = "replace_element"\nstage = 1', "give stage, vessel and element"),
        ('kind = "replace_seals"\nvessel = 2', "vessel 2 of which stage"),
        ('kind = "replace_seals"\nstage = 3', "stage 3; the train has stages 1 to 2"),
        ('kind = "replace_seals"\nstage = 2\nvessel = 5', "stage 2 has vessel 1 to 4"),
    ],
)
def test_events_that_make_no_sense_are_refused(lines: str, says: str) -> None:
    """The scenario's error names the event and what would be right."""
    text = f'title = "t"\ndescription = "d"\n[[event]]\n{lines}\nat_day = 1\n'
    with pytest.raises(ScenarioError, match=says):
        parse(text, "here.toml", "here")


def test_the_demo_scenarios_still_read() -> None:
    """A scenario without any of this is as before."""
    story: Scenario = load("cleaned_scale")
    assert [e.chemistry for e in story.events] == [""] * len(story.events)
