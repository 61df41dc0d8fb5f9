"""What must hold of the detection whatever the data: missing values, order, exactness, probabilities."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from rules import causes, digest, hypotheses, noise, robust, sections, transmitters, trend
from rules.baseline import Baseline, BaselineRule
from rules.causes import Candidates
from rules.digest import Digest
from rules.series import Series
from rules.trend import Shape
from rules.watch import Watch
from tests.unit.test_sections import train, values

PLAN = sections.plan(train())
NAMES = PLAN.observables
N = len(NAMES)
HYPOTHESES = hypotheses.membrane_hypotheses(PLAN) + hypotheses.instrument_hypotheses(
    PLAN, values(PLAN)
)
ALL = Candidates(HYPOTHESES)
COVARIANCE = noise.Noise(NAMES, dict.fromkeys(NAMES, 0.004)).covariance(24, 0.0)

finite = st.floats(allow_nan=False, allow_infinity=False)
names = st.text(min_size=1, max_size=8)
mappings = st.dictionaries(names, finite, max_size=5)
maybe = st.one_of(st.floats(-1e6, 1e6), st.just(np.nan))
deviations = hnp.arrays(float, N, elements=st.one_of(st.floats(-2.0, 2.0), st.just(np.nan)))
tables = hnp.arrays(
    float, st.tuples(st.integers(1, 40), st.just(3)), elements=st.sampled_from([1.0, 2.0, np.nan])
)
scores = st.floats(-5.0, 500.0)
shapes = st.one_of(
    st.none(),
    st.builds(
        Shape, finite, scores, scores, scores, finite, finite, st.floats(-2, 2), st.floats(-5, 5)
    ),
)


def nan_equal(a: NDArray[np.float64], b: NDArray[np.float64]) -> bool:
    """Equality with NaN equal to NaN."""
    return bool(np.array_equal(a, b, equal_nan=True))


@given(deviations, shapes)
def test_probabilities_sum_to_one(z: NDArray[np.float64], shape: Shape | None) -> None:
    """Whatever moved and is missing, probabilities are probabilities, ranked after the first, and sum to one."""
    before = z.copy()
    found = causes.judge(ALL, z, COVARIANCE, shape)
    p = [c.probability for c in found.causes]
    assert sum(p) == pytest.approx(1.0, abs=1e-9)
    assert all(0.0 <= x <= 1.0 for x in p)
    # The first stands there for its errand.
    assert p[1:] == sorted(p[1:], reverse=True)
    assert 0.0 <= found.fault <= 1.0
    assert 0.0 <= found.step <= 1.0
    assert nan_equal(z, before)


@given(deviations, st.randoms(use_true_random=False))
def test_order_of_observables_and_hypotheses_does_not_matter(
    z: NDArray[np.float64], random: Any
) -> None:
    """Observables in another order and hypotheses in another order give the same probabilities."""
    order = list(range(N))
    random.shuffle(order)
    shuffled = [
        causes.Hypothesis(
            h.cause, h.section, h.point, h.mean[order], h.spread[order], h.step, h.rate, h.prior,
            h.accelerating,
        )
        for h in HYPOTHESES
    ]  # fmt: skip
    random.shuffle(shuffled)
    one = causes.judge(ALL, z, COVARIANCE, None)
    two = causes.judge(Candidates(shuffled), z[order], COVARIANCE[np.ix_(order, order)], None)
    first = {(c.cause, c.point): c.probability for c in one.causes}
    second = {(c.cause, c.point): c.probability for c in two.causes}
    assert first.keys() == second.keys()
    assert all(second[k] == pytest.approx(p, rel=1e-6, abs=1e-9) for k, p in first.items())


@given(hnp.arrays(float, hnp.array_shapes(min_dims=1, max_dims=3, max_side=9), elements=maybe))
def test_robust_statistics_ignore_nan(table: NDArray[np.float64]) -> None:
    """Median and scale along the first axis equal numpy's NaN-median, and leave their input alone."""
    before = table.copy()
    middle, sigma = robust.median(table), robust.sigma(table)
    flat = table.reshape(len(table), -1)
    for column, m, s in zip(flat.T, middle.ravel(), sigma.ravel(), strict=True):
        known = column[np.isfinite(column)]
        if not len(known):
            assert np.isnan(m)
            assert np.isnan(s)
            continue
        assert m == pytest.approx(float(np.median(known)), rel=1e-12)
        if len(known) < 2:
            assert np.isnan(s)
        else:
            mad = float(np.median(np.abs(known - np.median(known))))
            assert s == pytest.approx(1.4826 * mad, rel=1e-9, abs=1e-9)
    assert nan_equal(table, before)


@given(tables)
def test_frozen_agrees_with_the_plain_loop(table: NDArray[np.float64]) -> None:
    """The vectorized search finds the same runs as going back minute by minute."""
    signals = ("a", "b", "c")
    times = np.arange(len(table)) * 300.0
    found = transmitters.frozen(signals, times, table, dict.fromkeys(signals, 1.0))
    expected = {}
    for column, name in enumerate(signals):
        known = [(t, v) for t, v in zip(times, table[:, column], strict=True) if np.isfinite(v)]
        if not np.isfinite(table[-1, column]):
            continue
        run = []
        for t, v in reversed(known):
            if v != known[-1][1]:
                break
            run.append(t)
        if len(run) >= transmitters.FEWEST_REPEATS and times[-1] - run[-1] >= transmitters.FROZEN_S:
            expected[name] = run[-1]
    assert dict(found.since) == expected
    assert not set(found.since) & found.undecided


@given(hnp.arrays(float, st.integers(0, 60), elements=st.one_of(st.floats(-1.0, 1.0), st.just(np.nan))))  # fmt: skip
def test_shapes_are_finite_and_leave_inputs_alone(y: NDArray[np.float64]) -> None:
    """A shape in time is all numbers, whatever is missing, and needs six values."""
    days, sigma, before = np.arange(len(y)) * 0.25, np.full(len(y), 0.01), y.copy()
    found = trend.shape(days, y, sigma, 0.01)
    if np.isfinite(y).sum() < 6:
        assert found is None
    else:
        assert found is not None
        numbers = [getattr(found, name) for name in Shape.__slots__]
        assert np.isfinite(numbers).all()
        assert days[0] <= found.onset <= days[-1]
    assert nan_equal(y, before)


@given(
    st.builds(
        Digest, finite, st.integers(1, 15), mappings, mappings, mappings, mappings, mappings, mappings
    )
)  # fmt: skip
def test_digests_read_back_exactly(made: Digest) -> None:
    """Any digest written as JSON reads back equal, to the last bit."""
    assert Digest.from_json(made.to_json()) == made


@given(
    st.builds(
        Baseline, finite, finite, finite,
        st.sampled_from(["first_steady", "window", "design", "after_replacement"]),
        st.integers(0, 9999), mappings, mappings, mappings, mappings, mappings,
    )
)  # fmt: skip
def test_baselines_read_back_exactly(made: Baseline) -> None:
    """Any baseline written as JSON reads back equal, to the last bit."""
    assert Baseline.from_json(made.to_json()) == made


@given(st.sets(st.integers(0, len(PLAN.signals) - 1)))
@settings(max_examples=40)
def test_missing_signals_give_exactly_the_missing_observables(lost: set[int]) -> None:
    """A digest lacks exactly the observables that need a missing signal; its input is unchanged."""
    row = np.tile(values(PLAN), (3, 1))
    row[:, sorted(lost)] = np.nan
    before = row.copy()
    made = digest.summarize(PLAN, 0.0, row, {})
    gone = {PLAN.signals[i] for i in lost}
    assert set(made.values) == {o for o in NAMES if not PLAN.needs(o) & gone}
    assert set(made.uncertainty) == set(made.values)
    assert nan_equal(row, before)


@given(st.lists(st.integers(0, 5000), min_size=1, max_size=80, unique=True), st.integers(0, 400))
def test_windows_hold_what_they_say(quarters: list[int], back: int) -> None:
    """A window holds every kept digest from its start on, and never one before its earliest."""
    series = Series(("1/permeate_flow",))
    starts = [900.0 * q for q in sorted(quarters)]
    for start in starts:
        series.add(Digest(start, 1, {}, {}, {}, {"1/permeate_flow": start}, {}, {}))
    since = starts[-1] - 900.0 * back
    got = series.window(since, 3, since - 86400.0)
    kept = [d.start for d in series.digests]
    assert kept == starts[len(starts) - len(kept) :]
    if got is None:
        assert sum(1 for s in kept if s >= since - 86400.0) < 3
    else:
        levels = series.levels[got, 0].tolist()
        assert len(levels) >= 3
        assert set(levels) >= {s for s in kept if s >= since}
        assert min(levels) >= min(since, since - 86400.0)


@given(
    st.lists(
        st.tuples(
            st.integers(1, 40),
            hnp.arrays(float, len(PLAN.signals), elements=st.one_of(st.floats(0.0, 100.0), st.just(np.nan))),
            st.booleans(),
        ),
        max_size=40,
    )
)  # fmt: skip
@settings(max_examples=30, deadline=None)
def test_any_minutes_are_survived(minutes: list[tuple[int, NDArray[np.float64], bool]]) -> None:
    """Absurd, missing and irregular minutes raise nothing, give only finite numbers and stay unchanged."""
    watch = Watch(PLAN, dict.fromkeys(PLAN.signals, "plc"), BaselineRule(hours=1.0))
    time = 0.0
    for gap, row, down in minutes:
        time += 60.0 * gap
        before = row.copy()
        step = watch.minute(time, row, ("plc",) if down else ())
        assert nan_equal(row, before)
        if step.digest:
            step.digest.to_json()  # refuses anything that is not a number
