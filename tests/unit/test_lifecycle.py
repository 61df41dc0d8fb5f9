"""The life cycle of notices and its delays; against the standards: tests/reference/check_alarms.py."""

import pytest

from daemon.lifecycle import Delay, Event, NotPossible, State, advance
from rules.findings import Presence


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
