"""Frozen and lively transmitters, on minutes made by hand."""

import numpy as np
import pytest

from rules import transmitters

SIGNALS = ("a", "b", "c")
LIVELY = dict.fromkeys(SIGNALS, 1.0)
TIMES = np.arange(0.0, 3 * 3600.0, 60.0)


def lively() -> np.ndarray:
    """Three hours of three signals that move each minute."""
    return np.random.default_rng(1).normal(10.0, 0.1, (len(TIMES), 3))


def test_alive_by_hand() -> None:
    """The share of known successive minutes that differ; unknown under five of them."""
    nan = np.nan
    table = np.array(
        [[1, 1, nan], [2, 1, nan], [2, nan, 1], [3, 1, 2], [4, 1, 3], [5, 1, 4], [5, 1, 4]]
    )
    assert transmitters.alive(SIGNALS, table) == pytest.approx({"a": 4 / 6})


def test_an_hour_without_moving_is_frozen() -> None:
    """A lively signal that repeats one value for an hour is frozen since the first of the repeats."""
    table = lively()
    table[100:, 1] = table[100, 1]
    found = transmitters.frozen(SIGNALS, TIMES, table, LIVELY)
    assert dict(found.since) == {"b": TIMES[100]}
    assert not found.undecided


def test_too_short_or_too_few_is_not_frozen() -> None:
    """Under an hour, or with fewer repeats than wanted, nothing is frozen."""
    table = lively()
    table[130:, 1] = 5.0  # 50 minutes
    assert not transmitters.frozen(SIGNALS, TIMES, table, LIVELY).since
    few = np.arange(0.0, 3 * 3600.0, 1020.0)
    sparse = lively()[: len(few)]
    sparse[3:, 0] = 5.0
    assert not transmitters.frozen(SIGNALS, few, sparse, LIVELY).since


def test_a_signal_that_is_usually_still_is_not_judged() -> None:
    """A signal that seldom moves when it is sound cannot be told from a frozen one."""
    table = lively()
    table[:, 2] = 1.0
    assert not transmitters.frozen(SIGNALS, TIMES, table, {**LIVELY, "c": 0.1}).since


def test_missing_minutes_are_left_out() -> None:
    """Gaps neither end nor make a run of repeats; a signal that is missing now is not judged."""
    table = lively()
    table[60:, 0] = 4.0
    table[80:120, 0] = np.nan
    table[60:, 1] = 4.0
    table[-1, 1] = np.nan
    found = transmitters.frozen(SIGNALS, TIMES, table, LIVELY)
    assert dict(found.since) == {"a": TIMES[60]}
    assert not found.undecided


def test_undecided_while_too_little_is_remembered() -> None:
    """A signal that has not moved since anything is remembered is neither frozen nor sound."""
    table = lively()[:20]
    table[:, 2] = 1.0
    found = transmitters.frozen(SIGNALS, TIMES[:20], table, LIVELY)
    assert not found.since
    assert found.undecided == {"c"}
