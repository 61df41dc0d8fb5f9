"""Shims, parts and solutions, whatever the geometry."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules import cleaningplan, shims, workparts
from rules.cleaningplan import RECIPES, SUPPLIED_PERCENT, Limits, NotPossible
from rules.workparts import Opened, Vessel

thicknesses = st.lists(st.integers(5, 120).map(lambda t: t / 10), min_size=1, max_size=4)


@given(play=st.floats(0.5, 60.0), sizes=thicknesses)
def test_shims_fit_and_no_other_choice_leaves_less(play: float, sizes: list[float]) -> None:
    """The row can always be closed, what is left adds up, and one more of the thinnest would not go in."""
    stack = shims.stack(play, sizes, least_mm=0.5, most_mm=5.0)
    assert stack is not None
    assert stack.total_mm + stack.left_mm == pytest.approx(play)
    assert stack.total_mm == pytest.approx(sum(t * n for t, n in stack.counts))
    assert 0.5 - 1e-6 <= stack.left_mm < 0.5 + min(sizes) + shims.STEP_MM
    assert all(n > 0 for _, n in stack.counts)


@given(
    vessels=st.integers(1, 60),
    elements=st.integers(1, 10),
    per_joint=st.integers(1, 6),
    per_adapter=st.integers(1, 6),
)
def test_counts_grow_with_the_vessels(
    vessels: int, elements: int, per_joint: int, per_adapter: int
) -> None:
    """As many interconnectors as elements less one in each vessel, and every count is so many times one vessel's."""
    vessel = Vessel(o_rings_per_joint=per_joint, o_rings_per_adapter=per_adapter)

    def needed(n: int) -> dict[str, int | None]:
        whole = Opened(n, elements, n * elements, n * (elements - 1), 2 * n)
        return {p.key: p.needed for p in workparts.unloading(whole, vessel, 3)}

    one, all_of_them = needed(1), needed(vessels)
    assert all_of_them == {k: vessels * (v or 0) for k, v in one.items()}
    assert all_of_them.get("interconnector", 0) == vessels * (elements - 1)
    assert all_of_them["element"] == all_of_them["brine_seal"] == vessels * elements


@given(
    name=st.sampled_from(sorted(RECIPES)),
    volume=st.floats(50.0, 20000.0),
    ph_min=st.floats(0.5, 5.0),
    ph_max=st.floats(9.0, 13.5),
    warmest=st.floats(20.0, 50.0),
)
def test_a_solution_stays_inside_the_limits(
    name: str, volume: float, ph_min: float, ph_max: float, warmest: float
) -> None:
    """Estimated pH and temperature never leave what the membrane stands; amounts go with the volume."""
    limits = Limits(ph_min, ph_max, warmest)
    try:
        made = cleaningplan.solution(RECIPES[name], volume, limits, SUPPLIED_PERCENT)
    except NotPossible:
        return
    twice = cleaningplan.solution(RECIPES[name], 2 * volume, limits, SUPPLIED_PERCENT)
    assert ph_min <= made.ph <= ph_max
    assert made.temperature_c <= warmest
    assert made.doses
    for one, two in zip(made.doses, twice.doses, strict=True):
        assert 0 < one.active_kg <= one.kg
        assert two.kg == pytest.approx(2 * one.kg)


@given(citric=st.floats(0.0, 0.2), base=st.floats(0.0, 0.2))
def test_more_base_never_lowers_the_ph(citric: float, base: float) -> None:
    """The balance of charges has one answer, and it rises with the base."""
    less = cleaningplan.estimated_ph({"citric_acid": citric, "sodium_hydroxide": base})
    more = cleaningplan.estimated_ph({"citric_acid": citric, "sodium_hydroxide": base + 0.01})
    assert more > less
