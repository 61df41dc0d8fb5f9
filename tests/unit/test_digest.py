"""Digests: medians of the observables with scatter and uncertainty."""

import numpy as np
import pytest

from rules import digest, sections
from rules.digest import Digest
from tests.unit.test_sections import train, values

PLAN = sections.plan(train())
MINUTES = values(PLAN) * (1.0 + 0.003 * np.random.default_rng(1).standard_normal((15, 19)))


def test_values_are_medians_of_the_observables() -> None:
    """Each value is the median over the minutes; one absurd minute does not move it out of their range."""
    spoiled = MINUTES.copy()
    spoiled[3, PLAN.signals.index("1/permeate_flow")] *= 1.5
    made = digest.summarize(PLAN, 900.0, spoiled, {})
    name = "1/permeate_flow"
    observed = PLAN.observe(spoiled)[:, PLAN.observables.index(name)]
    assert made.values[name] == pytest.approx(float(np.median(observed)), abs=1e-12)
    assert made.minutes == 15


def test_uncertainty_is_that_of_the_plan() -> None:
    """The uncertainty that comes with the observables in one pass equals `Plan.uncertainty`."""
    made = digest.summarize(PLAN, 0.0, MINUTES, {})
    expected = PLAN.uncertainty(np.median(MINUTES, axis=0))
    assert list(made.uncertainty.values()) == pytest.approx(expected.tolist(), rel=1e-6)


def test_what_is_not_known_is_absent() -> None:
    """A missing transmitter takes out exactly what needs it, and nothing else."""
    lost = MINUTES.copy()
    lost[:, PLAN.signals.index("2/permeate_conductivity")] = np.nan
    made = digest.summarize(PLAN, 0.0, lost, {})
    gone = {o for o in PLAN.observables if "2/permeate_conductivity" in PLAN.needs(o)}
    assert gone
    assert set(PLAN.observables) - set(made.values) == gone
    assert set(made.uncertainty) == set(made.values)
    assert "2/permeate_conductivity" not in made.signals


def test_operating_names_are_those_of_the_point() -> None:
    """Everything the operating point tells has its column among the operating names."""
    point = digest.operating_point(PLAN, values(PLAN))
    assert set(point) <= set(digest.operating_names(PLAN))
    # Hand balance of tests.unit.test_sections: 50 of 100 m3/h through 2220 m2; drops 1.6 and 1.2 bar.
    assert point["1/recovery"] == pytest.approx(0.5)
    assert point["1/flux_lmh"] == pytest.approx(50.0 / 2220.0 * 1000.0)
    assert point["1/pressure_drop_bar"] == pytest.approx(1.6)
    assert point["2/average_flow_m3h"] == pytest.approx(37.5)


def test_json_reads_back_exactly() -> None:
    """A digest written as JSON reads back equal, to the last bit."""
    made = digest.summarize(PLAN, 1800.0, MINUTES, {"feed_flow": 1.0 / 3.0})
    assert Digest.from_json(made.to_json()) == made
