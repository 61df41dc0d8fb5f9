"""Reconciliation, suspects and the network of a train, on invented trains whose balances were made by hand."""

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from rules import reconcile
from rules.network import Network, network
from rules.suspects import alike, judge
from rules.train import Instrument, signal
from tests.unit.test_sections import EVERYTHING, HEALTHY, STAGES, train, without

Array = NDArray[np.float64]

TWO_STAGES = [[1, -1, -1, 0, 0, 0], [0, 0, 1, -1, -1, 0], [0, 1, 0, 1, 0, -1]]
"""Feed, permeate 1, between, permeate 2, concentrate, permeate; as in the reference's table."""
TRUE = np.array([100.0, 50.0, 50.0, 25.0, 25.0, 75.0])
SIGMA = 0.005 * TRUE


def row(its: Network, **changed: float) -> Array:
    """The healthy row of the train; `changed` by names with ``stage1_`` for ``1/``."""
    values = dict(HEALTHY)
    for name, value in changed.items():
        key = name.replace("stage1_", "1/").replace("stage2_", "2/")
        assert key in values
        values[key] = value
    return np.array([values[s] for s in its.train.signals])


def names(its: Network, variables: Sequence[int]) -> set[str | None]:
    """Signals behind variables."""
    return {its.variables[i] for i in variables}


def test_unmeasured_stream_is_combined_away_and_estimated() -> None:
    """Without the meter between the stages two balances are left, and they say what flows there."""
    y = TRUE.copy()
    y[2] = np.nan
    found = reconcile.linear(TWO_STAGES, y, SIGMA)
    assert found.dof == 2
    assert found.observable.tolist() == [False, False, True, False, False, False]
    assert found.estimate[2] == pytest.approx(50.0)
    # By hand: what flows there is known from both sides; each side is a sum of independent meters.
    before, after = np.hypot(0.5, 0.25), np.hypot(0.125, 0.125)
    assert min(before, after) > found.estimate_uncertainty[2] > 0.0
    assert np.isnan(found.reconciled[2])
    # The two balances of the stages have become one; that of the header is as it was.
    assert [m.tolist() for m in found.made_of if m.any()] == [
        [True, True, False],
        [False, False, True],
    ]


def test_what_no_balance_gives_is_neither_redundant_nor_observable() -> None:
    """Two unmeasured streams at one node hide each other; a meter without a second opinion is not tested."""
    y = np.array([100.0, np.nan, np.nan, 25.0, 25.0, np.nan])
    found = reconcile.linear(TWO_STAGES, y, SIGMA)
    # between = 50 and then permeate 1 = 50 and permeate = 75 follow; nothing is left to test.
    assert found.observable.tolist() == [False, True, True, False, False, True]
    assert found.estimate[[1, 2, 5]] == pytest.approx([50.0, 50.0, 75.0])
    assert found.dof == 0
    assert not found.redundant.any()
    assert np.isnan(found.statistic)
    assert not found.detected()
    verdict = judge(found)
    assert not verdict.detected
    assert np.isnan(verdict.tail)
    y[3] = np.nan
    lost = reconcile.linear(TWO_STAGES, y, SIGMA)
    # Feed less concentrate is the whole permeate; how it divides cannot be said.
    assert lost.observable.tolist() == [False] * 5 + [True]
    assert lost.estimate[5] == pytest.approx(75.0)
    assert np.isnan(lost.estimate[:5]).all()


def test_a_balance_that_repeats_another_tests_nothing_new() -> None:
    """The balance of the whole train is the sum of those of the stages."""
    whole = [*TWO_STAGES, [1, -1, 0, -1, -1, 0]]
    y = TRUE * [1.01, 1, 1, 1, 1, 1]
    once, twice = reconcile.linear(TWO_STAGES, y, SIGMA), reconcile.linear(whole, y, SIGMA)
    assert twice.dof == 3
    assert twice.statistic == pytest.approx(once.statistic)
    assert twice.reconciled == pytest.approx(once.reconciled)
    assert np.isnan(twice.balance_test[3])


def test_constraint_test_of_one_balance() -> None:
    """The imbalance over the root of the sum of the squares of its meters. Hand calculation."""
    found = reconcile.linear([[1.0, -1.0, -1.0]], [103.0, 50.0, 50.0], [3.0, 2.0, 6.0])
    assert found.balance_test == pytest.approx([3.0 / 7.0])
    assert found.statistic == pytest.approx(9.0 / 49.0)


def test_rows_that_measure_different_things_are_solved_each_by_itself() -> None:
    """A block with gaps gives what its rows give alone, whatever its shape."""
    random = np.random.default_rng(4)
    y = TRUE * (1.0 + 0.01 * random.standard_normal((3, 4, 6)))
    y[0, 1, 2] = y[1, :, 5] = y[2, 3, [0, 4]] = np.nan
    whole = reconcile.linear(TWO_STAGES, y, SIGMA)
    for at in np.ndindex(3, 4):
        alone = reconcile.linear(TWO_STAGES, y[at], SIGMA)
        for name in ("reconciled", "uncertainty", "estimate", "test", "statistic", "balance_test"):
            np.testing.assert_allclose(
                getattr(whole, name)[at], getattr(alone, name), rtol=1e-9, atol=1e-9
            )
        assert whole.dof[at] == alone.dof


def test_a_meter_without_uncertainty_is_not_weighed() -> None:
    """Its value cannot be weighed against the others': as if it were not measured."""
    sigma = SIGMA.copy()
    sigma[2] = 0.0
    y = TRUE.copy()
    gone = y.copy()
    gone[2] = np.nan
    assert reconcile.linear(TWO_STAGES, y, sigma).estimate[2] == pytest.approx(
        reconcile.linear(TWO_STAGES, gone, SIGMA).estimate[2]
    )


def test_wrong_arguments_raise() -> None:
    """Shapes that do not fit, endless balances, negative uncertainties, levels outside 0 to 1."""
    with pytest.raises(ValueError, match="6 values are needed"):
        reconcile.linear(TWO_STAGES, [1.0, 2.0], 1.0)
    with pytest.raises(ValueError, match="below zero"):
        reconcile.linear(TWO_STAGES, TRUE, -SIGMA)
    with pytest.raises(ValueError, match="finite matrix"):
        reconcile.linear([[np.nan, 1.0]], [1.0, 1.0], 1.0)
    with pytest.raises(ValueError, match="finite matrix"):
        reconcile.bilinear([1.0], [1.0], 1.0, [1.0], 1.0)
    found = reconcile.linear(TWO_STAGES, TRUE, SIGMA)
    with pytest.raises(ValueError, match="level"):
        found.test_critical(1.0)
    with pytest.raises(ValueError, match="single row"):
        judge(reconcile.linear(TWO_STAGES, [TRUE, TRUE], SIGMA))


def test_a_single_error_is_named_with_its_size() -> None:
    """The meter between two stages is far off; its error and nothing else is found."""
    y = TRUE.copy()
    y[2] += 4.0
    verdict = judge(reconcile.linear(TWO_STAGES, y, SIGMA))
    assert verdict.located
    (suspect,) = verdict.suspects
    assert suspect.group == (2,)
    assert suspect.error == pytest.approx((4.0,))
    assert verdict.left == pytest.approx(0.0, abs=1e-9)


def test_two_errors_are_found_one_after_the_other() -> None:
    """Serial elimination stops when the rest agrees."""
    y = TRUE.copy()
    y[2] += 5.0
    y[5] -= 9.0
    verdict = judge(reconcile.linear(TWO_STAGES, y, SIGMA))
    assert [s.group for s in verdict.suspects] == [(5,), (2,)]
    assert verdict.located
    assert verdict.left_dof == 1


def test_meters_that_one_balance_sees_alike_are_never_told_apart() -> None:
    """Feed, permeate and concentrate of one balance: an error of any size stays with all three."""
    for who in range(3):
        y = np.array([100.0, 75.0, 25.0])
        y[who] *= 1.2
        found = reconcile.linear([[1, -1, -1]], y, [0.5, 0.375, 0.125])
        assert alike(found) == ((0, 1, 2),)
        verdict = judge(found)
        assert verdict.detected
        assert not verdict.located
        assert verdict.suspects[0].group == (0, 1, 2)
        assert abs(verdict.suspects[0].error[who]) == pytest.approx(y[who] / 6.0)


def test_a_meter_that_would_have_to_read_below_zero_is_no_suspect() -> None:
    """A concentrate of 25 cannot be 55 too high: then it is the feed."""
    y = np.array([45.0, 75.0, 25.0])
    found = reconcile.linear([[1, -1, -1]], y, [0.5, 0.375, 0.125])
    # By hand: 55 too much in sum; permeate 75 and feed 45 could be it, concentrate 25 could not.
    assert judge(found, positive=True).suspects[0].group == (0, 1)
    assert judge(found).suspects[0].group == (0, 1, 2)


def test_network_of_a_fully_instrumented_train() -> None:
    """Water and salt over the train and over the permeate header; what flows between the stages follows."""
    its = network(train())
    assert its.dof == 4
    found = its.reconcile(row(its)).found
    assert found.statistic == pytest.approx(0.0, abs=1e-12)
    between = 1
    assert found.estimate[between] == pytest.approx(50.0)
    assert found.estimate[between + len(its.streams)] == pytest.approx(3980.0)
    made = [np.flatnonzero(m).tolist() for m in found.made_of if m.any()]
    assert made == [[0, 1], [2], [3, 4], [5]]
    assert its.groups == (
        ("feed_conductivity", "concentrate_conductivity"),
        ("1/permeate_conductivity", "2/permeate_conductivity", "permeate_conductivity"),
    )


@pytest.mark.parametrize(
    ("names_lost", "dof"),
    [
        (("concentrate_flow",), 3),
        (("feed_temperature",), 2),
        (("feed_conductivity",), 3),
        (("permeate_flow", "permeate_conductivity"), 2),
        (("concentrate_flow", "concentrate_conductivity", "permeate_flow"), 1),
        (("concentrate_flow", "feed_conductivity", "permeate_flow", "permeate_conductivity"), 0),
        (("1/permeate_flow", "2/permeate_flow", "concentrate_conductivity"), 1),
    ],
)
def test_what_instruments_leave_to_test(names_lost: tuple[str, ...], dof: int) -> None:
    """Each meter less costs the balances that need it, and no others. Counted by hand."""
    its = network(train(without(*names_lost)))
    assert its.dof == dof
    assert its.reconcile(row(its)).found.dof == dof
    # The same of a train that has the meter, in a row where it is silent.
    full = network(train())
    silent = row(full)
    silent[[EVERYTHING.index(n) for n in names_lost]] = np.nan
    assert full.reconcile(silent).found.dof == dof


def test_a_single_stage_has_its_header_in_one_meter() -> None:
    """Feed, permeate and concentrate of one stage: one balance of water, one of salt."""
    its = network(train(without(*(n for n in EVERYTHING if n[0] in "12")), STAGES[:1]))
    assert its.dof == 2
    found = its.reconcile(row(its)).found
    assert found.statistic == pytest.approx(0.0, abs=1e-12)


def test_concentrate_flow_missing_is_estimated_from_the_rest() -> None:
    """Its flow follows from the water, and its conductivity is still tested."""
    its = network(train(without("concentrate_flow")))
    found = its.reconcile(row(its)).found
    stream = [s.name for s in its.streams].index("concentrate")
    assert found.estimate[stream] == pytest.approx(25.0)
    assert found.redundant[stream + len(its.streams)]


@pytest.mark.parametrize(
    ("changed", "group"),
    [
        ({"feed_flow": 107.0}, {"feed_flow"}),
        ({"permeate_flow": 70.0}, {"permeate_flow"}),
        ({"concentrate_flow": 29.0}, {"concentrate_flow"}),
        ({"feed_conductivity": 5000.0}, {"feed_conductivity", "concentrate_conductivity"}),
        ({"concentrate_conductivity": 12000.0}, {"feed_conductivity", "concentrate_conductivity"}),
        (
            {"stage2_permeate_conductivity": 220.0},
            {"1/permeate_conductivity", "2/permeate_conductivity", "permeate_conductivity"},
        ),
    ],
)  # fmt: skip
def test_a_wrong_meter_is_named_or_its_group_is(changed: dict[str, float], group: set[str]) -> None:
    """One meter when the balances can tell, else exactly those that they see alike."""
    its = network(train())
    verdict = its.reconcile(row(its, **changed)).verdict()
    assert verdict.detected
    assert verdict.explained
    (suspect,) = verdict.suspects
    assert names(its, suspect.group) == group
    assert verdict.located == (len(group) == 1)


def test_flows_of_nothing_and_water_beyond_the_laws_are_not_measured() -> None:
    """A stopped train, or a conductivity that no law covers, gives no balance instead of a wrong one."""
    its = network(train())
    stopped = row(its, feed_flow=0.0, permeate_flow=0.0, concentrate_flow=0.0)
    found = its.reconcile(stopped).found
    assert np.isnan(found.measured[0])
    dry = its.reconcile(row(its, feed_conductivity=0.0)).found
    assert dry.dof == 3
    assert not its.reconcile(np.full(len(EVERYTHING), np.nan)).found.redundant.any()


def test_the_mean_of_a_day_takes_only_what_the_newest_digest_has() -> None:
    """Rows of other meters would open the balance of the means."""
    its = network(train())
    rows = np.array([row(its), row(its) * 1.02, row(its) * 3.0])
    rows[2, EVERYTHING.index("concentrate_flow")] = np.nan
    assert its.average(rows[[2, 0, 1]]) == pytest.approx(row(its) * 1.01)
    other = rows.copy()
    other[1, EVERYTHING.index("1/feed_pressure")] = np.nan  # no part of any balance
    mean = its.average(other[[2, 0, 1]])
    assert mean[0] == pytest.approx(101.0)


def test_columns_that_do_not_fit_raise() -> None:
    """Another number of columns is another train."""
    with pytest.raises(ValueError, match="columns"):
        network(train()).reconcile([1.0, 2.0])


def test_a_signal_of_a_vessel_is_no_stream() -> None:
    """Vessel cells and pressures do not enter the balances."""
    plain = train()
    more = type(plain)(
        plain.id,
        plain.stages,
        (*plain.instruments, Instrument(signal("permeate_conductivity", 1, 3), 0.0, 0.02)),
        plain.water,
    )
    assert network(more).dof == 4


def test_a_row_far_off_does_not_disturb_the_others() -> None:
    """Wild readings in a block: each row as alone, without warnings, NaN where there is no solution."""
    its = network(train())
    random = np.random.default_rng(3)
    values = row(its) * np.exp(1.5 * random.standard_normal((60, len(EVERYTHING))))
    values[random.random(values.shape) < 0.1] = np.nan
    values[7] = row(its, feed_flow=5.0, stage2_permeate_flow=0.25)
    values[8] = row(its)
    found = its.reconcile(values).found
    assert np.isnan(found.statistic[7])
    assert np.isnan(found.reconciled[7]).all()
    assert found.statistic[8] == pytest.approx(0.0, abs=1e-12)
    some = np.isfinite(found.statistic)
    x = np.where(np.isfinite(found.reconciled), found.reconciled, found.estimate)[some]
    n = len(its.streams)
    for balance in its.incidence:
        used = balance != 0
        water = (balance[used] * x[:, :n][:, used]).sum(axis=1)
        size = np.abs(x[:, :n][:, used]).sum(axis=1)
        closes = np.isfinite(water)
        assert (np.abs(water[closes]) <= 1e-6 * size[closes]).all()
