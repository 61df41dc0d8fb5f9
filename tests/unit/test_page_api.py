"""The page's JSON and HTML as a client gets them, from a real record and a real history."""

import hashlib
import re
import shutil
from collections.abc import Iterator
from html.parser import HTMLParser
from importlib import resources
from math import log
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from daemon import words
from daemon.history_reader import HistoryReader
from daemon.lifecycle import State
from daemon.notices import Notices
from daemon.page import create_app, static_routes
from daemon.record import Record
from daemon.rows import Progress
from rules import findings, train
from rules.findings import CauseProbability, Finding, Presence
from tests.web import month
from tests.web.bench import Bench


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the record of a month: train A scales, train B is healthy."""
    folder = tmp_path_factory.mktemp("month")
    with Record.open(folder) as record:
        month.write_train(record, "A", faulty=True)
        month.write_train(record, "B")
    return folder


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Bench]:
    """A plant that was started a moment ago."""
    bench = Bench(tmp_path)
    yield bench
    bench.client.close()
    bench.history.close()
    bench.record.close()


@pytest.fixture
def bench(template: Path, tmp_path: Path) -> Iterator[Bench]:
    """A plant after the month of `template`, both trains giving fresh readings."""
    shutil.copy(template / "record.db", tmp_path / "record.db")
    bench = Bench(tmp_path)
    bench.feed("A")
    bench.feed("B")
    yield bench
    bench.client.close()
    bench.history.close()
    bench.record.close()


@pytest.fixture(scope="module")
def still(template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """The same, shared by the tests that only look."""
    folder = tmp_path_factory.mktemp("still")
    shutil.copy(template / "record.db", folder / "record.db")
    bench = Bench(folder)
    bench.feed("A")
    bench.feed("B")
    yield bench
    bench.client.close()
    bench.history.close()
    bench.record.close()


def cell(view: dict, section: str, quantity: str) -> dict:
    cells = next(s for s in view["sections"] if s["section"] == section)["cells"]
    return next(c for c in cells if c["quantity"] == quantity)


# what is shown


def test_deviations_are_those_that_were_put_in(still: Bench) -> None:
    """The card shows the change that the invented month has, to a tenth of a per cent of flow."""
    view = still.train()
    for name in ("2/permeate_flow", "2/salt_passage", "2/pressure_drop", "1/permeate_flow"):
        shown = cell(view, *name.split("/"))["percent"]
        # 96 digests of noise 0.9 %: three standard errors are 0.28 %.
        assert shown == pytest.approx(month.true_percent(name), abs=0.28), name


def test_levels_follow_the_share_of_the_limit(still: Bench) -> None:
    """Minus 8.4 of minus 10 per cent is nearing the limit; five of ten is not abnormal yet."""
    view = still.train()
    assert cell(view, "2", "permeate_flow")["level"] == "near"
    assert cell(view, "2", "permeate_flow")["words"] == "nearing the limit"
    assert cell(view, "2", "salt_passage")["level"] == "quiet"
    assert cell(view, "1", "permeate_flow")["level"] == "quiet"


def test_healthy_plant_is_quiet(still: Bench) -> None:
    """Without notices the overview says so and has nothing else to say."""
    view = still.get("/api/overview")
    assert view["quiet"]
    assert view["headline"] == "All quiet. No open notices."
    assert [t["state_text"] for t in view["trains"]] == ["Running steady", "Running steady"]
    assert "Most urgent" not in still.client.get("/").text


def test_open_notices_come_most_urgent_first(bench: Bench) -> None:
    """An alarm stands before an advisory, whichever train it is of."""
    bench.tell(month.scaling(), "A")
    bench.tell(month.lost_link(), "B")
    view = bench.get("/api/overview")
    assert [n["id"] for n in view["notices"]] == ["B-0001", "A-0001"]
    assert view["headline"] == "2 open notices. Most urgent: train B, no answer: device ua1."


def test_notice_says_everything_a_technician_asks(bench: Bench) -> None:
    """What, where, since when, how sure, why, what to do, by when, and what if not."""
    bench.tell(month.scaling())
    notice = bench.train()["notices"][0]
    assert notice["title"] == "Scaling, stage 2"
    assert notice["where"] == "Stage 2"
    assert notice["since_text"] == "Fri 20 Mar, 10:04 CET"  # before the change to summer time
    assert [c["percent_text"] for c in notice["causes"]] == ["81 %", "11 %", "5 %", "3 %"]
    assert notice["causes"][3]["name"] == "Transmitter error (stage 2 permeate flow)"
    assert len(notice["evidence"]) == 3
    assert notice["action_text"] == "Clean"
    assert notice["todo"] == "Plan an acid clean of stage 2."
    assert notice["by_when"] == "Before Thu 2 Apr (in 2 days)."
    assert notice["forecast_text"] == (
        "Permeate flow reaches its limit about Fri 3 Apr (in 3 days): earliest Thu 2 Apr,"
        " latest Mon 6 Apr."
    )
    assert notice["neglect"] == words.CAUSES["scaling"].neglect
    assert notice["life_text"] == "not acknowledged yet"
    page = bench.client.get("/train/A").text
    assert notice["evidence"][0].startswith("Normalized permeate flow of stage 2: −9.0 % against")
    assert "Flow −9.0 %, salt passage +5.2 % since 20 Mar." in notice["message"]
    for text in (notice["title"], notice["todo"], notice["neglect"], *notice["evidence"]):
        assert text in page


def test_acknowledged_notice_names_who(bench: Bench) -> None:
    """The page says by whom a notice was acknowledged."""
    notice = bench.tell(month.scaling())
    Notices(bench.record, bench.plant).acknowledge(notice, "R. Vidal")
    assert bench.train()["notices"][0]["life_text"] == "acknowledged by R. Vidal"


def test_shelved_notice_is_listed_but_calls_nobody(bench: Bench) -> None:
    """What was put aside stays in the list with who and until when; the page is quiet again."""
    notice = bench.tell(month.scaling())
    until = month.NOW + 2 * month.DAY
    Notices(bench.record, bench.plant).shelve(notice, until, "R. Vidal", "cleaning is planned")
    view = bench.get("/api/overview")
    assert view["quiet"]
    assert view["headline"] == "All quiet. No open notices."
    assert view["trains"][0]["priority"] is None
    assert [n["aside"] for n in view["notices"]] == [True]
    said = "shelved until Thu 2 Apr, 11:04 CEST by R. Vidal"
    assert view["notices"][0]["life_text"] == said
    page = bench.client.get("/").text
    assert said in page
    assert "1 set aside" in page


def test_calling_notice_comes_before_one_set_aside(bench: Bench) -> None:
    """A low advisory that calls is above a shelved one of higher priority."""
    notice = bench.tell(month.scaling(), at=month.NOW - 7200)
    until = month.NOW + 2 * month.DAY
    Notices(bench.record, bench.plant).shelve(notice, until, "R. Vidal", "cleaning is planned")
    low = Finding("value:A/feed_flow", Presence.PRESENT, priority="low", action="check_instrument")
    bench.tell(low)
    view = bench.train()
    assert [n["priority"] for n in view["notices"]] == ["low", "medium"]
    assert view["priority"] == "low"


def test_close_second_cause_is_named_and_certainty_is_not_rounded_up(bench: Bench) -> None:
    """Causes that are nearly as likely share the title; 99.7 % does not become 100 %."""
    pair = (CauseProbability("o_ring_leak", 0.55), CauseProbability("damaged_element", 0.4))
    sure = (CauseProbability("scaling", 0.997), CauseProbability("none", 0.003))
    for causes, at in ((pair, month.NOW - 7200), (sure, month.NOW - 3600)):
        finding = Finding("performance", Presence.PRESENT, stage=1, causes=causes)
        bench.tell(finding, "A" if causes is pair else "B", at)
    assert bench.train("A")["notices"][0]["title"] == "O-ring leak or damaged element, stage 1"
    shown = [c["percent_text"] for c in bench.train("B")["notices"][0]["causes"]]
    assert shown == ["over 99 %", "under 1 %"]


def test_transmitter_is_named_by_its_place(bench: Bench) -> None:
    """A frozen transmitter is called by what and where it measures."""
    finding = Finding(
        "frozen:A/2/feed_pressure",
        Presence.PRESENT,
        stage=2,
        causes=(CauseProbability("instrument_fault", 0.99, "A/2/feed_pressure"),),
        action="check_instrument",
        priority="high",
        notice_class="alarm",
    )
    bench.tell(finding)
    notice = bench.train()["notices"][0]
    assert notice["title"] == "Frozen reading: stage 2 feed pressure transmitter"
    assert notice["by_when"] == "Within hours."


# freshness and state


def test_stale_readings_are_never_shown_as_fresh(bench: Bench) -> None:
    """When no frame has come in for a minute the train has no data, and no value is shown."""
    bench.wall += 61
    bench.clock.advance(61)
    page = bench.get("/api/train/A")
    view = page["train"]
    assert view["stale"]
    assert view["state"] == "no_data"
    assert view["reading_age"] == "1 min ago"
    assert all(r["value"] is None and r["text"] == "–" for r in page["readings"])
    assert {r["quality_text"] for r in page["readings"]} == {"stale"}
    assert bench.get("/api/overview")["headline"] == "No fresh data from trains A, B."
    assert "<b>Stale.</b>" in bench.client.get("/").text


def test_accelerated_plant_is_not_stale(bench: Bench) -> None:
    """Freshness goes by the gateway's clock: plant time may run an hour between two frames."""
    bench.clock.advance(3600)
    assert not bench.train()["stale"]


def test_silent_device_keeps_its_last_time_but_no_value(bench: Bench) -> None:
    """Readings of a device that is down say when they were last good; the others stay."""
    seen = int(month.NOW // 60 * 60) - 2520
    month.feed_minute(bench.plant, bench.history, "B", at=seen)
    bench.feed("B", at=month.NOW - 1, down=("ua1",))
    page = bench.get("/api/train/B")
    rows = {r["signal"]: r for r in page["readings"]}
    assert rows["2/feed_pressure"]["value"] is None
    assert rows["2/feed_pressure"]["quality_text"] == "device does not answer"
    assert rows["2/feed_pressure"]["at"] == seen + 60
    assert rows["1/feed_pressure"]["text"] == "11.82"
    assert rows["1/feed_pressure"]["unit"] == "bar"
    assert page["train"]["silent"] == "4 of 12 instruments give no value"
    assert not page["train"]["stale"]


def test_new_plant_says_that_it_has_nothing(empty: Bench) -> None:
    """Before the first frame there is no reading, no value and no baseline, and all say so."""
    page = empty.get("/api/train/A")
    assert page["train"]["state"] == "no_data"
    assert page["train"]["reading_at"] is None
    assert cell(page["train"], "1", "permeate_flow")["text"] == "–"
    assert page["baseline"].startswith("No baseline yet")
    assert "No reading in the last day" in empty.client.get("/").text
    assert "no steady operation" in empty.client.get("/train/A").text


def test_baseline_is_being_learned(empty: Bench) -> None:
    """With digests but no baseline the train is learning, and says how far it is."""
    empty.feed("A")
    with empty.record.transaction():
        for digest in list(month.digests(faulty=False))[-40:]:
            empty.record.put_digest("A", digest)
        empty.record.put_progress(Progress("A", month.NOW - 60, month.NOW, "steady"))
    view = empty.train()
    assert view["state"] == "learning"
    assert view["state_text"] == "Learning the baseline: 10 of 48 steady hours"


@pytest.mark.parametrize("state", ["starting", "flushing", "cleaning", "disturbed", "unknown"])
def test_state_is_what_the_rules_said(bench: Bench, state: str) -> None:
    """The state of the last judged minute is shown in words."""
    with bench.record.transaction():
        bench.record.put_progress(Progress("A", month.NOW - 60, month.NOW, state))
    assert bench.train()["state"] == state


def test_stopped_train_shows_at_once(bench: Bench) -> None:
    """The running bit of the newest frame comes before what the rules said a minute ago."""
    bench.feed("A", at=month.NOW - 1, readings={**month.READINGS, "running": 0.0})
    assert bench.train()["state"] == "stopped"


def test_old_deviation_says_of_when_it_is(bench: Bench) -> None:
    """After a day without digests the numbers carry their date."""
    bench.clock.advance(86400)
    assert cell(bench.train(), "2", "permeate_flow")["as_of"] == "as of Tue 31 Mar, 11:00 CEST"


def test_baseline_and_missing_instruments_are_told(still: Bench) -> None:
    """The page tells where the baseline is from and what is assumed."""
    page = still.get("/api/train/A")
    assert page["baseline"].startswith("From the first steady hours after commissioning:")
    assert "192 digests of 15 minutes" in page["baseline"]
    assert page["notes"] == [
        "Stage 1: the permeate pressure is not measured and taken as 0 bar.",
        "Stage 2: the permeate pressure is not measured and taken as 0 bar.",
    ]


def test_what_the_train_has_taught_is_told(still: Bench) -> None:
    """Constants that people know by name are told with their uncertainty and what is in use."""
    assert still.get("/api/train/A")["learned"] == [
        "The permeate flow of stage 1 rises by 3.48 ± 0.03 % for each K; the constant in use says 3.22 %.",
        "The pressure drop of stage 2 follows the flow to the power 1.66 ± 0.01; the exponent in use is 1.60.",
    ]


# the watching itself


def test_undelivered_messages_and_dropped_readings_are_told(bench: Bench) -> None:
    """A page that is otherwise quiet says when nobody can be reached or the disk is slow."""
    assert bench.get("/api/overview")["troubles"] == []
    bench.tell(month.scaling())
    (message,) = bench.record.outgoing()
    bench.record.mark_failed(message.id, "refused", needs_person=True)
    said = "raw readings of 12 frames, the disk did not keep up"
    bench.history.add_fact(month.NOW - 60, "frames_dropped", "history", said)
    bench.feed("B", at=month.NOW - 1)  # flushes the fact
    view = bench.get("/api/overview")
    assert view["troubles"] == [
        "1 message to Duty technician could not be delivered: check the address in the plant file.",
        "Lost, last Tue 31 Mar, 11:03 CEST: raw readings of 12 frames, the disk did not keep up.",
    ]
    assert "127.0.0.1:9" not in bench.client.get("/").text


def test_troubles_are_not_quiet(bench: Bench) -> None:
    """Without notices the headline still does not claim that all is quiet."""
    bench.history.add_fact(month.NOW - 60, "frames_dropped", "history", "raw readings of 12 frames")
    month.feed(bench.plant, bench.history, "B", at=month.NOW - 1)
    view = bench.get("/api/overview")
    assert not view["quiet"]
    assert view["headline"] == "No open notices, but the watching itself needs attention."


def test_missing_store_is_an_error_in_plain_words(bench: Bench, tmp_path: Path) -> None:
    """A store that cannot be read gives 503 with the file and the remedy, not an empty page."""
    elsewhere = HistoryReader(tmp_path / "elsewhere")
    app = create_app(bench.plant, bench.record, elsewhere, clock=bench.clock)
    with TestClient(app) as client:
        answer = client.get("/")
        assert answer.status_code == 503
        assert "history.db: no such file; has the service been started" in answer.text
        assert "history.db: no such file" in client.get("/api/overview").json()["error"]


# trends


@pytest.mark.parametrize("days", [7, 30, 90, 365])
def test_trends_are_equal_columns_of_bounded_length(still: Bench, days: int) -> None:
    """Every line has a value or null for each time, and no chart has more than 1500 points."""
    trends = still.get(f"/api/train/A/trends?days={days}")
    assert len(trends["times"]) <= 1500
    assert trends["times"] == sorted(trends["times"])
    assert [c["quantity"] for c in trends["charts"]] == list(train.QUANTITIES)
    for chart in trends["charts"]:
        assert [line["section"] for line in chart["lines"]] == ["1", "2"]
        assert all(len(line["values"]) == len(trends["times"]) for line in chart["lines"])
    flow = trends["charts"][0]["lines"][1]["values"]
    last = [v for v in flow if v is not None][-1]
    # One bucket of the year's chart spans 6 h; single digests have a noise of 0.5 %.
    assert last == pytest.approx(100 * month.FLOW_LOSS, abs=2.0)


def test_standstill_is_a_gap_in_the_trend(still: Bench) -> None:
    """Fourteen hours without digests are null, not a line drawn across."""
    trends = still.get("/api/train/A/trends?days=30")
    flow = trends["charts"][0]["lines"][0]["values"]
    end = month.NOW - 19.5 * month.DAY
    stood = [end - 13 * 3600 < t < end - 3600 for t in trends["times"]]
    assert sum(stood) > 10
    assert all(v is None for v, s in zip(flow, stood, strict=True) if s)
    # Before and after it the line is there.
    assert all(
        v is not None
        for v, t in zip(flow, trends["times"], strict=True)
        if end + 3600 < t < end + 86400 or end - 86400 < t < end - 15 * 3600
    )


def test_marks_tell_when_a_notice_rose_and_fell(bench: Bench) -> None:
    """The chart gets an upright for each raising and clearing, with the priority."""
    raised = bench.tell(month.scaling(), at=month.NOW - 5 * month.DAY)
    gone = Finding("performance", Presence.ABSENT)
    month.raise_notice(bench.record, bench.plant, "A", gone, month.NOW - month.DAY)
    marks = bench.get("/api/train/A/trends?days=30")["marks"]
    assert [(m["notice"], m["event"], m["priority"]) for m in marks] == [
        (raised, "raised", "medium"),
        (raised, "cleared", "medium"),
    ]
    assert [m["at"] for m in marks] == [month.NOW - 5 * month.DAY, month.NOW - month.DAY]
    assert bench.get("/api/train/A/trends?days=7")["marks"] == marks


def test_new_digest_appears_and_a_rewritten_one_is_replaced(bench: Bench) -> None:
    """Columns kept between requests follow the record."""
    before = bench.get("/api/train/A")["trend_key"]
    last = list(month.digests(faulty=True))[-1]
    changed = {**last.values, "1/permeate_flow": month.LEVELS["1/permeate_flow"] + log(1.5)}
    later = type(last)(**{**as_fields(last), "start": last.start + 900, "values": changed})
    again = type(last)(**{**as_fields(last), "values": changed})
    with bench.record.transaction():
        bench.record.put_digest("A", again)
        bench.record.put_digest("A", later)
    trends = bench.get("/api/train/A/trends?days=7")
    known = [v for v in trends["charts"][0]["lines"][0]["values"] if v is not None]
    assert known[-2:] == pytest.approx([50.0, 50.0], abs=0.01)
    assert bench.get("/api/train/A")["trend_key"] != before


def test_trends_are_without_what_is_explained(bench: Bench) -> None:
    """What was known of the residual dependence when a digest was made is taken off its deviation."""
    last = list(month.digests(faulty=True))[-1]
    changed = {**last.values, "1/permeate_flow": month.LEVELS["1/permeate_flow"] + log(1.5)}
    explained = {"1/permeate_flow": log(1.5 / 1.2)}
    fields = {**as_fields(last), "start": last.start + 900, "values": changed}
    with bench.record.transaction():
        bench.record.put_digest("A", type(last)(**{**fields, "explained": explained}))
    trends = bench.get("/api/train/A/trends?days=7")
    known = [v for v in trends["charts"][0]["lines"][0]["values"] if v is not None]
    assert known[-1] == pytest.approx(20.0, abs=0.01)


def test_each_digest_is_measured_against_the_baseline_of_its_time(bench: Bench) -> None:
    """A new baseline after a replacement does not move the past."""
    old = bench.get("/api/train/A/trends?days=30")["charts"][0]["lines"][1]["values"]
    first = month.baseline()
    start = month.NOW - 2 * month.DAY
    moved = {n: v + month.deviation(n, 0.0) for n, v in first.values.items()}
    fields = {**as_fields(first), "start": start, "end": start + 86400.0}
    fields |= {"made_at": start + 86400.0, "source": "after_replacement", "values": moved}
    with bench.record.transaction():
        bench.record.put_baseline("A", type(first)(**fields))
    trends = bench.get("/api/train/A/trends?days=30")
    new = trends["charts"][0]["lines"][1]["values"]
    for t, a, b in zip(trends["times"], old, new, strict=True):
        if t < start - 1800:
            assert a == b
    assert [v for v in new if v is not None][-1] == pytest.approx(0.0, abs=1.5)


def as_fields(value: object) -> dict:
    """The fields of a frozen dataclass with slots."""
    return {name: getattr(value, name) for name in value.__slots__}  # type: ignore[attr-defined]


# news


def test_version_ignores_the_clock_and_follows_the_notices(bench: Bench) -> None:
    """Ages do not make a page new; a notice does."""
    first = bench.get("/api/overview")["version"]
    bench.clock.advance(5)
    assert bench.get("/api/overview")["version"] == first
    bench.tell(month.scaling())
    assert bench.get("/api/overview")["version"] != first


# errors, headers, files


def test_unknown_train_is_told_in_plain_words(still: Bench) -> None:
    """A page or a JSON of a train that does not exist is a 404 that names those that do."""
    page = still.client.get("/train/Z")
    assert page.status_code == 404
    assert "There is no train &#39;Z&#39; here. Trains: A, B." in page.text
    for path in ("/api/train/Z", "/api/train/Z/trends"):
        answer = still.client.get(path)
        assert answer.status_code == 404
        assert answer.json() == {"error": "There is no train 'Z' here. Trains: A, B."}


def test_other_addresses_and_ranges_are_refused(still: Bench) -> None:
    """Unknown pages, files and numbers of days are errors with a remedy, not something near."""
    assert "There is no page" in still.client.get("/admin").text
    assert still.client.get("/static/../app.py").status_code == 404
    assert still.client.get("/static/app.py").status_code == 404
    answer = still.client.get("/api/train/A/trends?days=31")
    assert answer.status_code == 422
    assert "7, 30, 90, 365" in answer.json()["error"]
    assert still.client.get("/train/A?days=x").status_code == 422
    for path in ("/docs", "/redoc", "/openapi.json"):
        assert still.client.get(path).status_code == 404


def test_nothing_can_be_written(still: Bench) -> None:
    """No address takes anything but a question."""
    for path in ("/", "/train/A", "/api/overview", "/static/page.css"):
        for method in ("POST", "PUT", "PATCH", "DELETE"):
            assert still.client.request(method, path).status_code == 405


@pytest.mark.parametrize(
    "path", ["/", "/train/A", "/api/overview", "/static/page.css", "/train/Z", "/nowhere"]
)
def test_every_answer_has_the_security_headers(still: Bench, path: str) -> None:
    """Nothing from elsewhere is loaded and nobody else frames the page."""
    headers = still.client.get(path).headers
    assert headers["content-security-policy"].startswith("default-src 'self';")
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"


def test_pages_are_not_kept_and_static_files_are(still: Bench) -> None:
    """Only a static address with the hash of its content may be kept for long."""
    page = still.client.get("/train/A")
    assert page.headers["cache-control"] == "no-store"
    assert page.headers["content-encoding"] == "gzip"
    files = re.findall(r'(?:href|src)="(/static/[^"]+)"', page.text)
    assert len(files) == 6
    for path in files:
        assert "immutable" in still.client.get(path).headers["cache-control"]
        plain = still.client.get(path.partition("?")[0])
        assert plain.headers["cache-control"] == "no-cache"


def test_chart_library_is_the_examined_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """The served file has the SHA-256 of dist/uPlot.iife.min.js in the npm package uplot 1.6.31.

    Hash taken from the package as npm delivers it.
    """
    wanted = "2d27e8ad3d228164525ce213f9dc716f39b4e3aee0cc773fb3491c96cf4921a2"
    served = static_routes.static_files()["uplot.iife.min.js"]
    assert hashlib.sha256(served).hexdigest() == wanted
    monkeypatch.setitem(static_routes.VENDORED, "uplot.min.css", "0" * 64)
    with pytest.raises(
        static_routes.WrongFile, match=r"uplot\.min\.css: SHA-256 is df630c6a.*youplot"
    ):
        static_routes.static_files()


class Outline(HTMLParser):
    """Collects what a strict content policy and a screen reader care about."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


@pytest.mark.parametrize("path", ["/", "/train/A", "/nowhere"])
def test_html_is_self_contained_and_outlined(bench: Bench, path: str) -> None:
    """No inline script or style, no address elsewhere; one h1, language, title, unique ids."""
    bench.tell(month.scaling())
    text = bench.client.get(path).text
    outline = Outline()
    outline.feed(text)
    for tag, attributes in outline.tags:
        assert "style" not in attributes
        assert not [a for a in attributes if a.startswith("on")]
        assert tag != "style"
        if tag == "script":
            assert (attributes["src"] or "").startswith("/static/")
        for name in ("href", "src"):
            if name in attributes:
                assert re.match(r"[/#?](?!/)", attributes[name] or "")
    names = [tag for tag, _ in outline.tags]
    assert names.count("h1") == 1
    assert names.count("main") == 1
    assert dict(outline.tags)["html"] == {"lang": "en"}
    assert re.search(r"<title>[^<]{5,}</title>", text)
    ids = [a["id"] for _, a in outline.tags if "id" in a]
    assert len(ids) == len(set(ids))
    assert "Reads only. Not a safety or interlock system." in text


def test_words_of_others_are_escaped(bench: Bench) -> None:
    """Markup in a message arrives as text."""
    finding = Finding("performance", Presence.PRESENT, message="<script>alert(1)</script>")
    bench.tell(finding)
    page = bench.client.get("/train/A").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


# words and colors


def test_every_word_of_the_rules_has_its_words() -> None:
    """Causes, actions, roles and life-cycle states all have plain words; none is left over."""
    assert set(words.CAUSES) == set(findings.CAUSES)
    assert set(words.ACTIONS) == set(findings.ACTIONS)
    assert set(words.ROLES) == {*train.TRAIN_ROLES, *train.STAGE_ROLES, *train.VESSEL_ROLES}
    assert set(words.LIFE) == {state.value for state in State}
    assert tuple(words.QUANTITIES) == train.QUANTITIES


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2, definitions of relative luminance and contrast ratio (from memory)."""

    def luminance(color: str) -> float:
        parts = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_text_is_readable_in_sunlight() -> None:
    """Every pair of text and ground has a contrast of 7:1, the AAA level of WCAG 2.2 (AA asks 4.5)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    css = (resources.files("daemon.page") / "static" / "page.css").read_text(encoding="utf-8")
    color = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", css))
    pairs = [(text, ground) for text in ("ink", "soft") for ground in ("ground", "sheet")]
    pairs += [(p, g) for p in ("high", "medium", "low") for g in (f"{p}-ground", "sheet")]
    pairs += [("ink", f"{p}-ground") for p in ("high", "medium", "low")]
    pairs += [("soft", f"{p}-ground") for p in ("high", "medium", "low")]
    for text, ground in pairs:
        assert contrast(color[text], color[ground]) >= 7.0, (text, ground)
    assert contrast("#ffffff", color["slate"]) >= 7.0
    assert contrast("#ffffff", color["high"]) >= 7.0
