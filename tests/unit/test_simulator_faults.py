"""Faults of the simulator: growth, place, size, cleaning."""

from dataclasses import replace

import numpy as np
import pytest

from simulator.faults import CLEANABLE, EFFECTS, KINDS, PROFILES, Cleaning, Fault, apply, profile
from simulator.growth import LAWS, grown
from simulator.vessels import StageShape, StageState

SHAPE = StageShape(4, 6)


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
    assert {"lead": 0, "front": 0, "tail": 5, "even": int(np.argmax(share))}[name] == np.argmax(
        share
    )


@pytest.mark.parametrize("kind", EFFECTS)
def test_effect_on_the_worst_element(kind: str) -> None:
    """Fully grown, the worst element has changed by the stated sizes and no input array has."""
    state = sound()
    before = state.water.copy()
    fault = Fault(kind, onset_day=1.0, grows_days=10.0, stage=1)
    found = apply(state, SHAPE, 1, 2, [fault], np.array([0.0, 11.0]), 6.5)
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


@pytest.mark.parametrize("kind", sorted(set(KINDS) - set(CLEANABLE)))
def test_cleaning_does_not_mend(kind: str) -> None:
    """No cleaning changes damage, leaks, compaction or a transmitter."""
    fault = Fault(kind, onset_day=0.0, grows_days=10.0)
    day = np.array([4.0, 6.0])
    assert np.array_equal(fault.size(day, [Cleaning(5.0, 1.0)]), fault.size(day))


def test_repair_ends_a_fault() -> None:
    """After `until_day` a fault is gone."""
    fault = replace(Fault("transmitter_offset", 2.0, "step"), until_day=4.0)
    assert fault.size(np.array([1.9, 3.0, 4.0])).tolist() == [0.0, 1.0, 0.0]
