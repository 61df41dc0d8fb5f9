"""Damaged plant files: whatever is done to a good one, it is read, or refused in words with a place."""

import tempfile
import tomllib
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.plantfile import PlantFileError, Problem, load
from daemon.plantfile.lines import Lines

ROOT = Path(__file__).parents[2]
TEXTS = [
    path.read_text(encoding="utf-8")
    for path in (
        ROOT / "deploy" / "plants" / "two-stage.toml",
        *sorted((ROOT / "tests" / "unit" / "plants" / "good").glob("*.toml")),
    )
]
VALUES = st.sampled_from(
    [
        '""',
        '"x"',
        '"-1"',
        "0",
        "-1",
        "7",
        "1e308",
        "nan",
        "-inf",
        "true",
        "[]",
        "[1]",
        '["a", 2]',
        "{}",
        "{ a = 1 }",
        "[{}]",
        "2026-01-05",
        "2026-01-05T06:00:00Z",
        "12:00:00",
        "9223372036854775807",
        '"""\nlong"""',
        "",
    ]
)
KEYS = st.sampled_from(
    ["site", "device", "train", "train.stage", "train.point", "train.limits", "contact", "zzz"]
)


@st.composite
def damaged(draw: st.DrawFn) -> str:
    """A good file with one to four lines changed, left out, repeated or put in."""
    lines = draw(st.sampled_from(TEXTS)).splitlines()
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        what = draw(st.sampled_from(["value", "drop", "repeat", "header", "key", "cut"]))
        if what == "value" and "=" in lines[at]:
            lines[at] = lines[at].split("=")[0] + "= " + draw(VALUES)
        elif what == "drop":
            del lines[at]
        elif what == "repeat":
            lines.insert(at, lines[at])
        elif what == "header":
            single = draw(st.booleans())
            name = draw(KEYS)
            lines.insert(at, f"[{name}]" if single else f"[[{name}]]")
        elif what == "key":
            lines.insert(at, f"{draw(KEYS)} = {draw(VALUES)}")
        else:
            lines[at] = lines[at][: draw(st.integers(0, len(lines[at])))]
        if not lines:
            return ""
    return "\n".join(lines) + "\n"


@settings(max_examples=200, deadline=None)
@given(text=damaged())
def test_a_damaged_file_is_read_or_refused(text: str) -> None:
    """No other exception comes out, and each problem has words and a line inside the file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plant.toml"
        path.write_text(text, encoding="utf-8")
        problems: list[Problem] = []
        try:
            trains = len(load(path, secrets=False).trains)
        except PlantFileError as exc:
            trains, problems = 0, exc.problems
    assert bool(trains) != bool(problems)
    for problem in problems:
        assert problem.found
        assert problem.remedy
        assert problem.line is None or 1 <= problem.line <= max(1, text.count("\n"))
        assert "\n" not in problem.text("plant.toml")


@settings(max_examples=200, deadline=None)
@given(text=damaged())
def test_whatever_is_toml_has_lines(text: str) -> None:
    """The locator never fails on what tomllib accepts, and every top table has a line."""
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    lines = Lines(text)
    assert all(lines((name,)) is not None for name in tree)
