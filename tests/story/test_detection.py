"""A small fixed part of `tests.bench.detection`, with floors: one history of each kind of cause, and two sound ones."""

import pytest

from tests.bench.detection.cases import ACTIONS, FAMILY, draw
from tests.bench.detection.histories import has
from tests.bench.detection.scores import Outcome, outcome

SEEDS = (1004, 1008, 1015, 1022, 1046, 1063, 1068, 1075)
SOUND = (1001, 1003)
EVERY = 8


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    """What came of the faulty histories."""
    return [outcome(draw(seed, has), 300.0, None, EVERY) for seed in SEEDS]


def test_the_seeds_are_of_many_kinds() -> None:
    """All five plants and at least six families of causes."""
    cases = [draw(seed, has) for seed in SEEDS]
    assert len({c.plant for c in cases}) == 5
    assert len({c.family for c in cases}) >= 6


def test_causes_are_told_and_named(outcomes: list[Outcome]) -> None:
    """At most one is missed, and at most one has another family or action at its first notice."""
    firsts = [(o.case, o.first) for o in outcomes]
    assert sum(first is None for _, first in firsts) <= 1
    told = [(case, first) for case, first in firsts if first is not None]
    wrong = [case.name for case, first in told if FAMILY.get(first.cause) != case.family]
    assert len(wrong) <= 1, wrong
    astray = [c.name for c, first in told if first.action not in ACTIONS[c.family]]
    assert len(astray) <= 1, astray


def test_nothing_is_told_before_it_begins(outcomes: list[Outcome]) -> None:
    """No notice before the onset, and hardly more than one for each fault."""
    for o in outcomes:
        assert [x.message for x in o.raised if x.day < o.case.onset] == []
    assert sum(len(o.raised) for o in outcomes) <= len(SEEDS) + 2


@pytest.mark.parametrize("seed", SOUND)
def test_sound_plants_are_silent(seed: int) -> None:
    """A season of set-points, stops, weather and rain raises nothing."""
    got = outcome(draw(seed, has, sound=True, days=75.0), 300.0, None, EVERY)
    assert [x.message for x in got.raised] == []
