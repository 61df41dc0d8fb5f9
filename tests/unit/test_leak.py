"""Leak or membrane, by how added salt answers to temperature and flux: made-up rows, and the simulator's truth."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from rules import leak, sections
from rules.digest import operating_names
from simulator.plant import Plant
from simulator.scenario import Event, load
from tests.simulated import DAY_S, run

DAYS = np.arange(0.0, 40.0, 0.25)
BETA = 0.031


def rows(share: float, scatter: float) -> tuple[NDArray[np.float64], ...]:
    """Passage, temperature and flux of a stage whose passage rises by 30 per cent on day 10."""
    rng = np.random.default_rng(5)
    warmth = 18.0 + 6.0 * np.sin(DAYS / 9.0)
    flux = 22.0 * (1.0 + 0.06 * np.sign(np.sin(DAYS / 2.3)))
    rise = np.where(DAYS > 10.0, np.log(1.3), 0.0)
    part = 1.0 - np.exp(-rise)
    moved = part * share * (-BETA * (warmth - 18.0) + np.log(flux / 22.0) / 2.0)
    return rise + moved + rng.normal(0.0, scatter, len(DAYS)), warmth, flux


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_the_share_is_found(share: float) -> None:
    """Within its error, which is small where temperature and flux vary."""
    passage, warmth, flux = rows(share, 0.004)
    found = leak.answer(DAYS, passage, warmth, flux, 10.0, BETA)
    assert found is not None
    assert found.telling
    assert abs(found.share - share) < 3.0 * found.error
    favored = leak.LEAKS if share else leak.MEMBRANE
    others = leak.MEMBRANE if share else leak.LEAKS
    assert min(map(found.nats, favored)) > 0.5 > 0.0 > max(map(found.nats, others))
    assert found.nats("scaling") == 0.0


def test_without_variation_it_says_so() -> None:
    """Steady temperature and flux tell nothing: the error is large, or there is no answer."""
    passage, warmth, flux = rows(1.0, 0.004)
    same = np.full_like(warmth, 18.0) + 1e-3 * np.sin(DAYS)
    found = leak.answer(DAYS, passage, same, np.full_like(flux, 22.0), 10.0, BETA)
    assert found is None or not found.telling


def test_too_little_is_no_answer() -> None:
    """Few rows, or a rise that is lost in the noise."""
    passage, warmth, flux = rows(1.0, 0.004)
    assert leak.answer(DAYS, passage, warmth, flux, 38.0, BETA) is None
    assert leak.answer(DAYS, 0.1 * passage, warmth, flux, 10.0, BETA) is None


@pytest.mark.parametrize(
    ("name", "is_leak"), [("o_ring_leak", True), ("oxidation_of_all_stages", False)]
)
def test_the_simulator_agrees(name: str, is_leak: bool) -> None:
    """Noiseless rows of a plant with another physics answer on the right side of one half."""
    story = load(name)
    moves = tuple(
        Event("setpoint", 10.0 + 2.0 * i, permeate_m3h=78.0 * (0.93 if i % 2 else 1.05))
        for i in range(20)
    )
    faults = tuple(replace(f, onset_day=9.0, growth="step", grows_days=0.04) for f in story.faults)
    feed = replace(story.feed, temperature_season_c=9.0, coldest_day_of_year=20.0)
    plant = Plant(replace(story, days=50.0, events=moves, faults=faults, feed=feed))
    train = run(name, 0.1).train
    times = plant.start_s + np.arange(1.0, 50.0, 0.25) * DAY_S + 3600.0
    truth = plant.truth(times)
    values = np.array([truth[s] for s in train.signals]).T
    plan = sections.plan(train)
    steady = truth["running"] > 0.5
    level = plan.observe(values)[:, plan.observables.index("1/salt_passage")]
    inputs = plan.inputs(values)["1"]
    assert "1/temperature_c" in operating_names(plan)
    found = leak.answer(
        ((times - plant.start_s) / DAY_S)[steady],
        (level - np.nanmedian(level[:30]))[steady],
        inputs.temperature_c[steady],
        inputs.flux_lmh[steady],
        9.0,
        train.salt_activation_k / 291.0**2,
    )
    assert found is not None
    assert found.telling
    assert found.share > 0.7 if is_leak else abs(found.share) < 0.2
