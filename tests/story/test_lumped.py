"""Histories of another physics through `replay`, as a stranger would try it; more of them: `tests.bench.lumped`."""

import pytest

from tests.bench.detection.cases import ACTIONS, FAMILY
from tests.bench.lumped.__main__ import told


@pytest.mark.parametrize("seed", [48, 49])
def test_a_leak_in_a_plant_of_another_physics(seed: int) -> None:
    """Weeks with stops and rinsing: silence before the leak, within twelve hours the right errand."""
    case, notices = told(seed, None)
    assert case.cause == "o_ring_leak"
    assert notices
    first = notices[0]
    assert case.onset <= first["day"] <= case.onset + 0.5
    assert FAMILY[first["cause"]] == case.family
    assert first["action"] in ACTIONS[case.family]
    assert len(notices) == 1
