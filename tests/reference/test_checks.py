"""Every check against an outside source stays within its tolerance; every table is used by one."""

import pytest

from tests.reference.checks import Check, every


@pytest.mark.parametrize("one", every(), ids=lambda c: c.subject)
def test_within_tolerance(one: Check) -> None:
    """The worst deviation from the source is no larger than the tolerance stated beside it."""
    assert one.worst() <= one.tolerance


def test_subjects_are_unique() -> None:
    """The table in DEVELOPERS.md names each check once."""
    names = [one.subject for one in every()]
    assert len(names) == len(set(names))
