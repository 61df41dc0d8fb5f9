"""Line protocol: names, floats, gaps, and what a minute and a digest become."""

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from influxdb_client.client.write.point import Point

from daemon.lineprotocol import MinuteLines, deviation_lines, line, prefix, tag_value
from tests.forward_kit import forward_plant, minute

START = 1_767_571_200  # Monday 2026-01-05 00:00 UTC


@given(
    st.text(st.characters(blacklist_categories=("C", "Z"), blacklist_characters="\\"), min_size=1)
)
def test_tags_are_escaped_as_by_the_reference_client(text: str) -> None:
    """Names with commas, spaces and equals signs are written as influxdb-client writes them."""
    text = f"{text}, b = {text}"
    point = Point("m").tag("site", text).field("f", 1.5).time(7)  # type: ignore[no-untyped-call]
    assert f"{prefix('m', [('site', text)])} f=1.5 7" == point.to_line_protocol()


@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("a\\b", "a\\b"),
        ("a\\", "a/"),
        ("a\\,b", "a/\\,b"),
        ("a\\\\b", "a/\\b"),
        ("two\nlines", "two\\ lines"),
    ],
)
def test_what_the_protocol_cannot_carry(name: str, written: str) -> None:
    """A backslash that would escape something else is a slash, and a line break is a space."""
    assert tag_value(name) == written


def test_fields_are_floats_and_gaps_are_absent() -> None:
    """Whole numbers are written as floats; what is not a number is left out; nothing left is no line."""
    fields = [("a", 3.0), ("b", math.nan), ("c", math.inf), ("d", 1), ("e", 1e-9)]
    assert line("m", fields, 60.9) == b"m a=3.0,d=1.0,e=1e-09 60"
    assert line("m", [("a", math.nan)], 60) is None


def test_a_minute_is_a_line_for_train_stage_and_vessel(tmp_path: Path) -> None:
    """Roles become fields, places become tags, and the time is the start of the minute."""
    plant = forward_plant(tmp_path)
    train = plant.train("A")
    values = [1.5, math.nan, 3, 4, 5, 6, 7, 8, 9]
    made = MinuteLines("Site 1", train).of(minute(plant, START, values))
    assert made == [
        b"ro_minute,site=Site\\ 1,train=A feed_flow=1.5,feed_conductivity=3.0,permeate_flow=4.0,"
        b"permeate_conductivity=5.0,permeate_pressure=6.0 1767571200",
        b"ro_minute,site=Site\\ 1,train=A,stage=1 feed_pressure=7.0,concentrate_pressure=8.0"
        b" 1767571200",
        b"ro_minute,site=Site\\ 1,train=A,stage=1,vessel=1-03 permeate_conductivity=9.0 1767571200",
    ]
    assert MinuteLines("s", train).of(minute(plant, START, [math.nan] * 9)) == []


def test_deviations_are_differences_of_logarithms() -> None:
    """Each section has a line with the quantities that digest and baseline both know; balances stay."""
    digest = {
        "start": float(START),
        "values": {
            "1/permeate_flow": 0.5,
            "1/salt_passage": 2.0,
            "2/pressure_drop": -1.0,
            "balance/permeate_flow": 0.1,
        },
    }
    baseline = {"values": {"1/permeate_flow": 0.75, "2/pressure_drop": -1.5}}
    assert deviation_lines("s", "A", digest, baseline) == [
        b"ro_normalized,site=s,train=A,section=1 permeate_flow=-0.25 1767571200",
        b"ro_normalized,site=s,train=A,section=2 pressure_drop=0.5 1767571200",
    ]
