"""Every check against an outside source stays within its tolerance; every table is used by one."""

import pytest

from tests.reference import tables
from tests.reference.checks import Check, every

TABLES = sorted(path.name for path in tables.FOLDER.glob("*.csv"))
UNVERIFIED = ("from memory", "common practice", "constructed")
"""What a table says of values that nobody has read or computed."""


@pytest.mark.parametrize("one", every(), ids=lambda c: c.subject)
def test_within_tolerance(one: Check) -> None:
    """The worst deviation from the source is no larger than the tolerance stated beside it."""
    assert one.worst() <= one.tolerance


def test_subjects_are_unique() -> None:
    """The table in DEVELOPERS.md names each check once."""
    names = [one.subject for one in every()]
    assert len(names) == len(set(names))


def test_every_table_is_used() -> None:
    """No table lies here unread: each is the table of a check."""
    assert set(TABLES) - {one.table for one in every()} == set()


def test_every_table_that_is_named_is_here() -> None:
    """The name of a table is that of a file."""
    assert {one.table for one in every() if one.table} - set(TABLES) == set()


@pytest.mark.parametrize("one", [c for c in every() if c.table], ids=lambda c: c.subject)
def test_what_is_unverified_stays_marked(one: Check) -> None:
    """A check is no surer than its table: read needs read, computed something read or computed, and so on."""
    assert one.table is not None
    said = tables.status(one.table)
    if "mixed" in said:
        return
    if one.status == "read":
        assert "read" in said
        assert not any(word in said for word in UNVERIFIED)
    elif one.status == "computed":
        assert "computed" in said or "read" in said
        assert not any(word in said for word in UNVERIFIED)
    else:
        # A surer table may be compared with a formula from memory, or with one of common practice.
        assert one.status in ("mixed", "from memory", "constructed", "common practice, no source")
    if "constructed" in said:
        assert one.status == "constructed"
