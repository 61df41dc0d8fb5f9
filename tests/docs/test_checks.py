"""DEVELOPERS.md says how far every number is from its source, as measured."""

from tests.docs import checks


def test_table_of_checks_is_what_is_measured() -> None:
    """The checks stand as `python -m tests.docs.checks --write` writes them."""
    text = checks.DEVELOPERS.read_text(encoding="utf-8")
    assert checks.between(text) == checks.table()
