"""The maintenance record: cleanings and repairs from minutes to sentences, the same after every restart."""

import json
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from daemon import eventlog, maintenance, plantfile
from daemon.eventlog import LoggedEvent
from daemon.minutes import Minute
from daemon.normalize import Normalizer
from daemon.notices import Notices
from daemon.plantfile import Plant
from daemon.record import Record
from daemon.replay import Source
from rules.findings import Presence
from simulator.__main__ import main
from tests.commands_kit import CommandLine, exported
from tests.notices_kit import DAY, START, finding, quick_record
from tests.notices_kit import plant as small_plant

DAY_S = 86400.0

# A leak from day 4, mended on day 5; a cleaning on day 8; all membranes new on day 12.
STORY = """
title = "Mended, cleaned, renewed"
description = "An invented fortnight of work."
days = 16

[expected]
outcome = "notice"
cause = "o_ring_leak"
action = "probe"
stage = 1

[[fault]]
kind = "o_ring_leak"
onset_day = 4
growth = "step"
severity = 0.02
stage = 1
vessel = 5
joint = 3

[[event]]
kind = "replace_seals"
at_day = 5.3
hours = 6
stage = 1
vessel = 5

[[event]]
kind = "cleaning"
at_day = 8.3
hours = 8
chemistry = "alkaline"
restores = 0.8

[[event]]
kind = "replace_membranes"
at_day = 12.3
hours = 12
"""


@dataclass(frozen=True)
class Worked:
    """The story: its plant, whose store was judged in one run, its minutes, and the events of its log."""

    plant: Plant
    minutes: list[Minute]
    events: list[LoggedEvent]


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> Worked:
    """The story, a minute in twelve, judged without interruption."""
    folder = tmp_path_factory.mktemp("worked")
    (folder / "story.toml").write_text(STORY, encoding="utf-8")
    (folder / "store").mkdir()
    arguments = [str(folder / "story.toml"), "--days", "16", "--step-minutes", "12"]
    files = ["--export", str(folder / "h.csv"), "--write-plant", str(folder / "plant.toml")]
    assert main([*arguments, *files, "--store", str(folder / "store")]) == 0
    plant = plantfile.load(folder / "plant.toml")
    (log,) = folder.glob("h*events*.csv")
    minutes = list(Source(plant, folder / "h.csv").minutes(plant.train("A")))
    story = Worked(plant, minutes, eventlog.read(log, ["A"]))
    with quick_record(plant.store.folder) as record:
        enter(story, record)
        judge(plant, record, minutes)
    return story


def enter(story: Worked, record: Record) -> None:
    """Enter what people did, as they would."""
    for event in story.events:
        record.add_event(event.t, "A", event.event, event.detail, "Ana")


def judge(plant: Plant, record: Record, minutes: list[Minute]) -> None:
    """Judge minutes with a fresh normalizer, as after a start: rebuilt from what the record has."""
    normalizer = Normalizer(plant.train("A"), record, Notices(record, plant))
    since, until = normalizer.memory_from, normalizer.judged_until
    normalizer.rebuild(m for m in minutes if since < m.time <= until)
    for minute in minutes:
        if minute.time > until:
            normalizer.take(minute)


def test_what_became_of_it_is_the_same_after_any_restart(worked: Worked, tmp_path: Path) -> None:
    """Started again in the middle of each flush and settling, record and journal are those of one run."""
    minutes = worked.minutes
    jobs = [e.t for e in worked.events if e.event != "cleaning_start"]
    cuts = [
        next(i for i, m in enumerate(minutes) if m.time > t + wait)
        for t in jobs
        for wait in (0.0, 1800.0, 1.5 * DAY_S)
    ]
    with quick_record(tmp_path) as record:
        enter(worked, record)
        for end in (*sorted(cuts), len(minutes)):
            judge(worked.plant, record, minutes[:end])
        with Record.open(worked.plant.store.folder, read_only=True) as one:
            assert record.journal() == one.journal()
            assert record.assessments("A") == one.assessments("A")
            assert record.services("A") == one.services("A")


def test_what_people_did_is_followed_to_its_end(worked: Worked) -> None:
    """Seals, a cleaning and new membranes: fit for service within hours, assessed, and the old baseline kept."""
    with Record.open(worked.plant.store.folder, read_only=True) as record:
        entries = maintenance.entries(record, "A")
        journal = [json.loads(line.body) for line in record.journal()]
        open_now = {n.id for n in record.open_notices("A")}
        sources = [b["source"] for b in record.baselines("A")]
    assert sources == ["first_steady", "after_replacement"]
    by_event = {e.event.event: e for e in entries}
    for event in ("seals_replaced", "cleaning_end", "membranes_replaced"):
        back = by_event[event].service
        assert back is not None
        assert back.fit_at is not None, (event, back.missing)
        assert back.at < back.fit_at < back.at + 0.5 * DAY_S
        assert back.feed_m3 is not None
        assert back.feed_m3 > 10.0
    seals, renewed = (
        by_event[event].assessment for event in ("seals_replaced", "membranes_replaced")
    )
    assert seals is not None
    assert (seals.verdict, seals.leading) == ("returned", "1/salt_passage")
    assert renewed is not None
    assert renewed.verdict == "returned"
    assert by_event["cleaning_start"].sentences() == ()
    fit = [x["notice"] for x in journal if "fit for service" in x.get("message", "")]
    assert len(set(fit)) == 3
    assert not open_now & set(fit), "a day later they have closed by themselves"


def test_the_log_tells_what_became_of_it(
    worked: Worked, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`brinelark log` shows each event with its return to service and its assessment, in words and as JSON."""
    line = CommandLine(monkeypatch, capsys)
    said = " ".join(line("log", worked.plant.path, "--train", "A").out.split())
    assert "seals_replaced, by Ana" in said
    assert "Fit for service at" in said
    assert "Back at the earlier level." in said
    assert "of the loss restored" in said
    found = json.loads(line("log", worked.plant.path, "--train", "A", "--json").out)
    seals = next(e for e in found if e["event"] == "seals_replaced")
    assert seals["assessment"]["verdict"] == "returned"
    (lead,) = [e for e in seals["assessment"]["effects"] if e["observable"] == "1/salt_passage"]
    assert lead["restored"] == pytest.approx(1.0, abs=0.1)
    assert seals["service"]["fit_at"] > seals["time"]


def test_events_come_from_a_file_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file of events is entered as a whole; again, it enters nothing; a bad one enters nothing and says why."""
    line = CommandLine(monkeypatch, capsys)
    plant_file = exported(tmp_path, "healthy", days=0.02, step_minutes=10)
    (tmp_path / "store").mkdir()
    quick_record(tmp_path / "store").close()
    file = tmp_path / "events.csv"
    head = "time,train,event,detail\n2026-01-05T01:00:00Z,A,cleaning_start,acid\n"
    file.write_text(f"{head}2026-01-05T09:00:00Z,A,cleaning_end,acid\n", encoding="utf-8")
    said = line("log", plant_file, "--import", file, "--by=Kim")
    assert said == (0, f"{file}: 2 events entered\n", "")
    file.write_text(f"{head}2026-01-05T10:00:00Z,A,note,rinsed\n", encoding="utf-8")
    said = line("log", plant_file, "--import", file)
    assert said.out == f"{file}: 1 event entered, 1 event known before\n"
    file.write_text(f"{head}yesterday,B,cleaned,\n", encoding="utf-8")
    refused = line("log", plant_file, "--import", file)
    assert refused.code == 2
    for part in ("time 'yesterday'", "train 'B' is not in the plant file", "event 'cleaned'"):
        assert f"{file}:3: {part}" in refused.err
    file.write_text(f"{head}2031-01-05T10:00:00Z,A,note,\n", encoding="utf-8")
    assert "is in the future" in line("log", plant_file, "--import", file).err
    assert line("log", plant_file, "--import", file, "--train=A").code == 2
    found = json.loads(line("log", plant_file, "--json").out)
    assert [(e["event"], e["by"]) for e in found] == [
        ("cleaning_start", "Kim"),
        ("cleaning_end", "Kim"),
        ("note", ""),
    ]


def test_good_news_closes_by_itself_and_calls_nobody_twice(tmp_path: Path) -> None:
    """Told once when it comes; when it is over it is journalled, closed, and no message goes out."""
    with quick_record(tmp_path) as record:
        notices = Notices(record, small_plant(tmp_path))
        news = finding(
            matter="fit_for_service",
            stage=None,
            causes=(),
            action="watch",
            priority="low",
            message="Train A: fit for service.",
            confirm_s=0.0,
            clear_s=0.0,
            suppressible=False,
            closes_itself=True,
        )
        notices.process("A", START, [news], state="starting", progress=START)
        over = replace(news, presence=Presence.ABSENT)
        notices.process("A", START + DAY, [over], state="steady", progress=START + DAY)
        assert [line.event for line in record.journal()] == ["raised", "cleared"]
        assert [message.event for message in record.outgoing()] == ["raised"]
        assert record.live_notices() == []
        (closed,) = record.notices()
        assert (closed.live, closed.closed_at) == (False, START + DAY)
