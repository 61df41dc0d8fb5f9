"""Where a key stands in a TOML file: (table path with indices, key) to line number.

`tomllib` gives values without places. This walks over text that `tomllib` has already accepted, so it
only needs to know where values begin and end, not what they are.
"""

from collections.abc import Mapping

Loc = tuple[str | int, ...]
"""A place in the tables: ``("train", 0, "point", 3, "unit")``."""

_BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


class Lines:
    """Line numbers of every table, key, array element and inline key of one file."""

    def __init__(self, text: str) -> None:
        self._lines: Mapping[Loc, int] = _Walk(text).lines

    def __call__(self, loc: Loc) -> int | None:
        """Line of `loc`, else of the nearest table around it, else None."""
        for length in range(len(loc), 0, -1):
            line = self._lines.get(loc[:length])
            if line is not None:
                return line
        return None


class _Walk:
    """One pass over the text. `at` is the character looked at, `line` its line."""

    def __init__(self, text: str) -> None:
        self.text = text.replace("\r\n", "\n")
        self.at = 0
        self.line = 1
        self.lines: dict[Loc, int] = {}
        self.arrays: dict[Loc, int] = {}  # arrays of tables: how many elements so far
        table: Loc = ()
        while True:
            self.blank(newlines=True)
            if self.at >= len(self.text):
                return
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.assignment(table)

    def step(self, count: int = 1) -> None:
        """Go `count` characters on, counting lines."""
        self.line += self.text.count("\n", self.at, self.at + count)
        self.at += count

    def blank(self, *, newlines: bool) -> None:
        """Skip spaces and comments, and line ends when `newlines`."""
        skipped = " \t\n" if newlines else " \t"
        while self.at < len(self.text):
            if self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            elif self.text[self.at] in skipped:
                self.step()
            else:
                return

    def header(self) -> Loc:
        """``[a.b]`` or ``[[a.b]]``; returns the table that follows."""
        line = self.line
        double = self.text.startswith("[[", self.at)
        self.step(2 if double else 1)
        *outer, last = self.key()
        self.step(2 if double else 1)
        loc = self.inside((), outer)
        path: Loc = (*loc, last)
        if double:
            count = self.arrays.get(path, 0)
            self.arrays[path] = count + 1
            self.lines.setdefault(path, line)
            path = (*path, count)
        else:
            path = self.inside(loc, [last])
        self.lines.setdefault(path, line)
        return path

    def inside(self, loc: Loc, keys: list[str]) -> Loc:
        """The place of `keys` below `loc`: of an array of tables, its latest element is meant."""
        for key in keys:
            loc = (*loc, key)
            self.lines.setdefault(loc, self.line)  # [a.b] alone makes a as well
            if loc in self.arrays:
                loc = (*loc, self.arrays[loc] - 1)
        return loc

    def assignment(self, table: Loc) -> None:
        """``a.b = value``."""
        line = self.line
        keys = self.key()
        for length in range(1, len(keys) + 1):
            self.lines.setdefault((*table, *keys[:length]), line)
        self.step()  # the equals sign
        self.blank(newlines=False)
        self.value((*table, *keys))

    def key(self) -> list[str]:
        """A dotted key; stops at what follows it."""
        keys: list[str] = []
        while True:
            self.blank(newlines=False)
            if self.text[self.at] in "\"'":
                keys.append(self.string())
            else:
                start = self.at
                while self.text[self.at] in _BARE:
                    self.at += 1
                keys.append(self.text[start : self.at])
            self.blank(newlines=False)
            if self.text[self.at] != ".":
                return keys
            self.step()

    def string(self) -> str:
        """A string of any of the four sorts; only keys need what is in it."""
        quote = self.text[self.at]
        if self.text.startswith(quote * 3, self.at):
            self.step(3)
            while not self.text.startswith(quote * 3, self.at):
                self.step(2 if quote == '"' and self.text[self.at] == "\\" else 1)
            while self.text.startswith(quote * 4, self.at):  # up to two quotes may end the text
                self.step()
            self.step(3)
            return ""
        self.step()
        content = ""
        while self.text[self.at] != quote:
            if quote == '"' and self.text[self.at] == "\\":
                self.step()
                escape = self.text[self.at]
                if escape in "uU":
                    width = 4 if escape == "u" else 8
                    content += chr(int(self.text[self.at + 1 : self.at + 1 + width], 16))
                    self.step(width)
                else:
                    content += _ESCAPES[escape]
            else:
                content += self.text[self.at]
            self.step()
        self.step()
        return content

    def value(self, loc: Loc) -> None:
        """Any value; inside arrays and inline tables every element and key gets its line."""
        first = self.text[self.at]
        if first in "\"'":
            self.string()
        elif first == "[":
            self.array(loc)
        elif first == "{":
            self.inline_table(loc)
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\n":
                self.at += 1

    def array(self, loc: Loc) -> None:
        """``[a, b, ]``, over as many lines as it likes."""
        self.step()
        index = 0
        while True:
            self.blank(newlines=True)
            if self.text[self.at] == "]":
                self.step()
                return
            self.lines.setdefault((*loc, index), self.line)
            self.value((*loc, index))
            index += 1
            self.blank(newlines=True)
            if self.text[self.at] == ",":
                self.step()

    def inline_table(self, loc: Loc) -> None:
        """``{a = 1, b.c = 2}``."""
        self.step()
        while True:
            self.blank(newlines=True)
            if self.text[self.at] == "}":
                self.step()
                return
            self.assignment(loc)
            self.blank(newlines=True)
            if self.text[self.at] == ",":
                self.step()
