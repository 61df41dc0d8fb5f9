"""The verdict on a train's meters in words, and as numbers."""

import json
import math
from dataclasses import asdict

import numpy as np
import pytest

from daemon.closure import FAR_APART, Closure, closure
from daemon.commands.check import _plain
from daemon.plantfile import Plant
from rules.network import network
from tests.unit.test_commands_sheet import judged, plant
from tests.unit.test_sections import EVERYTHING, HEALTHY, train, without

__all__ = ["plant"]  # a fixture


def said(changes: dict[str, float], names: tuple[str, ...] = EVERYTHING) -> Closure | None:
    """What is said of the healthy train with some values changed."""
    its = network(train(names))
    values = HEALTHY | changes
    return closure(its, np.array([values[n] for n in its.train.signals]))


def test_balances_are_named() -> None:
    """By what they are over: what flows between the stages has no meter."""
    found = said({})
    assert found is not None
    assert list(found.balances) == [
        "water over stage 1 and stage 2",
        "water over permeate header",
        "salt over stage 1 and stage 2",
        "salt over permeate header",
    ]
    assert max(found.balances.values()) < 1e-9


def test_one_balance() -> None:
    """A single water balance: one sentence that lays it to all of its meters."""
    names = ("feed_flow", "concentrate_flow", "1/permeate_flow", "2/permeate_flow")
    found = said({"feed_flow": 103.0}, names)
    assert found is not None
    assert found.sentences == (
        "The meters disagree by more than their accuracy allows"
        " (1 balance, chi-square 25.1, limit 6.6).",
        "The balances cannot tell which: feed_flow reads 3.00 ± 0.60 m3/h (3 %) too much,"
        " concentrate_flow reads 3.00 ± 0.60 m3/h (11 %) too little,"
        " 1/permeate_flow reads 3.00 ± 0.60 m3/h (6 %) too little or"
        " 2/permeate_flow reads 3.00 ± 0.60 m3/h (11 %) too little.",
    )
    # By hand: 0.515, 0.125, 0.25 and 0.125 m3/h in squares, 0.5991; (3/0.5991)² = 25.1.
    assert found.balances["water over stage 1 and stage 2"] == pytest.approx(3.0 / 0.5991, rel=1e-3)
    assert all(m.accused and math.isnan(m.reconciled) for m in found.meters)


def test_nearly_as_likely_is_said() -> None:
    """The best explanation first, and what else it may be."""
    found = said({"2/permeate_flow": 27.0})
    assert found is not None
    assert found.sentences[1].startswith("Likely 2/permeate_flow, which then reads ")
    assert found.sentences[1].endswith("; perhaps 1/permeate_flow instead.")


def test_more_than_one_wrong_meter_is_said() -> None:
    """When eliminating one after the other does not make the rest agree."""
    found = said({"feed_flow": 120.0, "permeate_flow": 60.0, "feed_conductivity": 9000.0})
    assert found is not None
    assert found.sentences[-1].endswith("more than one meter is wrong.")


def test_nothing_to_test() -> None:
    """Without a second opinion nothing is said."""
    lost = ("concentrate_flow", "permeate_flow", "permeate_conductivity", "feed_conductivity")
    assert said({}, without(*lost)) is None
    assert said(dict.fromkeys(EVERYTHING, math.nan)) is None


def test_the_sheet_tells_numbers_to_machines(plant: Plant) -> None:
    """Raw and reconciled values as JSON; what is not known is null."""
    one = judged(plant, {"permeate_conductivity": 40.0})
    plain = _plain(one)
    text = json.dumps(plain, allow_nan=False)
    meters = {m["signal"]: m for m in json.loads(text)["closure"]["meters"]}
    assert meters["permeate_conductivity"]["accused"]
    assert meters["permeate_conductivity"]["reconciled"] is None
    assert meters["feed_flow"]["measured"] == 100.0
    assert meters["feed_flow"]["reconciled"] == pytest.approx(100.0, abs=0.01)
    assert meters["feed_flow"]["uncertainty"] < meters["feed_flow"]["measured_uncertainty"]
    assert not one.sound
    assert " ".join(plain["closure"]["sentences"]) in one.remarks
    assert set(asdict(one.closure)) == set(plain["closure"])  # type: ignore[arg-type]
    assert _plain(judged(plant, {"running": 0.0}))["closure"] is None


def test_readings_without_any_solution_are_said_to_be_so() -> None:
    """A unit wrong in two places: no verdict on single meters, and no reconciled values."""
    found = said({"feed_flow": 5.0, "2/permeate_flow": 0.25})
    assert found is not None
    assert found.detected
    assert found.meters == ()
    assert found.sentences == (FAR_APART,)
