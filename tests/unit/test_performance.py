"""From a series of digests to the performance finding: presence, windows, urgency, forecast."""

from collections.abc import Callable

import numpy as np
import pytest

from rules import baseline as baselines
from rules import digest, sections
from rules.digest import BLOCK_S, Digest, operating_names
from rules.findings import Finding, Presence
from rules.performance import Performance, limit_of
from rules.series import DAY_S, Series
from rules.train import Limits
from tests.unit.test_sections import train, values

PLAN = sections.plan(train())
NAMES = PLAN.observables
HEALTHY = digest.summarize(PLAN, 0.0, values(PLAN)[None], dict.fromkeys(PLAN.signals, 1.0))
SCATTER = dict(zip(NAMES, [0.003, 0.006, 0.004, 0.003, 0.006, 0.004] + [0.002] * 5, strict=True))
Change = Callable[[float], dict[str, float]]


def digests(days: float, change: Change, stride: float = BLOCK_S) -> list[Digest]:
    """Digests of healthy scatter with a change of the observables that depends on the day."""
    rng = np.random.default_rng(11)
    made = []
    for start in np.arange(0.0, days * DAY_S, stride).tolist():
        moved = change(start / DAY_S)
        level = {
            o: v + SCATTER[o] * float(rng.standard_normal()) + moved.get(o, 0.0)
            for o, v in HEALTHY.values.items()
        }
        made.append(
            Digest(start, 15, HEALTHY.signals, HEALTHY.alive, HEALTHY.operating, level, {}, {})
        )
    return made


def finding(
    days: float, change: Change, stride: float = BLOCK_S, cleaned: float = -np.inf
) -> Finding:
    """The finding at the end, against a baseline of the first two days; cleaned : end of the last clean. [d]"""
    all_of_them = digests(days, change, stride)
    first = [d for d in all_of_them if d.start < 2 * DAY_S]
    performance = Performance(PLAN, baselines.summarize(first, "first_steady"))
    series = Series(NAMES, operating_names(PLAN))
    for one in all_of_them:
        series.add(one)
    found = performance.evaluate(series, all_of_them[-1].start + BLOCK_S, cleaned * DAY_S)
    return next(f for f in found if f.matter == "performance")


def test_a_healthy_train_is_quiet() -> None:
    """Scatter alone gives an absent finding with the deviations of the day."""
    found = finding(10.0, lambda day: {})
    assert found.presence is Presence.ABSENT
    assert found.causes == ()
    assert set(found.deviation) == {"1", "2"}
    assert all(abs(v) < 0.02 for q in found.deviation.values() for v in q.values())


def scale(day: float) -> dict[str, float]:
    """Scale on the tail from day 6: one per cent of flow a day."""
    grown = max(day - 6.0, 0.0)
    return {
        "2/permeate_flow": -0.01 * grown,
        "2/salt_passage": 0.008 * grown,
        "2/pressure_drop": 0.005 * grown,
    }


def test_scale_is_found_early_with_a_forecast() -> None:
    """Scale that has taken six per cent is told with stage, action, onset and the day of the limit."""
    found = finding(12.0, scale)
    assert found.presence is Presence.PRESENT
    assert (found.cause, found.stage, found.action) == ("scaling", 2, "clean")
    assert found.causes[0].probability > 0.8
    assert found.since is not None
    assert found.since / DAY_S == pytest.approx(6.0, abs=1.5)
    assert found.since % BLOCK_S == 0.0
    assert found.forecast is not None
    # By hand: flow is at -0.06 and reaches ln 0.9 = -0.105 after 4.5 days more; passage +0.048 of
    # ln 1.1 = 0.095 after 5.9.
    assert found.forecast.quantity == "permeate_flow"
    assert found.forecast.limit_at / DAY_S == pytest.approx(16.5, abs=0.8)
    assert found.forecast.early <= found.forecast.limit_at
    assert (found.priority, found.notice_class) == ("medium", "advisory")


def test_beyond_the_limit_is_urgent_and_not_forecast() -> None:
    """Past a limit the priority is high, and the limit that is passed is no longer forecast."""
    found = finding(20.0, scale)
    assert found.priority == "high"
    assert found.forecast is None or found.forecast.quantity != "permeate_flow"


def test_a_leak_is_an_alarm_within_hours() -> None:
    """A step of salt passage of a quarter is seen by the fast window an hour after it came, as an alarm."""
    found = finding(10.0, lambda day: {"1/salt_passage": 0.25} if day >= 10.0 - 2 / 24 else {})
    assert found.presence is Presence.PRESENT
    assert (found.cause, found.stage, found.action) == ("o_ring_leak", 1, "probe")
    assert (found.notice_class, found.priority, found.confirm_s) == ("alarm", "high", 3600.0)


@pytest.mark.parametrize(
    ("days", "presence"), [(1.0, Presence.HELD), (2.2, Presence.PRESENT), (9.0, Presence.PRESENT)]
)
def test_after_a_clean_a_leak_waits_until_residue_has_faded(
    days: float, presence: Presence
) -> None:
    """Salt passage that rose with a clean is held for two days, then told when it has stayed."""
    found = finding(
        10.0 + days,
        lambda day: {"1/salt_passage": 0.25, "2/salt_passage": 0.02} if day >= 10.0 else {},
        cleaned=10.0,
    )
    assert found.presence is presence


def test_small_and_steady_is_not_told() -> None:
    """A real change that is far from every limit and does not grow is not a notice."""
    found = finding(30.0, lambda day: {"1/permeate_flow": -0.02} if day > 5.0 else {})
    assert found.presence is not Presence.PRESENT


def test_a_transmitter_has_no_forecast() -> None:
    """An error of a flow meter is blamed on its tag, sent to be checked, and nothing is forecast."""
    true = values(PLAN)
    wrong = true.copy()
    wrong[PLAN.signals.index("concentrate_flow")] *= 1.15
    change = dict(zip(NAMES, (PLAN.observe(wrong) - PLAN.observe(true)).tolist(), strict=True))
    found = finding(8.0, lambda day: change if day > 5.0 else {})
    assert found.presence is Presence.PRESENT
    assert found.causes[0].point == "A/concentrate_flow"
    assert (found.action, found.forecast) == ("check_instrument", None)


def test_sparse_digests_are_enough() -> None:
    """One digest in six hours still gives a judgement of slow changes, from the last two days."""
    found = finding(14.0, scale, stride=6 * 3600.0)
    assert (found.presence, found.cause) == (Presence.PRESENT, "scaling")


def test_too_few_digests_give_no_finding() -> None:
    """With hardly any digest in two days there is nothing to judge by."""
    first = digests(2.0, lambda day: {})
    performance = Performance(PLAN, baselines.summarize(first, "first_steady"))
    series = Series(NAMES, operating_names(PLAN))
    last = digests(9.0, lambda day: {})[-1]
    series.add(last)
    assert performance.evaluate(series, last.start + BLOCK_S) == []


def test_limits_as_logarithms() -> None:
    """A limit of ten per cent down is ln 0.9, of fifteen per cent up ln 1.15."""
    assert limit_of("permeate_flow", Limits()) == pytest.approx(np.log(0.9))
    assert limit_of("pressure_drop", Limits()) == pytest.approx(np.log(1.15))
