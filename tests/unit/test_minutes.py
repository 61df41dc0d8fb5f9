"""One-minute means of good readings."""

import math
from collections.abc import Sequence

import numpy as np
import pytest

from daemon.frames import Frame
from daemon.minutes import Minute, MinuteAccumulator, minute_of
from drivers.protocol import Quality

NAN = math.nan


def frame(
    time: float,
    values: Sequence[float],
    quality: Sequence[int] | None = None,
    down: tuple[str, ...] = (),
) -> Frame:
    if quality is None:
        quality = [Quality.GOOD] * len(values)
    return Frame(
        "A", time, np.array(values, dtype=float), np.array(quality, dtype=np.uint8), down=down
    )


def test_a_minute_closes_when_a_later_one_begins() -> None:
    """Frames of a minute give nothing; the first of the next gives their mean."""
    accumulator = MinuteAccumulator("A", 2)
    assert accumulator.add(frame(120.0, [1.0, 10.0])) is None
    assert accumulator.add(frame(179.999, [2.0, 40.0])) is None
    minute = accumulator.add(frame(180.0, [9.0, 9.0]))
    assert minute == Minute(
        "A", 120, np.array([1.5, 25.0]), np.array([2, 2], "u2"), np.array([0, 0], "u1"), 2
    )


def test_only_good_readings_make_the_mean() -> None:
    """An uncertain and a bad reading are left out of the mean and seen in the worst quality."""
    accumulator = MinuteAccumulator("A", 3)
    accumulator.add(frame(0.0, [1.0, 5.0, NAN], [0, 0, 2]))
    accumulator.add(frame(1.0, [NAN, 7.0, NAN], [1, 0, 2]))
    accumulator.add(frame(2.0, [3.0, NAN, NAN], [0, 2, 1]))
    minute = accumulator.flush()
    assert minute is not None
    np.testing.assert_array_equal(minute.values, [2.0, 6.0, NAN])
    assert minute.good.tolist() == [2, 2, 0]
    assert minute.worst.tolist() == [1, 2, 2]
    assert minute.frames == 3


def test_a_value_that_is_not_finite_never_enters_a_mean() -> None:
    """Even when it is marked good, an infinity is left out and not counted."""
    accumulator = MinuteAccumulator("A", 1)
    accumulator.add(frame(0.0, [math.inf]))
    accumulator.add(frame(1.0, [4.0]))
    minute = accumulator.flush()
    assert minute is not None
    assert minute.values.tolist() == [4.0]
    assert minute.good.tolist() == [1]


def test_a_device_is_down_only_when_it_was_down_in_every_frame() -> None:
    """A device that answered once in the minute was not down for the minute."""
    accumulator = MinuteAccumulator("A", 1)
    accumulator.add(frame(0.0, [1.0], down=("plc1", "plc2")))
    accumulator.add(frame(1.0, [1.0], down=("plc2",)))
    minute = accumulator.flush()
    assert minute is not None
    assert minute.down == ("plc2",)


def test_a_frame_of_a_closed_minute_is_dropped_and_counted() -> None:
    """A late frame changes nothing but the count."""
    accumulator = MinuteAccumulator("A", 1)
    accumulator.add(frame(60.0, [1.0]))
    assert accumulator.add(frame(120.0, [2.0])) is not None
    assert accumulator.add(frame(119.0, [100.0])) is None
    assert accumulator.late == 1
    minute = accumulator.flush()
    assert minute is not None
    assert minute.values.tolist() == [2.0]


def test_a_minute_is_made_once_even_when_flushed_early() -> None:
    """After a flush, further frames of the same minute are late."""
    accumulator = MinuteAccumulator("A", 1)
    accumulator.add(frame(60.0, [1.0]))
    assert accumulator.flush() is not None
    assert accumulator.flush() is None
    assert accumulator.add(frame(61.0, [1.0])) is None
    assert accumulator.late == 1
    assert accumulator.add(frame(120.0, [1.0])) is None
    assert accumulator.late == 1


def test_a_restart_does_not_make_a_stored_minute_again() -> None:
    """With the newest stored minute given, its frames and older ones are late."""
    accumulator = MinuteAccumulator("A", 1, closed=600)
    accumulator.add(frame(659.0, [1.0]))
    accumulator.add(frame(1.0, [1.0]))
    assert accumulator.late == 2
    assert accumulator.flush() is None


def test_sparse_frames_leave_gaps_and_invent_no_minute() -> None:
    """Frames ten minutes apart give one minute each and nothing between."""
    accumulator = MinuteAccumulator("A", 1)
    minutes = [accumulator.add(frame(t, [t])) for t in (0.0, 600.0, 1200.0)]
    assert [m.time for m in minutes if m] == [0, 600]


def test_the_mean_does_not_depend_on_the_order_of_the_frames() -> None:
    """Values whose naive sum depends on the order give the exact mean either way."""
    values = [1e16, 1.0, -1e16, 1.0]
    means = []
    for order in (values, values[::-1], sorted(values)):
        accumulator = MinuteAccumulator("A", 1)
        for second, value in enumerate(order):
            accumulator.add(frame(float(second), [value]))
        minute = accumulator.flush()
        assert minute is not None
        means.append(float(minute.values[0]))
    assert means == [0.5, 0.5, 0.5]  # by hand: (1e16 + 1 - 1e16 + 1) / 4


def test_minutes_before_1970_and_on_the_edge_start_where_they_should() -> None:
    """The minute of an instant is the greatest multiple of 60 not above it."""
    assert [minute_of(t) for t in (0.0, 59.999, 60.0, -0.5)] == [0, 0, 60, -60]


def test_a_frame_of_another_train_or_shape_is_a_mistake() -> None:
    """Wrong arguments raise and name what was given."""
    accumulator = MinuteAccumulator("B", 1)
    with pytest.raises(ValueError, match="train 'A' given to train 'B'"):
        accumulator.add(frame(0.0, [1.0]))
    with pytest.raises(ValueError, match="has 2 signals"):
        MinuteAccumulator("A", 2).add(frame(0.0, [1.0]))
    with pytest.raises(ValueError, match="finite"):
        MinuteAccumulator("A", 1).add(frame(NAN, [1.0]))
