"""The operating state of a train, minute by minute, and whether a block of minutes is steady."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rules import robust

Array = NDArray[np.float64]

STOPPED, STARTING, FLUSHING, CLEANING = "stopped", "starting", "flushing", "cleaning"
DISTURBED, STEADY, UNKNOWN = "disturbed", "steady", "unknown"
STATES = (STOPPED, STARTING, FLUSHING, CLEANING, DISTURBED, STEADY, UNKNOWN)

SETTLING_S = 3600.0
"""Production counts as starting for this long after anything else: pressures settle within minutes, but the
permeate of a standstill has to be rinsed out of the vessels. Common practice, no source. [s]"""

STEADY_SPAN = 0.06
"""Widest spread of a block's minute means over their median that still counts as steady. [-]"""

STOPPED_FLOW = 0.2
"""Below this share of the usual permeate flow a train without a status bit counts as stopped. [-]"""


class StateGate:
    """Tells the state of each minute from status bits, or from the flow when there are none.

    signals : names of the columns of the values given to `minute`.
    """

    def __init__(self, signals: Sequence[str]) -> None:
        self._column = {name: i for i, name in enumerate(signals)}
        self._flow = [
            i
            for name, i in self._column.items()
            if name.endswith("permeate_flow") or name in ("feed_flow", "concentrate_flow")
        ]
        self._steady = [
            i
            for name, i in self._column.items()
            if name.rpartition("/")[2]
            in ("permeate_flow", "feed_flow", "feed_pressure", "concentrate_flow")
        ]
        self._idle = False
        self._running_since: float | None = None

    def _bit(self, values: Array, role: str) -> bool | None:
        column = self._column.get(role)
        if column is None or not np.isfinite(values[column]):
            return None
        return bool(values[column] >= 0.5)

    def minute(
        self, time: float, values: Array, usual: Array | None, *, cleaning: bool = False
    ) -> str:
        """State of one minute: `stopped`, `starting`, `flushing`, `cleaning`, `running` or `unknown`.

        time : start of the minute. [s] values : (n_signals,) means, NaN where nothing good.
        usual : (n_signals,) usual values of the train, or None before a baseline.
        cleaning : people have said that the train is being cleaned, whatever the instruments show.
        """
        if cleaning:
            return self._rest(CLEANING)
        if not np.isfinite(values).any():
            return UNKNOWN
        if self._bit(values, "cleaning"):
            return self._rest(CLEANING)
        if self._bit(values, "flushing"):
            return self._rest(FLUSHING)
        running = self._bit(values, "running")
        if running is None:
            running = self._running_by_flow(values, usual)
        if running is None:
            return UNKNOWN
        if not running:
            return self._rest(STOPPED)
        if self._idle:
            # Counted from the first minute of production: where minutes come seldom, the last one before
            # it may be long ago.
            self._idle, self._running_since = False, time
        if self._running_since is not None and time - self._running_since < SETTLING_S:
            return STARTING
        return "running"

    def _rest(self, state: str) -> str:
        """The train does not produce; what comes next is a start."""
        self._idle = True
        return state

    def _running_by_flow(self, values: Array, usual: Array | None) -> bool | None:
        flows = values[self._flow]
        known = np.isfinite(flows)
        if not known.any():
            return None
        if usual is None:
            return bool((flows[known] > 0.0).all())
        expected = usual[self._flow]
        both = known & np.isfinite(expected) & (expected > 0.0)
        if not both.any():
            return None
        return bool(np.median(flows[both] / expected[both]) > STOPPED_FLOW)

    def is_steady(self, values: Array) -> bool:
        """Whether the minute means of a block, (n_minutes, n_signals), stay within `STEADY_SPAN`."""
        block = values[:, self._steady]
        known = np.isfinite(block)
        judged = known.sum(axis=0) >= 2
        if not judged.any():
            return True
        block, known = block[:, judged], known[:, judged]
        middle = robust.median(block)
        low = np.where(known, block, np.inf).min(axis=0)
        high = np.where(known, block, -np.inf).max(axis=0)
        return bool((middle > 0.0).all() and (high - low <= STEADY_SPAN * middle).all())
