"""The watch over one train, on the simulator's minutes: digests, baseline, findings, and rebuilding.

The simulator has its own physics (it imports nothing from `rules`), so what is found here is found in
another's data.
"""

import itertools
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from rules import sections
from rules.baseline import Baseline, BaselineRule
from rules.digest import BLOCK_S, Digest
from rules.findings import Finding, Presence
from rules.service import Service
from rules.train import Train
from rules.watch import LONGEST_MEMORY_S, SETTLED_S, Step, Watch
from tests.simulated import DAY_S, Confirmed, Run, run, walk
from tests.unit.test_baseline import simulated_test

Steps = list[tuple[float, Step]]


@cache
def leak() -> tuple[Run, Steps]:
    """Eleven days at five minutes with a leak of an O-ring on day 9.4, watched without interruption."""
    plant = run("o_ring_leak", 11.0)
    return plant, walk(plant)


def raised(steps: Steps) -> list[tuple[float, Finding]]:
    """Findings that held for their time, links left out."""
    confirmed = Confirmed()
    for time, step in steps:
        confirmed.take(time, [f for f in step.findings if not f.matter.startswith("link:")])
    return confirmed.raised


def rebuilt(
    plant: Run, steps: Steps, cut: float, events: Sequence[tuple[float, str]] = ()
) -> Watch:
    """A new watch that was given what a record holds of the steps up to `cut`, both included."""
    things: list[tuple[float, int, object]] = [(t, 0, kind) for t, kind in events if t <= cut]
    for time, step in steps:
        if time <= cut:
            if step.digest:
                things.append((step.digest.start + BLOCK_S, 1, step.digest))
            if step.baseline:
                things.append((step.baseline.made_at, 2, step.baseline))
    watch = plant.watch()
    for at, _, thing in sorted(things, key=lambda item: item[:2]):
        if isinstance(thing, Digest):
            watch.absorb_digest(Digest.from_json(thing.to_json()))
        elif isinstance(thing, Baseline):
            watch.absorb_baseline(Baseline.from_json(thing.to_json()))
        else:
            watch.event(at, str(thing))
    for stored in [step.service for time, step in steps if time <= cut and step.service][-1:]:
        watch.absorb_service(Service.from_json(stored.to_json()))
    for time, row in plant.rows(cut - LONGEST_MEMORY_S, cut + 1.0):
        watch.absorb_minute(time, row, ())
    return watch


def test_baseline_after_48_steady_hours() -> None:
    """The baseline is made once, when 48 steady hours are over, from digests that all lie before it."""
    plant, steps = leak()
    made = [(time, step.baseline) for time, step in steps if step.baseline]
    assert len(made) == 1
    time, baseline = made[0]
    assert 2.0 <= plant.day(time) < 2.5
    assert baseline.source == "first_steady"
    assert baseline.end <= time
    digests = [step.digest for at, step in steps if step.digest and at <= time]
    assert baseline.digests == len(digests)
    assert set(baseline.values) == set(sections.plan(plant.train).observables)


def test_digests_are_whole_quarter_hours_in_order() -> None:
    """Digests start on quarter hours, once each, and only of time in production."""
    _, steps = leak()
    starts = [step.digest.start for _, step in steps if step.digest]
    assert all(start % BLOCK_S == 0.0 for start in starts)
    assert all(a < b for a, b in itertools.pairwise(starts))


def test_the_leak_is_told_and_nothing_else() -> None:
    """A leaking O-ring gives one notice, an alarm within hours: cause, stage and action are right."""
    plant, steps = leak()
    found = raised(steps)
    assert len(found) == 1
    time, finding = found[0]
    assert 9.4 < plant.day(time) < 9.4 + 0.25
    assert (finding.cause, finding.stage, finding.action) == ("o_ring_leak", 1, "probe")
    assert finding.since is not None
    assert plant.day(finding.since) == pytest.approx(9.4, abs=0.15)


@pytest.mark.parametrize("cut_day", [0.4, 1.99, 2.02, 5.0, 9.5, 9.503, 9.51, 9.9])
def test_a_rebuilt_watch_goes_on_exactly(cut_day: float) -> None:
    """Rebuilt from digests, baseline and the last minutes, a watch gives what it would have given: at any cut."""
    plant, steps = leak()
    cut = max(t for t, _ in steps if plant.day(t) <= cut_day)
    watch = rebuilt(plant, steps, cut)
    expected = {t: step for t, step in steps if cut < t < cut + 1.2 * DAY_S}
    assert len(expected) > 280
    for time, row in plant.rows(cut + 1.0, cut + 1.2 * DAY_S):
        assert watch.minute(time, row) == expected[time], plant.day(time)


def test_a_rebuilt_watch_over_stops() -> None:
    """With stops every third day the rebuilt watch still goes on exactly, cut inside and around a stop."""
    plant = run("restless_operation", 8.0)
    steps = walk(plant)
    stopped = [t for t, step in steps if step.state == "stopped" and plant.day(t) > 3.0]
    assert stopped
    for cut in (stopped[0] - 600.0, stopped[0] + 300.0, stopped[-1] + 300.0, stopped[-1] + 4200.0):
        watch = rebuilt(plant, steps, cut)
        expected = {t: step for t, step in steps if cut < t < cut + 0.5 * DAY_S}
        for time, row in plant.rows(cut + 1.0, cut + 0.5 * DAY_S):
            assert watch.minute(time, row) == expected[time]


def test_a_rebuilt_watch_remembers_a_cleaning() -> None:
    """Minutes before, in and after a cleaning that people entered get the same state after a rebuild."""
    plant = run("healthy", 1.5)
    begin, end = plant.start + 0.9 * DAY_S, plant.start + 1.0 * DAY_S
    events = [(begin, "cleaning_start"), (end, "cleaning_end")]
    watch, steps, waiting = plant.watch(), [], list(events)
    for time, row in plant.rows():
        while waiting and waiting[0][0] < time + 60.0:
            watch.event(*waiting.pop(0))
        steps.append((time, watch.minute(time, row)))
    states = [step.state for time, step in steps if begin <= time < end]
    assert set(states) == {"cleaning"}
    assert next(step.state for time, step in steps if time >= end) == "starting"
    for cut in (begin + 1800.0, end + 600.0, end + 3600.0):
        again = rebuilt(plant, steps, cut, events)
        expected = dict(steps)
        for at, kind in events:
            if at > cut:
                again.event(at, kind)
        for time, row in plant.rows(cut + 1.0, cut + 8 * 3600.0):
            if again.minute(time, row) != expected[time]:
                pytest.fail(f"differs at day {plant.day(time)} after a cut at {plant.day(cut)}")


def test_a_frozen_transmitter_is_told_and_masked_over_a_stop() -> None:
    """A frozen transmitter is an alarm within hours, is left out of digests, and stays so over a stop."""
    plant = run("transmitter_freeze", 11.0)
    frozen = plant.column("1/feed_pressure")
    running = plant.column("running")
    stop = (plant.times >= plant.start + 10.0 * DAY_S) & (plant.times < plant.start + 10.2 * DAY_S)
    values = plant.values.copy()
    for column, name in enumerate(plant.train.signals):
        if name.endswith("flow"):
            values[stop, column] = 0.0
    values[stop, running] = 0.0
    assert np.ptp(values[plant.times > plant.start + 9.4 * DAY_S, frozen]) == 0.0
    plant = replace(plant, values=values)
    steps = walk(plant)
    found = raised(steps)
    assert [f.matter for _, f in found] == ["frozen:A/1/feed_pressure"]
    assert found[0][1].action == "check_instrument"
    assert 9.3 < plant.day(found[0][0]) < 9.5
    later = [step.digest for t, step in steps if step.digest and plant.day(step.digest.start) > 9.4]
    assert any(plant.day(d.start) > 10.25 for d in later)
    assert all("1/feed_pressure" not in d.signals for d in later)
    assert all("1/permeate_flow" not in d.values for d in later)


@pytest.mark.parametrize("minutes", [17, 23])
def test_a_frozen_transmitter_stays_frozen_where_minutes_come_seldom(minutes: int) -> None:
    """With one minute in many, over the stops of three weeks, there is one alarm and nothing computed from it."""
    found = raised(walk(run("transmitter_freeze", 30.0, minutes * 60.0)))
    assert [f.matter for _, f in found] == ["frozen:A/1/feed_pressure"]


def test_a_device_without_usable_values_is_one_matter() -> None:
    """When all transmitters of a device fall silent although it answers, the device is told, not each of them."""
    plant = run("healthy", 0.5)
    device = {s: "ua1" if s.startswith("2/") else "plc1" for s in plant.train.signals}
    values = plant.values.copy()
    silent = [plant.column(s) for s in plant.train.signals if device[s] == "ua1"]
    values[np.ix_(plant.times >= plant.start + 0.2 * DAY_S, silent)] = np.nan
    watch = Watch(sections.plan(plant.train), device, BaselineRule())
    found = raised(walk(replace(plant, values=values), watch))
    assert [f.matter for _, f in found] == ["values:ua1"]
    assert "none of its values" in found[0][1].message


@pytest.mark.parametrize(
    ("goes_on", "words"),
    [
        (("running", "cleaning", "flushing"), "none of its values has been usable"),
        (("running", "feed_ph", "feed_orp"), "only 2 of its"),
    ],
)
def test_a_device_of_which_little_goes_on_is_one_matter(
    goes_on: tuple[str, ...], words: str
) -> None:
    """Status bits, or a value or two, may outlive a gap of all the others: still one notice, not one for each."""
    plant = run("healthy", 0.5)
    device = dict.fromkeys(plant.train.signals, "historian")
    values = plant.values.copy()
    silent = [plant.column(s) for s in plant.train.signals if s not in goes_on]
    values[np.ix_(plant.times >= plant.start + 0.2 * DAY_S, silent)] = np.nan
    watch = Watch(sections.plan(plant.train), device, BaselineRule())
    found = raised(walk(replace(plant, values=values), watch))
    assert [f.matter for _, f in found] == ["values:historian"]
    assert words in found[0][1].message


def test_a_stop_masks_nothing() -> None:
    """A stop of five hours with still transmitters freezes none of them and raises nothing."""
    plant = run("healthy", 5.0)
    stop = (plant.times >= plant.start + 4.0 * DAY_S) & (plant.times < plant.start + 4.2 * DAY_S)
    values = plant.values.copy()
    values[stop] = values[stop][0]
    for column, name in enumerate(plant.train.signals):
        if name.endswith("flow") or name == "running":
            values[stop, column] = 0.0
    steps = walk(replace(plant, values=values))
    assert raised(steps) == []
    after = [s.digest for _, s in steps if s.digest and plant.day(s.digest.start) > 4.2]
    assert after
    whole = set(after[-1].signals)
    assert {"1/feed_pressure", "1/permeate_conductivity"} <= whole
    assert all(set(d.signals) == whole for d in after)


def test_sparse_sampling_works() -> None:
    """One minute in seventeen is enough for the baseline and for the leak."""
    plant = run("o_ring_leak", 11.0, 17 * 60.0)
    steps = walk(plant)
    made = [plant.day(time) for time, step in steps if step.baseline]
    assert len(made) == 1
    assert 2.0 <= made[0] < 3.0
    found = raised(steps)
    assert [(f.cause, f.stage) for _, f in found] == [("o_ring_leak", 1)]


def test_missing_signals_cost_only_what_needs_them() -> None:
    """A transmitter without values takes its own observables out, is told, and the rest is judged on."""
    plant, _ = leak()
    values = plant.values.copy()
    lost = "2/permeate_conductivity"
    values[plant.times >= plant.start + 3.0 * DAY_S, plant.column(lost)] = np.nan
    watch = plant.watch()
    steps = walk(replace(plant, values=values), watch)
    gone = {o for o in watch.plan.observables if lost in watch.plan.needs(o)}
    last = next(step.digest for _, step in reversed(steps) if step.digest)
    assert set(watch.plan.observables) - set(last.values) == gone
    assert lost not in last.signals
    matters = {f.matter: f for _, f in raised(steps)}
    assert set(matters) == {f"value:A/{lost}", "performance"}
    assert matters["performance"].cause == "o_ring_leak"


def test_no_digest_without_flow() -> None:
    """A train all of whose flows are missing gives no digest and no judgement of its membranes."""
    plant = run("healthy", 0.5)
    values = plant.values.copy()
    for column, name in enumerate(plant.train.signals):
        if name.endswith("flow"):
            values[:, column] = np.nan
    steps = walk(replace(plant, values=values))
    digests = [s.digest for _, s in steps if s.digest]
    assert not any(k.endswith(("permeate_flow", "salt_passage")) for d in digests for k in d.values)


def test_links_are_told() -> None:
    """A device that does not answer is an alarm since its first silent minute, and absent when it is back."""
    plant, _ = leak()
    watch = plant.watch()
    at = plant.start
    nothing = np.full(len(plant.train.signals), np.nan)
    seen = []
    for minute in range(30):
        lost = 10 <= minute < 20
        row = nothing if lost else plant.values[0]
        step = watch.minute(at + 60.0 * minute, row, ("plc",) if lost else ())
        seen += [(minute, f) for f in step.findings if f.matter == "link:plc"]
        if lost:
            assert step.state == "unknown"
    down = [m for m, f in seen if f.presence is Presence.PRESENT]
    assert down == list(range(10, 20))
    finding = next(f for m, f in seen if m == 19)
    assert finding.since == at + 600.0
    assert (finding.notice_class, finding.suppressible) == ("alarm", False)
    # At minute 20 the device answers; the next quarter hour says so.
    assert [m for m, f in seen if f.presence is Presence.ABSENT] == [0]
    assert watch.minute(at + 1800.0, plant.values[0]).findings[-1].presence is Presence.ABSENT


def test_a_lost_device_is_not_a_bad_transmitter() -> None:
    """While its device is down a transmitter without values is not called bad."""
    plant, _ = leak()
    watch = plant.watch()
    nothing = np.full(len(plant.train.signals), np.nan)
    matters = set()
    for minute in range(120):
        step = watch.minute(plant.start + 60.0 * minute, nothing, ("plc",))
        matters |= {f.matter.partition(":")[0] for f in step.findings}
    assert matters == {"link"}


def test_the_absolute_pressure_drop() -> None:
    """A stage whose pressure drop reaches the limit of the plant file is an alarm without any baseline."""
    plant = run("healthy", 0.3)
    column = plant.column("1/concentrate_pressure")
    values = plant.values.copy()
    limit = plant.train.limits.pressure_drop_per_vessel_bar
    values[:, column] = values[:, plant.column("1/feed_pressure")] - (limit + 0.1)
    steps = walk(replace(plant, values=values))
    found = dict((f.matter, f) for _, f in raised(steps))
    assert set(found) == {"limit:1/pressure_drop"}
    alarm = found["limit:1/pressure_drop"]
    assert (alarm.stage, alarm.notice_class, alarm.priority) == (1, "alarm", "high")
    assert f"limit {limit:.2f} bar" in alarm.message
    values[:, column] += 0.2  # 97 % of the limit: neither reached nor clearly below
    near = walk(replace(plant, values=values))
    presences = {f.presence for _, s in near for f in s.findings if f.matter == "limit:1/pressure_drop"}  # fmt: skip
    assert presences == {Presence.HELD}


def test_measured_back_pressure_is_told() -> None:
    """A half closed permeate valve is told from the permeate pressure, with the stage and what to look for."""
    plant = run("permeate_backpressure", 10.0)
    found = raised(walk(plant))
    assert [f.matter for _, f in found] == ["backpressure:1"]
    time, finding = found[0]
    assert 9.3 < plant.day(time) < 9.6
    assert (finding.cause, finding.stage) == ("permeate_backpressure", 1)
    assert finding.action == "adjust_operation"


def test_a_wrong_permeate_pressure_is_not_back_pressure() -> None:
    """A permeate pressure transmitter that jumps up while the flow stays is blamed, not the valve."""
    plant = run("healthy", 6.0)
    values = plant.values.copy()
    values[plant.times >= plant.start + 4.0 * DAY_S, plant.column("1/permeate_pressure")] += 1.5
    found = raised(walk(replace(plant, values=values)))
    assert [f.matter for _, f in found] == ["performance"]
    assert found[0][1].causes[0].point == "A/1/permeate_pressure"


def test_replaced_membranes_start_anew() -> None:
    """After new membranes the old baseline is gone, a day passes, and 48 steady hours make the next."""
    plant = run("healthy", 8.0)
    watch = plant.watch()
    at = plant.start + 4.0 * DAY_S + 100.0
    made: list[Baseline] = []
    told = False
    for time, row in plant.rows():
        if not told and time > at:
            watch.event(at, "membranes_replaced")
            told = True
            assert watch.baseline is None
        step = watch.minute(time, row)
        if step.baseline:
            made.append(step.baseline)
    assert [b.source for b in made] == ["first_steady", "after_replacement"]
    assert made[1].start >= at + SETTLED_S
    assert plant.day(made[1].made_at) == pytest.approx(7.0, abs=0.4)


def test_new_membranes_entered_late() -> None:
    """A replacement that is entered two days later still counts the digests since."""
    plant = run("healthy", 8.0)
    watch = plant.watch()
    at = plant.start + 4.0 * DAY_S
    told = False
    for time, row in plant.rows():
        if not told and time > at + 2.0 * DAY_S:
            watch.event(at, "membranes_replaced")
            told = True
        watch.minute(time, row)
    assert watch.baseline is not None
    assert at + SETTLED_S <= watch.baseline.start < at + SETTLED_S + 4 * 3600.0


def test_a_window_that_gave_nothing_is_told() -> None:
    """A baseline window that passes with too few digests is told with its numbers, until there is a baseline."""
    plant = run("healthy", 2.0)
    rule = BaselineRule("window", start=plant.start + 0.5 * DAY_S, end=plant.start + 0.7 * DAY_S)
    watch = plant.watch(rule)
    findings = {}
    for time, row in plant.rows():
        for finding in watch.minute(time, row).findings:
            if finding.matter == "baseline":
                findings[time] = finding
    early = [f for t, f in findings.items() if plant.day(t) < 0.69]
    assert {f.presence for f in early} == {Presence.ABSENT}
    last = findings[max(findings)]
    assert last.presence is Presence.PRESENT
    assert (last.action, last.priority) == ("watch", "low")
    assert "19 quarter hours" in last.message  # noon to 16:48 holds 19 whole ones
    assert "24 are needed" in last.message
    assert len(last.message) <= 320


def test_a_window_that_suffices_is_used() -> None:
    """A window with enough digests makes the baseline when it has passed, and nothing is told."""
    plant = run("healthy", 2.0)
    rule = BaselineRule("window", start=plant.start + 0.5 * DAY_S, end=plant.start + 1.5 * DAY_S)
    watch = plant.watch(rule)
    made, presences = [], set()
    for time, row in plant.rows():
        step = watch.minute(time, row)
        made += [plant.day(time)] if step.baseline else []
        presences |= {f.presence for f in step.findings if f.matter == "baseline"}
    assert len(made) == 1
    assert made[0] == pytest.approx(1.5, abs=0.02)
    assert presences == {Presence.ABSENT}


def test_a_replacement_outlives_a_window() -> None:
    """After new membranes a window of the old ones no longer counts: the first steady hours do."""
    plant = run("healthy", 5.0)
    rule = BaselineRule("window", start=plant.start, end=plant.start + 0.6 * DAY_S)
    watch = plant.watch(rule)
    sources = []
    for time, row in plant.rows():
        if plant.day(time) == 1.0:
            watch.event(time, "membranes_replaced")
        step = watch.minute(time, row)
        sources += [step.baseline.source] if step.baseline else []
    assert sources == ["window", "after_replacement"]


def test_a_design_baseline_is_quiet_until_something_happens() -> None:
    """Judged by its data sheet a sound new train raises nothing; the leak of one stage is still told."""
    plant = run("o_ring_leak", 11.0, 900.0)
    watch = plant.watch(BaselineRule("design", element_test=simulated_test(plant)))
    steps = walk(plant, watch)
    assert watch.baseline is not None
    assert watch.baseline.source == "design"
    found = raised(steps)
    assert [(f.stage, f.action) for _, f in found] == [(1, "probe")]
    assert 9.4 < plant.day(found[0][0]) < 10.0


def test_wrong_arguments_raise() -> None:
    """A row of another length and a minute that is not later raise."""
    plant, _ = leak()
    watch = plant.watch()
    watch.minute(plant.start, plant.values[0])
    with pytest.raises(ValueError, match="expected"):
        watch.minute(plant.start + 60.0, plant.values[0][:3])
    with pytest.raises(ValueError, match="in order"):
        watch.minute(plant.start, plant.values[0])


def test_a_train_without_status_bits() -> None:
    """Without status bits the same leak is found, and stops are told by the flows."""
    plant, _ = leak()
    kept = [i for i, s in enumerate(plant.train.signals) if s not in ("running", "cleaning", "flushing")]  # fmt: skip
    train = Train(
        plant.train.id,
        plant.train.stages,
        tuple(plant.train.instruments[i] for i in kept),
        limits=plant.train.limits,
    )
    steps = walk(replace(plant, train=train, values=plant.values[:, kept]))
    assert [(f.cause, f.stage) for _, f in raised(steps)] == [("o_ring_leak", 1)]


@cache
def season() -> tuple[Run, Steps]:
    """Seventy days of a healthy plant whose membranes follow temperature more than the plant file says."""
    plant = run("healthy", 70.0, step_s=900.0)
    return plant, walk(plant)


def test_own_temperature_constant_is_learned() -> None:
    """The invented membranes have E/R 2900 K, the plant file 2640 K: within seventy days it is seen."""
    plant, steps = season()
    learned = [step.learned for _, step in steps if step.learned is not None][-1]
    flows = [x for x in learned if (x.quantity, x.driver) == ("permeate_flow", "temperature")]
    assert plant.train.water_activation_k == 2640.0
    assert [x.section for x in flows] == ["1", "2"]
    for flow in flows:
        assert flow.activation_k is not None
        assert flow.activation_k[0] == pytest.approx(2900.0, rel=0.04)


def test_what_is_learned_is_learned_again() -> None:
    """A watch rebuilt from all digests since the baseline explains the next ones to the last bit."""
    plant, steps = season()
    cut = steps[-400][0]
    watch = rebuilt(plant, steps, cut)
    again = [(t, watch.minute(t, row)) for t, row in plant.rows(cut + 1.0)]
    live = [step.digest for t, step in steps if t > cut]
    assert [step.digest for _, step in again] == live
    assert any(d is not None and d.explained["1/permeate_flow"] != 0.0 for d in live)
