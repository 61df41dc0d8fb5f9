"""The command line inside this process, for tests that need no process of their own."""

import sys
from pathlib import Path
from typing import NamedTuple

import pytest

from daemon.commands import main
from simulator.__main__ import main as simulate


class Said(NamedTuple):
    """Exit code, what was printed, and what went to the error stream."""

    code: int
    out: str
    err: str


class CommandLine:
    """Runs `brinelark` with arguments, on a terminal of 80 columns."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._monkeypatch = monkeypatch
        self._capsys = capsys
        monkeypatch.setenv("COLUMNS", "80")

    def __call__(self, *arguments: object) -> Said:
        self._monkeypatch.setattr(sys, "argv", ["brinelark", *map(str, arguments)])
        self._capsys.readouterr()
        code: object = 0
        try:
            main()
        except SystemExit as ended:
            code = ended.code or 0
        out, err = self._capsys.readouterr()
        return Said(int(str(code)), out, err)


def exported(folder: Path, scenario: str, *, days: float, step_minutes: float) -> Path:
    """A historian CSV `h.csv` and the plant file for it, with its store in `store`; returns the latter."""
    plant_file = folder / "plant.toml"
    arguments = [scenario, f"--days={days}", f"--step-minutes={step_minutes}"]
    arguments += [f"--export={folder / 'h.csv'}", f"--write-plant={plant_file}"]
    assert simulate([*arguments, f"--store={folder / 'store'}"]) == 0
    return plant_file
