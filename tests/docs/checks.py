"""The table of checks in DEVELOPERS.md: subject, source, tolerance, worst deviation seen.

`python -m tests.docs.checks` prints it; `--write` puts it into DEVELOPERS.md.
"""

import sys
from pathlib import Path

from tests.reference.checks import Check, every

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
BEGIN = "<!-- checks: made by `python -m tests.docs.checks --write` -->"
END = "<!-- end of checks -->"
NOISE = 1e-9
"""Deviations below this are the rounding of the machine, and printed as such."""


def _size(one: Check, value: float) -> str:
    """A deviation or tolerance in the measure of its check, to two digits."""
    if one.measure == "mismatches":
        return "no mismatch" if value == 0 else f"{value:g} mismatches"
    if value < NOISE:
        return "rounding"
    if one.measure == "relative":
        return f"{value * 100:.2g} %"
    return f"{value:.2g} {one.unit}".strip()


def table() -> str:
    """Markdown: one row for each check."""
    lines = [
        "| check | source | obtained | tolerance | worst seen |",
        "| --- | --- | --- | --- | --- |",
    ]
    for one in every():
        source = f"{one.source} (`{one.table}`)" if one.table else one.source
        limit, worst = _size(one, one.tolerance), _size(one, one.worst())
        lines.append(f"| {one.subject} | {source} | {one.status} | {limit} | {worst} |")
    return "\n".join(lines)


def between(text: str) -> str:
    """What stands in DEVELOPERS.md between the two marks."""
    return text.partition(BEGIN)[2].partition(END)[0].strip()


def main() -> None:
    """Print the table, or write it."""
    if "--write" in sys.argv:
        text = DEVELOPERS.read_text(encoding="utf-8")
        head, _, rest = text.partition(BEGIN)
        tail = rest.partition(END)[2]
        DEVELOPERS.write_text(f"{head}{BEGIN}\n\n{table()}\n\n{END}{tail}", encoding="utf-8")
    else:
        print(table())


if __name__ == "__main__":
    main()
