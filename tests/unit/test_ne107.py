"""Status signals of transmitters by NAMUR NE 107 (words and rank: tests/reference/check_status.py), and on the page."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.page.readings import ReadingView, readings
from daemon.page.source import Latest
from daemon.page.times import SiteTime
from daemon.record import Record
from drivers.protocol import Quality
from rules import ne107
from rules.findings import CauseProbability, Presence
from tests.web import month
from tests.web.bench import Bench

BOOLS = st.fixed_dictionaries(
    {
        name: st.booleans()
        for name in ("value", "frozen", "worked_on", "doubtful", "outside", "suspected")
    }
)


@given(BOOLS)
def test_nothing_is_shown_only_when_nothing_holds(conditions: Mapping[str, bool]) -> None:
    """A missing value is always shown; a good one shows nothing unless something is held against it."""
    shown = ne107.first(ne107.holding(**conditions))
    against = any(conditions[name] for name in ("frozen", "doubtful", "outside", "suspected"))
    assert (shown is None) == (conditions["value"] and not against)


@given(BOOLS, st.permutations(ne107.RANKING))
def test_the_rank_can_be_given(conditions: Mapping[str, bool], ranking: list[ne107.Signal]) -> None:
    """Whatever the rank, what is shown holds, and nothing that ranks before it does."""
    held = ne107.holding(**conditions)
    shown = ne107.first(held, tuple(ranking))
    before = ranking[: ranking.index(shown)] if shown else ranking
    assert not held & set(before)
    assert shown is None or shown in held


@pytest.mark.parametrize("ranking", [("F", "C", "S"), ("F", "C", "S", "S"), ()])
def test_a_rank_has_every_signal_once(ranking: tuple[ne107.Signal, ...]) -> None:
    """A signal that is left out would never be shown, so it is refused."""
    held: tuple[ne107.Signal, ...] = ("M",)
    with pytest.raises(ValueError, match="once"):
        ne107.first(held, ranking)


SIGNAL = "2/feed_pressure"


def row(
    tmp_path: Path,
    *,
    value: float | None = 10.48,
    quality: Quality = Quality.GOOD,
    reason: str = "",
    noticed: str | None = None,
    suspect: bool = False,
    **latest: object,
) -> ReadingView:
    """The row of one transmitter (0 to 25 bar) on the page."""
    plant = month.load_plant(tmp_path)
    values = {**month.READINGS} | ({} if value is None else {SIGNAL: value})
    if value is None:
        del values[SIGNAL]
    found = Latest(
        at=month.NOW,
        fresh=True,
        values=values,
        quality={**dict.fromkeys(month.READINGS, Quality.GOOD), SIGNAL: quality},
        reasons={SIGNAL: reason} if reason else {},
    )
    shown = readings(
        plant.train("A"),
        replace(found, **latest),  # type: ignore[arg-type]
        {SIGNAL: noticed} if noticed else {},
        frozenset({SIGNAL} if suspect else ()),
        SiteTime(plant.site.timezone, month.NOW),
    )
    others = {r.signal: r.ne107 for r in shown if r.signal != SIGNAL}
    assert set(others.values()) == {None}
    return next(r for r in shown if r.signal == SIGNAL)


@pytest.mark.parametrize(
    ("given_", "signal", "text"),
    [
        ({}, None, "good"),
        ({"noticed": "frozen"}, "F", "frozen"),
        ({"value": None, "quality": Quality.BAD, "reason": "31 bar is outside the range"}, "F", "31 bar is"),
        ({"value": None, "quality": Quality.BAD, "reason": "the server says BadOutOfService"}, "C", "the server"),
        ({"value": None, "quality": Quality.UNCERTAIN, "reason": "the server says Uncertain"}, "S", "the server"),
        ({"value": 25.3}, "S", "beyond its range"),
        ({"noticed": "no value"}, "S", "gave no value until now"),
        ({"suspect": True}, "M", "likely wrong"),
        ({"suspect": True, "noticed": "frozen"}, "F", "frozen"),
        ({"value": None, "quality": Quality.BAD, "down": ("ua1",)}, None, "device does not answer"),
        ({"fresh": False}, None, "stale"),
    ],
)  # fmt: skip
def test_the_page_shows_the_signal_before_the_quality(
    tmp_path: Path, given_: dict[str, object], signal: str | None, text: str
) -> None:
    """Letter and word of what is known of the transmitter; nothing while its device is silent."""
    shown = row(tmp_path, **given_)  # type: ignore[arg-type]
    assert shown.ne107 == signal
    assert shown.quality_text.startswith(text)
    assert bool(shown.ne107_text) == (signal is not None)


def test_a_transmitter_that_likely_reads_wrong_requires_maintenance(tmp_path: Path) -> None:
    """While the open notice has it as first cause; another cause, or the notice cleared, shows nothing."""
    with Record.open(tmp_path, durable=False) as record:
        month.write_train(record, "A", days=1)
    bench = Bench(tmp_path)
    bench.feed("A")

    def letters() -> dict[str, str]:
        rows = bench.get("/api/train/A")["readings"]
        return {r["signal"]: r["ne107"] for r in rows if r["ne107"] is not None}

    drifts = replace(
        month.scaling(),
        causes=(
            CauseProbability("instrument_fault", 0.9, "A/1/permeate_conductivity"),
            CauseProbability("instrument_fault", 0.1, "A/feed_conductivity"),
        ),
    )
    try:
        assert letters() == {}
        bench.tell(drifts)
        assert letters() == {"1/permeate_conductivity": "M"}
        page = bench.client.get("/train/A").text
        assert '<b class="ne107">M</b> maintenance required: likely wrong' in page
        bench.tell(replace(drifts, presence=Presence.ABSENT, clear_s=0.0), at=month.NOW - 60)
        assert letters() == {}
    finally:
        bench.close()
