"""Notices on the page over time: limits that pass, forecasts that do not come true, what is over."""

from collections.abc import Iterator
from dataclasses import replace
from math import log1p
from pathlib import Path

import pytest

from daemon.notices import Notices
from daemon.record import Record
from rules.findings import CauseProbability, Finding, Forecast, Presence
from tests.web import month
from tests.web.bench import Bench

HOUR = 3600.0
FROZEN = Finding(
    "frozen:A/2/feed_pressure",
    Presence.PRESENT,
    stage=2,
    causes=(CauseProbability("instrument_fault", 0.99, "A/2/feed_pressure"),),
    action="check_instrument",
    priority="high",
    notice_class="alarm",
    message="Train A: A/2/feed_pressure has not moved at all while the train runs: frozen.",
)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """A running plant whose train A has digests and a baseline."""
    with Record.open(tmp_path, durable=False) as record:
        month.write_train(record, "A", faulty=True, days=3)
    bench = Bench(tmp_path)
    bench.feed("A")
    bench.feed("B")
    yield bench
    bench.close()


def judge(bench: Bench, finding: Finding, at: float) -> None:
    """One more evaluation of train A with a digest, as the service does it."""
    last = list(month.digests(faulty=True, days=0.1))[-1]
    Notices(bench.record, bench.plant).process(
        "A", at, [finding], state="steady", progress=at - 60, digest=replace(last, start=at - 900)
    )


def notice(bench: Bench, number: int = 0) -> dict:
    return bench.train()["notices"][number]


def moved(passage: float, flow: float = -0.03, drop: float = 0.04) -> dict:
    """Deviations of stage 2, beside a stage 1 that is far off and is not meant."""
    return {
        "1": {"permeate_flow": log1p(-0.5)},
        "2": {
            "permeate_flow": log1p(flow),
            "salt_passage": log1p(passage),
            "pressure_drop": log1p(drop),
        },
    }


def test_a_limit_that_is_passed_is_said_first(bench: Bench) -> None:
    """What is past its limit in the newest judgement stands before what is forecast next."""
    told = replace(month.scaling(), deviation=moved(0.02))
    bench.tell(told)
    assert notice(bench)["by_when"] == "Before Thu 2 Apr (in 2 days)."
    judge(bench, replace(told, deviation=moved(0.02, drop=0.162)), month.NOW - 1800)
    shown = notice(bench)
    assert shown["by_when"] == (
        "Now: pressure drop is past its limit (+15 %)."
        " Next limit: permeate flow, about Fri 3 Apr (in 3 days)."
    )
    assert shown["forecast_text"] == (
        "Pressure drop is past its limit (+15 %); now +16 %. Permeate flow reaches its limit about"
        " Fri 3 Apr (in 3 days): earliest Thu 2 Apr, latest Mon 6 Apr."
    )
    assert shown["forecast_short"] == "Pressure drop is past its limit (+15 %)"


def test_a_forecast_of_a_limit_that_is_passed_is_not_shown(bench: Bench) -> None:
    """Once the quantity is past its limit, the date that was told for it says nothing more."""
    told = replace(month.scaling(), deviation=moved(0.02))
    bench.tell(told)
    judge(bench, replace(told, forecast=None, deviation=moved(0.02, flow=-0.11)), month.NOW - 1800)
    shown = notice(bench)
    assert shown["by_when"] == "Now: permeate flow is past its limit (−10 %)."
    assert shown["forecast_text"] == "Permeate flow is past its limit (−10 %); now −11 %."


def test_a_suspected_transmitter_passes_no_limit(bench: Bench) -> None:
    """Numbers of a transmitter that is suspected say nothing about the limits of membranes."""
    causes = (CauseProbability("instrument_fault", 0.97, "A/2/permeate_flow"),)
    bench.tell(
        replace(
            month.scaling(),
            causes=causes,
            action="check_instrument",
            forecast=None,
            deviation=moved(0.4),
        )
    )
    shown = notice(bench)
    assert shown["by_when"] == "At the next visit."
    assert shown["todo"] == (
        "Check the stage 2 permeate flow transmitter against a calibrated meter."
    )


def test_a_forecast_that_has_gone_by_is_no_fact(bench: Bench) -> None:
    """When the date has passed and the limit has not, the page says what was forecast and what is."""
    forecast = Forecast("salt_passage", month.NOW - HOUR, month.NOW - 2 * HOUR, None)
    finding = replace(month.scaling(), forecast=forecast, deviation=moved(0.08))
    bench.tell(finding, at=month.NOW - 5 * HOUR)
    judge(bench, replace(finding, forecast=None, deviation=moved(0.09)), month.NOW - 600)
    shown = notice(bench)
    assert shown["forecast_text"] == (
        "The salt passage limit was forecast for Tue 31 Mar; now +9.0 %."
    )
    assert shown["forecast_short"] == "Limit was forecast for Tue 31 Mar; now +9.0 %"
    assert shown["by_when"] == "Now: the date that was forecast has gone by."


def test_a_newer_forecast_takes_the_place_of_one_gone_by(bench: Bench) -> None:
    """The newest forecast is shown beside the one that was told and did not come true."""
    forecast = Forecast("salt_passage", month.NOW - HOUR, month.NOW - 2 * HOUR, None)
    finding = replace(month.scaling(), forecast=forecast, deviation=moved(0.08))
    bench.tell(finding, at=month.NOW - 5 * HOUR)
    later = Forecast("salt_passage", month.NOW + 20 * HOUR, month.NOW + 19 * HOUR, None)
    judge(bench, replace(finding, forecast=later), month.NOW - 600)
    shown = notice(bench)
    assert shown["forecast_text"] == (
        "The salt passage limit was forecast for Tue 31 Mar; now +8.0 %. Salt passage reaches its"
        " limit about Wed 1 Apr (tomorrow): earliest Wed 1 Apr, no later end can be given."
    )
    assert shown["by_when"] == "Before Wed 1 Apr (tomorrow)."


def test_a_range_is_shown_only_where_it_is_one(bench: Bench) -> None:
    """A forecast that is sure to the day names the day once."""
    at = month.NOW + 3 * month.DAY
    bench.tell(replace(month.scaling(), forecast=Forecast("permeate_flow", at, at, at + 60)))
    assert notice(bench)["forecast_short"] == "Limit about Fri 3 Apr"
    assert notice(bench)["forecast_text"] == (
        "Permeate flow reaches its limit about Fri 3 Apr (in 3 days)."
    )


def test_a_returned_notice_is_over_and_comes_last(bench: Bench) -> None:
    """What has gone is told in the past, asks for its acknowledgement only, and calls nobody."""
    start = month.NOW - 5 * HOUR
    bench.tell(FROZEN, at=start)
    gone = Finding(FROZEN.matter, Presence.ABSENT)
    judge(bench, gone, start + HOUR)
    view = bench.get("/api/overview")
    assert view["headline"] == "Back to normal; 1 notice waits to be acknowledged."
    assert view["trains"][0]["priority"] is None
    bench.tell(replace(month.scaling(), priority="low"))
    assert [n["returned"] for n in bench.train()["notices"]] == [False, True]
    assert bench.get("/api/overview")["headline"] == (
        "1 open notice. Most urgent: train A, scaling, stage 2."
    )
    shown = notice(bench, 1)
    assert shown["title"] == "Stage 2 feed pressure transmitter moves again"
    assert shown["message"] == "Train A: the stage 2 feed pressure transmitter moves again."
    assert shown["action_text"] == "Acknowledge it"
    assert shown["cleared_text"] == "Tue 31 Mar, 07:04 CEST"
    for name in ("todo", "by_when", "neglect", "forecast_text", "class_text"):
        assert shown[name] == "", name
    page = bench.client.get("/train/A").text
    assert "Within hours" not in page
    assert "Back to normal" in page
    bench.client.get("/")


def test_a_returned_change_of_performance_says_what_it_was(bench: Bench) -> None:
    """The cleared message of a membrane notice keeps what was told, marked as past."""
    bench.tell(month.scaling(), at=month.NOW - 5 * HOUR)
    judge(bench, Finding("performance", Presence.ABSENT), month.NOW - HOUR)
    shown = notice(bench)
    assert shown["title"] == "Back to normal: scaling, stage 2"
    assert shown["message"].startswith("Back to normal: scaling. It was: Train A stage 2: scaling")


def test_what_was_seen_shows_neither_cause_nor_a_wrong_remedy(bench: Bench) -> None:
    """A lost link asks to check the link, a passed absolute limit to lower the flow."""
    bench.tell(month.lost_link(), "B")
    limit = Finding(
        "limit:2/pressure_drop",
        Presence.PRESENT,
        stage=2,
        causes=(CauseProbability("none", 1.0),),
        action="adjust_operation",
        priority="high",
        notice_class="alarm",
        message="Train A stage 2: pressure drop 3.52 bar, limit 3.50 bar.",
    )
    bench.tell(limit, "A")
    link = bench.train("B")["notices"][0]
    assert (link["action_text"], link["cause"], link["causes"]) == ("Check the link", "", [])
    assert link["todo"] == "Check the device's power, network and address."
    shown = notice(bench)
    assert shown["todo"] == "Lower the feed flow or stop the train by site procedure."
    for train in ("A", "B"):
        page = bench.client.get(f"/train/{train}").text
        assert "No fault" not in page
        assert "Transmitter error" not in page


def test_a_lost_link_explains_the_silence(bench: Bench) -> None:
    """A train that is silent because its link is lost is not named twice in the headline."""
    bench.wall += 61
    bench.tell(month.lost_link(), "B")
    assert bench.get("/api/overview")["headline"] == (
        "1 open notice. Most urgent: train B, no answer: device ua1. No fresh data from train A."
    )


def test_numbers_on_the_page_have_one_kind_of_minus(bench: Bench) -> None:
    """Evidence and messages arrive with hyphens; dates and tags keep theirs, zero has no sign."""
    finding = replace(
        month.scaling(),
        evidence=("Flow -0.0 %, passage -1.2 % (-3.1 sigma), from 2026-03-01; vessel 1-03.",),
        message="A/2/permeate_flow reads -5.0 % (A/1/feed_pressure); +0.0 % elsewhere.",
    )
    bench.tell(finding)
    shown = notice(bench)
    assert shown["evidence"] == [
        "Flow 0.0 %, passage −1.2 % (−3.1 sigma), from 2026-03-01; vessel 1-03."
    ]
    assert shown["message"] == (
        "the stage 2 permeate flow transmitter reads −5.0 % (stage 1 feed pressure);"
        " 0.0 % elsewhere."
    )


def test_a_spike_leaves_the_axis_and_stays_in_the_data(bench: Bench) -> None:
    """One digest of +400 % after a start does not squash the chart of the pressure drop."""
    last = list(month.digests(faulty=True, days=1))[-40]
    spike = {**last.values, "1/pressure_drop": month.LEVELS["1/pressure_drop"] + log1p(4.0)}
    with bench.record.transaction():
        bench.record.put_digest("A", replace(last, values=spike))
    chart = bench.get("/api/train/A/trends?days=7")["charts"][2]
    assert chart["quantity"] == "pressure_drop"
    assert max(v for v in chart["lines"][0]["values"] if v is not None) == pytest.approx(400.0)
    assert 15.0 < chart["high"] < 25.0
    assert chart["low"] < 0.0


def test_a_frozen_reading_is_not_called_good(bench: Bench) -> None:
    """While a notice stands about a transmitter, its reading carries what the notice says."""

    def row(signal: str) -> dict:
        rows = bench.get("/api/train/A")["readings"]
        return next(r for r in rows if r["signal"] == signal)

    assert row("2/feed_pressure")["quality_text"] == "good"
    bench.tell(FROZEN)
    silent = replace(FROZEN, matter="value:A/1/feed_pressure")
    bench.tell(silent, at=month.NOW - 1800)
    assert (row("2/feed_pressure")["quality"], row("2/feed_pressure")["quality_text"]) == (
        "uncertain",
        "frozen",
    )
    assert row("1/feed_pressure")["quality_text"] == "gave no value until now"
    assert row("1/feed_pressure")["quality"] == "uncertain"
    bench.feed("A", at=month.NOW - 1, readings={**month.READINGS, "1/feed_pressure": float("nan")})
    assert row("1/feed_pressure")["quality_text"] == "no value"
    judge(bench, Finding(FROZEN.matter, Presence.ABSENT), month.NOW - 600)
    assert row("2/feed_pressure")["quality_text"] == "good"
