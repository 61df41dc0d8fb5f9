"""The life cycle against the alarm state model of ANSI/ISA-18.2-2016 and IEC 62682.

tests/reference/alarm_transitions.csv: states confirmed in secondary texts that were read, transitions from memory.
tests/reference/alarm_sequences.csv: on-delay, off-delay and deadband of the same standards; cases constructed
from the definitions and computed by hand simulation.
tests/reference/alarm_deadband_delay.csv: starting values of ISA-18.2 guidance and EEMUA 191, from memory.
"""

import csv
from collections import defaultdict
from itertools import product
from pathlib import Path

import pytest

from daemon.lifecycle import Delay, Event, NotPossible, State, advance
from rules.findings import Presence

REFERENCE = Path(__file__).parent.parent / "reference"
EVENTS = {
    "condition occurs (after on-delay)": Event.OCCUR,
    "condition occurs again": Event.OCCUR,
    "acknowledge": Event.ACKNOWLEDGE,
    "return to normal (past deadband, after off-delay)": Event.RETURN,
    "return to normal": Event.RETURN,
    "re-alarm (re-annunciation rule or escalation)": Event.REALARM,
    "reset": Event.RESET,
    "shelve (operator, time-limited)": Event.SHELVE,
    "unshelve or shelf time over": Event.UNSHELVE,
    "designed suppression becomes active": Event.SUPPRESS,
    "designed suppression ends": Event.UNSUPPRESS,
    "remove from service (maintenance, authorised)": Event.REMOVE,
    "return to service": Event.RESTORE,
}
LATCHED = (State.LTUNK, State.LTACK)
FROM = {
    # "any" leaves out OOSRV itself: what is out of service cannot be taken out again.
    "any": [s for s in State if s is not State.OOSRV],
    "any annunciated or NORM": [
        s for s in State if s not in (State.SHLVD, State.DSUPR, State.OOSRV)
    ],
}


def rows(name: str) -> list[dict[str, str]]:
    lines = (REFERENCE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def allowed() -> dict[tuple[State, Event, bool, bool], State]:
    """(state, event, condition present, latching) -> next state, as the table has it."""
    table = {}
    for row in rows("alarm_transitions.csv"):
        text, _, condition = row["event"].rpartition(", condition ")
        event = EVENTS[text or row["event"]]
        presents = {"present": (True,), "absent": (False,)}.get(condition, (False, True))
        latchings = {"latching": (True,), "non-latching": (False,)}.get(
            row["applies_to"], (False, True)
        )
        states = FROM.get(row["from"]) or [State(row["from"])]
        for state, present, latching in product(states, presents, latchings):
            table[state, event, present, latching] = State(row["to"])
    return table


TABLE = allowed()


@pytest.mark.parametrize("latching", [False, True])
@pytest.mark.parametrize("event", list(Event))
@pytest.mark.parametrize("state", list(State))
def test_every_step_is_the_one_of_the_table(state: State, event: Event, latching: bool) -> None:
    """Each state and event gives the table's next state, and is refused where the table has none."""
    if state in LATCHED and not latching:
        # A notice that does not latch never gets there; the table says nothing about it.
        latching = True
    for present in (False, True):
        expected = TABLE.get((state, event, present, latching))
        if expected is None:
            with pytest.raises(NotPossible, match=event.value):
                advance(state, event, present=present, latching=latching)
        else:
            assert advance(state, event, present=present, latching=latching) is expected


@pytest.mark.parametrize(
    ("state", "event", "told"),
    [
        (State.UNACK, Event.UNSHELVE, "the notice is not acknowledged yet, not shelved"),
        (State.SHLVD, Event.ACKNOWLEDGE, "the notice is shelved"),
        (State.ACKED, Event.RESTORE, "the notice is acknowledged, not out of service"),
    ],
)
def test_what_is_not_possible_is_said_in_plain_words(state: State, event: Event, told: str) -> None:
    """The refusal speaks of how the notice stands, without the short names of the states."""
    with pytest.raises(NotPossible) as refused:
        advance(state, event)
    assert str(refused.value) == f"{event.value} is not possible: {told}"
    assert state.value not in str(refused.value)


def test_the_whole_table_is_read() -> None:
    """The table has its 22 rows, so that a lost row cannot make the test above weaker."""
    assert len(rows("alarm_transitions.csv")) == 22


def presence_of(x: float, limit: float, deadband: float, direction: str) -> Presence:
    """A measured value against a limit with deadband, as a judgement."""
    sign = 1.0 if direction == "high" else -1.0
    if sign * (x - limit) > 0:
        return Presence.PRESENT
    if sign * (x - (limit - sign * deadband)) <= 0:
        return Presence.ABSENT
    return Presence.HELD


def sequences() -> dict[str, list[dict[str, str]]]:
    by_name: dict[str, list[dict[str, str]]] = defaultdict(list)
    for row in rows("alarm_sequences.csv"):
        by_name[row["sequence"]].append(row)
    return by_name


@pytest.mark.parametrize("name", list(sequences()))
def test_timed_cases(name: str) -> None:
    """A sampled signal annunciates and returns at exactly the samples that the definitions say."""
    delay = Delay()
    for row in sequences()[name]:
        presence = presence_of(
            float(row["x"]), float(row["limit"]), float(row["deadband"]), row["direction"]
        )
        after = delay.judge(
            presence,
            float(row["t_s"]),
            on_s=float(row["on_delay_s"]),
            off_s=float(row["off_delay_s"]),
        )
        event = {(False, True): "annunciate", (True, False): "return"}.get(
            (delay.active, after.active), ""
        )
        assert event == row["event"], row
        delay = after


@pytest.mark.parametrize("row", rows("alarm_deadband_delay.csv"), ids=lambda r: r["signal"])
def test_starting_values_quiet_a_short_swing(row: dict[str, str]) -> None:
    """With the starting deadband and delay, a swing of one second less is silent and one of that length is told."""
    limit, deadband = 50.0, float(row["deadband_pct"])
    delay_s = int(row["on_off_delay_s"])

    def annunciated(swing_s: int) -> bool:
        delay, seen = Delay(), False
        for t in range(swing_s + 2):
            x = 51.0 if 1 <= t <= 1 + swing_s else 40.0
            presence = presence_of(x, limit, deadband, "high")
            delay = delay.judge(presence, float(t), on_s=delay_s, off_s=delay_s)
            seen = seen or delay.active
        return seen

    assert not annunciated(delay_s - 1)
    assert annunciated(delay_s)
    inside = limit - deadband / 2
    standing = Delay(active=True)
    for t in range(3 * delay_s):
        standing = standing.judge(
            presence_of(inside, limit, deadband, "high"), float(t), on_s=delay_s, off_s=delay_s
        )
    assert standing.active, "inside the deadband it has not returned"


def test_contrary_evidence_restarts_a_delay() -> None:
    """One absent sample starts the on-delay anew, and one present sample the off-delay."""
    on = Delay().judge(Presence.PRESENT, 0.0, on_s=10, off_s=10)
    on = on.judge(Presence.ABSENT, 9.0, on_s=10, off_s=10)
    on = on.judge(Presence.PRESENT, 10.0, on_s=10, off_s=10)
    assert on == Delay(active=False, since=10.0)
    off = Delay(active=True).judge(Presence.ABSENT, 0.0, on_s=10, off_s=10)
    off = off.judge(Presence.PRESENT, 9.0, on_s=10, off_s=10)
    assert off == Delay(active=True)


@pytest.mark.parametrize("active", [False, True])
def test_time_without_judgement_does_not_count(active: bool) -> None:
    """HELD keeps what a delay has counted, adds nothing, and never completes it."""
    contrary = Presence.ABSENT if active else Presence.PRESENT
    delay = Delay(active=active).judge(contrary, 0.0, on_s=10, off_s=10)
    delay = delay.judge(Presence.HELD, 6.0, on_s=10, off_s=10)
    delay = delay.judge(Presence.HELD, 500.0, on_s=10, off_s=10)
    assert delay.active is active
    delay = delay.judge(contrary, 1000.0, on_s=10, off_s=10)
    assert delay.active is active, "six seconds are not ten"
    assert delay.judge(contrary, 1003.0, on_s=10, off_s=10).active is active
    assert delay.judge(contrary, 1004.0, on_s=10, off_s=10).active is not active


def test_nothing_new_gives_the_same_object() -> None:
    """A judgement that changes nothing returns the very same delay, so that nobody writes it."""
    quiet, standing = Delay(), Delay(active=True)
    assert quiet.judge(Presence.ABSENT, 5.0, on_s=1, off_s=1) is quiet
    assert standing.judge(Presence.PRESENT, 5.0, on_s=1, off_s=1) is standing
    assert standing.judge(Presence.HELD, 5.0, on_s=1, off_s=1) is standing
    running = quiet.judge(Presence.PRESENT, 5.0, on_s=10, off_s=1)
    assert running.judge(Presence.PRESENT, 6.0, on_s=10, off_s=1) is running
