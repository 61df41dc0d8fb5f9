"""The line locator finds tables, keys, array elements and inline keys where they stand."""

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.plantfile.lines import Lines, Loc

PLANTS = Path(__file__).parent / "plants"
EXAMPLE = Path(__file__).parents[2] / "deploy" / "plants" / "two-stage.toml"

TRICKY = '''\
# [site] in a comment = "is no table"
title = "a # that is no comment, and [no.table] = either"
'quoted key' = 'C:\\path'      # literal text
"a\\u0062c" = 1
[a.b.c]
x.y = { deep.key = [1, 2], other = "}" }
[[list]]
text = """
[not.a.table]
key = 1 \\""" still text""""
[list.sub]
n = 1979-05-27T07:32:00Z
[[list]]
values = [ # with a comment ]
  [1, 2],

  { k = 3 },
]
[[list.inner]]
m = -1_000.5e-3
[[list.inner]]
m = \'\'\'
 "quotes" and \\ \'\'\'
z = true
'''


def _leaves(node: object, loc: Loc = ()) -> Iterator[tuple[Loc, object]]:
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _leaves(value, (*loc, key))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            yield from _leaves(value, (*loc, index))
    else:
        yield loc, node


@pytest.mark.parametrize(
    ("loc", "line"),
    [
        (("title",), 2),
        (("quoted key",), 3),
        (("abc",), 4),
        (("a", "b", "c"), 5),
        (("a", "b", "c", "x", "y", "deep", "key", 1), 6),
        (("a", "b", "c", "x", "y", "other"), 6),
        (("list", 0), 7),
        (("list", 0, "text"), 8),
        (("list", 0, "sub", "n"), 12),
        (("list", 1), 13),
        (("list", 1, "values", 0, 1), 15),
        (("list", 1, "values", 1, "k"), 17),
        (("list", 1, "inner", 0, "m"), 20),
        (("list", 1, "inner", 1, "m"), 22),
        (("list", 1, "inner", 1, "z"), 24),
    ],
)
def test_tricky_places(loc: Loc, line: int) -> None:
    """Counted by hand in the text above."""
    assert Lines(TRICKY)(loc) == line


def test_the_tricky_text_is_toml() -> None:
    """Every leaf that tomllib reads has a line, so the walk ends where the text ends."""
    lines = Lines(TRICKY)
    assert all(lines(loc) is not None for loc, _ in _leaves(tomllib.loads(TRICKY)))


def test_a_missing_key_gets_the_line_of_its_table() -> None:
    """What is not there is shown where it should be."""
    lines = Lines(TRICKY)
    assert lines(("list", 1, "inner", 0, "missing")) == 19
    assert lines(("nowhere", 1)) is None


def test_windows_line_ends_do_not_move_lines() -> None:
    """Files edited on another system have the same lines."""
    assert Lines(TRICKY.replace("\n", "\r\n"))(("list", 1, "inner", 1, "z")) == 24


@pytest.mark.parametrize(
    "path", [EXAMPLE, *sorted((PLANTS / "good").glob("*.toml"))], ids=lambda path: path.name
)
def test_every_value_of_a_real_file_is_found_on_its_own_line(path: Path) -> None:
    """Every key that tomllib reads is on the line that the locator gives."""
    text = path.read_text(encoding="utf-8")
    lines, rows = Lines(text), text.splitlines()
    found = 0
    for loc, _ in _leaves(tomllib.loads(text)):
        line = lines(loc)
        assert line is not None, loc
        key = next(part for part in reversed(loc) if isinstance(part, str))
        assert key in rows[line - 1], (loc, line)
        found += 1
    assert found > 30
