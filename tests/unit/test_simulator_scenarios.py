"""Scenarios of the simulator: the library runs, and a bad file is told what is wrong with it."""

import numpy as np
import pytest

from rules.findings import ACTIONS, CAUSES
from simulator.faults import AT_CLEANING, KINDS, TRANSMITTERS, cause_of
from simulator.links import Links
from simulator.plant import Plant
from simulator.scenario import EVENT_KINDS, ScenarioError, load, names, parse
from simulator.site import Site
from simulator.truth import truth_of

HEAD = 'title = "t"\ndescription = "d"\n'
TWO = """
[[train]]
id = "A"
[[train]]
id = "B"
plant.stages = [{ vessels = 4, elements = 6 }]
"""


@pytest.mark.parametrize("name", names())
def test_library_scenario_says_what_it_is(name: str) -> None:
    """Each scenario has words for a reader, an expected outcome in the words of the design, and time."""
    scenario = load(name)
    assert len(scenario.title) > 8
    assert len(scenario.description) > 60
    expected = scenario.expected
    assert expected.cause in CAUSES
    assert expected.action in (*ACTIONS, "")
    assert (expected.outcome == "silence") == (expected.cause == "none")
    # What a cleaning leaves for a day needs nobody.
    serious = [f for f in scenario.faults if cause_of(f.kind) != "operating_change"]
    assert (expected.outcome == "silence") == (not serious)
    for fault in scenario.faults:
        assert fault.onset_day >= 8.0, "a baseline of 48 h must fit before the fault"
        once = fault.growth == "step" or fault.kind in AT_CLEANING
        assert fault.onset_day + fault.grows_days < scenario.days or once
    if expected.outcome == "notice":
        # Of several things at once the scenario expects the first to be told first.
        first = min(scenario.faults, key=lambda fault: fault.onset_day)
        assert expected.cause == cause_of(first.kind)
        assert expected.point == (first.tag if first.kind in TRANSMITTERS else "")


def test_library_is_large_and_covers_everything() -> None:
    """At least sixty stories, every cause that a membrane or seal can have, every way a transmitter fails."""
    stories = [load(name) for name in names()]
    assert len(stories) >= 60
    assert {fault.kind for story in stories for fault in story.faults} == set(KINDS)
    assert {event.kind for story in stories for event in story.events} >= set(EVENT_KINDS) - {
        "stop"
    }
    assert len({story.title for story in stories}) == len(stories)


@pytest.mark.parametrize("name", [n for n in names() if n != "healthy"])
def test_library_scenario_runs_and_its_fault_shows(name: str) -> None:
    """Fully grown, the truth has passed a customary limit where the scenario says, and not before."""
    site = Site(name)
    scenario = site.scenario
    times = site.start_s + np.arange(0.0, scenario.days, 0.05) * 86400.0
    values = site.sample(times)
    lost = {
        f"{site.train(f.train).id}/{f.tag}" for f in scenario.faults if f.kind == "transmitter_lost"
    }
    assert {tag for tag, v in values.items() if not np.isfinite(v).all()} == lost
    truth = truth_of(site, scenario.days)
    expected = scenario.expected
    condition = {
        (train, number): stage
        for train, stages in truth["condition_by_day"].items()
        for number, stage in stages.items()
    }
    before = 8
    for stage in condition.values():
        assert all(abs(series[before]) < 0.01 for series in stage.values())
    # Customary limits (common practice, reference section 5): -10 % flow, +10 % passage, +15 % drop.
    beyond = {
        place
        for place, stage in condition.items()
        if min(stage["permeate_flow"]) < np.log(0.90)
        or max(stage["salt_passage"]) > np.log(1.10)
        or max(stage["pressure_drop"]) > np.log(1.15)
        or min(stage["pressure_drop"]) < np.log(0.85)  # water that goes around the elements
    }
    membranes = [f for f in scenario.faults if f.kind not in TRANSMITTERS]
    if expected.stage is not None and expected.cause != "permeate_backpressure":
        assert (truth["expected"]["train"], str(expected.stage)) in beyond
    # A train without a fault of its membranes is sound, whatever the others have.
    assert {train for train, _ in beyond} <= {site.train(f.train).id for f in membranes}


@pytest.mark.parametrize("name", [n for n in names() if load(n).links])
def test_links_of_the_library_make_sense(name: str) -> None:
    """Each planned link fault takes its keys, and begins and ends within the story."""
    site = Site(name)
    links = Links(site)
    for link in site.scenario.links:
        assert 8.0 <= link.at_day < link.until_day < site.scenario.days
        begin, end = (site.start_s + day * 86400.0 for day in (link.at_day, link.until_day))
        assert not links.follow(begin - 1.0)
        assert links.follow(begin)
        assert [fault.kind for fault, _ in links.faults.values()] == [link.kind]
        assert not links.follow(end - 1.0)
        assert links.follow(end)
        assert not links.faults


def test_starting_from_an_unknown_name() -> None:
    """A misspelled scenario names the nearest and lists the others."""
    with pytest.raises(ScenarioError, match=r"did you mean 'tail_scaling'"):
        load("tail_scalling")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("title = 3", '"title" is missing'),
        (HEAD + "dayz = 3", "unknown key \"dayz\"; did you mean 'days'"),
        (HEAD + "days = -1", "give a number above 0"),
        (HEAD + "[feed]\nsalt = 3", 'feed: unknown key "salt"'),
        (HEAD + '[feed]\nsalt_mg_l = "much"', "\"salt_mg_l\" is 'much'; give a number"),
        (HEAD + "feed = 3", "feed must be a table"),
        (HEAD + '[[fault]]\nkind = "scaling"', '"onset_day" is missing'),
        (HEAD + '[[fault]]\nkind = "scalling"\nonset_day = 1', "did you mean 'scaling'"),
        (HEAD + '[[fault]]\nkind = "rust"\nonset_day = 1', "use one of biofouling"),
        (
            HEAD + '[[fault]]\nkind = "scaling"\nonset_day = 1\ngrowth = "fast"',
            "growth 'fast'; use one of linear",
        ),
        (
            HEAD + '[[fault]]\nkind = "scaling"\nonset_day = 1\ngrows_days = 0',
            "it must be above 0",
        ),
        (
            HEAD + '[[fault]]\nkind = "scaling"\nonset_day = 1\nstage = 3',
            "the train has stages 1 to 2",
        ),
        (
            HEAD + '[[fault]]\nkind = "o_ring_leak"\nonset_day = 1\nstage = 2\nvessel = 5',
            "stage 2 has vessel 1 to 4",
        ),
        (
            HEAD + '[[fault]]\nkind = "o_ring_leak"\nonset_day = 1\njoint = 7',
            "stage 1 has joint 0 to 6",
        ),
        (
            HEAD + '[[fault]]\nkind = "scaling"\nonset_day = 1\nvessel = 1.5',
            "give a whole number",
        ),
        (
            HEAD + '[[fault]]\nkind = "transmitter_drift"\nonset_day = 1',
            'name the signal, as "1/feed_pressure"',
        ),
        (HEAD + '[[event]]\nkind = "party"\nat_day = 1', "use one of stop, cleaning, setpoint"),
        (HEAD + "[[fault]", "not valid TOML"),
        (HEAD + "[train]", "train must be a list of tables: write [[train]]"),
        (HEAD + '[[train]]\nname = "x"', 'train 1: "id" is missing'),
        (HEAD + '[[train]]\nid = "A/B"', "train 'A/B': write an id of letters and digits"),
        (HEAD + TWO + '[[train]]\nid = "A"', "train A: there are two of this id"),
        (HEAD + '[[train]]\nid = "A"\nfed_by = "B"', "fed_by 'B': a train is fed by one"),
        (HEAD + '[[train]]\nid = "A"\nfedby = "B"', "unknown key \"fedby\"; did you mean 'fed_by'"),
        (
            HEAD + '[[train]]\nid = "A"\n[train.operation]\npermeate = 3',
            'train 1: operation: unknown key "permeate"',
        ),
        (
            HEAD + TWO + '[[fault]]\nkind = "scaling"\nonset_day = 1',
            "fault 1 (scaling): which train? give train, one of A, B",
        ),
        (
            HEAD + TWO + '[[fault]]\nkind = "scaling"\nonset_day = 1\ntrain = "C"',
            "train 'C' is not known; use one of A, B",
        ),
        (
            HEAD + TWO + '[[fault]]\nkind = "scaling"\nonset_day = 1\ntrain = "B"\nstage = 2',
            "stage 2; the train has stages 1 to 1",
        ),
        (
            HEAD + TWO + '[[event]]\nkind = "cleaning"\nat_day = 1\nstage = 2',
            "event 1: stage 2; the train has stages 1 to 1",
        ),
        (
            HEAD + TWO + '[[event]]\nkind = "source"\nat_day = 1\nsalt_mg_l = 1\ntrain = "A"',
            "the feed water is that of all; leave train out",
        ),
        (
            HEAD + TWO + '[expected]\noutcome = "notice"\ncause = "scaling"',
            "expected: which train?",
        ),
        (
            HEAD + TWO + '[[link]]\nkind = "nan"\ntrain = "C"\nat_day = 1\nuntil_day = 2',
            "link 1: train 'C' is not known",
        ),
        (
            HEAD + '[[link]]\nkind = "slow"\nat_day = 1\nuntil_day = 2',
            "link 1: link: kind 'slow' is not known; use one of hold",
        ),
        (
            HEAD + '[[link]]\nkind = "hold"\nat_day = 2\nuntil_day = 1',
            "link 1: until_day 1 must be after at_day 2",
        ),
    ],
)
def test_bad_scenario_is_told_what_would_do(text: str, said: str) -> None:
    """Each mistake in a file gives its place and what to write instead."""
    with pytest.raises(ScenarioError) as caught:
        parse(text, "bad.toml", "bad")
    assert said in str(caught.value)
    assert "bad.toml" in str(caught.value)


def test_all_problems_at_once() -> None:
    """Two mistakes give two lines."""
    with pytest.raises(ScenarioError) as caught:
        parse(HEAD + "dayz = 3\n[feed]\nsalt = 3", "bad.toml", "bad")
    assert len(str(caught.value).splitlines()) == 2


def test_fault_on_an_instrument_that_is_not_there() -> None:
    """A transmitter fault on an unknown signal is refused when the plant is built."""
    scenario = parse(
        HEAD + '[[fault]]\nkind = "transmitter_freeze"\ntag = "3/feed_pressure"\nonset_day = 1',
        "bad.toml",
        "bad",
    )
    with pytest.raises(ValueError, match="there is no instrument '3/feed_pressure'"):
        Plant(scenario)


def test_own_train() -> None:
    """A scenario may have a train of its own: three stages give three sets of signals."""
    stages = "".join(
        f"[[plant.stages]]\nvessels = {vessels}\nelements = 6\n" for vessels in (4, 2, 1)
    )
    text = HEAD + "[operation]\npermeate_m3h = 40\nrecovery = 0.8\n" + stages
    plant = Plant(parse(text, "own.toml", "own"))
    assert "A/3/permeate_flow" in plant.tags
    readings = plant.readings()
    assert readings["A/permeate_flow"] == pytest.approx(40.0, rel=0.02)
