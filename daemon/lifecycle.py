"""The life cycle of a notice after ISA-18.2 / IEC 62682: states, events and delays, without any storage or clock.

Transitions: tests/reference/alarm_transitions.csv. Delays: a condition must hold for `on_s` before
it counts, and be clearly absent for `off_s` before it has gone.
"""

from dataclasses import dataclass, replace
from enum import StrEnum

from daemon import words
from rules.findings import Presence


class State(StrEnum):
    """Where a notice stands."""

    NORM = "NORM"
    UNACK = "UNACK"
    ACKED = "ACKED"
    RTNUN = "RTNUN"
    LTUNK = "LTUNK"
    LTACK = "LTACK"
    SHLVD = "SHLVD"
    DSUPR = "DSUPR"
    OOSRV = "OOSRV"


class Event(StrEnum):
    """What can happen to a notice."""

    OCCUR = "condition occurs"
    RETURN = "return to normal"
    ACKNOWLEDGE = "acknowledge"
    REALARM = "re-alarm"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    REMOVE = "remove from service"
    RESTORE = "return to service"


class NotPossible(ValueError):
    """An event that the life cycle does not allow in the state the notice is in."""


_STEPS: dict[tuple[State, Event], State] = {
    (State.NORM, Event.OCCUR): State.UNACK,
    (State.UNACK, Event.ACKNOWLEDGE): State.ACKED,
    (State.UNACK, Event.RETURN): State.RTNUN,
    (State.RTNUN, Event.ACKNOWLEDGE): State.NORM,
    (State.RTNUN, Event.OCCUR): State.UNACK,
    (State.ACKED, Event.RETURN): State.NORM,
    (State.ACKED, Event.REALARM): State.UNACK,
    (State.LTUNK, Event.ACKNOWLEDGE): State.LTACK,
    (State.LTUNK, Event.OCCUR): State.UNACK,
    (State.LTACK, Event.RESET): State.NORM,
    (State.LTACK, Event.OCCUR): State.UNACK,
}
_LATCHED = {
    (State.UNACK, Event.RETURN): State.LTUNK,
    (State.ACKED, Event.RETURN): State.LTACK,
}
_ASIDE = {Event.SHELVE: State.SHLVD, Event.SUPPRESS: State.DSUPR, Event.REMOVE: State.OOSRV}
_BACK = {
    (State.SHLVD, Event.UNSHELVE),
    (State.DSUPR, Event.UNSUPPRESS),
    (State.OOSRV, Event.RESTORE),
}
ANNUNCIATED = (State.UNACK, State.ACKED, State.RTNUN, State.LTUNK, State.LTACK)
SET_ASIDE = (State.SHLVD, State.DSUPR, State.OOSRV)


def advance(state: State, event: Event, *, present: bool = False, latching: bool = False) -> State:
    """The state after `event`; raises NotPossible where the standard has no such step.

    present : whether the condition holds; read only when a notice comes back from SHLVD, DSUPR or OOSRV.
    latching : a latching notice remembers a condition that has gone until it is reset.
    """
    if event is Event.REMOVE and state is not State.OOSRV:
        return State.OOSRV
    if event in _ASIDE and (state is State.NORM or state in ANNUNCIATED):
        return _ASIDE[event]
    if (state, event) in _BACK:
        return State.UNACK if present else State.NORM
    if latching and (state, event) in _LATCHED:
        return _LATCHED[state, event]
    if (state, event) in _STEPS:
        return _STEPS[state, event]
    raise NotPossible(f"{event.value} is not possible: {_why(state, event)}")


def _why(state: State, event: Event) -> str:
    stands = f"the notice is {words.LIFE[state.value]}"
    for aside, back in _BACK:
        if back is event:
            return f"{stands}, not {words.LIFE[aside.value]}"
    return stands


@dataclass(frozen=True, slots=True)
class Delay:
    """The condition of one matter with its on-delay or off-delay; times are plant time. [s]

    active : the condition counts as present (it held for the on-delay, and has not gone since).
    since : when the evidence against `active` began, or None.
    frozen : when the evidence stopped coming (HELD) while the delay ran, or None.
    """

    active: bool = False
    since: float | None = None
    frozen: float | None = None

    @property
    def running(self) -> bool:
        """A delay runs: the condition may be about to come or to go."""
        return self.since is not None

    def freeze(self, now: float) -> "Delay":
        """Nothing can be judged from `now` on: time passes without being counted."""
        if self.since is None or self.frozen is not None:
            return self
        return replace(self, frozen=now)

    def judge(self, presence: Presence, now: float, *, on_s: float, off_s: float) -> "Delay":
        """The delay after one evaluation at `now`.

        PRESENT and ABSENT start, continue or restart the delay. HELD freezes it: what was counted stays
        counted, the time without judgement does not count, and nothing is raised or cleared by it.
        """
        if presence is Presence.HELD:
            return self.freeze(now)
        if (presence is Presence.PRESENT) == self.active:
            return self if self.since is None else Delay(active=self.active)
        since = now if self.since is None else self.since
        if self.frozen is not None:
            since += now - self.frozen
        if now - since >= (off_s if self.active else on_s):
            return Delay(active=not self.active)
        if since == self.since and self.frozen is None:
            return self
        return Delay(active=self.active, since=since)
