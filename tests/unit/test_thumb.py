"""Rules of thumb on raw values, alone and where a watch falls back on them."""

import numpy as np
import pytest

from rules import sections, thumb
from rules.baseline import BaselineRule
from rules.findings import Presence
from rules.watch import Watch
from tests.simulated import DAY_S, run

USUAL = {
    "1/feed_pressure": 10.0,
    "permeate_flow": 78.0,
    "permeate_conductivity": 30.0,
    "feed_conductivity": 3800.0,
    "feed_temperature": 18.0,
}


@pytest.mark.parametrize(
    ("changes", "kind"),
    [
        ({}, "none"),
        ({"1/feed_pressure": 11.5}, "fouling"),
        ({"1/feed_pressure": 9.2, "permeate_conductivity": 45.0}, "damage"),
        ({"permeate_conductivity": 45.0}, "leak"),
        ({"feed_temperature": 13.0, "1/feed_pressure": 11.5}, "none"),
        ({"feed_conductivity": 5700.0, "permeate_conductivity": 45.0}, "none"),
        ({"feed_conductivity": 4400.0, "1/feed_pressure": 11.5}, "none"),
        ({"feed_conductivity": 4400.0, "1/feed_pressure": 13.0}, "fouling"),
    ],
)
def test_the_three_rules(changes: dict[str, float], kind: str) -> None:
    """Common practice, no source; what weather and feed explain is taken off."""
    found = thumb.read({**USUAL, **changes}, USUAL)
    assert found is not None
    assert found.kind == kind


def test_they_hold_at_constant_flow_alone() -> None:
    """Another flow, or none that is measured, and they say nothing."""
    assert thumb.read({**USUAL, "permeate_flow": 70.0, "1/feed_pressure": 13.0}, USUAL) is None
    few = {k: v for k, v in USUAL.items() if k != "permeate_flow"}
    assert thumb.read(few, USUAL) is None


def test_without_temperature_they_need_more() -> None:
    """What a season could do is not told."""
    few = {k: v for k, v in USUAL.items() if k != "feed_temperature"}
    for pressure, kind in ((11.5, "none"), (12.5, "fouling")):
        found = thumb.read({**few, "1/feed_pressure": pressure}, few)
        assert found is not None
        assert found.kind == kind


def test_a_watch_falls_back_on_them() -> None:
    """When the thermometer is gone and nothing is normalized, blocked channels are still told, as a guess."""
    plant = run("healthy_set_points", 14.0, 900.0)
    values = plant.values.copy()
    late = plant.times >= plant.start + 5.0 * DAY_S
    values[late, plant.column("feed_temperature")] = np.nan
    values[plant.times >= plant.start + 8.0 * DAY_S, plant.column("1/feed_pressure")] *= 1.35
    watch = Watch(
        sections.plan(plant.train), dict.fromkeys(plant.train.signals, "plc"), BaselineRule()
    )
    told = []
    for at, row in zip(plant.times.tolist(), values, strict=True):
        told += [f for f in watch.minute(at, row).findings if f.matter == thumb.MATTER]
    assert any(f.presence is Presence.ABSENT for f in told)
    present = [f for f in told if f.presence is Presence.PRESENT]
    assert present
    assert "fouling" in present[-1].message
    assert "guess" in present[-1].message
