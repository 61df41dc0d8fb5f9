"""What a faulty transmitter shows in place of what it senses."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from simulator.faults import Fault
from simulator.instruments import Instrument
from simulator.noise import gauss, key, uniform
from simulator.water import Floats

COMPENSATION_PERCENT_K = 2.0  # what every conductivity transmitter of the demo plant is set to
SPIKE_CHANCE = 0.02

Spoiled = Callable[[Fault, Floats, "Scene"], Floats]


class Scene:
    """What a fault needs beside the reading that it spoils: arrays over the same times.

    table : (instruments, times) what all instruments sense. part : size of the fault, 0 to 1.
    """

    def __init__(
        self,
        instruments: Sequence[Instrument],
        table: Floats,
        times_s: Floats,
        part: Floats,
        seed: int,
    ):
        self.by_signal: Mapping[str, tuple[int, Instrument]] = {
            i.signal: (row, i) for row, i in enumerate(instruments)
        }
        self.table = table
        self.times_s = times_s
        self.part = part
        self.seed = seed

    def of(self, signal: str) -> Floats:
        """What another instrument senses."""
        return np.asarray(self.table[self.by_signal[signal][0]])

    def instrument(self, signal: str) -> Instrument:
        """The instrument of a signal."""
        return self.by_signal[signal][1]


def _error(fault: Fault, value: Floats, scene: Scene) -> Floats:
    return value * (1.0 + fault.percent / 100.0 * scene.part) + fault.offset * scene.part


def _lost(fault: Fault, value: Floats, scene: Scene) -> Floats:
    return np.full_like(value, np.nan)


def _noise(fault: Fault, value: Floats, scene: Scene) -> Floats:
    """Noise of `percent` of the reading and `offset` in its unit, fresh at every second."""
    drawn = gauss(key(scene.seed, fault.tag, "noisy"), np.floor(scene.times_s).astype(np.int64))
    return value + (fault.percent / 100.0 * np.abs(value) + fault.offset) * scene.part * drawn


def _spikes(fault: Fault, value: Floats, scene: Scene) -> Floats:
    """One reading in fifty is off by `percent` of itself and `offset`, up or down."""
    second = np.floor(scene.times_s).astype(np.int64)
    drawn = uniform(key(scene.seed, fault.tag, "spike"), second)
    sign = np.where(drawn < SPIKE_CHANCE / 2.0, -1.0, 1.0)
    size = (fault.percent / 100.0 * np.abs(value) + fault.offset) * scene.part
    return np.where(drawn < SPIKE_CHANCE, value + sign * size, value)


def _stuck_range(fault: Fault, value: Floats, scene: Scene) -> Floats:
    """The loop has run against its end: `percent` 100 is the top of the range, 0 the bottom."""
    instrument = scene.instrument(fault.tag)
    return np.full_like(
        value,
        instrument.low + fault.percent / 100.0 * (instrument.high - instrument.low),
    )


def _compensation(fault: Fault, value: Floats, scene: Scene) -> Floats:
    """Temperature compensation by `percent` for each K in place of what the plant file says; 0 is none."""
    above = scene.of("feed_temperature") - 25.0
    right = 1.0 + COMPENSATION_PERCENT_K / 100.0 * above
    return value * right / (1.0 + fault.percent / 100.0 * above)


def _swapped(fault: Fault, value: Floats, scene: Scene) -> Floats:
    """Wires of `tag` and `other` exchanged: each current is shown on the other's range."""
    own, other = scene.instrument(fault.tag), scene.instrument(fault.other)
    share = (scene.of(fault.other) - other.low) / (other.high - other.low)
    return own.low + share * (own.high - own.low)


def _unit(fault: Fault, value: Floats, scene: Scene) -> Floats:
    """Shown in another unit: `factor` of them make one of the unit that the plant file says."""
    return value * fault.factor


EFFECT: Mapping[str, Spoiled] = {
    "transmitter_offset": _error,
    "transmitter_drift": _error,
    "transmitter_span": _error,
    "transmitter_lost": _lost,
    "transmitter_noise": _noise,
    "transmitter_spikes": _spikes,
    "transmitter_stuck_range": _stuck_range,
    "transmitter_compensation": _compensation,
    "transmitter_swapped": _swapped,
    "transmitter_unit": _unit,
}
"""All but ``transmitter_freeze``, which needs the past (`simulator.plant`)."""


def spoiled(fault: Fault, value: Floats, scene: Scene) -> Floats:
    """What the transmitter of a fault shows; `value` is what it senses, the input is kept."""
    return np.asarray(EFFECT[fault.kind](fault, value, scene))
