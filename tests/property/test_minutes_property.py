"""Frames and minutes under any data."""

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.frames import Frame
from daemon.history_reader import GOOD, VALUES, WORST, _Layout, _relay
from daemon.minutes import Minute, MinuteAccumulator
from drivers.protocol import Quality

TIMES = st.floats(0.0, 1000.0)
NUMBERS = st.floats(-1e6, 1e6)
ROW = st.tuples(TIMES, st.lists(st.one_of(NUMBERS, st.just(math.nan)), min_size=2, max_size=2))


def frames_of(rows: list[tuple[float, list[float]]]) -> list[Frame]:
    frames = []
    for time, row in rows:
        values = np.array(row)
        quality = np.where(np.isnan(values), Quality.BAD, Quality.GOOD).astype(np.uint8)
        frames.append(Frame("A", time, values, quality))
    return frames


def minutes_of(frames: list[Frame]) -> tuple[list[Minute], int]:
    accumulator = MinuteAccumulator("A", 2)
    minutes = [accumulator.add(frame) for frame in frames]
    minutes.append(accumulator.flush())
    return [minute for minute in minutes if minute is not None], accumulator.late


@given(st.lists(ROW, max_size=60))
def test_no_frame_is_lost_without_being_counted(rows: list[tuple[float, list[float]]]) -> None:
    """In any order of arrival, every frame is in exactly one minute or counted as late."""
    minutes, late = minutes_of(frames_of(rows))
    times = [minute.time for minute in minutes]
    assert sum(minute.frames for minute in minutes) + late == len(rows)
    assert times == sorted(set(times))
    assert all(time % 60 == 0 for time in times)


@given(st.lists(ROW, min_size=1, max_size=60))
def test_a_mean_is_the_mean_of_the_good_readings(rows: list[tuple[float, list[float]]]) -> None:
    """Against numpy's mean over the readings picked by hand, minute by minute."""
    rows = sorted(rows, key=lambda row: row[0])
    minutes, late = minutes_of(frames_of(rows))
    assert late == 0
    for minute in minutes:
        inside = np.array([row for time, row in rows if minute.time <= time < minute.time + 60])
        for column in range(2):
            picked = inside[~np.isnan(inside[:, column]), column]
            assert minute.good[column] == len(picked)
            if len(picked):
                # Two sums of at most 60 doubles differ by rounding only.
                np.testing.assert_allclose(
                    minute.values[column], picked.mean(), rtol=1e-12, atol=1e-8
                )
            else:
                assert math.isnan(minute.values[column])


@given(
    st.lists(st.tuples(st.floats(0.0, 59.9), st.tuples(NUMBERS, NUMBERS)), min_size=1, max_size=30),
    st.randoms(use_true_random=False),
)
def test_the_order_of_frames_within_a_minute_does_not_matter(
    rows: list[tuple[float, tuple[float, float]]], random: object
) -> None:
    """Shuffled frames of one minute give the same minute to the last bit."""
    listed = [(time, list(row)) for time, row in rows]
    shuffled = list(listed)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert minutes_of(frames_of(listed)) == minutes_of(frames_of(shuffled))


@settings(max_examples=60)
@given(st.data())
def test_relaying_columns_keeps_each_signal_with_its_values(data: st.DataObject) -> None:
    """For any stored and asked order, a column holds its own signal's values, or a gap."""
    names = st.lists(st.sampled_from("abcdefg"), unique=True, max_size=7)
    stored, asked = data.draw(names), data.draw(names)
    number = {name: float(ord(name)) for name in "abcdefg"}
    values = np.array([number[name] for name in stored])
    row = (
        values.astype(VALUES).tobytes(),
        values.astype(GOOD).tobytes(),
        np.zeros(len(stored), WORST).tobytes(),
    )
    laid = _relay([row, row], _Layout.between(stored, asked), len(asked))
    for i in range(2):
        for column, name in enumerate(asked):
            here = name in stored
            assert laid[1][i, column] == (number[name] if here else 0)
            assert laid[2][i, column] == (Quality.GOOD if here else Quality.BAD)
            value = laid[0][i, column]
            assert value == number[name] if here else math.isnan(value)
