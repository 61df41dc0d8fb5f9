"""The operating state minute by minute, by status bits or by flow, and steadiness of a block."""

import numpy as np
import pytest

from rules.state import SETTLING_S, STEADY_SPAN, StateGate

SIGNALS = ("permeate_flow", "feed_flow", "1/feed_pressure", "running", "cleaning", "flushing")
WITHOUT_BITS = SIGNALS[:3]


def row(
    flow: float = 75.0, running: float = 1.0, cleaning: float = 0.0, flushing: float = 0.0
) -> np.ndarray:
    """One minute of all signals."""
    return np.array([flow, flow / 0.75, 12.0, running, cleaning, flushing])


def test_bits_decide() -> None:
    """Cleaning outranks flushing, flushing outranks running, and a train that does not run is stopped."""
    gate = StateGate(SIGNALS)
    assert gate.minute(0.0, row(), None) == "running"
    assert gate.minute(60.0, row(cleaning=1.0, flushing=1.0), None) == "cleaning"
    assert gate.minute(120.0, row(flushing=1.0), None) == "flushing"
    assert gate.minute(180.0, row(running=0.0), None) == "stopped"


def test_settling_counts_as_starting() -> None:
    """After a stop the train is starting until it has run for the settling time."""
    gate = StateGate(SIGNALS)
    assert gate.minute(0.0, row(running=0.0), None) == "stopped"
    assert gate.minute(60.0, row(), None) == "starting"
    assert gate.minute(SETTLING_S, row(), None) == "starting"
    assert gate.minute(60.0 + SETTLING_S, row(), None) == "running"


def test_settling_is_counted_from_the_first_minute_of_production() -> None:
    """Where minutes come seldom, the time since the last minute of standstill would be too long."""
    gate = StateGate(SIGNALS)
    assert gate.minute(0.0, row(running=0.0), None) == "stopped"
    assert gate.minute(2.0 * SETTLING_S, row(), None) == "starting"
    assert gate.minute(3.0 * SETTLING_S, row(), None) == "running"


def test_a_cleaning_that_people_tell_settles_too() -> None:
    """A cleaning entered by people counts without a bit or a value, and settling follows it."""
    gate = StateGate(WITHOUT_BITS)
    nothing = np.full(3, np.nan)
    assert gate.minute(0.0, nothing, None, cleaning=True) == "cleaning"
    assert gate.minute(60.0, row()[:3], None) == "starting"


def test_without_bits_the_flow_decides() -> None:
    """Without status bits a train whose flows are a fifth of the usual or less is stopped."""
    gate = StateGate(WITHOUT_BITS)
    usual = row()[:3]
    assert gate.minute(0.0, row(flow=76.0)[:3], usual) == "running"
    assert gate.minute(60.0, row(flow=15.0)[:3], usual) == "stopped"
    assert StateGate(WITHOUT_BITS).minute(0.0, row(flow=0.0)[:3], None) == "stopped"


def test_nothing_known_is_unknown() -> None:
    """A minute without any value, or without flows and bits, has no state."""
    gate = StateGate(SIGNALS)
    assert gate.minute(0.0, np.full(6, np.nan), None) == "unknown"
    only_pressure = np.full(6, np.nan)
    only_pressure[2] = 12.0
    assert gate.minute(60.0, only_pressure, None) == "unknown"


@pytest.mark.parametrize(("share", "steady"), [(0.9, True), (1.1, False)])
def test_steady_within_the_span(share: float, steady: bool) -> None:
    """A block is steady while flows and pressures stay within the span over their median."""
    block = np.tile(row(), (15, 1))
    block[7, 2] += share * STEADY_SPAN * 12.0
    assert StateGate(SIGNALS).is_steady(block) is steady


def test_steady_needs_two_values_to_judge() -> None:
    """Missing values and single minutes say nothing against steadiness; a flow of nothing does."""
    gate = StateGate(SIGNALS)
    assert gate.is_steady(row()[None])
    block = np.tile(row(), (3, 1))
    block[:2, 0] = np.nan
    assert gate.is_steady(block)
    assert not gate.is_steady(np.tile(row(flow=0.0), (3, 1)))
