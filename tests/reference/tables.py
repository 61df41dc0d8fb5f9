"""Reads the check tables beside this file: CSV with `#` lines of source, method, tolerance and status."""

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FOLDER = Path(__file__).parent


def rows(name: str) -> list[dict[str, str]]:
    """Rows of a table as text, by column."""
    with (FOLDER / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def columns(name: str) -> dict[str, NDArray[np.float64]]:
    """Numeric columns of a table; NaN for an empty cell; columns of words are left out."""
    table = rows(name)
    found: dict[str, NDArray[np.float64]] = {}
    for column in table[0]:
        try:
            found[column] = np.array([float(r[column]) if r[column] else np.nan for r in table])
        except ValueError:
            continue
    return found


def worst(got: NDArray[np.float64], expected: NDArray[np.float64]) -> float:
    """Largest relative departure over the rows that state an expected value; NaN when one is NaN."""
    stated = np.isfinite(expected)
    assert stated.any()
    return float(np.max(np.abs(got[stated] / expected[stated] - 1.0)))


def status(name: str) -> str:
    """How the values of a table were obtained, as its `# status` line says."""
    for line in (FOLDER / name).read_text(encoding="utf-8").splitlines():
        if line.startswith("# status:"):
            return line.removeprefix("# status:").strip()
    raise ValueError(f"{name} has no line '# status:'")
