"""Permeate of the stages without flow meters: split by one water permeability, and what that allows.

The plant and its hand balance are those of tests/unit/test_sections.py.
"""

import numpy as np
import pytest

from rules import sections
from rules.train import Means, Stage
from tests.unit.test_sections import EVERYTHING, STAGES, train, values, without

STAGE_FLOWS = ("1/permeate_flow", "2/permeate_flow")


@pytest.mark.parametrize(
    "lost",
    [
        (),
        ("1/permeate_conductivity",),
        ("1/permeate_conductivity", "2/permeate_conductivity"),
        ("1/permeate_conductivity", "2/permeate_conductivity", "permeate_conductivity"),
    ],
    ids=len,
)
@pytest.mark.parametrize("means", ["d4516", "profile"])
def test_split_stages_have_one_permeability(means: Means, lost: tuple[str, ...]) -> None:
    """Whatever is known of the permeate's salt, the inputs of all sections show the same Qp/(area · NDP)."""
    plan = sections.plan(train(without(*STAGE_FLOWS, *lost)), means=means)
    got = plan.inputs(values(plan))
    a = [
        float(got[name].permeate_flow_m3h / (got[name].ndp_bar * area))
        for name, area in (("1", 2220.0), ("2", 1110.0), ("train", 3330.0))
    ]
    assert a[1:] == pytest.approx(a[:1] * 2, rel=1e-9)
    assert any("salt-free" in note for note in plan.notes) == (len(lost) == 3)


@pytest.mark.parametrize("means", ["d4516", "profile"])
def test_without_stage_flows_the_permeate_is_split(means: Means) -> None:
    """Flows that add up, and what can be judged by them."""
    plan = sections.plan(train(without(*STAGE_FLOWS)), means=means)
    assert [(s.name, s.quantities) for s in plan.sections] == [
        ("1", ("pressure_drop",)),
        ("2", ("pressure_drop",)),
        ("train", ("permeate_flow", "salt_passage")),
    ]
    assert plan.balances == ("water", "salt", "stage_1_to_2_pressure")
    assert "split by one permeability" in plan.basis
    assert [n.split(":")[0] for n in plan.notes] == ["stage 1", "stage 2", "train"]
    assert all("split as if all stages had the same water" in n for n in plan.notes[:2])
    row = values(plan)
    one, two = (plan.inputs(row)[k] for k in ("1", "2"))
    assert float(one.permeate_flow_m3h + two.permeate_flow_m3h) == pytest.approx(75.0, rel=1e-12)
    # All balances hold: what stage 1 leaves is what stage 2 is fed with.
    assert float(two.feed_flow_m3h) == pytest.approx(100.0 - float(one.permeate_flow_m3h))
    left = 100.0 * 2000.0 - float(one.permeate_flow_m3h) * 20.0
    assert float(two.feed_mg_l * two.feed_flow_m3h) == pytest.approx(left, rel=1e-9)


def test_split_of_impossible_readings_is_nan() -> None:
    """More permeate than feed, or a brine beyond the pressure: no flows, no warning; the rest stays."""
    plan = sections.plan(train(without(*STAGE_FLOWS)))
    rows = np.stack(
        [
            values(plan),
            values(plan, permeate_flow=120.0),
            values(plan, feed_conductivity=60_000.0),
            values(plan, s2_feed_pressure=np.nan),
        ]
    )
    flow = plan.inputs(rows)["1"].permeate_flow_m3h
    assert np.isnan(flow).tolist() == [False, True, True, True]
    assert np.isfinite(plan.observe(rows)[1:, plan.observables.index("balance/water")]).all()
    assert not np.isnan(plan.observe(rows[0])).any()


def test_split_needs_every_pressure_and_no_stage_meter() -> None:
    """A pressure that is lacking between the stages, or one stage meter of three: no split is invented."""
    lost = (*STAGE_FLOWS, "1/concentrate_pressure", "2/feed_pressure")
    plan = sections.plan(train(without(*lost)))
    assert [s.name for s in plan.sections] == ["train"]
    assert "split" not in plan.basis
    three = (*STAGES, Stage(vessels=3, elements_per_vessel=6, element_area_m2=37.0))
    names = [n for n in EVERYTHING if n != "2/permeate_flow"]
    more = [*names, "3/feed_pressure", "3/concentrate_pressure"]
    plan = sections.plan(train(more, three))
    assert "2/pressure_drop" not in plan.observables
    assert "split" not in plan.basis
