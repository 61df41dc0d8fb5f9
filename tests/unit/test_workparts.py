"""Counts of parts and shims of a vessel job, counted by hand."""

import pytest

from rules import shims, workparts
from rules.workparts import Opened, Vessel


def counts(
    opened: Opened, vessel: Vessel | None = None, pieces: int | None = None
) -> dict[str, tuple[int | None, int | None]]:
    """Key of each part with what is needed and what is spare."""
    return {
        p.key: (p.needed, p.spare) for p in workparts.unloading(opened, vessel or Vessel(), pieces)
    }


def test_a_stage_of_four_vessels_of_six() -> None:
    """By hand: 24 elements, 4 × 5 = 20 interconnectors with 80 O-rings, 8 adapters with 16, 8 heads with 16.

    Lubricant 80 + 16 O-rings at 1 g and 8 heads at 5 g: 136 g. Spares: a twentieth, rounded up.
    """
    assert counts(Opened(4, 6, 24, 20, 8), pieces=3) == {
        "element": (24, 1),
        "brine_seal": (24, 2),
        "interconnector": (20, 1),
        "joint_o_ring": (80, 4),
        "adapter": (8, 1),
        "adapter_o_ring": (16, 1),
        "head_seal": (16, 1),
        "shim": (12, 8),
        "lubricant": (136, 0),
    }


def test_a_stage_of_eight_vessels_of_seven() -> None:
    """By hand: 56 elements and 2 spare (2 % is 1.12), 48 interconnectors, 192 O-rings and 10 spare."""
    found = counts(Opened(8, 7, 56, 48, 16))
    assert found["element"] == (56, 2)
    assert found["interconnector"] == (48, 3)
    assert found["joint_o_ring"] == (192, 10)
    assert found["shim"] == (None, None)


def test_one_element_of_a_vessel_of_six() -> None:
    """One element, but every seal of the vessel: all six elements come out and go in again."""
    found = counts(Opened(1, 6, 1, 2, 0))
    assert found["element"] == (1, 0)
    assert found["brine_seal"] == (6, 1)
    assert found["interconnector"] == (2, 1)
    assert found["joint_o_ring"] == (20, 1)
    assert found["adapter"] == (0, 1)
    assert found["head_seal"] == (4, 1)


def test_a_vessel_of_one_element_has_no_joints() -> None:
    """Nothing is interconnected, and no interconnector is on the list."""
    found = counts(Opened(3, 1, 3, 0, 6))
    assert "interconnector" not in found
    assert "joint_o_ring" not in found
    assert found["adapter"] == (6, 1)


def test_interlocking_elements_have_seals_but_no_interconnectors() -> None:
    """By hand: 2 × 5 joints with one seal each."""
    found = counts(Opened(2, 6, 12, 10, 4), Vessel(joints="interlocking", o_rings_per_joint=1))
    assert "interconnector" not in found
    assert found["joint_o_ring"] == (10, 1)


def test_a_seal_job_needs_no_element() -> None:
    """Only an interconnector is new."""
    found = counts(Opened(1, 6, 0, 1, 0))
    assert "element" not in found
    assert found["interconnector"] == (1, 1)


def test_a_probe_opens_ports_only() -> None:
    """One seal for each port, one spare, and a little lubricant."""
    assert [(p.key, p.take) for p in workparts.probing(3)] == [("port_seal", 4), ("lubricant", 3)]


@pytest.mark.parametrize(
    "wrong",
    [(0, 6, 0, 0, 0), (1, 0, 0, 0, 0), (1, 6, 7, 0, 0), (1, 6, 1, 6, 0), (1, 6, 1, 1, 3)],
)
def test_more_than_the_vessels_hold_is_refused(wrong: tuple[int, int, int, int, int]) -> None:
    """No job renews more than there is."""
    with pytest.raises(ValueError, match=r"must be|at least one"):
        Opened(*wrong)


def test_what_touches_an_element() -> None:
    """Two joints inside, one joint and one adapter at an end, two adapters around a single element."""
    assert [workparts.beside(k, 6) for k in (1, 3, 6)] == [(1, 1), (2, 0), (1, 1)]
    assert workparts.beside(1, 1) == (0, 2)
    with pytest.raises(ValueError, match="position 7 is not among 1 to 6"):
        workparts.beside(7, 6)


def test_free_play_of_a_vessel_of_six() -> None:
    """By hand: 6230 − 6 × 1016 − 60 − 58 = 16; six times 1.5 mm of tolerance either way."""
    play = shims.free_play(
        inside_length_mm=6230.0,
        elements=6,
        element_length_mm=1016.0,
        feed_adapter_mm=60.0,
        thrust_ring_mm=58.0,
        length_tolerance_mm=1.5,
    )
    assert (play.nominal_mm, play.least_mm, play.most_mm) == (16.0, 7.0, 25.0)


@pytest.mark.parametrize(
    ("play", "counts", "left"),
    [
        (16.0, ((5.0, 3),), 1.0),
        (17.3, ((5.0, 2), (3.0, 2)), 1.3),
        (3.4, (), 3.4),
        (0.5, (), 0.5),
        (8.6, ((5.0, 1), (3.0, 1)), 0.6),
        (9.9, ((3.0, 3),), 0.9),
    ],
)
def test_shims_of_five_and_three(
    play: float, counts: tuple[tuple[float, int], ...], left: float
) -> None:
    """By hand, leaving at least half a millimeter."""
    stack = shims.stack(play, [5.0, 3.0], least_mm=0.5, most_mm=5.0)
    assert stack is not None
    assert stack.counts == counts
    assert stack.left_mm == pytest.approx(left)
    assert stack.enough


def test_shims_that_are_too_thick_are_said() -> None:
    """Five millimeters cannot take up four: the play left is more than what is wanted."""
    stack = shims.stack(4.0, [5.0], least_mm=0.5, most_mm=3.0)
    assert stack is not None
    assert (stack.pieces, stack.left_mm, stack.enough) == (0, 4.0, False)


@pytest.mark.parametrize("play", [-4.0, 0.3, 151.0, float("nan")])
def test_a_row_that_does_not_fit_gets_no_shims(play: float) -> None:
    """Too long a row, or a gap that is no gap for shims, has to be looked at."""
    assert shims.stack(play, [5.0], least_mm=0.5, most_mm=5.0) is None


def test_lengths_that_cannot_be_are_refused() -> None:
    """Each length has its bound."""
    with pytest.raises(ValueError, match="inside_length_mm must be above 0"):
        shims.free_play(
            inside_length_mm=0.0,
            elements=6,
            element_length_mm=1016.0,
            feed_adapter_mm=0.0,
            thrust_ring_mm=0.0,
        )
    with pytest.raises(ValueError, match="thrust_ring_mm must not be below 0"):
        shims.free_play(
            inside_length_mm=9.0,
            elements=6,
            element_length_mm=1016.0,
            feed_adapter_mm=0.0,
            thrust_ring_mm=-1.0,
        )
    with pytest.raises(ValueError, match="elements must be at least 1"):
        shims.free_play(
            inside_length_mm=9.0,
            elements=0,
            element_length_mm=1016.0,
            feed_adapter_mm=0.0,
            thrust_ring_mm=1.0,
        )
    with pytest.raises(ValueError, match="shims_mm must hold"):
        shims.stack(9.0, [], least_mm=0.5, most_mm=5.0)
    with pytest.raises(ValueError, match="least_mm must be"):
        shims.stack(9.0, [3.0], least_mm=6.0, most_mm=5.0)
