"""Faults of the simulator: growth, place, size, cleaning."""

from dataclasses import replace

import numpy as np
import pytest

from rules.findings import CAUSES
from simulator.faults import (
    AT_CLEANING,
    CLEANABLE,
    EFFECTS,
    FROM_TAIL,
    KINDS,
    PROFILES,
    Cleaning,
    Fault,
    Renewal,
    apply,
    cause_of,
    profile,
)
from simulator.growth import LAWS, grown
from simulator.plant import Plant
from simulator.scenario import parse
from simulator.vessels import StageShape, StageState

SHAPE = StageShape(4, 6)
NOW = np.array([1.0])


def sound() -> StageState:
    """A stage as new."""
    size = (6, 1, 4)
    return StageState(
        water=np.full(size, 3.5),
        salt=np.full(size, 0.12),
        friction=np.ones(size),
        bypass=np.zeros(size),
        element_leak=np.zeros(size),
        joint_leak=np.zeros((7, 1, 4)),
    )


@pytest.mark.parametrize("law", LAWS)
def test_growth_goes_from_nothing_to_full(law: str) -> None:
    """Every law is 0 before the onset, 1 after its time, and never falls."""
    days = np.linspace(-5.0, 40.0, 500)
    part = grown(law, days, 28.0)
    assert np.all(part[days <= 0.0] == 0.0)
    assert np.all(part[days >= 28.0] == 1.0)
    assert np.all(np.diff(part) >= 0.0)


def test_growth_has_its_shape() -> None:
    """Half-way: linear one half; accelerating well below, saturating as far above; a step full."""
    half = {law: float(grown(law, np.array([14.0]), 28.0)[0]) for law in LAWS}
    assert half["linear"] == 0.5
    assert half["accelerating"] < 0.25
    assert half["saturating"] == pytest.approx(1.0 - half["accelerating"])
    assert half["step"] == 1.0


def test_growth_refuses_nonsense() -> None:
    """An unknown law and a growth time of zero raise and say what would do."""
    with pytest.raises(ValueError, match="use one of linear"):
        grown("sudden", np.array([1.0]), 1.0)
    with pytest.raises(ValueError, match="above 0"):
        grown("linear", np.array([1.0]), 0.0)


@pytest.mark.parametrize("name", PROFILES)
def test_profile_has_its_worst_element(name: str) -> None:
    """The worst element has 1, at the feed end for lead, at the concentrate end for tail."""
    share = profile(name, 6)
    assert share.max() == 1.0
    assert share.min() > 0.0
    assert share[-1 if name in FROM_TAIL else 0] == 1.0
    assert np.all(np.diff(share) >= 0.0 if name in FROM_TAIL else np.diff(share) <= 0.0)


def test_reach_sets_how_far_a_deposit_goes() -> None:
    """A third is left after as many elements as given; a longer reach hits more of the vessel."""
    assert profile("tail", 6, 2.0)[3] == pytest.approx(np.exp(-1.0))
    short, long = (
        apply(sound(), SHAPE, 1, 1, [Fault("scaling", 0.0, "step", reach_elements=reach)], NOW, 6.5)
        for reach in (0.7, 4.0)
    )
    assert long.water[5, 0, 0] == pytest.approx(short.water[5, 0, 0])
    assert np.all(long.water[:5] < short.water[:5])


@pytest.mark.parametrize("kind", EFFECTS)
def test_effect_on_the_worst_element(kind: str) -> None:
    """Fully grown, the worst element has changed by the stated sizes and no input array has."""
    state = sound()
    before = state.water.copy()
    fault = Fault(kind, onset_day=1.0, grows_days=10.0, stage=1)
    # What comes with a cleaning or a start has one when it should begin, and no time to fade.
    moments = ([Cleaning(11.0 if kind in AT_CLEANING else 90.0, 0.0)], (), [1.0])
    found = apply(state, SHAPE, 1, 2, [fault], np.array([0.0, 11.0]), 6.5, *moments)
    effect = EFFECTS[kind]
    worst = int(np.argmax(profile(effect.profile, 6)))
    assert found.water[worst, 1, 0] == pytest.approx(3.5 * (1.0 + effect.water))
    assert found.salt[worst, 1, 0] == pytest.approx(0.12 * (1.0 + effect.salt))
    assert found.friction[worst, 1, 0] == pytest.approx(1.0 + effect.friction)
    assert np.array_equal(found.water[:, 0], before[:, 0])
    assert np.array_equal(state.water, before)


def test_fouling_of_the_lead_raises_friction_before_it_takes_flow() -> None:
    """Biofilm half grown: a larger part of its friction than of its loss of flow has come."""
    fault = Fault("biofouling", onset_day=0.0, grows_days=10.0)
    found = apply(sound(), SHAPE, 1, 2, [fault], np.array([5.0]), 6.5)
    effect = EFFECTS["biofouling"]
    friction_part = (found.friction[0, 0, 0] - 1.0) / effect.friction
    water_part = (found.water[0, 0, 0] / 3.5 - 1.0) / effect.water
    assert friction_part == pytest.approx(0.5)
    assert water_part < 0.35


def test_default_stages() -> None:
    """Scale sits in the last stage, biofilm in the first, compaction in all."""
    assert Fault("scaling", 0.0).stages(2) == (2,)
    assert Fault("scaling", 0.0).stages(3) == (3,)
    assert Fault("biofouling", 0.0).stages(2) == (1,)
    assert Fault("compaction", 0.0).stages(2) == (1, 2)
    assert Fault("scaling", 0.0, stage=1).stages(2) == (1,)


def test_leaks_have_a_place() -> None:
    """An O-ring leak opens one joint of one vessel, a hole one element of one vessel."""
    ring = Fault("o_ring_leak", 0.0, "step", severity=0.01, stage=1, vessel=3, joint=2)
    hole = Fault("damaged_element", 0.0, "step", severity=0.01, stage=1, vessel=1, element=6)
    found = apply(sound(), SHAPE, 1, 2, [ring, hole], np.array([1.0]), 6.5)
    assert np.argwhere(found.joint_leak).tolist() == [[2, 0, 2]]
    assert np.argwhere(found.element_leak).tolist() == [[5, 0, 0]]
    other = apply(sound(), SHAPE, 2, 2, [ring, hole], np.array([1.0]), 6.5)
    assert not np.any(other.joint_leak)


def test_one_vessel_only() -> None:
    """A membrane fault with a vessel leaves the others as they were."""
    fault = Fault("scaling", 0.0, "step", stage=1, vessel=2)
    found = apply(sound(), SHAPE, 1, 1, [fault], np.array([1.0]), 6.5)
    assert np.all(found.water[:, 0, [0, 2, 3]] == 3.5)
    assert np.all(found.water[:, 0, 1] < 3.5)


def test_cleaning_takes_its_part() -> None:
    """A cleaning removes its part of what had grown; the second one only of what was left."""
    fault = Fault("scaling", onset_day=0.0, grows_days=10.0)
    cleanings = [Cleaning(5.0, 0.8), Cleaning(7.0, 0.5)]
    day = np.array([4.9, 5.0, 7.0, 20.0])
    size = fault.size(day, cleanings)
    assert size == pytest.approx([0.49, 0.1, 0.15, 0.45])


@pytest.mark.parametrize("kind", sorted(set(KINDS) - set(CLEANABLE) - set(AT_CLEANING)))
def test_cleaning_does_not_mend(kind: str) -> None:
    """No cleaning changes damage, leaks, compaction or a transmitter."""
    fault = Fault(kind, onset_day=0.0, grows_days=10.0)
    day = np.array([4.0, 6.0])
    assert np.array_equal(fault.size(day, [Cleaning(5.0, 1.0)]), fault.size(day))


def test_repair_ends_a_fault() -> None:
    """After `until_day` a fault is gone."""
    fault = replace(Fault("transmitter_offset", 2.0, "step"), until_day=4.0)
    assert fault.size(np.array([1.9, 3.0, 4.0])).tolist() == [0.0, 1.0, 0.0]


def test_every_kind_has_a_cause_of_the_design() -> None:
    """A monitor has a word for each kind of fault."""
    assert {cause_of(kind) for kind in KINDS} == set(CAUSES) - {"none"}


def test_hydrolysis_adds_up_with_each_cleaning() -> None:
    """Of three cleanings the two after the onset damage the membranes, each as much again and for good."""
    fault = Fault("hydrolysis_by_cleaning", onset_day=10.0)
    cleanings = [Cleaning(5.0, 0.9), Cleaning(12.0, 0.9), Cleaning(20.0, 0.9)]
    day = np.array([6.0, 11.9, 12.0, 19.0, 20.0, 300.0])
    assert fault.begins(cleanings) == 12.0
    assert fault.size(day, cleanings).tolist() == [0.0, 0.0, 1.0, 1.0, 2.0, 2.0]


def test_residue_of_a_cleaning_fades_within_two_days() -> None:
    """Full at the end of the cleaning, a fifth a day later, a thirtieth after two (24 to 48 h by the reference)."""
    fault = Fault("cleaning_residue", onset_day=0.0)
    size = fault.size(np.array([2.9, 3.0, 4.0, 5.0]), [Cleaning(3.0, 0.9)])
    assert size[:2].tolist() == [0.0, 1.0]
    assert 0.1 < size[2] < 0.25
    assert size[3] < 0.04


@pytest.mark.parametrize("kind", ["delamination", "telescoping"])
def test_a_start_does_damage(kind: str) -> None:
    """It comes with the first start after the onset, not with one before, and a new element is sound."""
    fault = Fault(kind, onset_day=10.0, growth="step", grows_days=0.02, stage=1, vessel=2)
    starts = [4.0, 10.2, 15.0]
    assert fault.begins((), starts) == 10.2
    assert fault.begins((), starts[:1]) is None
    day = np.array([9.0, 10.1, 10.3, 20.0])
    assert fault.size(day, (), starts).tolist() == [0.0, 0.0, 1.0, 1.0]
    renewals = [Renewal(18.0, 1, vessel=2)]
    hit = apply(sound(), SHAPE, 1, 1, [fault], day, 6.5, (), renewals, starts)
    damage = (hit.salt - 0.12 + hit.element_leak).max(axis=0)
    assert (damage > 0.0).tolist() == [
        [False] * 4,
        [False] * 4,
        [False, True, False, False],
        [False] * 4,
    ]


def test_delamination_is_a_hole_in_the_last_element() -> None:
    """Unless the scenario names another."""
    fault = Fault("delamination", 0.5, "step", severity=0.01, stage=1, vessel=3)
    found = apply(sound(), SHAPE, 1, 1, [fault], NOW, 6.5, (), (), [0.6])
    assert np.argwhere(found.element_leak).tolist() == [[5, 0, 2]]


def test_each_chemistry_reaches_its_deposits() -> None:
    """Acid takes carbonate and next to nothing of sulfate and silica; alkali half of these, the whole of a film."""
    acid, alkaline, both = (Cleaning(1.0, 1.0, name) for name in ("acid", "alkaline", ""))
    assert acid.of("antiscalant_failure") == 1.0
    assert acid.of("sulfate_scaling") < 0.1
    assert acid.of("silica_scaling") < 0.1
    assert 0.4 < alkaline.of("sulfate_scaling") < alkaline.of("silica_scaling") < 0.7
    assert alkaline.of("biofouling") == both.of("biofouling") == both.of("scaling") == 1.0
    assert both.of("sulfate_scaling") == alkaline.of("sulfate_scaling")


@pytest.mark.parametrize(
    ("kind", "said"),
    [("hydrolysis_by_cleaning", "comes with a cleaning"), ("delamination", "comes with a stop")],
)
def test_what_never_happens_is_refused(kind: str, said: str) -> None:
    """A fault that comes with a cleaning or a stop, in a story without one, raises and says what to plan."""
    text = f"""
    title = "t"
    description = "d"
    [operation]
    stop_every_days = 0
    [[fault]]
    kind = "{kind}"
    onset_day = 9
    """
    with pytest.raises(ValueError, match=said):
        Plant(parse(text, "t.toml", "t"))


@pytest.mark.parametrize(
    ("name", "signal", "least", "most"),
    [
        ("acid_failure", "feed_ph", 0.5, 0.9),
        ("oxidation", "feed_orp", 200.0, 320.0),
        ("inlet_plugging", "feed_turbidity", 0.05, 0.4),
    ],
)
def test_clues_upstream(name: str, signal: str, least: float, most: float) -> None:
    """While the fault grows the feed instruments tell of its source, by the right amount."""
    plant = Plant(name)
    (fault,) = plant.scenario.faults
    day = fault.onset_day + fault.grows_days * np.array([-0.5, 0.5])
    before, after = plant.truth(plant.start_s + day * 86400.0)[signal]
    assert least < after - before < most


def test_a_plugged_inlet_is_no_longer_clouded() -> None:
    """Media came once: the turbidity is as usual when they have lodged."""
    plant = Plant("inlet_plugging")
    (fault,) = plant.scenario.faults
    day = np.linspace(fault.onset_day + fault.grows_days + 0.1, plant.scenario.days, 50)
    cloudy = plant.truth(plant.start_s + day * 86400.0)["feed_turbidity"]
    assert cloudy.max() < 0.16
