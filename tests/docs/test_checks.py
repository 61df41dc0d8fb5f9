"""DEVELOPERS.md says how far every number is from its source, as measured."""

import re

import pytest

from tests.docs import checks


def split(table: str) -> tuple[list[str], list[str]]:
    """Rows of the table without their last column, and that column."""
    rows = [line.rstrip("| ").rpartition(" | ") for line in table.splitlines()]
    return [row[0] for row in rows], [row[2] for row in rows]


def test_table_of_checks_is_what_is_measured() -> None:
    """The checks stand as `python -m tests.docs.checks --write` writes them.

    The worst deviations may differ in their last digit: processors add up in different orders.
    """
    text = checks.DEVELOPERS.read_text(encoding="utf-8")
    stated, stated_worst = split(checks.between(text))
    measured, measured_worst = split(checks.table())
    assert stated == measured
    for row, here, there in zip(measured, stated_worst, measured_worst, strict=True):
        numbers = [re.match(r"\d[0-9.e+-]*", value) for value in (here, there)]
        if numbers[0] and numbers[1]:
            said, found = (float(number[0]) for number in numbers if number)
            assert said == pytest.approx(found, rel=0.1), row
        else:
            assert here == there, row
