"""The house: which folder may import which, read from the source."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
OWN = {"rules", "drivers", "daemon", "simulator"}
IMPURE = {
    "asyncio", "io", "logging", "multiprocessing", "os", "pathlib", "random", "shutil", "signal",
    "socket", "sqlite3", "subprocess", "sys", "tempfile", "threading", "time", "urllib",
}  # fmt: skip
ALLOWED = {
    "rules": {"rules"},
    "drivers": {"drivers"},
    "simulator": {"simulator"},
    "daemon": {"daemon", "drivers", "rules"},
}
# The two commands that start a simulator for people are the only door from the daemon to it.
DOORS = {Path("daemon/commands/demo.py"), Path("daemon/commands/simulate.py")}


def imported(path: Path) -> set[str]:
    """First names of everything a file imports, wherever in the file."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add((node.module or "").partition(".")[0])
    return names


def sources(folder: str) -> list[Path]:
    """All Python files of a folder of the house."""
    found = sorted((ROOT / folder).rglob("*.py"))
    assert found, folder
    return found


@pytest.mark.parametrize("folder", sorted(ALLOWED))
def test_folders_know_only_those_below(folder: str) -> None:
    """Each folder imports only the folders that DEVELOPERS.md allows it."""
    for path in sources(folder):
        allowed = ALLOWED[folder] | ({"simulator"} if path.relative_to(ROOT) in DOORS else set())
        assert imported(path) & OWN <= allowed, path


def test_rules_are_pure() -> None:
    """Rules use numpy and the pure part of the standard library: no files, clock, sockets or threads."""
    for path in sources("rules"):
        assert not imported(path) & IMPURE, path
        third_party = imported(path) - OWN - {"numpy"}
        assert third_party <= {
            "collections", "dataclasses", "datetime", "enum", "functools", "itertools", "json",
            "math", "typing",
        }, path  # fmt: skip


def test_rules_read_no_clock() -> None:
    """No rule asks what time it is: now is an argument."""
    for path in sources("rules"):
        text = path.read_text()
        assert ".now(" not in text, path
        assert ".today(" not in text, path


def test_nothing_imports_tests() -> None:
    """Tests may import everything; nothing imports tests."""
    for folder in OWN:
        for path in sources(folder):
            assert "tests" not in imported(path), path
