"""Historian export and command line of the simulator."""

import csv
import itertools
import json
import os
import tomllib
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from simulator.__main__ import main
from simulator.export import export
from simulator.scenario import names
from simulator.site import Site


def read(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_export_writes_history_events_truth_and_plant_file(tmp_path: Path) -> None:
    """One command gives a wide CSV, the event log, the truth and a plant file that fits them."""
    out, plant_file = tmp_path / "run.csv", tmp_path / "plant.toml"
    command = ["cleaned_scale", "--days", "30", "--step-minutes", "30", "--export", str(out)]
    assert main([*command, "--write-plant", str(plant_file), "--store", "here"]) == 0
    rows = read(out)
    assert len(rows) == 30 * 48
    assert rows[0]["time"] == "2026-01-05T00:00:00Z"
    gaps = {
        datetime.fromisoformat(b["time"]) - datetime.fromisoformat(a["time"])
        for a, b in itertools.pairwise(rows)
    }
    assert {gap.total_seconds() for gap in gaps} == {1800.0}
    plant = Site("cleaned_scale")
    assert list(rows[0]) == ["time", *plant.tags]
    plant.advance(plant.start_s + 1800.0 * 77)
    for tag, value in plant.readings().items():
        assert float(rows[77][tag]) == pytest.approx(value, rel=2e-5, abs=1.01)
    events = read(tmp_path / "run.csv.events.csv")
    assert [e["event"] for e in events] == ["cleaning_start", "cleaning_end"]
    assert {e["train"] for e in events} == {"A"}
    truth = json.loads((tmp_path / "run.csv.truth.json").read_text())
    assert truth["expected"]["cause"] == "scaling"
    (scale,) = truth["faults"]
    assert scale["onset"] == "2026-01-14T00:00:00Z"
    assert scale["severity_by_day"][9] == 0.0
    assert scale["severity_by_day"][20] == pytest.approx(11.0 / 26.0, abs=1e-6)
    table = tomllib.loads(plant_file.read_text())
    assert table["device"] == [{"id": "historian", "protocol": "csv", "path": str(out)}]
    assert [p["column"] for p in table["train"][0]["point"]] == list(plant.tags)
    assert table["store"]["folder"] == "here"


def test_all_trains_are_exported_and_named(tmp_path: Path) -> None:
    """Columns of both passes, a cleaning that is that of train A, and the truth of each train by its id."""
    out = tmp_path / "run.csv"
    command = ["two_pass_cleaned", "--days", "28", "--step-minutes", "60", "--export", str(out)]
    assert main(command) == 0
    rows = read(out)
    site = Site("two_pass_cleaned")
    assert list(rows[0]) == ["time", *site.tags]
    assert {tag.partition("/")[0] for tag in rows[0]} == {"time", "A", "B"}
    events = read(tmp_path / "run.csv.events.csv")
    assert [(e["train"], e["event"]) for e in events] == [
        ("A", "cleaning_start"),
        ("A", "cleaning_end"),
    ]
    begin, end = (e["time"] for e in events)
    during = [row for row in rows if begin < row["time"] < end]
    assert {(row["A/cleaning"], row["B/cleaning"], row["B/running"]) for row in during} == {
        ("1", "0", "0")
    }
    truth = json.loads((tmp_path / "run.csv.truth.json").read_text())
    assert truth["expected"]["train"] == "A"
    assert [fault["train"] for fault in truth["faults"]] == ["A"]
    assert set(truth["condition_by_day"]) == set(truth["energy_by_day"]) == {"A", "B"}
    assert truth["trips"] == []


def test_missing_readings_are_empty_cells(tmp_path: Path) -> None:
    """A transmitter without signal leaves its cell empty, and only its own."""
    own = tmp_path / "lost.toml"
    own.write_text(
        'title = "lost"\ndescription = "lost"\n[[fault]]\nkind = "transmitter_lost"\n'
        'tag = "feed_ph"\nonset_day = 0.5\ngrowth = "step"\n'
    )
    out = tmp_path / "lost.csv"
    assert main([str(own), "--days", "1", "--step-minutes", "60", "--export", str(out)]) == 0
    rows = read(out)
    empty = [[tag for tag, cell in row.items() if cell == ""] for row in rows]
    assert empty == [[]] * 12 + [["A/feed_ph"]] * 12


def test_export_is_reproducible(tmp_path: Path) -> None:
    """The same seed gives the same file, byte for byte; another seed another file."""
    files = []
    for name, seed in (("one", 3), ("two", 3), ("three", 4)):
        path = tmp_path / f"{name}.csv"
        export(Site("demo", seed), path, days=1.0, step_minutes=10.0)
        files.append(path.read_bytes())
    assert files[0] == files[1]
    assert files[0] != files[2]


def test_a_month_by_minutes_is_plausible(tmp_path: Path) -> None:
    """The columns of the healthy month stay inside the transmitters' ranges and are not constant."""
    path = tmp_path / "month.csv"
    plant = Site("healthy")
    assert export(plant, path, days=30.0, step_minutes=15.0) == 2880
    table = np.genfromtxt(path, delimiter=",", skip_header=1)[:, 1:]
    for instrument, column in zip(plant.instruments.values(), table.T, strict=True):
        assert np.isfinite(column).all()
        span = instrument.high - instrument.low
        assert column.min() >= instrument.low - 0.0126 * span
        assert column.max() <= instrument.high
        if instrument.signal != "cleaning":
            assert column.std() > 0.0


def test_list_names_every_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    """`--list` has one line for each scenario."""
    assert main(["--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == list(names())


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "name a scenario; --list shows them"),
        (["demo", "--speed", "0"], "speed must be 1 to 100000, not 0"),
        (["demo", "--speed", "fast"], "'fast' is not a number"),
        (["demo", "--start", "yesterday"], "write it as 2026-01-05T00:00:00Z"),
        (["demo", "--days", "-3"], "days must be 0.001 to 1100"),
        (["demo", "--modbus-port", "70000"], "a port must be 0 to 65535"),
        (["demo", "--modbus-port", "0.5"], "a port is a whole number"),
    ],
)
def test_wrong_arguments_say_what_would_do(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each wrong option ends with status 2 and a line that names it and the remedy."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    assert said in " ".join(capsys.readouterr().err.split())


def test_unknown_scenario_and_unwritable_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A misspelled scenario gives status 2, a folder that is not there status 1, each in words."""
    assert main(["demmo"]) == 2
    assert "did you mean 'demo'" in capsys.readouterr().err
    nowhere = tmp_path / "none" / "run.csv"
    assert main(["demo", "--days", "0.1", "--export", str(nowhere)]) == 1
    error = capsys.readouterr().err
    assert str(nowhere) in error
    assert os.strerror(2) in error
