"""The simulated plant: balances, directions, reproducible readings, transmitters, operation."""

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from simulator.hydraulics import TrainResult
from simulator.operation import DAY_S, Mode, Timeline
from simulator.plant import Plant
from simulator.sampling import tube_profile, vessel_conductivity
from simulator.scenario import Event, Scenario, load, parse

QUIET = parse(
    """
    title = "even"
    description = "nothing changes but the clock"
    [operation]
    setpoint_every_days = 0
    stop_every_days = 0
    [feed]
    salt_spread = 0
    temperature_day_c = 0
    temperature_weather_c = 0
    """,
    "even",
    "even",
)


def at(plant: Plant, **changed: float) -> TrainResult:
    """The sound train at 78 m3/h, 75 %, 20 °C, 2000 mg/L, with changes, at the start."""
    conditions = {"permeate": 78.0, "recovery": 0.75, "temperature": 20.0, "salt": 2000.0} | changed
    one = np.ones(1)
    return plant.solved(
        np.array([plant.start_s]),
        permeate=conditions["permeate"] * one,
        feed=conditions["permeate"] / conditions["recovery"] * one,
        temperature_c=conditions["temperature"] * one,
        salt_mg_l=conditions["salt"] * one,
    )


@pytest.mark.parametrize("name", ["healthy", "o_ring_leak", "tail_scaling"])
def test_water_and_salt_balance(name: str) -> None:
    """Before instruments, feed is permeate and concentrate, for water and salt, to 1e-6."""
    plant = Plant(name)
    times = plant.start_s + np.arange(0.0, 20.0, 0.11) * DAY_S
    one = np.ones_like(times)
    solved = plant.solved(
        times,
        permeate=78.0 * one,
        feed=104.0 * one,
        temperature_c=15.0 * one,
        salt_mg_l=2000.0 * one,
    )
    assert solved.permeate_m3h == pytest.approx(78.0, rel=1e-5)
    last = solved.stages[-1]
    water = solved.permeate_m3h + last.concentrate_m3h
    assert water == pytest.approx(104.0, rel=1e-6)
    salt = solved.permeate_m3h * solved.permeate_mg_l + last.concentrate_m3h * last.concentrate_mg_l
    assert salt == pytest.approx(104.0 * 2000.0, rel=1e-6)
    for stage in solved.stages:
        assert stage.feed_m3h == pytest.approx(stage.permeate_m3h + stage.concentrate_m3h, rel=1e-6)
        drops = stage.flow.drop_bar
        assert np.max(np.abs(drops / drops.mean(axis=1, keepdims=True) - 1.0)) < 1e-4


def test_directions_of_operation() -> None:
    """Warmer, saltier, more recovery, more flow: each moves pressure and salt the way it must."""
    plant = Plant(QUIET)
    base = at(plant)

    def change(**changed: float) -> tuple[float, float, float]:
        other = at(plant, **changed)
        first, was = other.stages[0], base.stages[0]
        return (
            float(first.feed_bar[0] / was.feed_bar[0]),
            float(other.permeate_mg_l[0] / base.permeate_mg_l[0]),
            float(
                (first.feed_bar - first.concentrate_bar)[0]
                / (was.feed_bar - was.concentrate_bar)[0]
            ),
        )

    pressure, salt, drop = change(temperature=25.0)
    # E/R 2900 K over 5 K is 18 % of permeability; osmotic pressure and friction take no part in it.
    assert 0.86 < pressure < 0.92
    assert 1.12 < salt < 1.22
    assert 0.94 < drop < 1.0
    pressure, salt, drop = change(salt=3000.0)
    assert pressure > 1.05
    assert 1.4 < salt < 1.6
    # Stage 1 takes over flow from the saltier stage 2, so a little less brine reaches its tail.
    assert 0.94 < drop < 1.0
    pressure, salt, drop = change(recovery=0.80)
    assert salt > 1.1
    assert drop < 0.95
    pressure, salt, drop = change(permeate=90.0)
    assert pressure > 1.1
    assert salt < 0.92
    assert drop > 1.15


def test_pump_at_its_limit() -> None:
    """When the pump can give no more, pressure stays at its limit and the permeate falls short."""
    scenario = replace(QUIET, plant=replace(QUIET.plant, highest_feed_bar=15.0))
    plant = Plant(scenario)
    solved = at(plant, temperature=12.0)
    assert solved.stages[0].feed_bar[0] == 15.0
    # The net driving pressure falls from about 14 to about 9.5 bar: 78 * 9.5 / 14 = 53 m3/h.
    assert solved.permeate_m3h[0] == pytest.approx(53.0, rel=0.1)


def test_leak_shows_in_its_vessel_and_at_its_joint() -> None:
    """A leaking O-ring: one vessel out of its stage, and a step along its tube at that joint only."""
    plant = Plant("o_ring_leak")
    when = plant.start_s + 15.0 * DAY_S
    survey = vessel_conductivity(plant, 1, when)
    others = np.delete(survey, 4)
    assert survey[4] > 3.0 * others.max()
    assert others.max() < 1.15 * others.min()
    readings = tube_profile(plant, 1, 5, when)
    distance = np.array([r.distance_mm for r in readings])
    conductivity = np.array([r.conductivity_us_cm for r in readings])
    assert np.all(np.diff(distance) < 0.0)
    jump = int(np.argmax(np.diff(conductivity)))
    # Three readings for each element: joint 3 lies between the 9th and the 10th.
    assert jump == 8
    assert conductivity[9] > 8.0 * conductivity[8]
    assert np.all(np.diff(conductivity[9:]) < 0.0)
    # At the outlet the tube carries what the sample valve of the vessel gives.
    assert conductivity[-1] == pytest.approx(survey[4], rel=0.02)


def test_damaged_element_is_a_ramp() -> None:
    """A hole in an element shows at its own middle already, unlike a leak at a joint."""
    plant = Plant("damaged_element")
    readings = tube_profile(plant, 2, 2, plant.start_s + 15.0 * DAY_S)
    conductivity = [r.conductivity_us_cm for r in readings]
    start, middle, end = conductivity[3:6]
    assert start < middle < end
    assert middle > 5.0 * conductivity[2]


def test_readings_depend_on_scenario_seed_and_time_only() -> None:
    """Sampling every minute, or jumping there, or another object gives the same readings."""
    minutes = Plant("tail_scaling", seed=4)
    times = minutes.start_s + 60.0 * np.arange(3000)
    table = minutes.sample(times)
    jumping = Plant("tail_scaling", seed=4)
    jumping.advance(float(times[2500]))
    for tag, value in jumping.readings().items():
        # The two roads to the steady state end within its tolerance: at most one resolution apart.
        assert value == pytest.approx(float(table[tag][2500]), rel=2e-5, abs=1.01)
    again = Plant("tail_scaling", seed=4).sample(times)
    assert all(np.array_equal(again[tag], table[tag]) for tag in table)
    other = Plant("tail_scaling", seed=5).sample(times)
    assert not np.array_equal(other["A/feed_flow"], table["A/feed_flow"])


def test_instruments_err_by_about_what_they_claim() -> None:
    """Errors of each transmitter stay within three times its stated accuracy, and are not nothing."""
    plant = Plant(QUIET, seed=2)
    times = plant.start_s + 600.0 * np.arange(500)
    truth, shown = plant.truth(times), plant.sample(times)
    for instrument in plant.instruments:
        error = shown[f"A/{instrument.signal}"] - truth[instrument.signal]
        if instrument.status:
            assert not error.any()
            continue
        base = (
            np.abs(truth[instrument.signal])
            if instrument.of_reading
            else instrument.high - instrument.low
        )
        stated = instrument.accuracy_percent / 100.0 * base
        if instrument.signal != "feed_turbidity":
            assert np.max(np.abs(error) / stated) < 3.0, instrument.signal
        assert np.std(error) > 0.0, instrument.signal


def fault(lines: str) -> Scenario:
    """The even plant with one fault."""
    text = 'title = "f"\ndescription = "f"\n[[fault]]\n' + lines
    return replace(QUIET, faults=parse(text, "f", "f").faults)


def test_transmitter_faults() -> None:
    """Freeze holds the value of its onset, drift and offset grow to their size, lost gives NaN."""
    times = Plant(QUIET).start_s + np.arange(0.0, 20.0, 0.01) * DAY_S
    sound = Plant(QUIET).sample(times)
    after = times >= times[0] + 10.0 * DAY_S
    tag = "A/1/feed_pressure"
    head = 'tag = "1/feed_pressure"\nonset_day = 10\n'

    frozen = Plant(fault(head + 'kind = "transmitter_freeze"\ngrowth = "step"')).sample(times)
    assert np.unique(frozen[tag][after]).size == 1
    assert abs(frozen[tag][after][0] - sound[tag][after][0]) < 0.01
    assert np.array_equal(frozen[tag][~after], sound[tag][~after])

    offset = Plant(fault(head + 'kind = "transmitter_offset"\ngrowth = "step"\noffset = 0.5'))
    error = offset.sample(times)[tag] - sound[tag]
    assert error[~after] == pytest.approx(0.0, abs=1e-9)
    assert error[after][1:] == pytest.approx(0.5, abs=0.006)

    drift = fault(head + 'kind = "transmitter_drift"\ngrows_days = 8\npercent = 20')
    ratio = Plant(drift).sample(times)[tag] / sound[tag]
    day = (times - times[0]) / DAY_S
    assert ratio == pytest.approx(1.0 + 0.2 * np.clip((day - 10.0) / 8.0, 0.0, 1.0), abs=1e-3)

    lost = Plant(fault(head + 'kind = "transmitter_lost"\ngrowth = "step"\nuntil_day = 12'))
    missing = np.isnan(lost.sample(times)[tag])
    assert np.array_equal(missing, after & (day < 12.0))
    assert not np.isnan(lost.sample(times)["A/2/feed_pressure"]).any()


def test_a_pause_runs_through_its_modes() -> None:
    """A stop flushes, stands, flushes, starts and runs, and the status bits say so."""
    scenario = replace(QUIET, events=(Event("stop", at_day=1.0, hours=2.0),))
    plant = Plant(scenario)
    times = plant.start_s + DAY_S + np.arange(-600.0, 3.0 * 3600.0, 20.0)
    mode, _ = plant.timeline.mode(times)
    order = mode[np.insert(np.diff(mode) != 0, 0, True)]
    assert order.tolist() == [
        Mode.RUNNING,
        Mode.FLUSHING,
        Mode.STOPPED,
        Mode.FLUSHING,
        Mode.STARTING,
        Mode.RUNNING,
    ]
    values = plant.sample(times)
    running = np.isin(mode, (Mode.RUNNING, Mode.STARTING))
    assert np.array_equal(values["A/running"] == 1.0, running)
    assert np.array_equal(values["A/flushing"] == 1.0, mode == Mode.FLUSHING)
    stopped = mode == Mode.STOPPED
    assert np.max(np.abs(values["A/permeate_flow"][stopped])) < 0.1
    assert np.max(values["A/1/feed_pressure"][stopped]) < 0.6
    # After the start the salt that diffused at rest washes out.
    first = values["A/permeate_conductivity"][mode == Mode.STARTING]
    assert first.max() > 1.5 * values["A/permeate_conductivity"][0]
    late = values["A/permeate_conductivity"][-1]
    assert late == pytest.approx(values["A/permeate_conductivity"][0], rel=0.06)


def test_cleaning_is_logged_and_restores() -> None:
    """While cleaning the bit is up; afterwards nine tenths of the scale are gone; the log has both ends."""
    plant = Plant("cleaned_scale")
    day = np.array([26.0, 26.5, 27.0])
    values = plant.sample(plant.start_s + day * DAY_S)
    assert values["A/cleaning"].tolist() == [0.0, 1.0, 0.0]
    assert [line.event for line in plant.timeline.log] == ["cleaning_start", "cleaning_end"]
    state = [plant.stage_state(2, plant.start_s + day[[0, 2]] * DAY_S).water[5].mean(axis=1)][0]
    new = Plant(QUIET).stage_state(2, np.array([plant.start_s])).water[5].mean()
    lost_before, lost_after = 1.0 - state[0] / new, 1.0 - state[1] / new
    assert 0.05 < lost_after / lost_before < 0.2


def test_set_points_ramp_and_stay() -> None:
    """A planned set-point holds from then on, and what it does not name stays as it was."""
    scenario = replace(QUIET, events=(Event("setpoint", at_day=2.0, recovery=0.70),))
    timeline = Timeline(scenario, 1, 0.0)
    flow, recovery = timeline.setpoints(np.array([1.0, 1.99, 2.5, 30.0]) * DAY_S)
    assert flow.tolist() == [78.0] * 4
    assert recovery.tolist() == [0.75, 0.75, 0.70, 0.70]


def test_seasons() -> None:
    """The healthy year is coldest about the first of February and warmest half a year later."""
    plant = Plant("healthy")
    days = np.arange(0.0, 365.0)
    smooth = np.convolve(plant.feed.temperature_c(plant.start_s + days * DAY_S), np.ones(21) / 21)
    smooth = smooth[20:-20]
    assert 5 < np.argmin(smooth) + 10 < 55
    assert 180 < np.argmax(smooth) + 10 < 240
    assert 11.0 < smooth.min() < 14.0
    assert 22.0 < smooth.max() < 25.0


def test_ageing_is_slow() -> None:
    """After a year water permeability is 3 % lower and salt permeability 4 % higher, as configured."""
    plant = Plant("healthy")
    times = plant.start_s + np.array([0.0, 365.25]) * DAY_S
    state = plant.stage_state(1, times)
    assert state.water[0, 1, 0] / state.water[0, 0, 0] == pytest.approx(0.97)
    assert state.salt[0, 1, 0] / state.salt[0, 0, 0] == pytest.approx(1.04)


def test_wrong_use_is_refused() -> None:
    """Time does not run backward, and a start without zone is not guessed."""
    plant = Plant(QUIET)
    plant.advance(plant.start_s + 100.0)
    with pytest.raises(ValueError, match="time runs forward"):
        plant.advance(plant.start_s)
    with pytest.raises(ValueError, match="time zone"):
        Plant(load("healthy"), start=datetime(2026, 1, 5))


@pytest.mark.parametrize(
    ("permeate", "recovery", "temperature", "salt", "highest"),
    [
        (75.0, 0.81, 24.0, 9000.0, 40.0),  # the tail hardly overcomes its osmotic pressure
        (63.0, 0.82, 23.0, 5000.0, 24.0),
        (45.0, 0.79, 18.0, 5000.0, 24.0),
        (98.0, 0.64, 17.0, 2000.0, 18.0),  # the pump cannot give what is asked
        (41.0, 0.51, 30.0, 9000.0, 40.0),  # little flux, much brine
        (98.0, 0.50, 27.0, 300.0, 40.0),  # large flows through little salt
    ],
)
def test_hard_conditions_settle(
    permeate: float, recovery: float, temperature: float, salt: float, highest: float
) -> None:
    """Far from the design a steady state is still found, with its water and salt balance."""
    text = 'title = "f"\ndescription = "f"\n' + "".join(
        f'[[fault]]\nkind = "{kind}"\nonset_day = 0\ngrows_days = 10\nseverity = 1.5\n'
        for kind in ("scaling", "biofouling", "oxidation_damage")
    )
    faults = parse(text, "f", "f").faults
    scenario = replace(QUIET, faults=faults, plant=replace(QUIET.plant, highest_feed_bar=highest))
    plant = Plant(scenario)
    times = plant.start_s + np.arange(0.0, 12.0, 0.5) * DAY_S
    one = np.ones_like(times)
    solved = plant.solved(
        times,
        permeate=permeate * one,
        feed=permeate / recovery * one,
        temperature_c=temperature * one,
        salt_mg_l=salt * one,
    )
    last = solved.stages[-1]
    assert solved.permeate_m3h + last.concentrate_m3h == pytest.approx(
        permeate / recovery * one, rel=1e-6
    )
    carried = (
        solved.permeate_m3h * solved.permeate_mg_l + last.concentrate_m3h * last.concentrate_mg_l
    )
    assert carried == pytest.approx(permeate / recovery * salt * one, rel=1e-6)
    short = solved.permeate_m3h < permeate * (1.0 - 1e-4)
    assert np.all(solved.stages[0].feed_bar[short] == highest)
    assert np.all(solved.stages[0].feed_bar <= highest)
