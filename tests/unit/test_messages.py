"""The words of messages, compared with what a person at the plant would write by hand."""

from dataclasses import replace
from math import log
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from daemon import messages
from daemon.judgement import Round
from daemon.rows import Notice
from rules.findings import CauseProbability, Finding, Forecast, Presence
from tests.notices_kit import DAY, START, finding, plant


def noticed(judged: Finding) -> Notice:
    """The notice that this finding raises."""
    round_ = Round("A", START, None, "steady", lambda: 7, refresh=False)
    round_.run({}, [replace(judged, confirm_s=0.0)])
    (step,) = round_.steps
    return step.notice


def test_a_message_says_what_where_when_why_and_what_to_do(tmp_path: Path) -> None:
    """The text gives action, onset, causes, forecast and deviations, in the site's own time and words."""
    site = plant(tmp_path, timezone="America/Chicago")
    notice = noticed(
        finding(
            since=START - DAY,
            causes=(
                CauseProbability("scaling", 0.81),
                CauseProbability("instrument_fault", 0.1, "A/1/feed_pressure"),
            ),
            forecast=Forecast("permeate_flow", START + 5 * DAY, START + 4 * DAY, START + 9 * DAY),
            deviation={"1": {"permeate_flow": log(0.95), "pressure_drop": log(1.123)}, "2": {}},
            evidence=("Salt passage is unchanged.",),
        )
    )
    assert messages.title(site, notice, "raised") == (
        "[A-0007/1] Advisory, new: train A (Line A) stage 1, scaling"
    )
    # Chicago is at UTC-6 in January: midnight UTC is 18:00 of the day before.
    assert messages.text(site, notice, "raised", notice.message, ("it moved",)).split("\n") == [
        "Scaling grows in stage 1.",
        "New: it moved.",
        "Do: Plan an acid clean of stage 1. Priority medium.",
        "Since Sat 2026-01-03 18:00 -0600.",
        "Causes: scaling 81%, transmitter error (A/1/feed_pressure) 10%.",
        "Forecast: flow reaches its limit about Fri 2026-01-09 18:00 -0600,"
        " between Thu 2026-01-08 18:00 -0600 and Tue 2026-01-13 18:00 -0600.",
        "Against the baseline: stage 1 flow -5.0 %, pressure drop +12.3 %.",
        "Salt passage is unchanged.",
        "Site: Invented wells. Notice A-0007.",
    ]


@pytest.mark.parametrize(
    ("about", "said"),
    [
        ({"matter": "link:plc1"}, "Do: Check the device's power, network and address."),
        (
            {"matter": "limit:1/pressure_drop", "action": "adjust_operation"},
            "Do: Lower the feed flow or stop the train by site procedure.",
        ),
        (
            {"causes": (CauseProbability("instrument_fault", 0.9, "A/1/feed_pressure"),)},
            "Do: Check A/1/feed_pressure against a calibrated meter.",
        ),
        (
            {"causes": (CauseProbability("scaling", 0.9),)},
            "Do: Compare the transmitter with a hand-held or laboratory value",
        ),
    ],
)
def test_what_to_do_is_specific(tmp_path: Path, about: dict[str, Any], said: str) -> None:
    """Each matter has its own remedy; a transmitter is named only when one is suspected."""
    notice = noticed(finding(**{"action": "check_instrument", **about}))
    text = messages.text(plant(tmp_path), notice, "raised", notice.message, ())
    assert said in text
    assert "None" not in text


def test_a_limit_is_named_in_words(tmp_path: Path) -> None:
    """Title and end of a passed limit speak of the pressure drop of a stage, not of a signal."""
    notice = noticed(finding(matter="limit:1/pressure_drop", causes=(), notice_class="alarm"))
    assert messages.title(plant(tmp_path), notice, "raised") == (
        "[A-0007/1] Alarm, new: train A (Line A) stage 1, pressure drop at its absolute limit"
    )
    assert messages.cleared_message(notice) == (
        "Train A: pressure drop of stage 1 is below its limit again."
    )


def test_a_range_of_one_day_is_none_and_a_zero_has_no_sign(tmp_path: Path) -> None:
    """A forecast sure to the day gives no range; what has not moved is 0.0 %."""
    at = START + DAY
    notice = noticed(
        finding(
            forecast=Forecast("salt_passage", at + 3600, at, at + 7200),
            deviation={"1": {"permeate_flow": -0.0002, "salt_passage": 0.0002}},
        )
    )
    text = messages.text(plant(tmp_path), notice, "raised", "", ())
    assert "Forecast: salt passage reaches its limit about Tue 2026-01-06 01:00 +0000." in text
    assert "stage 1 flow 0.0 %, salt passage 0.0 %." in text


def test_a_forecast_that_has_gone_by_is_no_fact(tmp_path: Path) -> None:
    """Told again after its date, a forecast says that it was one."""
    notice = noticed(finding(forecast=Forecast("salt_passage", START + DAY, START, None)))
    later = replace(notice, told_at=START + 2 * DAY)
    text = messages.text(plant(tmp_path), later, "unshelved", "", ())
    assert "Forecast before: salt passage reaches its limit about Tue 2026-01-06 00:00" in text


def test_a_forecast_without_an_end_says_so(tmp_path: Path) -> None:
    """When the late end is not known, only the early one is named."""
    notice = noticed(finding(forecast=Forecast("salt_passage", START + DAY, START, None)))
    text = messages.text(plant(tmp_path), notice, "raised", "", ())
    assert "about Tue 2026-01-06 00:00 +0000, not before Mon 2026-01-05 00:00 +0000." in text


def test_a_notice_without_a_cause_is_named_by_its_matter(tmp_path: Path) -> None:
    """A lost link has no membrane cause; the title names the link."""
    notice = noticed(
        finding(
            matter="link:plc_1", causes=(), stage=None, notice_class="alarm", suppressible=False
        )
    )
    title = messages.title(plant(tmp_path), notice, "raised")
    assert title == "[A-0007/1] Alarm, new: train A (Line A), no answer (plc_1)"


def test_the_end_asks_for_an_acknowledgement(tmp_path: Path) -> None:
    """The message of a notice that is back to normal asks for the acknowledgement only when it lacks."""
    raised = noticed(finding())
    for acknowledged in (False, True):
        state = "ACKED" if acknowledged else "UNACK"
        standing = replace(raised, state=type(raised.state)(state))
        round_ = Round("A", START + 60, START, "steady", lambda: 8, refresh=False)
        round_.run({standing.matter: standing}, [finding(Presence.ABSENT, clear_s=0.0)])
        (step,) = round_.steps
        text = messages.text(plant(tmp_path), step.notice, step.event, step.message, ())
        assert text.startswith("Back to normal: scaling. It was: Scaling grows in stage 1.")
        assert ("Please acknowledge it." in text) is not acknowledged


def test_a_long_message_of_the_end_stays_short() -> None:
    """The message of the end keeps to what a phone shows, and says that it was cut."""
    words = messages.cleared_message(noticed(finding(message="x" * 320)))
    assert len(words) == messages.LONGEST_MESSAGE
    assert words.endswith("…")


def test_local_time_shows_its_offset() -> None:
    """The hour that exists twice in autumn is told apart by its offset."""
    zone = ZoneInfo("America/New_York")
    # 2026-11-01: 05:30 UTC is 01:30 EDT, 06:30 UTC is 01:30 EST (Energy Policy Act of 2005).
    first = 1_793_511_000.0
    assert messages.local(first, zone) == "Sun 2026-11-01 01:30 -0400"
    assert messages.local(first + 3600, zone) == "Sun 2026-11-01 01:30 -0500"
