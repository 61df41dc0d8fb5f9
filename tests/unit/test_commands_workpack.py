"""`brinelark workpack`: files, JSON, the notice that asks for it, and what is refused."""

import json
import re
from pathlib import Path

import pytest

from daemon import plantfile
from daemon.notices import Notices
from daemon.record import Record
from tests.commands_kit import CommandLine, exported
from tests.notices_kit import START, finding


@pytest.fixture
def line(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    """The command line."""
    return CommandLine(monkeypatch, capsys)


@pytest.fixture
def plant_file(tmp_path: Path) -> Path:
    """A plant whose stage 1 scales: notice A-0001 asks for a cleaning. Nobody described its cleaning station."""
    path = exported(tmp_path, "healthy", days=0.1, step_minutes=15)
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"\[train\.cleaning\].*?\n\n", "", text, flags=re.DOTALL))
    plant = plantfile.load(path)
    plant.store.folder.mkdir()
    with Record.open(plant.store.folder) as record:
        found = finding(confirm_s=0.0)
        Notices(record, plant).process("A", START, [found], state="steady", progress=START)
    return path


def test_the_pack_of_a_notice(line: CommandLine, plant_file: Path) -> None:
    """Train, job, stage and solution come from the notice; what the plant file lacks is told."""
    out = plant_file.parent / "pack.html"
    said = line("workpack", plant_file, "--notice", "A-0001", "--out", out)
    assert said.code == 0
    first, *lacking = said.out.splitlines()
    assert first == f"Clean in place, Train A, Invented brackish train, stage 1: {out}"
    assert any("[train.cleaning]" in entry for entry in lacking)
    text = out.read_text(encoding="utf-8")
    assert "Scaling grows in stage 1." in text
    assert "A/1/feed_pressure" in text


def test_json_is_the_same_pack(line: CommandLine, plant_file: Path) -> None:
    """Without a file, and with the paper left to whoever prints it."""
    asked = ["--train", "A", "--job", "element", "--vessel", "1-02", "--position", "3"]
    found = json.loads(line("workpack", plant_file, *asked, "--json").out)
    assert found["title"] == "Replace an element"
    assert found["place"] == "Train A, Invented brackish train, vessel 1-02, position 3"
    assert [s["key"] for s in found["sections"]][:2] == ["scope", "people"]


def test_a_plant_that_was_never_watched_has_packs_too(line: CommandLine, tmp_path: Path) -> None:
    """There is no store yet: the columns of readings are empty."""
    path = exported(tmp_path, "healthy", days=0.1, step_minutes=15)
    asked = ["--train", "A", "--job", "probe", "--vessel", "1-01", "--json"]
    found = json.loads(line("workpack", path, *asked).out)
    assert found["job"] == "probe"
    assert not (tmp_path / "store").exists()


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["--train", "A", "--job", "probe"], "say where to write it with --out FILE.html or FILE.pdf, or use --json"),
        (["--train", "A", "--job", "probe", "--out", "pack.doc"], "--out pack.doc: name it .html or .pdf"),
        (["--train", "A", "--job", "probe", "--json", "--paper", "a4"],
         "--paper goes with --out: it is the size of the sheets that are written"),
        (["--job", "probe", "--json"], "say which train with --train; the plant file has A"),
        (["--train", "Z", "--job", "probe", "--json"], "train Z is not in the plant file; it has A"),
        (["--train", "A", "--json"], "say which job; use clean, probe, element or membranes"),
        (["--notice", "A-0099", "--json"], "there is no notice A-0099; `brinelark notices PLANT --all` lists them"),
        (["--train", "A", "--job", "probe", "--vessel", "9-01", "--json"], "there is no stage 9; train A has 1 to 2"),
    ],
)  # fmt: skip
def test_what_is_asked_wrongly_is_told_in_a_line(
    line: CommandLine, plant_file: Path, asked: list[str], said: str
) -> None:
    """Exit code 2, one line on the error stream, no traceback."""
    assert line("workpack", plant_file, *asked) == (2, "", f"{said}\n")


def test_a_folder_that_is_not_there_is_told_before_anything_is_made(
    line: CommandLine, plant_file: Path
) -> None:
    """As with the other commands that write files."""
    out = plant_file.parent / "nowhere" / "pack.html"
    said = line("workpack", plant_file, "--notice", "A-0001", "--out", out)
    assert (said.code, said.err) == (
        2,
        f"--out {out}: there is no folder {out.parent}; make it first\n",
    )
