"""Checks against sources outside the project, each with its tolerance and the worst deviation seen.

A check is a function in a module `tests/reference/check_*.py` that returns deviations (any shape).
`test_checks.py` runs every one of them; `python -m tests.docs.checks --write` writes the table of
all of them into DEVELOPERS.md, and a test holds the table to what is measured.
"""

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

Status = Literal[
    "read", "from memory", "computed", "constructed", "common practice, no source", "mixed"
]
"""How the expected values were obtained; what a table marks as unverified stays marked."""

Measure = Literal["relative", "absolute", "mismatches"]
"""Relative deviations, deviations in `unit`, or a count of answers that differ."""


@dataclass(frozen=True)
class Check:
    """One comparison with one source.

    subject : what is compared. source : document, edition, equation or library.
    status : see `Status`. table : file beside this one with the expected values, or None.
    tolerance : largest deviation allowed. unit : of absolute deviations.
    """

    subject: str
    source: str
    status: Status
    tolerance: float
    measure: Measure
    unit: str
    table: str | None
    deviations: Callable[[], ArrayLike]

    @cache  # noqa: B019 - checks live as long as the tests
    def worst(self) -> float:
        """Largest deviation; NaN when any deviation is not a number, which no tolerance allows."""
        found = np.abs(np.asarray(self.deviations(), dtype=np.float64))
        assert found.size, f"{self.subject}: nothing was compared"
        return float(found.max())


CHECKS: list[Check] = []


def check(
    subject: str,
    *,
    source: str,
    status: Status,
    tolerance: float,
    measure: Measure = "relative",
    unit: str = "",
    table: str | None = None,
) -> Callable[[Callable[[], ArrayLike]], Callable[[], ArrayLike]]:
    """Register the decorated function as a check; see `Check`."""

    def register(function: Callable[[], ArrayLike]) -> Callable[[], ArrayLike]:
        CHECKS.append(Check(subject, source, status, tolerance, measure, unit, table, function))
        return function

    return register


def relative(got: ArrayLike, expected: ArrayLike) -> np.ndarray:
    """got/expected − 1 wherever a value is expected (not NaN); NaN where the answer is missing."""
    got, expected = np.broadcast_arrays(
        np.asarray(got, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    )
    stated = np.isfinite(expected)
    return np.asarray(got[stated] / expected[stated] - 1.0)


def absolute(got: ArrayLike, expected: ArrayLike) -> np.ndarray:
    """got − expected wherever a value is expected (not NaN); NaN where the answer is missing."""
    got, expected = np.broadcast_arrays(
        np.asarray(got, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    )
    stated = np.isfinite(expected)
    return np.asarray(got[stated] - expected[stated])


def every() -> list[Check]:
    """All checks, ordered by module and place in it, whoever imported which of them first."""
    for path in sorted(Path(__file__).parent.glob("check_*.py")):
        importlib.import_module(f"tests.reference.{path.stem}")
    return sorted(
        CHECKS, key=lambda one: (one.deviations.__module__, one.deviations.__code__.co_firstlineno)
    )
