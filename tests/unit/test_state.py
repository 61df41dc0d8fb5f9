"""The operating state minute by minute: by status bits, by signals, and where the two disagree."""

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from rules import robust
from rules.state import (
    CIRCULATION_S,
    CONTRADICTION_S,
    RINSED_S,
    SETTLING_S,
    STATES,
    StateGate,
    judged_signals,
)
from rules.train import STATUS_ROLES
from simulator.operation import Mode
from simulator.plant import Plant
from tests.simulated import DAY_S, Run, run

SIGNALS = (
    "permeate_flow",
    "feed_flow",
    "concentrate_flow",
    "1/feed_pressure",
    "feed_ph",
    "feed_temperature",
    "running",
    "cleaning",
    "flushing",
)
BITS = (6, 7, 8)
AREA_M2 = 3600.0


def row(**changed: float) -> NDArray[np.float64]:
    """One minute of all signals in production, with changes; `bits=nan` takes all bits away."""
    values = dict(
        zip(SIGNALS, (75.0, 100.0, 25.0, 12.0, 7.0, 20.0, 1.0, 0.0, 0.0), strict=True),
        bits=0.0,
    )
    values["1/feed_pressure"] = changed.pop("pressure", 12.0)
    values |= changed
    bits = values.pop("bits")
    found = np.array(list(values.values()))
    if np.isnan(bits):
        found[list(BITS)] = np.nan
    return found


STANDING = {"permeate_flow": 0.0, "feed_flow": 0.0, "concentrate_flow": 0.0, "pressure": 0.3}
FLUSH = {"permeate_flow": 2.0, "feed_flow": 60.0, "concentrate_flow": 58.0, "pressure": 3.0}
USUAL = row()


def gate() -> StateGate:
    """A new gate over all signals."""
    return StateGate(SIGNALS, AREA_M2)


def after(state: StateGate, rows: list[NDArray[np.float64]], usual: object = None) -> list[str]:
    """States of minutes, one a minute."""
    known = usual if isinstance(usual, np.ndarray) else None
    return [state.minute(60.0 * i, r, known) for i, r in enumerate(rows)]


def test_bits_decide() -> None:
    """Cleaning outranks flushing, flushing outranks running, and a train that does not run is stopped."""
    state = gate()
    assert state.minute(0.0, row(), None) == "steady"
    assert state.minute(60.0, row(cleaning=1.0, flushing=1.0, **FLUSH), None) == "cleaning"
    assert state.minute(120.0, row(flushing=1.0, **FLUSH), None) == "flushing"
    assert state.minute(180.0, row(running=0.0, **STANDING), None) == "stopped"


def test_settling_counts_as_starting() -> None:
    """After a stop the train is starting until it has run for the settling time."""
    state = gate()
    assert state.minute(0.0, row(running=0.0), None) == "stopped"
    assert state.minute(60.0, row(), None) == "starting"
    assert state.minute(SETTLING_S, row(), None) == "starting"
    assert state.minute(60.0 + SETTLING_S, row(), None) == "steady"


def test_settling_is_counted_from_the_first_minute_of_production() -> None:
    """Where minutes come seldom, the time since the last minute of standstill would be too long."""
    state = gate()
    assert state.minute(0.0, row(running=0.0), None) == "stopped"
    assert state.minute(2.0 * SETTLING_S, row(), None) == "starting"
    assert state.minute(3.0 * SETTLING_S, row(), None) == "steady"


def test_a_cleaning_that_people_tell_settles_too() -> None:
    """A cleaning entered by people counts without a bit or a value, against full production, and settles."""
    state = gate()
    assert state.minute(0.0, np.full(len(SIGNALS), np.nan), None, cleaning=True) == "cleaning"
    assert state.minute(60.0, row(), None, cleaning=True) == "cleaning"
    assert state.minute(120.0, row(), None) == "starting"


@pytest.mark.parametrize("usual", [None, USUAL], ids=["no baseline", "baseline"])
def test_without_bits_the_signals_decide(usual: NDArray[np.float64] | None) -> None:
    """Without bits a standing, a flushed and a producing train are told apart, with a baseline and without."""
    state = gate()
    nan = float("nan")
    rows = [row(bits=nan), row(bits=nan, **STANDING), row(bits=nan, **FLUSH), row(bits=nan)]
    assert after(state, rows, usual) == ["steady", "stopped", "flushing", "starting"]


def test_circulation_without_permeate_becomes_a_cleaning() -> None:
    """Water that flows past the membranes at low pressure for long is a cleaning; a flush is short."""
    states = after(gate(), [row(bits=float("nan"), **FLUSH)] * 45)
    assert states[0] == "flushing"
    assert states.index("cleaning") == CIRCULATION_S / 60.0
    assert set(states[30:]) == {"cleaning"}


@pytest.mark.parametrize("sign", [{"feed_ph": 2.5}, {"feed_ph": 11.5}, {"feed_temperature": 35.0}])
def test_odd_circulation_is_a_cleaning_at_once(sign: dict[str, float]) -> None:
    """Acid, lye or heated water on a train that makes no permeate is cleaning solution."""
    assert gate().minute(0.0, row(bits=float("nan"), **FLUSH, **sign), USUAL) == "cleaning"
    assert gate().minute(0.0, row(bits=float("nan"), **sign), USUAL) == "steady"


def test_a_stuck_running_bit_does_not_judge_a_standing_train() -> None:
    """Running by the bit but not by any signal is a standstill or a flush from the first minute."""
    assert gate().minute(0.0, row(**STANDING), None) == "stopped"
    assert gate().minute(0.0, row(**FLUSH), USUAL) == "flushing"


@pytest.mark.parametrize("bit", [{"running": 0.0}, {"cleaning": 1.0}, {"flushing": 1.0}])
def test_a_stuck_bit_does_not_blind(bit: dict[str, float]) -> None:
    """A bit that denies what all signals show is believed for a quarter hour and then ignored."""
    states = after(gate(), [row(**bit)] * 90)
    believed = int(CONTRADICTION_S / 60.0)
    assert not {"starting", "steady"} & set(states[:believed])
    assert set(states[believed : believed + 60]) == {"starting"}
    assert set(states[believed + 60 :]) == {"steady"}


def test_one_instrument_does_not_outrank_a_bit() -> None:
    """A single dead transmitter neither stops a train that runs nor lets one run that is stopped."""
    assert gate().minute(0.0, row(permeate_flow=0.0), USUAL) == "steady"
    only = row(running=0.0, feed_flow=np.nan, concentrate_flow=np.nan, pressure=np.nan)
    assert set(after(gate(), [only] * 30)) == {"stopped"}


def test_one_dead_meter_without_bits() -> None:
    """Without bits, two indicators out of three outvote a permeate meter that shows nothing."""
    nan = float("nan")
    assert gate().minute(0.0, row(bits=nan, permeate_flow=0.0), USUAL) == "steady"
    stuck = STANDING | {"permeate_flow": 75.0}
    assert gate().minute(0.0, row(bits=nan, **stuck), USUAL) == "stopped"


def test_permeate_is_added_up_from_the_stages() -> None:
    """A train that measures the permeate of its stages only is judged by their sum."""
    state = StateGate(("1/permeate_flow", "2/permeate_flow"), AREA_M2)
    assert state.minute(0.0, np.array([50.0, 25.0]), None) == "steady"
    assert state.minute(60.0, np.array([1.0, 0.5]), None) == "stopped"
    assert state.minute(120.0, np.array([50.0, np.nan]), None) == "unknown"


def test_nothing_known_is_unknown() -> None:
    """A minute without any value, or without flow, pressure and bits, has no state."""
    state = gate()
    assert state.minute(0.0, np.full(len(SIGNALS), np.nan), None) == "unknown"
    only_ph = np.full(len(SIGNALS), np.nan)
    only_ph[4] = 7.0
    assert state.minute(60.0, only_ph, None) == "unknown"
    only_ph[1] = 0.0
    assert state.minute(120.0, only_ph, None) == "stopped"


def test_a_set_point_change_is_a_disturbance_until_it_is_over() -> None:
    """A move of the permeate flow by 5 % disturbs while it lasts and twenty minutes longer, no more."""
    flow = 75.0 * (1.0 + 0.05 * np.clip((np.arange(120) - 30.0) / 15.0, 0.0, 1.0))
    states = after(gate(), [row(permeate_flow=q) for q in flow])
    disturbed = [i for i, s in enumerate(states) if s == "disturbed"]
    assert set(states) == {"steady", "disturbed"}
    assert 30 < disturbed[0] < 45 <= disturbed[-1] < 65
    assert disturbed == list(range(disturbed[0], disturbed[-1] + 1))


def test_wrong_area_is_refused() -> None:
    """A train without membrane area is an error."""
    with pytest.raises(ValueError, match="area_m2 must be above 0"):
        StateGate(SIGNALS, 0.0)


def test_judged_signals() -> None:
    """Flows and feed pressures are judged, of the train and of its stages."""
    assert judged_signals(SIGNALS) == SIGNALS[:4]


@cache
def simulated() -> tuple[Run, NDArray[np.int64]]:
    """A stop and the cleaning of a simulated plant with six hours around each, at one minute, and its mode."""
    plant = Plant("cleaned_scale", 1)
    coarse = plant.start_s + np.arange(0.0, 28.0 * 86400.0, 60.0)
    mode, _ = plant.timeline.mode(coarse)
    near = np.zeros(len(coarse), dtype=bool)
    for kind in (Mode.STOPPED, Mode.CLEANING):
        at = np.flatnonzero(mode == kind)
        end = at[np.flatnonzero(np.append(np.diff(at) > 1, [True]))[0]]
        near[max(0, at[0] - 360) : end + 360] = True
    times = coarse[near]
    train = run("cleaned_scale", 0.01).train
    table = plant.sample(times)
    values = np.array([table[f"{train.id}/{s}"] for s in train.signals]).T
    return Run("cleaned_scale", train, plant.start_s, times, values), mode[near]


@pytest.mark.parametrize("baseline", [False, True])
def test_a_simulated_plant_without_bits(baseline: bool) -> None:
    """Without bits no minute of rest counts as production and none of production as rest."""
    plant, mode = simulated()
    values = plant.values.copy()
    values[:, [plant.column(b) for b in STATUS_ROLES]] = np.nan
    usual = robust.median(values) if baseline else None
    state = StateGate(plant.train.signals, sum(s.area_m2 for s in plant.train.stages))
    found = np.array(
        [state.minute(t, v, usual) for t, v in zip(plant.times.tolist(), values, strict=True)]
    )
    produces = np.isin(mode, (Mode.RUNNING, Mode.STARTING))
    said = np.isin(found, ("starting", "steady", "disturbed"))
    assert set(mode) == {int(m) for m in Mode if m is not Mode.TRIPPED}
    assert np.count_nonzero(said != produces) == 0
    assert set(found[mode == Mode.STOPPED]) <= {"stopped"}
    assert set(found[mode == Mode.FLUSHING]) <= {"flushing", "cleaning"}
    cleaning = found[mode == Mode.CLEANING]
    assert np.mean(cleaning == "cleaning") > 0.8
    assert set(found) <= set(STATES)


def started(conductivity: NDArray[np.float64], step_s: float = 60.0) -> list[str]:
    """States of a train that stood and then runs, by the permeate conductivities after its start."""
    gate = StateGate(("permeate_flow", "permeate_conductivity", "1/feed_pressure"), AREA_M2)
    gate.minute(-step_s, np.array([0.0, 200.0, 0.3]), None)
    return [
        gate.minute(k * step_s, np.array([75.0, value, 12.0]), None)
        for k, value in enumerate(conductivity.tolist())
    ]


@pytest.mark.parametrize("step_s", [60.0, 900.0, 3600.0])
def test_permeate_is_rinsed_out_before_it_is_judged(step_s: float) -> None:
    """What a standstill has left in the permeate decays over hours: starting until little of it is left."""
    times = np.arange(0.0, 12 * 3600.0, step_s)
    states = started(40.0 * (1.0 + 1.5 * np.exp(-times / 3600.0)), step_s)
    first = states.index("steady")
    assert set(states[:first]) == {"starting"}
    assert set(states[first:]) == {"steady"}
    assert 1.5 * np.exp(-times[first] / 3600.0) < 0.03
    assert times[first] <= 6 * 3600.0


def test_a_leak_from_the_start_is_judged_after_the_settling() -> None:
    """Conductivity that is high and stays high is no rinsing."""
    states = started(np.full(200, 90.0))
    assert states.index("steady") == SETTLING_S // 60


def test_a_train_that_runs_by_the_shift_is_judged() -> None:
    """After a run of six hours the next one is rinsed for two at the most."""
    gate = StateGate(("permeate_flow", "permeate_conductivity", "1/feed_pressure"), AREA_M2)
    states, falling = [], 60.0 * np.exp(-np.arange(360) / 1200.0)
    for day in range(2):
        begin = day * DAY_S
        gate.minute(begin - 60.0, np.array([0.0, 200.0, 0.3]), None)
        states = [
            gate.minute(begin + k * 60.0, np.array([75.0, value, 12.0]), None)
            for k, value in enumerate(falling.tolist())
        ]
        gate.minute(begin + 6 * 3600.0, np.array([0.0, 200.0, 0.3]), None)
    assert states.index("steady") == 120


def test_rinsing_ends_in_the_end() -> None:
    """Conductivity that falls on and on for another reason does not keep a train from being judged."""
    states = started(90.0 * np.exp(-np.arange(720) / 1500.0))
    assert states.index("steady") == RINSED_S // 60
