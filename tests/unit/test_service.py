"""The return to service: when a train is told fit, and when it is an alarm that it is not."""

from dataclasses import replace

import pytest

from rules.findings import Presence
from rules.service import (
    FIT,
    FOLLOWED_S,
    JOBS,
    LATE,
    RINSE_S,
    STANDS_S,
    WITHIN_S,
    Service,
    Window,
    findings,
    judge,
    standing,
)

AT = 1_767_571_200.0
HOUR = 3600.0
LEVEL = {"1/salt_passage": 0.08, "2/salt_passage": 0.0, "balance/salt": 0.0}
GOOD = Window({"1/salt_passage": 0.09, "2/salt_passage": 0.0}, LEVEL, 7.2)


def begun(event: str = "seals_replaced") -> Service:
    """A train whose job has just ended."""
    return Service(event, AT, LEVEL, True, "the best of the weeks before", 7.3, AT)


def produced(service: Service, hours: float, feed_m3h: float = 60.0) -> Service:
    """The same after some hours of production, minute by minute."""
    for k in range(1, int(hours * 60) + 1):
        service = service.minute(service.at + 60.0 * k, producing=True, feed_m3h=feed_m3h)
    return service


def presences(service: Service, now: float) -> dict[str, Presence]:
    """What is told, by matter."""
    return {f.matter: f.presence for f in findings("A", service, now)}


@pytest.mark.parametrize("event", JOBS)
def test_a_train_is_fit_once_it_is_rinsed_and_back(event: str) -> None:
    """Not before it has produced for long enough; then with time, criterion, evidence and the water used."""
    early = produced(begun(event), RINSE_S[event] / HOUR - 0.1)
    assert judge(early, GOOD, early.last).fit_at is None
    now = AT + RINSE_S[event]
    fit = judge(produced(begun(event), RINSE_S[event] / HOUR), GOOD, now)
    assert fit.fit_at == now
    assert fit.feed_m3 == pytest.approx(60.0 * RINSE_S[event] / HOUR)
    told = {f.matter: f for f in findings("A", fit, now)}
    assert told[FIT].presence is Presence.PRESENT
    assert told[FIT].notice_class == "advisory"
    assert told[FIT].closes_itself
    assert told[LATE].presence is Presence.ABSENT
    for words in ("fit for service since 5 Jan", JOBS[event], "at most +", "m3 of feed used"):
        assert words in told[FIT].message, told[FIT].message
    assert len(told[FIT].evidence) == 4
    assert presences(fit, now + STANDS_S)[FIT] is Presence.ABSENT
    assert "Fit for service at" in standing(fit)


@pytest.mark.parametrize(
    ("window", "missing"),
    [
        (replace(GOOD, second=LEVEL | {"1/salt_passage": 0.30}), "+24.6 % in stage 1"),
        (replace(GOOD, first=LEVEL | {"2/salt_passage": 0.10}), "within the half hour"),
        (replace(GOOD, second=LEVEL | {"balance/salt": 0.2}), "salt of the concentrate"),
        (replace(GOOD, feed_ph=10.4), "feed pH 10.4, usually 7.3"),
        (replace(GOOD, second={}), "cannot be computed"),
    ],
)
def test_each_criterion_holds_a_train_back(window: Window, missing: str) -> None:
    """Passage above its level, still moving, concentrate or pH off, or nothing to judge by: not fit, and why."""
    service = judge(produced(begun(), 1.0), window, AT + HOUR)
    assert service.fit_at is None
    assert any(missing in clause for clause in service.missing), service.missing
    assert presences(service, AT + HOUR) == {FIT: Presence.ABSENT, LATE: Presence.ABSENT}


@pytest.mark.parametrize("event", JOBS)
def test_a_train_that_does_not_come_back_is_an_alarm(event: str) -> None:
    """After the stated hours of production there is an alarm with the reason; it ends when the train is back."""
    bad = replace(GOOD, second=LEVEL | {"1/salt_passage": 0.5})
    hours = WITHIN_S[event] / HOUR
    service = judge(produced(begun(event), hours), bad, AT + hours * HOUR)
    alarm = findings("A", service, service.last)[1]
    assert (alarm.matter, alarm.presence, alarm.notice_class) == (LATE, Presence.PRESENT, "alarm")
    assert f"after {hours:.0f} h of production" in alarm.message
    assert "+52.2 % in stage 1" in alarm.message
    assert len(alarm.message) <= 320
    back = judge(service, GOOD, service.last + 900.0)
    assert presences(back, service.last + 900.0)[LATE] is Presence.ABSENT
    # It is followed for two weeks, then it is a matter of its performance.
    assert presences(service, AT + FOLLOWED_S)[LATE] is Presence.ABSENT


def test_standing_still_does_not_count() -> None:
    """A train that stays stopped after the job is neither fit nor late, and uses no water."""
    service = begun()
    for k in range(1, 600):
        service = service.minute(AT + 60.0 * k, producing=False, feed_m3h=0.0)
    assert (service.production_s, service.feed_m3, service.late) == (0.0, 0.0, False)
    again = produced(begun(), 1.0, feed_m3h=float("nan"))
    assert again.feed_m3 is None, "no flow was measured"
    assert again.minute(AT + 30.0, producing=True, feed_m3h=1.0) == again, "counted already"


def test_without_an_earlier_level_it_has_to_be_steady() -> None:
    """Before the first baseline there is nothing to compare with, and the evidence says so."""
    service = replace(produced(begun(), 1.0), reference={}, feed_ph=None)
    fit = judge(service, GOOD, AT + HOUR)
    assert fit.fit_at is not None
    assert "no earlier level is known to compare with" in fit.evidence


def test_what_is_stored_reads_back() -> None:
    """JSON gives back the same return to service, whether decided or not."""
    for service in (begun(), judge(produced(begun(), 1.0), GOOD, AT + HOUR)):
        assert Service.from_json(service.to_json()) == service
