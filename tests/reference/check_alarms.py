"""The life cycle of notices against the alarm state model, and timed cases of its delays."""

import re
from collections import defaultdict
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from daemon import alarmload
from daemon.lifecycle import Delay, Event, NotPossible, State, advance
from rules.findings import Presence
from tests.reference.checks import check
from tests.reference.tables import rows

TRANSITIONS = "alarm_transitions.csv"
SEQUENCES = "alarm_sequences.csv"
STARTING = "alarm_deadband_delay.csv"

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
BOTH: list[bool] = [False, True]
LATCHED = (State.LTUNK, State.LTACK)
FROM: dict[str, list[State]] = {
    # "any" leaves out OOSRV itself: what is out of service cannot be taken out again.
    "any": [s for s in State if s is not State.OOSRV],
    "any annunciated or NORM": [
        s for s in State if s not in (State.SHLVD, State.DSUPR, State.OOSRV)
    ],
}


def allowed() -> dict[tuple[State, Event, bool, bool], State]:
    """(state, event, condition present, latching) -> next state, as the table has it."""
    table = {}
    for row in rows(TRANSITIONS):
        text, _, condition = row["event"].rpartition(", condition ")
        event = EVENTS[text or row["event"]]
        presents = {"present": [True], "absent": [False]}.get(condition, BOTH)
        latchings = {"latching": [True], "non-latching": [False]}.get(row["applies_to"], BOTH)
        states: list[State] = FROM.get(row["from"]) or [State(row["from"])]
        for state, present, latching in product(states, presents, latchings):
            table[state, event, present, latching] = State(row["to"])
    return table


@check(
    "Every step of the life cycle, and every step there is not",
    source="ANSI/ISA-18.2-2016 and IEC 62682 alarm state model",
    status="from memory",
    tolerance=0,
    measure="mismatches",
    table=TRANSITIONS,
)
def transitions() -> ArrayLike:
    """Each state and event gives the table's next state, and is refused where the table has none."""
    table = allowed()
    wrong = int(len(rows(TRANSITIONS)) != 22)
    for state, event, present, latching in product(State, Event, (False, True), (False, True)):
        if state in LATCHED and not latching:
            continue  # a notice that does not latch never gets there; the table says nothing of it
        try:
            got = advance(state, event, present=present, latching=latching)
        except NotPossible:
            wrong += (state, event, present, latching) in table
        else:
            wrong += table.get((state, event, present, latching)) is not got
    return np.array(wrong)


def presence_of(x: float, limit: float, deadband: float, direction: str) -> Presence:
    """A measured value against a limit with deadband, as a judgement."""
    sign = 1.0 if direction == "high" else -1.0
    if sign * (x - limit) > 0:
        return Presence.PRESENT
    if sign * (x - (limit - sign * deadband)) <= 0:
        return Presence.ABSENT
    return Presence.HELD


@check(
    "On-delay, off-delay and deadband, sample by sample",
    source="definitions of ANSI/ISA-18.2 and IEC 62682",
    status="computed",
    tolerance=0,
    measure="mismatches",
    table=SEQUENCES,
)
def sequences() -> ArrayLike:
    """Samples at which a signal annunciates or returns though it should not, or the reverse."""
    wrong = 0
    delays: dict[str, Delay] = defaultdict(Delay)
    for row in rows(SEQUENCES):
        delay = delays[row["sequence"]]
        presence = presence_of(
            float(row["x"]), float(row["limit"]), float(row["deadband"]), row["direction"]
        )
        after = delay.judge(
            presence,
            float(row["t_s"]),
            on_s=float(row["on_delay_s"]),
            off_s=float(row["off_delay_s"]),
        )
        told = (delay.active, after.active)
        wrong += {(False, True): "annunciate", (True, False): "return"}.get(told, "") != row[
            "event"
        ]
        delays[row["sequence"]] = after
    return np.array(wrong)


def _judged(delay: Delay, t: int, x: float, deadband: float, delay_s: int) -> Delay:
    presence = presence_of(x, 50.0, deadband, "high")
    return delay.judge(presence, float(t), on_s=delay_s, off_s=delay_s)


def _annunciated(swing_s: int, deadband: float, delay_s: int) -> bool:
    delay, seen = Delay(), False
    for t in range(swing_s + 2):
        delay = _judged(delay, t, 51.0 if 1 <= t <= 1 + swing_s else 40.0, deadband, delay_s)
        seen = seen or delay.active
    return seen


@check(
    "Starting deadband and delay quiet a short swing",
    source="ISA-18.2 guidance, EEMUA 191 starting values",
    status="from memory",
    tolerance=0,
    measure="mismatches",
    table=STARTING,
)
def starting_values() -> ArrayLike:
    """A swing of a second less than the delay is silent, one of that length is told; inside the deadband it stays."""
    wrong = 0
    for row in rows(STARTING):
        deadband, delay_s = float(row["deadband_pct"]), int(row["on_off_delay_s"])
        standing = Delay(active=True)
        for t in range(3 * delay_s):
            standing = _judged(standing, t, 50.0 - deadband / 2, deadband, delay_s)
        wrong += _annunciated(delay_s - 1, deadband, delay_s)
        wrong += not _annunciated(delay_s, deadband, delay_s)
        wrong += not standing.active
    return np.array(wrong)


METRICS = "alarm_metrics.csv"
LOAD = {
    # Row -> the figure that answers it.
    "alarms per day": "per_day",
    "alarms per hour": "per_hour",
    "alarms per 10 min": "per_10_min",
    "hours with more than 30 alarms": "busy_hours",
    "10-min periods with more than 10 alarms": "busy_10_min",
    "largest count in 10 min": "largest_10_min",
    "time in flood": "flood",
    "share of the 10 most frequent alarms": "most_frequent",
    "chattering or fleeting alarms": "chattering",
    "stale alarms": "stale",
}
NO_FIGURE = {
    "priority distribution, 4 levels": "there are three priorities",
    "unauthorised suppression or attribute change": "every step of a person is journalled by name and reason",
    "steady-state rate, EEMUA 191": "the rate of ISA-18.2 stands beside it, of the same kind and size",
    "first 10 min after a major upset, EEMUA 191": "the largest count in 10 minutes is that of the worst upset",
}
"""Rows without a figure, each with the reason."""


def _stated(cell: str) -> tuple[float, bool]:
    """A limit of the table, shares as fractions, and whether the value itself is too much already."""
    found = re.match(r"(<=|<|)([\d.]+)(%?)", cell)
    assert found is not None, cell
    return float(found[2]) / (100.0 if found[3] else 1.0), found[1] == "<"


@check(
    "Limits of the load of alarms",
    source="ANSI/ISA-18.2-2016 and IEC 62682, performance metrics; EEMUA 191",
    status="from memory",
    tolerance=0,
    measure="mismatches",
    table=METRICS,
)
def load_limits() -> ArrayLike:
    """Acceptable and manageable values that differ from the table's, and rows in no list."""
    table = {row["metric"]: row for row in rows(METRICS)}
    wrong = len(set(table) ^ {*LOAD, *NO_FIGURE, "priority distribution, 3 levels"})
    for metric, name in LOAD.items():
        limit, row = alarmload.LIMITS[name], table[metric]
        if metric.startswith("share"):
            # "<1% to 5%": acceptable below the one, manageable with an action plan up to the other.
            best, _, most = row["very_likely_acceptable"].partition(" to ")
            wrong += limit.acceptable != _stated(best)[0] or limit.manageable != _stated(most)[0]
            continue
        acceptable, below = _stated(row["very_likely_acceptable"])
        manageable = row["maximum_manageable"]
        wrong += (limit.acceptable, limit.below) != (acceptable, below)
        wrong += limit.manageable != (float(manageable) if manageable else None)
    shares = re.findall(
        r"([\d.]+)% (\w+)", table["priority distribution, 3 levels"]["very_likely_acceptable"]
    )
    for percent, level in shares[1:]:
        wrong += alarmload.LIMITS[level].acceptable != float(percent) / 100.0
    return np.array(wrong)


@check(
    "Definitions of flood, chattering and stale alarms",
    source="ANSI/ISA-18.2-2016 and IEC 62682, performance metrics",
    status="from memory",
    tolerance=0,
    measure="mismatches",
    table=METRICS,
)
def load_definitions() -> ArrayLike:
    """Numbers in the table's names and notes that ours differ from."""
    table = {
        row["metric"]: [float(x) for x in re.findall(r"\d+", row["note"])] for row in rows(METRICS)
    }
    wrong = int(
        table["largest count in 10 min"]
        != [
            alarmload.FLOOD_STARTS_ABOVE,
            alarmload.TEN_MIN_S / 60.0,
            alarmload.FLOOD_ENDS_BELOW,
            alarmload.TEN_MIN_S / 60.0,
        ]
    )
    wrong += table["chattering or fleeting alarms"] != [
        alarmload.CHATTERS_FROM,
        alarmload.MINUTE_S / 60.0,
    ]
    wrong += table["stale alarms"] != [alarmload.STALE_S / 3600.0]
    wrong += f"hours with more than {alarmload.BUSY_HOUR} alarms" not in table
    wrong += f"share of the {alarmload.MOST_FREQUENT} most frequent alarms" not in table
    return np.array(wrong)
