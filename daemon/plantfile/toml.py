"""The TOML file itself: reading it, and saying what is wrong when it is no TOML."""

import re
import tomllib
from pathlib import Path

from daemon.plantfile.problems import PlantFileError, Problem, without_secrets

_AT = re.compile(
    r"^(?P<what>.*?) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$"
)
_REMEDIES = (
    ("Invalid value", 'put text between double quotes, like unit = "bar"; numbers have a point'),
    ("Expected '=' after a key", "write key = value"),
    ("Invalid statement", "write key = value, or a table like [site]"),
    (
        "Expected newline or end of document",
        "write one key = value a line, text between quotes and decimals with a point",
    ),
    ("Cannot overwrite a value", "this key stands twice in the table: keep one of them"),
    ("Cannot declare", "this table stands twice: join them, or write [[...]] for one of several"),
    (
        "Cannot mutate immutable",
        "this table is complete where it is first written: add the key there",
    ),
    ("Cannot overwrite", "this name is a key and a table at once: keep one of them"),
    ("Duplicate inline table key", "this key stands twice: keep one of them"),
    ("Unclosed array", "close the list with ]"),
    ("Unclosed inline table", "close the table with }"),
    ("Expected ']'", "close the table's name with ]"),
    ("Unterminated string", "close the text with a double quote"),
    ("Illegal character", "close the text with a double quote on the same line"),
    ("Unescaped '\\'", "write \\\\ for a backslash, or put the text between single quotes"),
    ("Invalid initial character for a key", "write key = value; names start with a letter"),
    ("Invalid date or datetime", "write a time like 2026-01-05T06:00:00Z"),
)


def read(path: Path) -> str:
    """The text of the file."""
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise _error(
            path, None, f"there is no file {path}", "check the name and the folder"
        ) from None
    except IsADirectoryError:
        raise _error(path, None, f"{path} is a folder", "give the plant file in it") from None
    except OSError as exc:
        raise _error(
            path, None, f"{path} cannot be read ({exc.strerror})", "let the service read it"
        ) from exc
    content = content.removeprefix(b"\xef\xbb\xbf")  # some editors put this mark in front
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as exc:
        line = content.count(b"\n", 0, exc.start) + 1
        raise _error(
            path, line, "a character is not UTF-8", "save the file as UTF-8 in the editor"
        ) from exc


def parse(text: str, path: Path) -> dict[str, object]:
    """The tables of the file."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        match = _AT.match(str(exc))
        what = match["what"] if match else str(exc)
        if match and match["line"]:
            line = int(match["line"])
            # some messages point behind the line end, that is at the next line
            if line > 1 and match["column"] == "1" and "newline" in what:
                line -= 1
        else:
            line = max(1, len(text.splitlines()))
        remedy = next((r for start, r in _REMEDIES if what.startswith(start)), "correct this line")
        content = text.splitlines()[line - 1].strip() if text else ""
        said = what[:1].lower() + what[1:]
        raise _error(path, line, f'this is not TOML: {said}, in "{content}"', remedy) from exc


def _error(path: Path, line: int | None, found: str, remedy: str) -> PlantFileError:
    return PlantFileError(path, [Problem("", line, without_secrets(found, ("opc.tcp",)), remedy)])
