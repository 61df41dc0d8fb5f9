"""What two trains of a site show at the same time is said in the evidence of each."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from daemon.neighbors import TOGETHER_S
from daemon.notices import Notices
from daemon.rows import Notice
from rules.findings import CauseProbability
from tests.notices_kit import DAY, HOUR, START, FakeDigest, finding, plant, quick_record

FOULING = (CauseProbability("biofouling", 0.8),)
METER = (CauseProbability("instrument_fault", 0.9, "A/feed_flow"),)


@pytest.fixture
def notices(tmp_path: Path) -> Iterator[Notices]:
    record = quick_record(tmp_path)
    yield Notices(record, plant(tmp_path))
    record.close()


def told(notices: Notices, train: str, hours: float, **changes: Any) -> Notice:
    """A condition that is there from START + hours on; its notice half an hour later."""
    values = {"causes": FOULING, "since": START - DAY, "evidence": ("By the numbers.",)} | changes
    for later in (0.0, 0.5):
        at = START + (hours + later) * HOUR
        digest = FakeDigest(at)
        notices.process(
            train, at, [finding(**values)], state="steady", progress=at - 60, digest=digest
        )
    (notice,) = notices._record.live_notices(train)
    return notice


def test_the_second_train_says_that_the_first_has_it_too(notices: Notices) -> None:
    """The same errand at the same time: both are sent to look at what they share; the numbers stay below."""
    first = told(notices, "A", 0.0)
    assert first.evidence == ["By the numbers."]
    second = told(notices, "B", 2.0, since=START - DAY / 2)
    assert second.evidence[0].startswith("Train A has shown the same since 4 Jan.")
    assert "its pretreatment, its chemistry and its meters" in second.evidence[0]
    assert second.evidence[1:] == ["By the numbers."]


@pytest.mark.parametrize(
    "changes",
    [
        {"causes": METER, "action": "check_instrument"},
        {"since": START - DAY - TOGETHER_S - HOUR},
        {"since": None},
    ],
)
def test_another_errand_or_another_time_is_nothing_in_common(
    notices: Notices, changes: dict[str, Any]
) -> None:
    """Only what calls for the same errand, and began within days of it, points to the feed."""
    told(notices, "A", 0.0)
    assert told(notices, "B", 2.0, **changes).evidence == ["By the numbers."]


def test_the_order_in_which_trains_are_judged_changes_nothing(notices: Notices) -> None:
    """What another train was told within the last quarter hour does not count yet."""
    told(notices, "A", 0.0)
    assert told(notices, "B", 0.1).evidence == ["By the numbers."]
