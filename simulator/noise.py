"""Randomness that is a pure function of a key and a time: the same however often one samples."""

import hashlib
from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.water import Floats

Words: TypeAlias = NDArray[np.uint64]
Stream: TypeAlias = int | Words


def key(seed: int, *names: object) -> int:
    """A number that stands for a seed and some names, the same on every machine."""
    text = "/".join([str(seed), *map(str, names)])
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest(), "little")


def _mix(words: Words) -> Words:
    """Scramble 64-bit words (the finalizer of a common counter-based generator)."""
    words = (words ^ (words >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    words = (words ^ (words >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return words ^ (words >> np.uint64(31))


def keys(seed: int, names: Sequence[str], what: str) -> Words:
    """One key for each name, as a column that broadcasts against times."""
    return np.array([key(seed, name, what) for name in names], dtype=np.uint64)[:, None]


def uniform(stream: Stream, index: NDArray[np.int64]) -> Floats:
    """Number `index` of a stream, evenly spread between 0 and 1, neither included."""
    counter = np.atleast_1d(np.asarray(index, dtype=np.int64)).astype(np.uint64)
    streams = np.uint64(stream) if isinstance(stream, int) else stream
    mixed = _mix(counter * np.uint64(0x9E3779B97F4A7C15) + streams)
    return ((mixed >> np.uint64(11)).astype(np.float64) + 0.5) * 2.0**-53


def gauss(stream: Stream, index: NDArray[np.int64]) -> Floats:
    """Number `index` of a stream of normal deviates with mean 0 and spread 1."""
    index = np.atleast_1d(np.asarray(index, dtype=np.int64))
    radius = np.sqrt(-2.0 * np.log(uniform(stream, 2 * index)))
    return radius * np.cos(2.0 * np.pi * uniform(stream, 2 * index + 1))


def wander(stream: Stream, time_s: Floats, period_s: float | Floats) -> Floats:
    """A smooth curve through normal deviates one period apart; its spread is 1 everywhere."""
    position = np.asarray(time_s, dtype=float) / period_s
    knot = np.floor(position).astype(np.int64)
    part = position - knot
    part = part * part * (3.0 - 2.0 * part)
    mixed = (1.0 - part) * gauss(stream, knot) + part * gauss(stream, knot + 1)
    return mixed / np.sqrt((1.0 - part) ** 2 + part**2)


class MeanReverting:
    """An Ornstein-Uhlenbeck walk, sampled at even knots from a start and joined by straight lines.

    Its knots are computed once, in order, as far as they are asked for, so that the value at a
    time never depends on which times were asked before. Mean 0, spread 1.
    """

    def __init__(self, stream: int, start_s: float, memory_s: float, step_s: float = 1800.0):
        self._stream = stream
        self._start_s = start_s
        self._step_s = step_s
        self._keep = float(np.exp(-step_s / memory_s))
        self._knots = gauss(stream, np.array([0]))

    def _extend(self, count: int) -> None:
        have = len(self._knots)
        if count <= have:
            return
        count = max(count, 2 * have)
        shocks = gauss(self._stream, np.arange(have, count)) * np.sqrt(1.0 - self._keep**2)
        grown = np.empty(count)
        grown[:have] = self._knots
        value = float(self._knots[-1])
        for number, shock in enumerate(shocks.tolist(), start=have):
            value = self._keep * value + shock
            grown[number] = value
        self._knots = grown

    def at(self, time_s: Floats) -> Floats:
        """Values at times; before the start the first value holds."""
        position = np.maximum((np.asarray(time_s, dtype=float) - self._start_s) / self._step_s, 0.0)
        self._extend(int(np.max(position, initial=0.0)) + 2)
        knot = position.astype(np.int64)
        part = position - knot
        return (1.0 - part) * self._knots[knot] + part * self._knots[knot + 1]
