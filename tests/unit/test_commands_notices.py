"""`brinelark notices` and `brinelark log`: what a person reads at 80 columns, and what is refused."""

import json
import time
from pathlib import Path

import numpy as np
import pytest

from daemon import plantfile
from daemon.commands.common import plant_now
from daemon.frames import Frame
from daemon.history import History
from daemon.minutes import Minute
from daemon.normalize import Normalizer
from daemon.notices import Notices
from daemon.record import EVENTS, Record
from daemon.rows import iso
from rules.findings import CauseProbability
from tests.commands_kit import CommandLine, exported
from tests.notices_kit import HOUR, START, finding


@pytest.fixture
def line(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    """The command line."""
    return CommandLine(monkeypatch, capsys)


@pytest.fixture
def plant_file(tmp_path: Path) -> Path:
    """A plant that has been watched: two notices, one of performance and one of a frozen transmitter."""
    path = exported(tmp_path, "healthy", days=0.1, step_minutes=15)
    plant = plantfile.load(path)
    plant.store.folder.mkdir()
    with Record.open(plant.store.folder) as record:
        frozen = finding(
            matter="frozen:A/1/feed_pressure",
            causes=(CauseProbability("instrument_fault", 0.99, "A/1/feed_pressure"),),
            action="check_instrument",
            message="Train A: [A/1/feed_pressure] has not moved at all.",
            confirm_s=0.0,
        )
        slow = finding(confirm_s=0.0)
        Notices(record, plant).process("A", START, [slow, frozen], state="steady", progress=START)
    return path


def test_a_train_that_is_not_there_is_named_with_those_that_are(
    line: CommandLine, plant_file: Path
) -> None:
    """Exit code 2 and one line, for the list of notices and for the log."""
    for command in (["notices"], ["log"], ["log", "--event", "note"]):
        said = line(*command, plant_file, "--train", "Z")
        assert said == (2, "", "train Z is not in the plant file; it has A\n")


def test_the_list_is_a_block_for_each_notice(line: CommandLine, plant_file: Path) -> None:
    """Id, priority, class, how it stands and since when; then what, then what to do."""
    blocks = line("notices", plant_file).out.split("\n\n")
    assert len(blocks) == 2
    first = [part.strip() for part in blocks[0].splitlines()]
    assert " ".join(first[:-2]) == (
        "A-0001  medium priority, advisory, not acknowledged yet, raised Mon 2026-01-05 00:00 +0000"
    )
    assert first[-2:] == ["Scaling grows in stage 1.", "Do: Clean"]
    assert "[A/1/feed_pressure] has not moved" in blocks[1]


def test_one_notice_is_shown_with_causes_and_everything_people_did(
    line: CommandLine, plant_file: Path
) -> None:
    """Causes with probability, action and priority; who shelved it, until when and why."""
    assert line("notices", plant_file, "--acknowledge", "A-0001", "--by", "Kim").code == 0
    shelve = ["--shelve", "A-0001", "--by", "Sam", "--hours", 2, "--reason", "acid is ordered"]
    assert line("notices", plant_file, *shelve).code == 0
    shown = " ".join(line("notices", plant_file, "--show", "A-0001").out.split())
    assert "shelved until Mon 2026-01-05 02:00 +0000 by Sam: acid is ordered" in shown
    assert "Cause: scaling 80%, biofouling 10%" in shown
    assert "Do: Clean." in shown
    assert "Priority medium." in shown
    assert "00:00 +0000 acknowledged by Kim" in shown
    assert "shelved by Sam until Mon 2026-01-05 02:00 +0000: acid is ordered" in shown


def test_what_was_seen_has_no_cause_with_a_probability(line: CommandLine, plant_file: Path) -> None:
    """Of a frozen transmitter the notice says what was seen."""
    shown = line("notices", plant_file, "--show", "A-0002").out
    assert "Cause: frozen reading" in shown
    assert "99" not in shown


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--unshelve", "A-0001", "--by", "Kim"], "A-0001: unshelve is not possible: the notice is not acknow"),
        (["--acknowledge", "A-0001"], "say who you are with --by NAME; the journal keeps it"),
        (["--shelve", "A-0001", "--by", "Kim"], "say why with --reason; the journal keeps it"),
        (["--shelve", "A-9", "--by", "Kim", "--reason", "x"], "there is no notice A-9"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_said_plainly(
    line: CommandLine, plant_file: Path, arguments: list[str], told: str
) -> None:
    """Exit code 2 and one line in plain words."""
    said = line("notices", plant_file, *arguments)
    assert said.code == 2
    assert said.err.startswith(told)
    assert said.err.count("\n") == 1
    assert "UNACK" not in said.err


def test_an_event_goes_into_the_record_and_comes_back(line: CommandLine, plant_file: Path) -> None:
    """With a time of its own, or at the plant's time now; the list has both in order."""
    assert line("log", plant_file).out == "No events.\n"
    at = ["--at", "2026-01-04T22:30:00+01:00", "--detail", "all of [stage 2]", "--by", "Kim"]
    made = line("log", plant_file, "--train", "A", "--event", "membranes_replaced", *at)
    assert made == (0, "train A: membranes_replaced at 2026-01-04T21:30:00Z is in the log\n", "")
    now = json.loads(line("log", plant_file, "--train", "A", "--event", "note", "--json").out)
    assert now == {
        "time": iso(START), "train": "A", "event": "note", "detail": "", "by": "",
        "assessment": None, "service": None,
    }  # fmt: skip
    listed = [part.rstrip() for part in line("log", plant_file).out.splitlines()]
    assert listed == [
        "2026-01-04T21:30:00Z  train A  membranes_replaced, by Kim",
        "  all of [stage 2]",
        f"{iso(START)}  train A  note",
    ]
    assert [e["event"] for e in json.loads(line("log", plant_file, "--json").out)] == [
        "membranes_replaced",
        "note",
    ]


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--event", "cleaned", "--train", "A"], f"event cleaned is not known; use {', '.join(EVENTS)}"),
        (["--event", "note"], "say which train with --train; the plant file has A"),
        (["--detail", "x"], "say what was done with --event; use"),
        (["--event", "note", "--train", "A", "--at", "yesterday"], "time 'yesterday' is not ISO 8601"),
        (["--event", "note", "--train", "A", "--at", "2026-01-04T22:30:00"], "has no zone; add Z"),
        (
            ["--event", "note", "--train", "A", "--at", "2026-01-05T01:00:01Z"],
            "2026-01-05T01:00:01Z is in the future: it is 2026-01-05T00:00:00Z at train A",
        ),
    ],
)  # fmt: skip
def test_an_event_that_cannot_be_is_refused(
    line: CommandLine, plant_file: Path, arguments: list[str], told: str
) -> None:
    """Exit code 2, what is wrong and what would do; nothing is written."""
    said = line("log", plant_file, *arguments)
    assert said.code == 2
    assert told in said.err
    assert line("log", plant_file).out == "No events.\n"


def test_the_daemon_takes_what_was_logged_while_it_runs(
    line: CommandLine, plant_file: Path
) -> None:
    """An event that the command writes reaches the rules with the next minute."""
    plant = plantfile.load(plant_file)
    train = plant.train("A")
    width = len(train.model.signals)

    def minute(at: float) -> Minute:
        nothing = np.zeros(width, dtype=np.uint8)
        return Minute("A", int(at), np.full(width, np.nan), nothing.astype(np.uint16), nothing, 1)

    with Record.open(plant.store.folder) as record:
        normalizer = Normalizer(train, record, Notices(record, plant))
        assert normalizer.take(minute(START + 60.0)).state != "cleaning"
        began = line("log", plant_file, "--train", "A", "--event", "cleaning_start")
        assert "until cleaning_end is logged the train is not judged" in began.out
        assert normalizer.take(minute(START + 120.0)).state == "cleaning"
        ended = ["--event", "cleaning_end", "--at", iso(START + 180.0)]
        assert line("log", plant_file, "--train", "A", *ended).code == 0
        assert normalizer.take(minute(START + 180.0)).state != "cleaning"


@pytest.mark.asyncio
@pytest.mark.parametrize("live", [True, False])
async def test_now_is_the_gateways_clock_for_a_plant_that_lives_by_it(
    plant_file: Path, live: bool
) -> None:
    """At a standstill nothing is judged, and yet time goes on; a simulated plant has its newest reading."""
    plant = plantfile.load(plant_file)
    signals = plant.train("A").model.signals
    began = time.time()
    at = began - 60.0 if live else START + HOUR
    with History.open(plant.store.folder, trains={"A": signals}) as history:
        nothing = np.full(len(signals), np.nan)
        await history.append(Frame("A", at, nothing, np.full(len(signals), 2, dtype=np.uint8)))
    with Record.open(plant.store.folder, read_only=True) as record:
        now = plant_now(plant, record, "A")
    assert now is not None
    if live:
        assert began <= now.timestamp() <= time.time()
    else:
        assert now.timestamp() == at


def test_nothing_can_be_logged_before_the_plant_was_watched(
    line: CommandLine, tmp_path: Path
) -> None:
    """Exit code 1, and where the record was looked for."""
    path = exported(tmp_path, "healthy", days=0.1, step_minutes=15)
    said = line("log", path, "--train", "A", "--event", "note")
    assert said.code == 1
    assert f"no record in {tmp_path / 'store'} yet" in said.err
