"""A work pack as data: sections of blocks, the same for paper, page and JSON."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

BOX = "☐"
"""A cell to tick; an empty cell is one to write into."""

Who = Literal["feed", "concentrate", "both", ""]
WHO = {"feed": "Feed end", "concentrate": "Conc. end", "both": "Both", "": ""}


@dataclass(frozen=True, slots=True)
class Step:
    """One numbered step. who : the person at which end does it."""

    who: Who
    text: str


@dataclass(frozen=True, slots=True)
class Block:
    """One piece of a section.

    kind : ``text`` and ``caution`` have `text`; ``checks`` and ``list`` have `items`; ``steps`` has
        `steps`, numbered on from `first`; ``table`` has `head` and `rows`, with `text` as caption;
        ``pair`` has two tables that stand side by side; ``drawing`` has `drawing`; ``signoff`` has
        `items`, one line to sign for each.
    numeric : columns of numbers. tall : rows high enough to write into.
    """

    kind: Literal[
        "text", "caution", "checks", "list", "steps", "table", "pair", "drawing", "signoff"
    ]
    text: str = ""
    items: tuple[str, ...] = ()
    steps: tuple[Step, ...] = ()
    first: int = 1
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    numeric: tuple[int, ...] = ()
    tall: bool = False
    drawing: "Drawing | None" = None
    pair: "tuple[Block, ...]" = ()


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands below it."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class DrawnElement:
    """An element of the drawing, in its units from the left, the feed end."""

    x: float
    width: float
    position: int
    marked: bool


@dataclass(frozen=True, slots=True)
class DrawnJoint:
    """What joins two elements, or an element and a head."""

    x: float
    marked: bool


@dataclass(frozen=True, slots=True)
class Drawing:
    """One vessel from the side, feed end at the left.

    feed_port, concentrate_port : permeate leaves there. probe : a tube goes in at that end, or "".
    thrust_ring : drawn at the concentrate end. label : for people who cannot see it, and below it.
    """

    elements: tuple[DrawnElement, ...]
    joints: tuple[DrawnJoint, ...]
    feed_port: bool
    concentrate_port: bool
    probe: Literal["", "feed", "concentrate"]
    thrust_ring: bool
    opened: bool
    label: str


@dataclass(frozen=True, slots=True)
class Pack:
    """A whole work pack. facts : name and value, for its head. missing : what the plant file lacks."""

    title: str
    site: str
    place: str
    job: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    missing: tuple[str, ...]


def text(words: str) -> Block:
    """A paragraph."""
    return Block("text", text=words)


def caution(words: str) -> Block:
    """A paragraph that nobody may miss."""
    return Block("caution", text=words)


def checks(*items: str) -> Block:
    """Lines to tick."""
    return Block("checks", items=items)


def plain(*items: str) -> Block:
    """Lines."""
    return Block("list", items=items)


def steps(*items: tuple[Who, str]) -> Block:
    """Numbered steps."""
    return Block("steps", steps=tuple(Step(who, words) for who, words in items))


def table(
    head: tuple[str, ...],
    rows: Sequence[tuple[str, ...]],
    *,
    numeric: tuple[int, ...] = (),
    caption: str = "",
    tall: bool = False,
) -> Block:
    """Rows of cells; `BOX` is a cell to tick, an empty one is to be written into."""
    for row in rows:
        if len(row) != len(head):
            raise ValueError(f"a row of {len(row)} cells below {len(head)} headings: {row!r}")
    return Block("table", text=caption, head=head, rows=tuple(rows), numeric=numeric, tall=tall)
