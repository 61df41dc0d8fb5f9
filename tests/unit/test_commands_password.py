"""`brinelark password`: who may write on the page, asked for on a terminal or given by a script."""

import io
import os
import pty
import select
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.people import People
from daemon.record import Record
from tests.commands_kit import CommandLine
from tests.web import month

GOOD = "three green pumps"


@pytest.fixture
def line(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    """The command line."""
    return CommandLine(monkeypatch, capsys)


@pytest.fixture
def plant_file(tmp_path: Path) -> Path:
    """A plant that has been watched; its only contact is the duty technician."""
    plant = month.load_plant(tmp_path)
    plant.store.folder.mkdir()
    Record.open(plant.store.folder, durable=False).close()
    return plant.path


def give(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(text))


def checked(plant_file: Path, name: str, password: str) -> str | None:
    with Record.open(plant_file.parent / "brinelark-data", durable=False) as record:
        return People(record).check(name, password)


def names(plant_file: Path) -> tuple[str, ...]:
    with Record.open(plant_file.parent / "brinelark-data", durable=False) as record:
        return People(record).names()


def test_a_script_gives_the_password_on_its_input(
    line: CommandLine, plant_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first line is the password; it is hashed, and printed nowhere."""
    give(monkeypatch, f"{GOOD}\nsomething else\n")
    said = line("password", plant_file, "duty technician", "--stdin")
    assert said == (0, "duty technician may write on the page\n", "")
    assert checked(plant_file, "Duty Technician", GOOD) == "duty technician"
    assert GOOD.encode() not in (plant_file.parent / "brinelark-data" / "record.db").read_bytes()
    assert line("password", plant_file, "--list").out == "duty technician\n"


def test_a_name_that_is_no_contact_is_noted(
    line: CommandLine, plant_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may be a slip, but it works; JSON goes to the output, the note to the errors."""
    give(monkeypatch, GOOD)
    said = line("password", plant_file, "R. Vidal", "--stdin", "--json")
    assert said.code == 0
    assert said.out == '{"name": "R. Vidal", "new": true}\n'
    assert said.err == (
        "note: no [[contact]] is called R. Vidal; the plant file has Duty technician\n"
    )
    give(monkeypatch, GOOD + "!")
    assert "has a new password" in line("password", plant_file, "r. vidal", "--stdin").out
    assert line("password", plant_file, "--list", "--json").out == '["r. vidal"]\n'


def test_somebody_is_removed_once(
    line: CommandLine, plant_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Removing says so; removing again says who there is."""
    give(monkeypatch, GOOD)
    line("password", plant_file, "R. Vidal", "--stdin")
    assert line("password", plant_file, "r.  vidal", "--remove").code == 0
    assert line("password", plant_file, "--list").out == "Nobody may write on the page yet.\n"
    said = line("password", plant_file, "R. Vidal", "--remove")
    assert said == (2, "", "'R. Vidal' has no password here; who has one: nobody yet\n")


@pytest.mark.parametrize(
    ("arguments", "given", "said"),
    [
        ([], "", "say who"),
        (["--list", "Kim"], "", "--list goes with --json only"),
        (["Kim", "--remove", "--stdin"], "", "--remove needs no password"),
        (["Kim"], GOOD, "no terminal to ask on; give the password with --stdin"),
        (["Kim", "--stdin"], "", "the first line of the input is empty"),
        (["Kim", "--stdin"], "short", "the password has 5 characters, at least 10 are needed"),
        (["Kim", "--stdin"], "x" * 257, "the password has 257 characters, at most 256"),
        (["Kim", "--stdin"], "aaaaaaaaaaaa", "guessed at once"),
        (["Kim Alexander", "--stdin"], "kim alexander", "guessed at once"),
        ([" ", "--stdin"], GOOD, "the name is empty"),
        (["Kim\x07", "--stdin"], GOOD, "all of them printable"),
    ],
)
def test_what_cannot_be_done_is_told_and_not_done(
    line: CommandLine,
    plant_file: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    given: str,
    said: str,
) -> None:
    """Exit code 2, one line that says what would do and shows no password."""
    give(monkeypatch, given)
    answer = line("password", plant_file, *arguments)
    assert (answer.code, answer.out) == (2, "")
    assert said in answer.err
    assert not given.strip() or given not in answer.err
    assert names(plant_file) == ()


def test_without_a_record_nothing_is_made(line: CommandLine, tmp_path: Path) -> None:
    """A wrong plant file must not leave an empty record behind."""
    plant = month.load_plant(tmp_path)
    said = line("password", plant.path, "--list")
    assert said.code == 1
    assert "no record in" in said.err
    assert not plant.store.folder.exists()


def test_on_a_terminal_it_asks_twice_and_shows_nothing(plant_file: Path) -> None:
    """What is typed is not echoed; two entries that differ are asked for again."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "daemon", "password", str(plant_file), "Duty technician"]
    process = subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True
    )
    os.close(theirs)
    shown = ""

    def until(text: str, times: int = 1) -> None:
        nonlocal shown
        while shown.count(text) < times:
            assert select.select([ours], [], [], 60)[0], f"{text!r} was not asked: {shown!r}"
            shown += os.read(ours, 1000).decode()

    until("Password for Duty technician: ")
    os.write(ours, f"{GOOD}\n".encode())
    until("The same again: ")
    os.write(ours, b"three green plums\n")
    until("Password for Duty technician: ", 2)
    os.write(ours, f"{GOOD}\n".encode())
    until("The same again: ", 2)
    os.write(ours, f"{GOOD}\n".encode())
    until("may write on the page")
    assert process.wait(60) == 0
    os.close(ours)
    assert "pumps" not in shown
    assert "plums" not in shown
    assert checked(plant_file, "Duty technician", GOOD)
