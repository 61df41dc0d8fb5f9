"""Plants of several trains: what they share, what each has of its own, and trains that cannot run."""

import asyncio
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daemon.plantfile import load
from simulator import plantfile
from simulator.control import Control, Refused
from simulator.handheld import Meter, NoReading
from simulator.link_faults import BadLink
from simulator.links import Links, Sample, link_fault_of
from simulator.operation import Mode
from simulator.plant import Plant
from simulator.scenario import parse
from simulator.serve import Ports, Served
from simulator.site import Site, UnknownTrain
from simulator.truth import truth_of

DAY = 86400.0
NO_SOCKETS = Ports(modbus=1, opcua=1)  # never opened
HEAD = 'title = "t"\ndescription = "d"\n'
NO_STOPS = HEAD + "[operation]\nstop_every_days = 0.0\n"
TWO = '[[train]]\nid = "A"\n[[train]]\nid = "B"\n'
TWO_PASSES = (
    TWO
    + """fed_by = "A"
[train.plant]
salt_lmh = 1.0
stages = [{ vessels = 5, elements = 6 }, { vessels = 2, elements = 6 }]
[train.operation]
permeate_m3h = 58.0
recovery = 0.85
"""
)
BYPASS = (
    '[[fault]]\nkind = "brine_seal_bypass"\ntrain = "A"\nstage = 1\n'
    "onset_day = 1\ngrows_days = 10\nseverity = 0.9\n"
)
"""Nine tenths of the feed go around the elements of stage 1; two of them leave none."""


def site_of(text: str, seed: int = 1) -> Site:
    """The site of a scenario written in a test."""
    return Site(parse(text, "test.toml", "test"), seed)


def times_of(
    site: Site, days: float, step_s: float = 1800.0
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Even times from the start."""
    return site.start_s + np.arange(0.0, days * DAY, step_s)


def test_one_train_is_a_site_of_one() -> None:
    """What a site of one shows is what its train shows by itself; asked for no name it gives that train."""
    site, plant = Site("demo", 3), Plant("demo", 3)
    when = times_of(site, 5.0)
    shown, alone = site.sample(when), plant.sample(when)
    assert list(shown) == list(alone) == list(site.tags)
    assert all(np.array_equal(shown[tag], alone[tag]) for tag in alone)
    assert site.train().id == site.train("A").id == "A"
    with pytest.raises(UnknownTrain, match="there is no train 'B'; trains are A"):
        site.train("B")
    with pytest.raises(UnknownTrain, match="which train\\?; trains are A, B"):
        Site("two_trains_healthy").train()


def test_trains_share_the_water_and_nothing_else() -> None:
    """Feed temperature and salt are the same in both, through a change of source; meters, membranes, stops are not."""
    site = Site("two_trains_healthy")
    when = times_of(site, 24.0)
    truth, shown = site.truth(when), site.sample(when)
    a, b = (site.train(name).mode(when)[0] for name in "AB")
    both = (a == Mode.RUNNING) & (b == Mode.RUNNING)
    for signal in ("feed_temperature", "feed_conductivity"):
        assert np.allclose(truth[f"A/{signal}"][both], truth[f"B/{signal}"][both], rtol=1e-12)
        same = shown[f"A/{signal}"][both] == shown[f"B/{signal}"][both]
        assert np.mean(same) < 0.1, "each train has a meter of its own"
    change = (when > site.start_s + 17.0 * DAY) & both
    before = (when < site.start_s + 16.0 * DAY) & both
    for name in "AB":
        salt = shown[f"{name}/feed_conductivity"]
        assert np.median(salt[change]) > 1.3 * np.median(salt[before])
    assert np.any((a == Mode.STOPPED) & (b == Mode.RUNNING))
    assert np.any((b == Mode.STOPPED) & (a == Mode.RUNNING))
    first, second = (site.train(name).stage_state(1, when[:1]).water for name in "AB")
    assert not np.allclose(first, second)


def test_a_fault_is_that_of_its_train() -> None:
    """With a biofilm in train B, train A shows to the last digit what it shows without; B does not."""
    fouled, sound = Site("two_trains_biofouling"), None
    sound = Site(replace(fouled.scenario, faults=()))
    when = times_of(fouled, 40.0, 3600.0)
    got, good = fouled.sample(when), sound.sample(when)
    for tag in fouled.tags:
        same = np.array_equal(got[tag], good[tag])
        assert same or tag.startswith("B/"), tag
    assert not np.array_equal(got["B/1/concentrate_pressure"], got["A/1/concentrate_pressure"])
    (fault,) = truth_of(fouled, 40.0)["faults"]
    assert (fault["train"], fault["kind"]) == ("B", "biofouling")


def test_events_are_those_of_their_train_or_of_all() -> None:
    """A cleaning of train B leaves A running; one without a train is done in both, and the log says whose."""
    site = site_of(
        NO_STOPS
        + TWO
        + '[[event]]\nkind = "cleaning"\ntrain = "B"\nat_day = 2\n'
        + '[[event]]\nkind = "cleaning"\nat_day = 4\n'
    )
    for day, modes in ((2.1, (Mode.RUNNING, Mode.CLEANING)), (4.1, (Mode.CLEANING,) * 2)):
        at = np.array([site.start_s + day * DAY])
        assert tuple(Mode(int(train.mode(at)[0][0])) for train in site.trains) == modes
    assert [len(train.timeline.log) for train in site.trains] == [2, 4]


def test_a_chance_stop_does_not_push_a_planned_cleaning_out() -> None:
    """Whatever the seed, a cleaning on a day with usual stops is done: its two lines stand in the log."""
    text = HEAD + "[operation]\nstop_every_days = 0.7\nstop_hours_most = 12.0\n"
    text += '[[event]]\nkind = "cleaning"\nat_day = 3.2\nhours = 8.0\n'
    for seed in range(1, 9):
        log = site_of(text, seed).train().timeline.log
        assert [line.event for line in log] == ["cleaning_start", "cleaning_end"], seed


def test_the_second_pass_gets_the_permeate_of_the_first() -> None:
    """Feed of B is the permeate of A, in salt and warmth; B never runs without A and never draws more than A makes."""
    site = Site("two_pass_healthy")
    when = times_of(site, 30.0, 600.0)
    truth = site.truth(when)
    a, b = (site.train(name).mode(when)[0] for name in "AB")
    moving = np.isin(b, (Mode.STARTING, Mode.RUNNING))
    assert np.any(a == Mode.STOPPED)
    assert np.any(moving)
    assert np.all(a[moving] == Mode.RUNNING)
    assert np.allclose(
        truth["B/feed_conductivity"][moving], truth["A/permeate_conductivity"][moving], rtol=1e-9
    )
    assert np.array_equal(truth["B/feed_temperature"], truth["A/feed_temperature"])
    made, drawn = truth["A/permeate_flow"][moving], truth["B/feed_flow"][moving]
    assert np.all(drawn <= made * (1.0 + 1e-9))
    left = truth["B/permeate_flow"] + truth["B/concentrate_flow"]
    assert np.allclose(left[moving], drawn, rtol=1e-6)
    # By conductivity the second pass takes out most of what is left: it is a membrane plant, too.
    assert np.all(
        truth["B/permeate_conductivity"][moving] < 0.2 * truth["B/feed_conductivity"][moving]
    )


def test_a_second_pass_that_wants_more_than_there_is_takes_all_of_it() -> None:
    """Asked for 90 m3/h of 78, B draws exactly what A makes, at the recovery that it is set to."""
    site = site_of(HEAD + TWO_PASSES.replace("permeate_m3h = 58.0", "permeate_m3h = 90.0"))
    when = times_of(site, 1.0, 3600.0)
    truth = site.truth(when)
    assert np.allclose(truth["B/feed_flow"], truth["A/permeate_flow"], rtol=1e-6)
    assert np.allclose(truth["B/permeate_flow"] / truth["B/feed_flow"], 0.85, atol=0.01)


def test_scale_in_the_first_pass_salts_the_feed_of_the_second() -> None:
    """Fully grown scale of A shows in the feed of B; the truth says that B's membranes are what they were."""
    site = Site("two_pass_scaling")
    sound = Site(replace(site.scenario, faults=()))
    at = np.array([site.start_s + 38.0 * DAY])
    got, good = site.truth(at), sound.truth(at)
    assert got["B/feed_conductivity"][0] > 1.1 * good["B/feed_conductivity"][0]
    condition = truth_of(site, 38.0)["condition_by_day"]
    assert condition["A"]["2"]["salt_passage"][-1] > 0.3
    for stage in condition["B"].values():
        assert all(abs(series[-1]) < 0.02 for series in stage.values())


def test_what_is_shown_does_not_depend_on_what_was_asked_before() -> None:
    """A second pass read instant by instant, or alone, is the same as read at once with the first."""
    site = Site("two_pass_leak")
    when = times_of(site, 12.0, 6.0 * 3600.0)
    together = site.sample(when)
    alone = Site("two_pass_leak").train("B").sample(when)
    stepped = Site("two_pass_leak")
    for index, at in enumerate(when.tolist()):
        stepped.advance(at)
        for tag, value in stepped.readings().items():
            assert value == pytest.approx(together[tag][index], rel=1e-3, abs=0.02), (tag, index)
    for tag, values in alone.items():
        assert np.allclose(values, together[tag], rtol=1e-3, atol=0.02), tag


@pytest.mark.parametrize("name", ["two_trains_rain", "two_pass_leak"])
def test_the_plant_file_has_all_trains(name: str, tmp_path: Path) -> None:
    """Served or exported, the daemon loads it without a complaint; no two points share a place."""
    site = Site(name)
    for text in (
        plantfile.served(site, modbus_port=1502, opcua_port=4840),
        plantfile.exported(site, tmp_path / "run.csv"),
    ):
        path = tmp_path / "plant.toml"
        path.write_text(text, encoding="utf-8")
        plant = load(path)
        assert [train.id for train in plant.trains] == ["A", "B"]
        assert plant.warnings == ("no [[contact]]: notices are shown on the page only",)
        assert [p.tag for train in plant.trains for p in train.points] == list(site.tags)
    where = plantfile.places(site)
    assert len(set(where.values())) == len(site.tags) == len(where)
    listed = plantfile.points(site).splitlines()
    assert [line.split()[-1] for line in listed[-len(site.tags) :]] == list(site.tags)


def test_sixteen_trains_have_a_place_for_every_bit() -> None:
    """More bits than one register holds go on in the next, and never reach the clock."""
    text = HEAD + "".join(
        f'[[train]]\nid = "T{n}"\nplant.stages = [{{ vessels = 1, elements = 1 }}]\n'
        "operation.permeate_m3h = 1.0\noperation.recovery = 0.15\n"
        for n in range(1, 17)
    )
    where = plantfile.places(site_of(text))
    bits = [place for place in where.values() if place.bit is not None]
    assert len(bits) == len({place.coil for place in bits}) == 48
    registers = {place.register for place in bits}
    assert registers == {90, 91, 92}
    assert plantfile.CLOCK_REGISTER not in registers


def test_a_link_fault_can_be_that_of_one_train() -> None:
    """Feed flow of train B is not a number, that of A is; without a train it is both; another train is refused."""
    site = Site("two_trains_healthy")
    links = Links(site)
    readings = site.readings()
    for table, hit in (
        ({"kind": "nan", "tag": "feed_flow", "train": "B"}, {"B/feed_flow"}),
        ({"kind": "nan", "tag": "feed_flow"}, {"A/feed_flow", "B/feed_flow"}),
    ):
        number = links.add(link_fault_of(table, site), site.now_s)
        links.taken(Sample(site.now_s, readings))
        assert set(links.shown("modbus").raw) == hit
        links.remove(number)
    with pytest.raises(BadLink, match="there is no train 'C'; trains are A, B"):
        link_fault_of({"kind": "nan", "train": "C"}, site)


def panel_of(site: Site, day: float) -> Control:
    """A panel of a site that stands still at a day; nothing listens."""
    site.advance(site.start_s + day * DAY)
    served = Served(site, ports=NO_SOCKETS)
    asyncio.run(served.pause())
    return Control(served)


def test_the_panel_asks_which_train() -> None:
    """Faults and the handheld meter take a train; left out of several they are refused with their ids."""
    site = Site("two_pass_healthy")
    panel = panel_of(site, 2.0)
    leak = {"kind": "o_ring_leak", "severity": 0.2, "vessel": 2, "growth": "step"}
    with pytest.raises(Refused, match="which train\\? give train, one of A, B"):
        asyncio.run(panel.inject(leak))
    with pytest.raises(Refused, match="stage 1 has vessel 1 to 5"):
        asyncio.run(panel.inject({**leak, "vessel": 8, "train": "B"}))
    before = site.sample(site.now_s + np.arange(60.0, 600.0))
    assert asyncio.run(panel.inject({**leak, "train": "B"})) == 1
    after = site.sample(site.now_s + np.arange(60.0, 600.0))
    assert np.array_equal(before["A/permeate_conductivity"], after["A/permeate_conductivity"])
    assert np.all(after["B/permeate_conductivity"] > before["B/permeate_conductivity"])
    truth = panel.state(truth=True)
    assert truth["trains"] == {"A": {"mode": "running"}, "B": {"mode": "running"}}
    assert [fault["train"] for fault in truth["faults"]] == ["B"]
    asyncio.run(panel.step(60.0))
    with pytest.raises(NoReading, match="which train\\?; trains are A, B"):
        panel.read(stage=1, meter=Meter())
    survey = panel.read(train="B", stage=1, meter=Meter())
    assert len(survey) == 5
    assert max(survey, key=lambda row: float(str(row["conductivity_us_cm"])))["vessel"] == "1-02"


def test_a_train_that_cannot_run_trips_and_is_started_again() -> None:
    """The plant goes on: A stands still with the reason, B for want of water; repaired, first A starts, then B."""
    site = site_of(NO_STOPS + TWO_PASSES + BYPASS + BYPASS)
    panel = panel_of(site, 6.0)
    asyncio.run(panel.step(2.0 * DAY))
    state = panel.state(truth=True)
    assert state["trains"]["A"]["mode"] == "tripped"
    assert "pressure and flow cannot be held" in state["trains"]["A"]["reason"]
    assert state["trains"]["B"] == {"mode": "stopped"}
    (trip,) = state["trips"]
    assert (trip["train"], trip["at"], trip["until"]) == ("A", "2026-01-13T00:00:00Z", None)
    json.dumps(state)
    readings = site.readings()
    assert all(np.isfinite(value) for value in readings.values())
    for name in "AB":
        assert readings[f"{name}/running"] == 0.0
        assert abs(readings[f"{name}/permeate_flow"]) < 0.1
        assert readings[f"{name}/1/feed_pressure"] < 1.0
    with pytest.raises(NoReading, match="the train is tripped"):
        panel.read(train="A", stage=1, meter=Meter())
    # It does not start by itself, nor while what stopped it is there.
    asyncio.run(panel.step(5.0 * DAY))
    assert panel.state()["trains"]["A"]["mode"] == "tripped"
    with pytest.raises(Refused, match="restart: the train cannot run now"):
        asyncio.run(panel.restart("A"))
    with pytest.raises(Refused, match="the train has not tripped"):
        asyncio.run(panel.restart("B"))
    with pytest.raises(Refused, match="which train\\?"):
        asyncio.run(panel.restart())
    assert asyncio.run(panel.clear(2)) == [2]
    assert len(panel.state(truth=True)["trips"]) == 1
    seen = []
    for _ in range(30):
        modes = tuple(train["mode"] for train in panel.state()["trains"].values())
        if not seen or seen[-1] != modes:
            seen.append(modes)
        asyncio.run(panel.step(60.0))
    assert seen == [
        ("flushing", "stopped"),
        ("starting", "stopped"),
        ("running", "flushing"),
        ("running", "starting"),
        ("running", "running"),
    ]
    log = [line.event for line in site.train("A").timeline.log]
    assert log == ["tripped", "restarted"]


def test_a_train_is_started_by_hand_when_the_reason_has_gone() -> None:
    """A bypass that is repaired by plan lets a tripped train be started by hand, not by itself."""
    fault = BYPASS.replace("grows_days = 10", "grows_days = 10\nuntil_day = 9.0")
    site = site_of(NO_STOPS + TWO_PASSES + BYPASS + fault)
    panel = panel_of(site, 8.0)
    assert panel.state()["trains"]["A"]["mode"] == "tripped"
    asyncio.run(panel.step(2.0 * DAY))
    assert panel.state()["trains"]["A"]["mode"] == "tripped"
    asyncio.run(panel.restart("A"))
    asyncio.run(panel.step(1200.0))
    assert [train["mode"] for train in panel.state()["trains"].values()] == ["running", "running"]
    assert panel.state(truth=True)["trips"][0]["until"] == "2026-01-15T00:00:00Z"


@pytest.mark.asyncio
async def test_a_run_goes_on_over_a_trip() -> None:
    """Plant time runs to its end although a train trips on the way."""
    site = site_of(NO_STOPS + TWO_PASSES + BYPASS + BYPASS)
    site.advance(site.start_s + 6.6 * DAY)
    served = Served(site, speed=100_000.0, ports=NO_SOCKETS, tick_s=0.001)
    achieved = await served.run(asyncio.Event(), until_s=site.start_s + 7.2 * DAY)
    assert achieved.plant_s == pytest.approx(0.6 * DAY)
    assert Control(served).state()["trains"]["A"]["mode"] == "tripped"
