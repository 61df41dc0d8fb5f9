"""The operating state of a train, minute by minute, from status bits and from what the instruments show.

Bits say what the control system believes, signals what the water does. A train that is judged while it stands
gives false notices, one that is never judged gives none, so neither a missing nor a stuck bit may decide alone:

- no production by the signals outranks a running bit at once: there is nothing to judge;
- production by the signals outranks a bit that denies it (running 0, cleaning 1, flushing 1) after
  `CONTRADICTION_S`: bits and flows may differ for some minutes at a start, but not for longer;
- either needs two indicators that agree and none that disagrees; otherwise the bit is believed;
- what people say (a cleaning that was entered) outranks both.
"""

from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rules import robust
from rules.steady import MovementGate

Array = NDArray[np.float64]

STOPPED, STARTING, FLUSHING, CLEANING = "stopped", "starting", "flushing", "cleaning"
DISTURBED, STEADY, UNKNOWN = "disturbed", "steady", "unknown"
STATES = (STOPPED, STARTING, FLUSHING, CLEANING, DISTURBED, STEADY, UNKNOWN)
PRODUCING = frozenset({DISTURBED, STEADY})
"""Settled production, steady or not."""

SETTLING_S = 3600.0
"""Production counts as starting for this long after anything else: pressures settle within minutes, but the
permeate of a standstill has to be rinsed out of the vessels. Common practice, no source. [s]"""

RINSED_S = 8 * 3600.0
"""After a start the permeate of the standstill may still be on its way out for so long: its conductivity falls, and
what has passed meanwhile is no salt passage of the membranes. Common practice, no source. [s]"""

RINSE_SHARE = 3.0
"""After a short run no longer than its part of so many: a train that runs by the shift is to be judged too. [-]"""

RINSING = 0.015
"""While permeate conductivity falls by more than this within `RINSE_OVER_S`, a train that has started is not rinsed.
Common practice, no source. [-]"""

RINSE_OVER_S, RINSE_MEAN_S = 2700.0, 900.0
"""Over how long a fall is looked for, by medians of so long. [s]"""

CONTRADICTION_S = 900.0
"""Signals outrank a bit that denies production after this long. Common practice, no source. [s]"""

CIRCULATION_S = 1800.0
"""Water that flows without permeate for longer is a cleaning: a flush takes 5 to 15 minutes, the
circulation of a cleaning half an hour and more. Common practice, no source. [s]"""

# A train that produces shows all of the following, one that does not shows none, by a wide margin.
# Common practice, no source.
PERMEATE_SHARE = 0.2
"""Permeate flow over the usual one. [-]"""
PRESSURE_SHARE = 0.35
"""Feed pressure over the usual one: warm water needs half of the pressure of cold water. [-]"""
LEAST_FLUX_LMH = 3.0
"""Permeate flow over the membrane area while nothing is usual yet; plants are run at 10 to 40. [L/m2/h]"""
LEAST_BAR = 4.0
"""Feed pressure while nothing is usual yet; flushes and cleanings are run at 1 to 4. [bar]"""
LEAST_RECOVERY = 0.1
"""Share of the feed that does not leave as concentrate; single elements are run at 0.1 to 0.2. [-]"""
FLOWING_SHARE = 0.1
"""Feed or concentrate flow over the usual one, above which water flows. [-]"""
FLOWING_LMH = 2.0
"""The same over the membrane area, while nothing is usual yet. [L/m2/h]"""

CLEANING_PH = (4.0, 10.5)
"""Feed outside of this is cleaning solution once permeate is no longer made. Common practice, no source."""
CLEANING_C = 12.0
"""Feed this much warmer than usual is heated cleaning solution. Common practice, no source. [K]"""


def judged_signals(signals: Sequence[str]) -> tuple[str, ...]:
    """Those whose movement says whether a train is steady: its flows and feed pressures."""
    judged = ("permeate_flow", "feed_flow", "feed_pressure", "concentrate_flow")
    return tuple(s for s in signals if s.rpartition("/")[2] in judged)


class StateGate:
    """Tells the state of each minute. It remembers hours at most: minutes of half a day rebuild it.

    signals : names of the columns of the values given to `minute`.
    area_m2 : membrane area of the train, against which flows are held before anything is usual.
    """

    def __init__(self, signals: Sequence[str], area_m2: float) -> None:
        if not area_m2 > 0.0:
            raise ValueError(f"area_m2 must be above 0, got {area_m2!r}")
        self._area_m2 = area_m2
        self._column = {name: i for i, name in enumerate(signals)}
        self._stages = [
            i
            for name, i in self._column.items()
            if name.endswith("/permeate_flow") and name.partition("/")[0].isdigit()
        ]
        self._judged = [self._column[name] for name in judged_signals(signals)]
        self._movement = MovementGate(len(self._judged)) if self._judged else None
        self._passed = [
            i
            for name, i in self._column.items()
            if name == "permeate_conductivity"
            or (name.endswith("/permeate_conductivity") and name.partition("/")[0].isdigit())
        ]
        # Permeate conductivities since the last start, until it is rinsed.
        self._rinse: deque[tuple[float, Array]] = deque()
        self._rinsed = True
        # How long the last run was.
        self._ran = np.inf
        self._idle = False
        self._running_since: float | None = None
        self._denied_since: float | None = None
        self._circulating_since: float | None = None

    def minute(
        self, time: float, values: Array, usual: Array | None, *, cleaning: bool = False
    ) -> str:
        """State of one minute, one of `STATES`.

        time : start of the minute, later than all before. [s]
        values : (n_signals,) means in SI units, NaN where nothing good.
        usual : (n_signals,) usual values of the train, or None before a baseline.
        cleaning : people have said that the train is being cleaned, whatever the instruments show.
        """
        if cleaning:
            return self._rest(CLEANING, time)
        if not np.isfinite(values).any():
            return UNKNOWN
        state = self._by_bits_and_signals(time, values, usual)
        if state is None:
            return UNKNOWN
        if state != "running":
            return self._rest(state, time)
        if self._idle:
            # Counted from the first minute of production: where minutes come seldom, the last one before
            # it may be long ago.
            self._idle, self._running_since = False, time
            self._rinsed = False
            self._rinse.clear()
        if self._running_since is not None and self._starting(time, self._running_since, values):
            return STARTING
        if self._movement is not None and self._movement.minute(time, values[self._judged]).any():
            return DISTURBED
        return STEADY

    def _starting(self, time: float, since: float, values: Array) -> bool:
        """Whether a train that runs since `since` is still settling, or its permeate still being rinsed out."""
        if not self._rinsed:
            self._rinse.append((time, values[self._passed]))
            while self._rinse[0][0] < time - RINSE_OVER_S - 4 * RINSE_MEAN_S:
                self._rinse.popleft()
        if time - since < SETTLING_S:
            return True
        if not self._rinsed:
            longest = min(RINSED_S, self._ran / RINSE_SHARE)
            self._rinsed = time - since >= longest or not self._falling(time)
            if self._rinsed:
                self._rinse.clear()
        return not self._rinsed

    def _falling(self, time: float) -> bool:
        """Whether the conductivity of any permeate falls since the start."""
        now = [row for at, row in self._rinse if at > time - RINSE_MEAN_S]
        old = [row for at, row in self._rinse if at <= time - RINSE_OVER_S]
        if not old or not self._passed:
            return False
        before = robust.median(np.array(old)[-max(len(now), 1) :])
        with np.errstate(divide="ignore", invalid="ignore"):
            fall = np.log(before / robust.median(np.array(now)))
        return bool((fall[np.isfinite(fall)] > RINSING).any())

    def _rest(self, state: str, time: float) -> str:
        """The train does not produce; what comes next is a start."""
        if not self._idle and self._running_since is not None:
            self._ran = time - self._running_since
        self._idle = True
        return state

    def _by_bits_and_signals(self, time: float, values: Array, usual: Array | None) -> str | None:
        shown = self._indicators(values, usual)
        sure = len(shown) >= 2 and (all(shown) or not any(shown))
        flowing = self._flowing(values, usual)
        told = self._told(values)
        if shown and sum(shown) * 2 <= len(shown) and flowing:
            if self._circulating_since is None:
                self._circulating_since = time
        else:
            self._circulating_since = None
        if told is None:
            self._denied_since = None
            if not shown:
                # Nothing shows permeate or pressure: water that stands is all that can be told.
                return STOPPED if flowing is False else None
            # Half of them: to wait is better than to judge a train that stands.
            return "running" if sum(shown) * 2 > len(shown) else self._at_rest(time, values, usual)
        if told == "running":
            self._denied_since = None
            if sure and not shown[0]:
                return self._at_rest(time, values, usual)
            return told
        if not (sure and shown[0]):
            self._denied_since = None
            return told
        if self._denied_since is None:
            self._denied_since = time
        return told if time - self._denied_since < CONTRADICTION_S else "running"

    def _told(self, values: Array) -> str | None:
        """What the bits say: `cleaning`, `flushing`, `running` or `stopped`; None when they say nothing."""
        if self._bit(values, "cleaning"):
            return CLEANING
        if self._bit(values, "flushing"):
            return FLUSHING
        running = self._bit(values, "running")
        if running is None:
            return None
        return "running" if running else STOPPED

    def _bit(self, values: Array, role: str) -> bool | None:
        value = self._value(values, role)
        return None if value is None else value >= 0.5

    def _value(self, values: Array | None, signal: str) -> float | None:
        column = self._column.get(signal)
        if values is None or column is None or not np.isfinite(values[column]):
            return None
        return float(values[column])

    def _permeate(self, values: Array | None) -> float | None:
        whole = self._value(values, "permeate_flow")
        if whole is not None or values is None or not self._stages:
            return whole
        parts = values[self._stages]
        return float(parts.sum()) if np.isfinite(parts).all() else None

    def _indicators(self, values: Array, usual: Array | None) -> list[bool]:
        """Whether each of permeate flow, feed pressure and recovery says that permeate is made, if known."""
        shown = []
        permeate = self._permeate(values)
        if permeate is not None:
            expected = self._permeate(usual)
            least = (
                PERMEATE_SHARE * expected
                if expected is not None and expected > 0.0
                else LEAST_FLUX_LMH * self._area_m2 / 1000.0
            )
            shown.append(permeate > least)
        pressure = self._value(values, "1/feed_pressure")
        if pressure is not None:
            expected = self._value(usual, "1/feed_pressure")
            known = expected is not None and expected > 0.0
            shown.append(pressure > (PRESSURE_SHARE * (expected or 0.0) if known else LEAST_BAR))
        feed = self._value(values, "feed_flow")
        concentrate = self._value(values, "concentrate_flow")
        if feed is not None and concentrate is not None:
            made = feed - concentrate
            shown.append(
                made > LEAST_RECOVERY * feed and made > FLOWING_LMH * self._area_m2 / 1000.0
            )
        return shown

    def _flowing(self, values: Array, usual: Array | None) -> bool | None:
        """Whether water flows along the membranes; None when neither feed nor concentrate is known."""
        known = []
        for name in ("feed_flow", "concentrate_flow"):
            flow, expected = self._value(values, name), self._value(usual, name)
            if flow is not None:
                least = (
                    FLOWING_SHARE * expected
                    if expected is not None and expected > 0.0
                    else FLOWING_LMH * self._area_m2 / 1000.0
                )
                known.append(flow > least)
        return any(known) if known else None

    def _at_rest(self, time: float, values: Array, usual: Array | None) -> str:
        """What a train without permeate does: `stopped`, `flushing` or `cleaning`."""
        if self._circulating_since is None:
            return STOPPED
        ph = self._value(values, "feed_ph")
        odd = ph is not None and not CLEANING_PH[0] <= ph <= CLEANING_PH[1]
        warm, expected = (
            self._value(values, "feed_temperature"),
            self._value(usual, "feed_temperature"),
        )
        heated = warm is not None and expected is not None and warm - expected > CLEANING_C
        long = time - self._circulating_since >= CIRCULATION_S
        return CLEANING if odd or heated or long else FLUSHING
