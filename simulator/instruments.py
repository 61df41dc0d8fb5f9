"""The instruments of the demo plant: what each measures, its error, its range and its unit."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulator.noise import gauss, keys, wander
from simulator.water import Floats

# Edge units: how many of them make one unit of the signal inside (bar, m3/h, degC, uS/cm).
PER_SI = {
    "bar": 1.0,
    "psi": 14.503773773,
    "m3/h": 1.0,
    "°C": 1.0,
    "µS/cm": 1.0,
    "mS/cm": 1e-3,
    "pH": 1.0,
    "mV": 1.0,
    "NTU": 1.0,
    "": 1.0,
}


@dataclass(frozen=True)
class Instrument:
    """One signal as its transmitter shows it; everything in the unit of the signal inside.

    accuracy_percent : of span, or `of_reading`, as its data sheet says and the plant file will say.
    white, wander : spread of the error from sample to sample and of its slow part; each is an
        absolute part, and `white_relative`, `wander_relative` a part of the reading.
    bias, bias_relative : spread of the constant calibration error that each seed draws.
    resolution : smallest step shown. unit : unit at the edge.
    """

    signal: str
    low: float
    high: float
    unit: str
    accuracy_percent: float
    of_reading: bool = False
    white: float = 0.0
    white_relative: float = 0.0
    wander: float = 0.0
    wander_relative: float = 0.0
    bias: float = 0.0
    bias_relative: float = 0.0
    resolution: float = 0.0
    wander_period_s: float = 6.0 * 3600.0

    @property
    def status(self) -> bool:
        """Whether it is a bit."""
        return self.unit == "" and self.high == 1.0


def flow(signal: str, high: float) -> Instrument:
    """Magnetic flow meter, 0.5 % of reading."""
    return Instrument(
        signal,
        0.0,
        high,
        "m3/h",
        0.5,
        of_reading=True,
        white_relative=0.002,
        wander_relative=0.001,
        bias_relative=0.0025,
        resolution=0.01,
    )


def pressure(signal: str, high: float, unit: str = "bar", accuracy: float = 0.25) -> Instrument:
    """Gauge pressure transmitter."""
    return Instrument(
        signal,
        0.0,
        high,
        unit,
        accuracy,
        white=0.0008 * high,
        wander=0.0004 * high,
        bias=accuracy / 100.0 * high / 2.0,
        resolution=0.001 if high <= 4.0 else 0.005,
    )


def conductivity(signal: str, high: float, unit: str = "µS/cm") -> Instrument:
    """Conductivity transmitter, compensated linearly by 2 %/K."""
    return Instrument(
        signal,
        0.0,
        high,
        unit,
        2.0,
        of_reading=True,
        white_relative=0.003,
        wander_relative=0.002,
        bias_relative=0.01,
        resolution=0.01 if high <= 100.0 else 0.1 if high <= 1000.0 else 1.0,
        wander_period_s=20.0 * 3600.0,
    )


def bit(signal: str) -> Instrument:
    """A status bit."""
    return Instrument(signal, 0.0, 1.0, "", 0.0)


SETS = ("stages", "interstage", "train")
"""How much a plant measures: everything of each stage; the pressures of each stage; the ends of the train."""


def _range(value: float, *tops: float) -> float:
    """The smallest usual range that leaves a third of room above a value, else the largest."""
    return next((top for top in tops if top >= 1.35 * value), tops[-1])


def fitted(
    *,
    stages: int,
    feed_m3h: float,
    permeate_m3h: float,
    salt_mg_l: float,
    concentrate_mg_l: float,
    highest_bar: float,
    measured: str = "stages",
    bits: bool = True,
) -> tuple[Instrument, ...]:
    """Instruments of an invented train, with ranges for what it does, in the order of its plant file.

    stages : number of stages. feed_m3h, permeate_m3h : usual flows of the train. salt_mg_l, concentrate_mg_l :
    of feed and concentrate. highest_bar : what the pump can give. measured : one of `SETS`.
    bits : whether running, cleaning and flushing are told.
    """
    if measured not in SETS:
        raise ValueError(f"measured must be one of {', '.join(SETS)}, got {measured!r}")
    flows = (10.0, 20.0, 40.0, 60.0, 80.0, 100.0, 120.0, 160.0, 250.0, 400.0, 800.0)
    salty = (5000.0, 10000.0, 50000.0, 100000.0)
    fresh = salt_mg_l < 500.0  # the permeate of another train
    if fresh:
        salty = (100.0, 500.0, 1000.0, 2000.0)
    bar = _range(highest_bar / 1.35, 16.0, 25.0, 40.0, 60.0, 100.0)
    passed = 50.0 if fresh else 500.0 if salt_mg_l < 6000.0 else 2000.0
    concentrate = _range(1.6 * concentrate_mg_l, *((5000.0,) if fresh else (50000.0, 1e5, 2e5)))
    train = [
        flow("feed_flow", _range(feed_m3h, *flows)),
        Instrument(
            "feed_temperature",
            0.0,
            50.0,
            "°C",
            0.4,
            white=0.02,
            wander=0.03,
            bias=0.1,
            resolution=0.01,
        ),
        conductivity("feed_conductivity", _range(2.0 * salt_mg_l, *salty)),
        Instrument(
            "feed_ph", 0.0, 14.0, "pH", 0.7, white=0.01, wander=0.03, bias=0.05, resolution=0.01
        ),
        Instrument(
            "feed_orp", -1000.0, 1000.0, "mV", 1.0, white=1.5, wander=3.0, bias=8.0, resolution=1.0
        ),
        Instrument(
            "feed_turbidity",
            0.0,
            5.0,
            "NTU",
            2.0,
            white_relative=0.03,
            wander_relative=0.05,
            bias=0.002,
            resolution=0.001,
        ),
        flow("permeate_flow", _range(permeate_m3h, *flows)),
        conductivity("permeate_conductivity", passed),
        flow("concentrate_flow", _range(2.2 * (feed_m3h - permeate_m3h), *flows)),
        conductivity("concentrate_conductivity", concentrate, "mS/cm"),
    ]
    if bits:
        train += [bit("running"), bit("cleaning"), bit("flushing")]
    for number in range(1, stages + 1):
        accuracy = 0.1 if number == 1 else 0.25
        if measured != "train" or number == 1:
            train.append(
                pressure(f"{number}/feed_pressure", bar, "bar" if number == 1 else "psi", accuracy)
            )
        if measured != "train" or number == stages:
            train.append(pressure(f"{number}/concentrate_pressure", bar, "bar", accuracy))
        if measured == "stages":
            share = 0.9 if number == 1 else 0.35
            train += [
                flow(f"{number}/permeate_flow", _range(share * permeate_m3h, *flows)),
                conductivity(f"{number}/permeate_conductivity", passed),
                pressure(f"{number}/permeate_pressure", 4.0),
            ]
    return tuple(train)


class Transmitters:
    """The errors of a set of instruments for one seed; all of them are worked out together.

    The error of a healthy transmitter is a function of seed, signal and time, so that a reading
    never depends on when others were taken.
    """

    def __init__(self, instruments: Sequence[Instrument], seed: int):
        self._row = {i.signal: row for row, i in enumerate(instruments)}
        names = [i.signal for i in instruments]
        self._white_keys = keys(seed, names, "white")
        self._wander_keys = keys(seed, names, "wander")

        def column(name: str) -> Floats:
            return np.array([[getattr(i, name)] for i in instruments], dtype=float)

        fixed = gauss(keys(seed, names, "bias"), np.zeros(1, dtype=np.int64))
        self._bias = column("bias") * fixed
        self._bias_relative = column("bias_relative") * fixed
        self._white, self._white_relative = column("white"), column("white_relative")
        self._wander, self._wander_relative = column("wander"), column("wander_relative")
        self._period_s = column("wander_period_s")
        low, high, status = column("low"), column("high"), column("status") > 0.0
        # A current loop goes a little below and above its range, then saturates.
        self._least = np.where(status, 0.0, low - 0.0125 * (high - low))
        self._most = np.where(status, 1.0, high + 0.03 * (high - low))
        self._step = column("resolution")

    def measured(self, truth: Floats, time_s: Floats) -> Floats:
        """What healthy transmitters sense of `truth` (instrument, time), before their range."""
        white = gauss(self._white_keys, np.floor(time_s).astype(np.int64))
        slow = wander(self._wander_keys, time_s, self._period_s)
        absolute = self._white * white + self._wander * slow + self._bias
        relative = self._white_relative * white + self._wander_relative * slow + self._bias_relative
        return np.asarray(truth * (1.0 + relative) + absolute)

    def shown(self, sensed: Floats) -> Floats:
        """The values within the range of each transmitter, at its resolution."""
        inside = np.clip(sensed, self._least, self._most)
        step = np.where(self._step > 0.0, self._step, 1.0)
        return np.where(self._step > 0.0, np.rint(inside / step) * step, inside)

    def row(self, signal: str) -> int:
        """Row of a signal."""
        return self._row[signal]
