"""Jobs that did not help: the train is not told fit, an alarm says so, and a restart changes nothing."""

import itertools

import numpy as np
import pytest

from rules.findings import Presence
from rules.service import FIT, LATE, WITHIN_S
from rules.watch import SETTLED_S
from tests.simulated import DAY_S, Run, run
from tests.unit.test_watch import Steps, rebuilt

LEAK_DAY, JOB_DAY = 9.4, 9.8


def watched(plant: Run, event: str) -> tuple[list[tuple[float, str]], Steps]:
    """The leak goes on, although people have entered that something was done on `JOB_DAY`."""
    events = [(plant.start + JOB_DAY * DAY_S + 30.0, event)]
    watch, steps, waiting = plant.watch(), [], list(events)
    for time, row in plant.rows():
        while waiting and waiting[0][0] < time + 60.0:
            watch.event(*waiting.pop(0))
        steps.append((time, watch.minute(time, row)))
    return events, steps


@pytest.mark.parametrize(
    ("event", "days"), [("seals_replaced", 10.4), ("membranes_replaced", 14.0)]
)
def test_a_job_that_did_not_help_is_an_alarm(event: str, days: float) -> None:
    """After the stated hours of production the alarm names the passage; a baseline made meanwhile hides nothing."""
    plant = run("o_ring_leak", days, 600.0)
    events, steps = watched(plant, event)
    told = [(t, f) for t, step in steps for f in step.findings if f.matter in (FIT, LATE)]
    assert not [f for _, f in told if f.matter == FIT and f.presence is Presence.PRESENT]
    late = [(t, f) for t, f in told if f.presence is Presence.PRESENT]
    due = events[0][0] + WITHIN_S[event]
    assert due <= late[0][0] <= due + 2 * 900.0
    alarm = late[0][1]
    assert (alarm.notice_class, alarm.priority, alarm.suppressible) == ("alarm", "high", False)
    assert "not fit for service after" in alarm.message
    assert "in stage 1" in alarm.message
    assert late[-1][0] == steps[-1][0] or steps[-1][0] - late[-1][0] < 900.0, "it stays"
    made = [step.baseline for _, step in steps if step.baseline]
    assert [b.source for b in made] == (
        ["first_steady", "after_replacement"] if event == "membranes_replaced" else ["first_steady"]
    )
    # Whatever the instant of a restart, the same is said afterwards.
    cuts = [due - 7200.0, due + 600.0]
    if event == "membranes_replaced":
        cuts += [made[1].made_at + wait for wait in (-600.0, 0.0, 600.0)]
        assert made[1].start >= events[0][0] + SETTLED_S
    for cut in cuts:
        watch = rebuilt(plant, steps, cut, events)
        expected = [(t, step) for t, step in steps if cut < t < cut + 0.3 * DAY_S]
        for (time, row), (_, step) in zip(
            plant.rows(np.nextafter(cut, np.inf), cut + 0.3 * DAY_S), expected, strict=True
        ):
            assert watch.minute(time, row) == step, plant.day(time)


def test_two_vessels_mended_at_once_are_one_return() -> None:
    """The same event of the same instant, entered for each vessel, does not start the count again."""
    plant = run("healthy", 0.5, 600.0)
    watch = plant.watch()
    begun = None
    for k, (time, row) in enumerate(plant.rows()):
        if k in (30, 40):
            watch.event(plant.start + 5 * 3600.0, "seals_replaced", f"1-0{k // 10}")
        watch.minute(time, row)
        if k == 39:
            begun = watch.upkeep.service
    assert begun is not None
    now = watch.upkeep.service
    assert now is not None
    assert now.production_s >= begun.production_s > 0.0
    assert all(a <= b for a, b in itertools.pairwise((begun.last, now.last)))
