"""Minutes: one-minute means of a train's good readings, and the pure accumulator that makes them."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.frames import Frame
from drivers.protocol import Quality

MINUTE_S = 60


def minute_of(time: float) -> int:
    """Start of the minute that `time` lies in. [s since 1970-01-01 UTC]"""
    return math.floor(time / MINUTE_S) * MINUTE_S


@dataclass(frozen=True, slots=True, eq=False)
class Minute:
    """One minute of a train, in the column order of its signals.

    time : start of the minute, a multiple of 60. [s since 1970-01-01 UTC]
    values : mean of the GOOD readings in SI units; NaN where there was none.
    good : number of GOOD readings. worst : worst quality seen. frames : number of frames.
    down : devices that answered in no frame of the minute.
    """

    train: str
    time: int
    values: NDArray[np.float64]
    good: NDArray[np.uint16]
    worst: NDArray[np.uint8]
    frames: int
    down: tuple[str, ...] = ()

    def __eq__(self, other: object) -> bool:
        """Equal in every part; NaN equals NaN, because a gap equals a gap."""
        if not isinstance(other, Minute):
            return NotImplemented
        return (
            (self.train, self.time, self.frames, self.down)
            == (other.train, other.time, other.frames, other.down)
            and np.array_equal(self.values, other.values, equal_nan=True)
            and np.array_equal(self.good, other.good)
            and np.array_equal(self.worst, other.worst)
        )

    __hash__ = None  # type: ignore[assignment]  # arrays cannot be hashed


class MinuteAccumulator:
    """Gathers the frames of one train into minutes. Pure: no clock, no input or output.

    A minute closes when a frame of a later minute arrives. Minutes come out in order, each once:
    a frame of a minute that is closed already is dropped and counted in `late`.

    closed : newest minute that is stored already, so that a restart does not make it again.
    """

    def __init__(self, train: str, signals: int, *, closed: int | None = None) -> None:
        if signals < 1:
            raise ValueError(f"signals must be at least 1, got {signals!r}")
        self.train = train
        self.signals = signals
        self.late = 0
        self._closed = closed
        self._start: int | None = None
        self._frames: list[Frame] = []

    def add(self, frame: Frame) -> Minute | None:
        """Take a frame; gives the minute that it closes, if it does."""
        if frame.train != self.train:
            raise ValueError(f"frame of train {frame.train!r} given to train {self.train!r}")
        if frame.values.shape != (self.signals,) or frame.quality.shape != (self.signals,):
            raise ValueError(
                f"train {self.train} has {self.signals} signals, the frame has"
                f" {frame.values.shape} values and {frame.quality.shape} qualities"
            )
        if not math.isfinite(frame.time):
            raise ValueError(f"frame time must be finite, got {frame.time!r}")
        start = minute_of(frame.time)
        oldest = self._start
        if oldest is None and self._closed is not None:
            oldest = self._closed + MINUTE_S
        if oldest is not None and start < oldest:
            self.late += 1
            return None
        minute = None
        if self._start is not None and start > self._start:
            minute = self.flush()
        self._start = start
        self._frames.append(frame)
        return minute

    def flush(self) -> Minute | None:
        """Close the open minute now, as when stopping; None when there is none."""
        if self._start is None:
            return None
        frames, start = self._frames, self._start
        self._frames, self._start, self._closed = [], None, start
        quality = np.array([frame.quality for frame in frames], dtype=np.uint8)
        values = np.array([frame.values for frame in frames], dtype=np.float64)
        good = (quality == Quality.GOOD) & np.isfinite(values)
        means = np.full(self.signals, np.nan)
        for column in range(self.signals):
            present = values[good[:, column], column].tolist()
            if present:
                # fsum is exact before its one rounding: the mean does not depend on the order
                # of the frames, nor on how a library adds up.
                means[column] = math.fsum(present) / len(present)
        down = tuple(
            device for device in frames[0].down if all(device in frame.down for frame in frames)
        )
        return Minute(
            train=self.train,
            time=start,
            values=means,
            good=good.sum(axis=0).astype(np.uint16),
            worst=quality.max(axis=0),
            frames=len(frames),
            down=down,
        )
