"""What `brinelark replay` says about its files before it judges anything."""

import json
from pathlib import Path

import pytest

from tests.commands_kit import CommandLine, exported


@pytest.fixture
def line(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    """The command line."""
    return CommandLine(monkeypatch, capsys)


@pytest.fixture
def plant_file(tmp_path: Path) -> Path:
    """A plant file, and beside it `h.csv` with a row each fifteen minutes for half a day."""
    return exported(tmp_path, "healthy", days=0.5, step_minutes=15)


@pytest.mark.parametrize("option", ["--notices", "--trends"])
def test_a_file_that_cannot_be_written_is_found_first(
    line: CommandLine, plant_file: Path, option: str
) -> None:
    """Exit code 2 and the remedy, before a line of the plant file is read."""
    plant_file.write_text("nothing that could be loaded", encoding="utf-8")
    good = plant_file.parent / "out"
    bad = plant_file.parent / "nosuch" / "x.out"
    outs = {"--notices": good, "--trends": good.with_suffix(".csv"), option: bad}
    arguments = [text for pair in outs.items() for text in pair]
    said = line("replay", plant_file, "--data", plant_file.parent / "h.csv", *arguments)
    assert said == (2, "", f"{option} {bad}: there is no folder {bad.parent}; make it first\n")


def test_a_file_that_is_read_is_not_written_over(line: CommandLine, plant_file: Path) -> None:
    """The export is still there, and so is the plant file."""
    data = plant_file.parent / "h.csv"
    before = data.read_bytes(), plant_file.read_bytes()
    for path in (data, plant_file):
        said = line("replay", plant_file, "--data", data, "--notices", path)
        assert said.code == 2
        assert "this is a file to be read; name another" in said.err
    assert (data.read_bytes(), plant_file.read_bytes()) == before


def test_a_folder_is_no_file(line: CommandLine, plant_file: Path) -> None:
    """Exit code 2, and what to name."""
    said = line(
        "replay", plant_file, "--data", plant_file.parent / "h.csv", "--notices", plant_file.parent
    )
    assert said.code == 2
    assert "this is a folder; name a file in it" in said.err


def test_missing_columns_are_named_with_what_there_is(line: CommandLine, plant_file: Path) -> None:
    """One line each, with the point that misses it and the columns that nobody names."""
    data = plant_file.parent / "h.csv"
    head, _, rest = data.read_text(encoding="utf-8").partition("\n")
    head = head.replace("A/1/feed_pressure", "PT-1").replace("A/feed_ph", "PH-1")
    data.write_text(f"{head}\n{rest}", encoding="utf-8")
    out = plant_file.parent / "out.jsonl"
    said = line("replay", plant_file, "--data", data, "--notices", out)
    assert said.code == 0
    for tag in ("A/1/feed_pressure", "A/feed_ph"):
        assert (
            f'column "{tag}" ({tag}) is not in {data}; it has PH-1, PT-1, which no point names\n'
            in said.err
        )
    assert f"{data}:1: unknown column, 2 in all" in said.err


def test_rows_are_counted_as_rows(line: CommandLine, plant_file: Path) -> None:
    """A row each quarter of an hour is no minute; nothing is no notices."""
    data, out = plant_file.parent / "h.csv", plant_file.parent / "out.jsonl"
    rows = len(data.read_text(encoding="utf-8").splitlines()) - 1
    said = line("replay", plant_file, "--data", data, "--notices", out)
    assert " ".join(said.out.split()) == f"{rows} rows judged, 0 notices; written to {out}"
    assert f"{rows} of {rows} rows used, 2026-01-05T00:00:00Z to 2026-01-05T" in said.err
    assert "+00:00" not in said.err
    told = line("replay", plant_file, "--data", data, "--notices", out, "--json")
    assert json.loads(told.out)["rows"] == rows


def test_times_that_the_report_makes_end_in_z(line: CommandLine, plant_file: Path) -> None:
    """A row that comes late and one that comes twice are named by their time in UTC."""
    data = plant_file.parent / "h.csv"
    lines = data.read_text(encoding="utf-8").splitlines()
    data.write_text(
        "\n".join([lines[0], lines[2], lines[1], lines[1], *lines[3:]]), encoding="utf-8"
    )
    said = line("replay", plant_file, "--data", data, "--notices", plant_file.parent / "out.jsonl")
    assert "out-of-order row, 2 in all: 2026-01-05T00:00:00Z" in said.err
    assert "+00:00" not in said.err


@pytest.mark.parametrize("broken", ["--data", "--log"])
def test_standing_warnings_do_not_hide_an_error(
    line: CommandLine, plant_file: Path, broken: str
) -> None:
    """When the replay does not go on, the reason is all that is said."""
    inputs = {"--data": plant_file.parent / "h.csv", broken: plant_file.parent / "nosuch.csv"}
    arguments = [text for pair in inputs.items() for text in pair]
    said = line("replay", plant_file, *arguments, "--notices", plant_file.parent / "out.jsonl")
    assert said.code == 2
    assert said.err.count("\n") == 1
    assert "nosuch.csv" in said.err


def test_the_version_is_told(line: CommandLine) -> None:
    """One line with name and number."""
    said = line("--version")
    assert said.code == 0
    assert said.out.startswith("brinelark 0.")


def test_the_simulator_speaks_under_the_name_it_was_called_by(line: CommandLine) -> None:
    """The usage is the one of `brinelark simulate`."""
    said = line("simulate", "--nosuch")
    assert said.code == 2
    assert said.err.startswith("usage: brinelark simulate ")
