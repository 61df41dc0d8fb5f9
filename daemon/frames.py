"""Frames: a train's readings aligned at one instant."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A train's readings at one instant, in the column order of its signals.

    time : of the newest reading. [s since 1970-01-01 UTC]
    values : in SI units; NaN unless the reading is GOOD.
    quality : `drivers.protocol.Quality` of each reading.
    down : ids of the devices that did not answer.
    reasons : signal -> why it is not GOOD.
    """

    train: str
    time: float
    values: NDArray[np.float64]
    quality: NDArray[np.uint8]
    down: tuple[str, ...] = ()
    reasons: Mapping[str, str] = field(default_factory=dict)
