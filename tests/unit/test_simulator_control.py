"""The panel of a served plant, without sockets: time, faults, and what it tells."""

import asyncio
import math
import struct
from typing import Any

import numpy as np
import pytest

from simulator.control import Control, Refused
from simulator.faults import AT_CLEANING, AT_START, KINDS, LEAKS, TRANSMITTERS, Fault
from simulator.handheld import Meter
from simulator.plantfile import CLOCK_REGISTER
from simulator.serve import LEAST_SPEED, MOST_SPEED, Ports, Served
from simulator.site import Site

DAY = 86400.0
NO_SOCKETS = Ports(modbus=1, opcua=1)  # never opened


def paused(scenario: str = "healthy", day: float = 2.0) -> tuple[Control, Served, Site]:
    """A panel of a plant that stands still at a day; nothing listens."""
    plant = Site(scenario)
    plant.advance(plant.start_s + day * DAY)
    served = Served(plant, ports=NO_SOCKETS)
    asyncio.run(served.pause())
    return Control(served), served, plant


def clock(served: Served) -> float:
    """What the clock register says."""
    words = served._registers.words[CLOCK_REGISTER : CLOCK_REGISTER + 4]
    return float(struct.unpack(">d", struct.pack(">4H", *words))[0])


def test_a_step_moves_a_paused_plant_exactly() -> None:
    """Three hours of steps are three hours of plant time, on the clock register too."""
    panel, served, plant = paused()
    before = plant.now_s
    for seconds in (3600, 0.5, 7199.5):
        asyncio.run(panel.step(seconds))
        assert clock(served) == plant.now_s
    assert plant.now_s == before + 3 * 3600.0
    same = Site("healthy")
    same.advance(plant.now_s)
    assert plant.readings() == same.readings()


@pytest.mark.asyncio
async def test_time_stands_still_between_pause_and_resume() -> None:
    """Once pause has returned no instant passes, a step is allowed only then, and resume lets time go on."""
    plant = Site("healthy")
    served = Served(plant, speed=50_000.0, ports=NO_SOCKETS, tick_s=0.001)
    panel = Control(served)
    stop = asyncio.Event()
    running = asyncio.create_task(served.run(stop))

    async def passed(time_s: float) -> None:
        for _ in range(100_000):
            if plant.now_s > time_s:
                return
            await asyncio.sleep(0.001)
        raise AssertionError("time does not run")

    await passed(plant.start_s)
    with pytest.raises(Refused, match="pause first"):
        await panel.step(60.0)
    await panel.pause()
    stood = plant.now_s
    for _ in range(200):
        await asyncio.sleep(0)
    assert plant.now_s == stood
    await panel.step(10.0 * DAY)
    assert plant.now_s == stood + 10.0 * DAY
    await panel.resume()
    await passed(stood + 10.0 * DAY)
    stop.set()
    achieved = await running
    # Steps and pauses are not counted as speed.
    assert achieved.plant_s == pytest.approx(plant.now_s - plant.start_s - 10.0 * DAY, abs=1e-3)
    assert achieved.speed <= 50_000.0 * 1.001


@pytest.mark.asyncio
async def test_a_stop_ends_a_paused_run() -> None:
    """A plant that was paused and never resumed ends when it is told to."""
    served = Served(Site("healthy"), ports=NO_SOCKETS)
    await served.pause()
    stop = asyncio.Event()
    running = asyncio.create_task(served.run(stop))
    await asyncio.sleep(0)
    stop.set()
    achieved = await running
    assert (achieved.plant_s, achieved.ticks) == (0.0, 0)


@pytest.mark.asyncio
async def test_speed_changes_while_time_runs() -> None:
    """From 1x to 100 000x a day passes, without a jump at the change."""
    plant = Site("healthy")
    served = Served(plant, speed=LEAST_SPEED, ports=NO_SOCKETS)
    panel = Control(served)
    stop = asyncio.Event()
    running = asyncio.create_task(served.run(stop, until_s=plant.start_s + DAY))
    await panel.set_speed(MOST_SPEED)
    assert panel.state()["speed"] == MOST_SPEED
    achieved = await running
    assert plant.now_s == plant.start_s + DAY
    assert achieved.speed <= MOST_SPEED * 1.001


@pytest.mark.parametrize(
    ("action", "given", "words"),
    [
        ("step", 0, "step: seconds is 0; give more than 0"),
        ("step", -5, "step: seconds is -5"),
        ("step", 1e12, "at most"),
        ("step", None, "step: seconds is None; give a number"),
        ("step", True, "step: seconds is True; give a number"),
        ("step", math.nan, "step: seconds is nan; give a number"),
        ("set_speed", 0.5, "speed must be 1 to 100000, got 0.5"),
        ("set_speed", "fast", "speed: speed is 'fast'; give a number"),
        ("clear", 3, "faults that can be cleared: none"),
        ("clear", True, "clear: fault True"),
        ("inject", {}, 'fault: "kind" is missing'),
        ("inject", {"kind": "scalling"}, "did you mean 'scaling'?"),
        ("inject", {"kind": "scaling", "sevrity": 1}, "did you mean 'severity'?"),
        ("inject", {"kind": "scaling", "onset_day": 1}, "leave onset_day out"),
        ("inject", {"kind": "scaling", "stage": 3}, "the train has stages 1 to 2"),
        ("inject", {"kind": "scaling", "stage": 2, "vessel": 5}, "stage 2 has vessel 1 to 4"),
        ("inject", {"kind": "scaling", "stage": 1.5}, "stage"),
        ("inject", {"kind": "scaling", "stage": [1]}, "stage is [1]; write a number or a text"),
        ("inject", {"kind": "scaling", "severity": math.inf}, "severity is inf"),
        ("inject", {"kind": "scaling", "severity": 0}, "severity is 0; it must be above 0"),
        ("inject", {"kind": "scaling", "until_day": 1.0}, "until_day is 1; now is day 2"),
        ("inject", {"kind": "scaling", 'a"\n[x]': 1}, "unknown key"),
        ("inject", {"kind": "o_ring_leak"}, "severity is 1; it must be above 0, at most 0.9"),
        ("inject", {"kind": "transmitter_lost"}, '"tag" is missing'),
        ("inject", {"kind": "transmitter_lost", "tag": "feed"}, "there is no instrument 'feed'"),
        ("inject", {"kind": "scaling", "severity": 60.0}, "it must be above 0, at most 50"),
    ],
)
def test_what_cannot_be_is_refused_in_words(action: str, given: object, words: str) -> None:
    """A refusal names the place and what would be right, and changes nothing."""
    panel, _, plant = paused()
    before = plant.readings(), plant.now_s, panel.state(truth=True)
    with pytest.raises(Refused) as refused:
        asyncio.run(getattr(panel, action)(given))
    assert words in str(refused.value)
    assert (plant.readings(), plant.now_s, panel.state(truth=True)) == before


def test_a_fault_that_the_train_cannot_bear_is_refused() -> None:
    """Two bypasses of nine tenths leave no feed: the second is refused and the plant goes on with the first."""
    panel, _, plant = paused()
    most = {"kind": "brine_seal_bypass", "growth": "step", "severity": 0.9, "stage": 1}
    assert asyncio.run(panel.inject(most)) == 1
    with pytest.raises(Refused, match="could not run with it, fully grown"):
        asyncio.run(panel.inject(most))
    assert len(plant.scenario.faults) == 1
    asyncio.run(panel.step(60.0))
    assert all(math.isfinite(value) for value in plant.readings().values())


def table_of(kind: str) -> dict[str, Any]:
    """A strong fault of a kind, at once."""
    table: dict[str, Any] = {"kind": kind, "growth": "step"}
    if kind in LEAKS:
        return table | {"severity": 0.2, "stage": 1, "vessel": 3}
    if kind in TRANSMITTERS:
        table |= {"tag": "1/permeate_conductivity", "offset": 40.0}
        table |= {"factor": 1000.0} if kind == "transmitter_unit" else {}
        table |= {"percent": 100.0} if kind == "transmitter_stuck_range" else {}
        table |= {"other": "2/permeate_conductivity"} if kind == "transmitter_swapped" else {}
    return table


@pytest.mark.parametrize("kind", [k for k in KINDS if k not in AT_CLEANING + AT_START])
def test_every_kind_of_fault_can_be_injected_and_cleared(kind: str) -> None:
    """A fault shows from the next instant on as it does in a scenario, and is gone when cleared."""
    panel, _, plant = paused()
    sound = Site("healthy")
    assert asyncio.run(panel.inject(table_of(kind))) == 1
    # Spikes are rare: one reading in fifty.
    times = plant.now_s + np.arange(60.0, 600.0)
    got, good = plant.sample(times), sound.sample(times)
    assert any(not np.allclose(got[tag], good[tag], rtol=1e-3) for tag in got)
    (told,) = panel.faults()
    assert told["kind"] == kind
    assert told["in_force"]
    assert told["onset_day"] == 2.0
    asyncio.run(panel.step(600.0))
    assert asyncio.run(panel.clear(1)) == [1]
    assert not panel.faults()[0]["in_force"]
    asyncio.run(panel.step(60.0))
    sound.advance(plant.now_s)
    assert plant.readings() == pytest.approx(sound.readings(), rel=1e-3)
    with pytest.raises(Refused, match="faults that can be cleared: none"):
        asyncio.run(panel.clear(1))


@pytest.mark.parametrize("kind", AT_START)
def test_damage_of_a_start_waits_for_one(kind: str) -> None:
    """Injected while the train runs it shows nothing until the train has stopped and started again."""
    panel, _, plant = paused()
    sound = Site("healthy")
    assert asyncio.run(panel.inject(table_of(kind))) == 1
    starts = [plant.start_s + day * 86400.0 for day in plant.train().timeline.starts]
    again = next(at for at in starts if at > plant.now_s) + 3600.0
    for at, harmed in ((plant.now_s + 60.0, False), (again, True)):
        got, good = plant.truth(np.array([at])), sound.truth(np.array([at]))
        changed = got["A/1/permeate_conductivity"] / good["A/1/permeate_conductivity"] - 1.0
        assert (abs(changed[0]) > 0.02) == harmed


@pytest.mark.parametrize("kind", AT_CLEANING)
def test_damage_of_a_cleaning_needs_one(kind: str) -> None:
    """In a story without a cleaning it is refused, with what would do."""
    panel, _, plant = paused()
    with pytest.raises(Refused, match="comes with a cleaning, and none ends after onset_day 2"):
        asyncio.run(panel.inject(table_of(kind)))
    assert plant.scenario.faults == ()


def test_an_injected_fault_grows_as_that_of_a_scenario() -> None:
    """The same fault, written into the scenario or injected at its onset, gives the same readings."""
    plant = Site("tail_scaling")
    (fault,) = plant.scenario.faults
    panel, served, injected = paused(day=fault.onset_day)
    # Only the ageing, feed and operation of the two scenarios must agree for this comparison.
    assert plant.scenario.operation == injected.scenario.operation
    assert plant.scenario.feed == injected.scenario.feed
    table = {
        name: getattr(fault, name)
        for name in ("kind", "growth", "grows_days", "severity", "stage")
        if getattr(fault, name) is not None
    }
    asyncio.run(panel.inject(table))
    (took,) = injected.scenario.faults
    assert isinstance(took, Fault)
    assert took.onset_day == pytest.approx(fault.onset_day, abs=1e-9)
    asyncio.run(panel.step(0.8 * fault.grows_days * DAY))
    plant.advance(served.site.now_s)
    assert injected.readings() == pytest.approx(plant.readings(), rel=2e-3)


def test_state_is_blind_unless_the_truth_is_asked_for() -> None:
    """Without asking, neither state nor handheld says anything about the fault; asked, they do."""
    panel, _, _ = paused("o_ring_leak", day=15.0)
    assert set(panel.state()) == {"time", "day", "speed", "paused", "trains"}
    assert panel.state()["trains"] == {"A": {"mode": "running"}}
    truth = panel.state(truth=True)
    (fault,) = truth["faults"]
    assert (fault["kind"], fault["vessel"], fault["in_force"]) == ("o_ring_leak", 5, True)
    assert truth["change_percent"]["A"]["1"]["salt_passage"] > 10.0
    assert abs(truth["change_percent"]["A"]["2"]["salt_passage"]) < 5.0
    blind = panel.read(stage=1, meter=Meter())
    assert set(blind[0]) == {
        "time",
        "vessel",
        "conductivity_us_cm",
        "temperature_c",
        "compensation",
    }
    told = panel.read(stage=1, meter=Meter(), truth=True)
    highest = max(told, key=lambda row: float(str(row["truth_us_cm"])))
    assert highest["vessel"] == "1-05"


def test_reading_twice_is_not_the_same_reading() -> None:
    """A meter held twice into the same water of a paused plant shows its noise."""
    panel, _, _ = paused(day=1.0)
    first, second = (panel.read(stage=1, meter=Meter()) for _ in range(2))
    assert [r["vessel"] for r in first] == [r["vessel"] for r in second]
    assert first != second
