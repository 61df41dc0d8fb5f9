"""The load of alarms from hand-made journals; its limits and definitions: tests/reference/check_alarms.py."""

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon import alarmload, plantfile
from daemon.alarmload import Change, Kind, changes, load
from daemon.notices import Notices
from daemon.record import Record
from daemon.rows import JournalLine, Notice
from rules.findings import Presence
from tests.commands_kit import CommandLine, exported
from tests.notices_kit import DAY, HOUR, START, finding

MONTH = 30 * DAY
MINUTE = 60.0


def announced(times: Sequence[float], source: str = "A/x", priority: str = "high") -> list[Change]:
    """One alarm announced at each time."""
    return [Change(t, "A", source, "announced", priority) for t in times]


def change(t: float, kind: Kind, source: str = "A/x") -> Change:
    return Change(t, "A", source, kind, "high")


def value(found: Sequence[Change], name: str, until: float = MONTH) -> float:
    return load(found, 0.0, until).figure(name).value


def test_rates_are_the_count_over_the_time() -> None:
    """150 a day are 6.25 an hour and 1.04 in ten minutes; just acceptable by the day."""
    every = DAY / 150
    one = load(announced([every * k for k in range(150 * 30)]), 0.0, MONTH)
    assert one.alarms == 4500
    assert one.figure("per_day").value == pytest.approx(150.0)
    assert one.figure("per_hour").value == pytest.approx(6.25)
    assert one.figure("per_10_min").value == pytest.approx(150 / 144)
    assert one.figure("per_day").verdict == "acceptable"
    assert one.figure("per_10_min").verdict == "manageable"
    twice = load(announced([every / 2.5 * k for k in range(375 * 30)]), 0.0, MONTH)
    assert twice.figure("per_day").verdict == "too high"


def test_a_flood_starts_above_ten_and_ends_below_five() -> None:
    """Twelve alarms a minute apart, by hand: it starts with the eleventh at 10 min, when the first is still
    within ten minutes less a moment, and ends when the eighth goes out, as four are left."""
    times = [57.0 * k for k in range(12)]
    # Eleventh at 570 s with the first (0 s) still inside. The eighth (399 s) leaves at 999 s: four are left.
    assert value(announced(times), "flood", DAY) == pytest.approx((999.0 - 570.0) / DAY)
    assert value(announced(times), "largest_10_min", DAY) == 11
    assert value(announced(times[:10]), "flood", DAY) == 0.0
    # Still in flood at the end of the time.
    assert value(announced(times), "flood", 700.0) == pytest.approx(130.0 / 700.0)


def test_busy_periods_are_counted_from_the_begin() -> None:
    """Eleven alarms in the second ten minutes make one busy period of 144 a day; 31 in an hour one of 24."""
    busy = load(announced([601.0 + k for k in range(11)]), 0.0, DAY)
    assert busy.figure("busy_10_min").value == pytest.approx(1 / 144)
    assert busy.figure("busy_10_min").verdict == "acceptable"
    assert busy.figure("busy_hours").value == 0.0
    hour = load(announced([2 * HOUR + 100.0 * k for k in range(31)]), 0.0, DAY)
    assert hour.figure("busy_hours").value == pytest.approx(1 / 24)
    assert hour.figure("busy_hours").verdict == "too high"


def test_three_transitions_within_a_minute_chatter() -> None:
    """On, off and on again in 59 s chatters; in 60 s, or of two alarms, it does not."""
    kinds: list[Kind] = ["announced", "returned", "announced"]
    fast = [change(t, k) for t, k in zip((0.0, 20.0, 59.0), kinds, strict=True)]
    slow = [change(t, k) for t, k in zip((0.0, 20.0, 60.0), kinds, strict=True)]
    two = [*fast[:2], change(30.0, "announced", "A/y")]
    assert load(fast, 0.0, DAY).chattering == ("A/x",)
    assert load(fast, 0.0, DAY).figure("chattering").verdict == "too high"
    assert load(slow, 0.0, DAY).chattering == ()
    assert load(two, 0.0, DAY).chattering == ()


def test_an_alarm_that_stands_for_more_than_a_day_is_stale() -> None:
    """Until it returns or is set aside, or to the end; counted by the day, those that stood before as well."""
    standing = [change(HOUR, "announced", f"A/{k}") for k in range(5)]
    gone = [change(HOUR + DAY, "returned", "A/0")]
    aside = [change(3 * DAY, "set aside", "A/1"), change(4 * DAY, "announced", "A/1")]
    one = load([*standing, *gone, *aside], 0.0, 4.5 * DAY)
    assert one.stale == ("A/1", "A/2", "A/3", "A/4"), "one that stood for exactly a day is not"
    assert one.figure("stale").value == 4
    assert one.figure("stale").verdict == "acceptable"
    later = load([*standing, *gone, *aside], 3.5 * DAY, 4.5 * DAY)
    assert later.stale == ("A/2", "A/3", "A/4")
    assert later.alarms == 1


def test_shares_of_few_alarms_are_not_judged() -> None:
    """Of ninety-nine alarms nothing is said of the most frequent and of priorities, of a hundred it is."""
    few = load(announced([float(k) * HOUR for k in range(99)]), 0.0, MONTH)
    assert {few.figure(n).verdict for n in alarmload.SHARES_OF_ALARMS} == {"not judged"}
    mixed = [
        *announced([float(k) * HOUR for k in range(80)], priority="low"),
        *announced([float(k) * HOUR for k in range(15)], "A/y", "medium"),
        *announced([float(k) * HOUR for k in range(5)], "A/z", "high"),
    ]
    many = load(mixed, 0.0, MONTH)
    assert many.priorities == {"low": 80, "medium": 15, "high": 5}
    assert many.figure("high").verdict == many.figure("medium").verdict == "acceptable"
    assert many.figure("most_frequent").value == 1.0
    assert many.figure("most_frequent").verdict == "too high"
    assert many.most_frequent[0] == ("A/x", 80)


def test_no_alarms_are_the_best_load() -> None:
    """Every rate is nothing and acceptable; a share of nothing is not a number and not judged."""
    none = load([], 0.0, DAY)
    assert {f.verdict for f in none.figures} == {"acceptable", "not judged"}
    assert math.isnan(none.figure("high").value)
    assert not none.long_enough
    assert load([], 0.0, MONTH).long_enough


def test_no_time_is_refused() -> None:
    """A load needs a time, so that nothing is divided by nothing."""
    with pytest.raises(ValueError, match="after since"):
        load([], 5.0, 5.0)


@given(st.lists(st.integers(0, 7200), max_size=60))
def test_flood_and_largest_are_those_of_a_slow_count(seconds: list[int]) -> None:
    """Counting every second by the definitions gives the same largest count and the same time in flood."""
    times = sorted(float(s) for s in seconds)
    until, inside, flooded, largest = 9000, False, 0, 0
    for second in range(until):
        within = sum(second - 600 < t <= second for t in times)
        largest = max(largest, within)
        inside = within > 10 or (inside and within >= 5)
        flooded += inside
    one = load(announced(times), 0.0, float(until))
    assert one.figure("largest_10_min").value == largest
    assert one.figure("flood").value == pytest.approx(flooded / until)


def line(seq: int, at: float, event: str, notice: str = "A-0001", **body: Any) -> JournalLine:
    return JournalLine(seq, at, "A", notice, seq, event, json.dumps(body))


def told(*classes: str, notice_id: str = "A-0001") -> dict[str, Notice]:
    return {notice_id: Notice("A", "link:plc", notice_id, classes_told=classes)}


def kinds(lines: list[JournalLine], *classes: str) -> list[tuple[float, Kind]]:
    return [(c.at, c.kind) for c in changes(lines, told(*classes))]


def test_the_life_of_an_alarm_in_the_journal() -> None:
    """Raised, acknowledged, grown, cleared and back: announced twice, returned once."""
    lines = [
        line(1, 0.0, "raised", priority="high"),
        line(2, 1.0, "acknowledged"),
        line(3, 2.0, "updated", priority="high"),
        line(4, 3.0, "cleared", priority="high"),
        line(5, 4.0, "updated", priority="high"),
    ]
    assert kinds(lines, "alarm") == [(0.0, "announced"), (3.0, "returned"), (4.0, "announced")]
    assert kinds(lines, "advisory") == [], "an advisory is no alarm"


@pytest.mark.parametrize(
    ("away", "back"),
    [("shelved", "unshelved"), ("suppressed", "unsuppressed"), ("out_of_service", "in_service")],
)
def test_what_is_set_aside_is_announced_again_while_it_stands(away: str, back: str) -> None:
    """Aside it is silent; when it comes back while its condition stands it is announced, else not."""
    standing = [
        line(1, 0.0, "raised", priority="high"), line(2, 1.0, away), line(3, 2.0, "updated"), line(4, 3.0, back),
    ]  # fmt: skip
    assert kinds(standing, "alarm") == [(0.0, "announced"), (1.0, "set aside"), (3.0, "announced")]
    gone = [*standing[:2], line(3, 2.0, "cleared"), standing[3]]
    assert kinds(gone, "alarm") == [(0.0, "announced"), (1.0, "set aside")]


def test_a_stop_does_not_announce_again_what_was_acknowledged() -> None:
    """Suppression keeps the acknowledgement of the same condition."""
    lines = [
        line(1, 0.0, "raised", priority="high"),
        line(2, 1.0, "acknowledged"),
        line(3, 2.0, "suppressed"),
        line(4, 3.0, "unsuppressed"),
    ]
    assert kinds(lines, "alarm") == [(0.0, "announced"), (2.0, "set aside")]


def test_an_advisory_counts_from_where_it_becomes_an_alarm() -> None:
    """Raised as an advisory and told as an alarm later: announced by the first step of high priority."""
    lines = [
        line(1, 0.0, "raised", priority="low"),
        line(2, 1.0, "updated", priority="medium"),
        line(3, 2.0, "updated", priority="high"),
        line(4, 3.0, "updated", priority="high"),
    ]
    assert kinds(lines, "advisory", "alarm") == [(2.0, "announced")]


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    """The command line."""
    return CommandLine(monkeypatch, capsys)


@pytest.fixture
def plant_file(tmp_path: Path) -> Path:
    """A plant with a link that was lost twice, and an advisory."""
    path = exported(tmp_path, "healthy", days=0.1, step_minutes=15)
    plant = plantfile.load(path)
    plant.store.folder.mkdir()
    lost: dict[str, Any] = {
        "matter": "link:plc",
        "priority": "high",
        "notice_class": "alarm",
        "confirm_s": 0.0,
    }
    with Record.open(plant.store.folder) as record:
        notices = Notices(record, plant)
        for k in range(2):
            at = START + k * DAY
            link = finding(**lost, clear_s=0.0)
            notices.process("A", at, [link, finding(confirm_s=0.0)], state="steady", progress=at)
            gone = finding(Presence.ABSENT, **lost, clear_s=0.0)
            notices.process("A", at + HOUR, [gone], state="steady", progress=at + HOUR)
    return path


def test_the_command_tells_the_load_as_a_table(command: CommandLine, plant_file: Path) -> None:
    """Count and time, each figure with its limits, the alarms by name, and that the time is short."""
    said = command("notices", plant_file, "--load")
    assert said.code == 0
    out = [" ".join(one.split()) for one in said.out.splitlines()]
    assert out[0] == "2 alarms from 2026-01-05T00:00:00Z to 2026-01-06T01:00:00Z"
    assert "alarms a day 1.92 150 300" in out
    assert "time in flood 0 % under 1 %" in out
    assert "the 10 most frequent 100 % 1 % 5 % not judged" in out
    assert "2 train A: no answer, plc" in out
    assert out[-1] == "The limits are meant for 30 days and more; this is 1.0."
    assert max(map(len, said.out.splitlines())) <= 80


def test_the_command_tells_the_load_in_json(command: CommandLine, plant_file: Path) -> None:
    """From a time on, in all and for each train, with verdicts."""
    one = json.loads(
        command("notices", plant_file, "--load", "--since", "2026-01-05T12:00:00Z", "--json").out
    )
    assert (one["since"], one["until"]) == ("2026-01-05T12:00:00Z", "2026-01-06T01:00:00Z")
    assert one["all"]["alarms"] == one["trains"]["A"]["alarms"] == 1
    assert one["all"]["figures"]["per_day"] == {
        "value": pytest.approx(24 / 13), "verdict": "acceptable", "acceptable": 150, "manageable": 300,
    }  # fmt: skip
    assert one["all"]["most_frequent"] == [{"alarm": "A/link:plc", "times": 1}]


@pytest.mark.parametrize(
    ("arguments", "told_of"),
    [
        (["--load", "--since", "yesterday"], "--since: time 'yesterday' is not ISO 8601"),
        (["--load", "--since", "2027-01-01T00:00:00Z"], "there is nothing after it; it is 2026-01-06T01:00:00Z"),
        (["--since", "2026-01-05T12:00:00Z"], "--since belongs to --load"),
        (["--load", "--all"], "--load goes with --train, --since and --json only"),
        (["--load", "--train", "Z"], "train Z is not in the plant file; it has A"),
    ],
)  # fmt: skip
def test_a_load_that_cannot_be_told_is_refused(
    command: CommandLine, plant_file: Path, arguments: list[str], told_of: str
) -> None:
    """Exit code 2 and one line."""
    said = command("notices", plant_file, *arguments)
    assert said.code == 2
    assert told_of in said.err
    assert said.err.count("\n") == 1
