"""The instruments of the demo plant: what each measures, its error, its range and its unit."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulator.noise import gauss, key, wander
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
        resolution=0.1 if high <= 1000.0 else 1.0,
        wander_period_s=20.0 * 3600.0,
    )


def bit(signal: str) -> Instrument:
    """A status bit."""
    return Instrument(signal, 0.0, 1.0, "", 0.0)


def demo(stages: int = 2) -> tuple[Instrument, ...]:
    """Instruments of the invented train, in the order of its plant file."""
    train = [
        flow("feed_flow", 160.0),
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
        conductivity("feed_conductivity", 10000.0),
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
        flow("permeate_flow", 120.0),
        conductivity("permeate_conductivity", 500.0),
        flow("concentrate_flow", 50.0),
        conductivity("concentrate_conductivity", 50000.0, "mS/cm"),
        bit("running"),
        bit("cleaning"),
        bit("flushing"),
    ]
    for number in range(1, stages + 1):
        accuracy = 0.1 if number == 1 else 0.25
        train += [
            pressure(f"{number}/feed_pressure", 25.0, "bar" if number == 1 else "psi", accuracy),
            pressure(f"{number}/concentrate_pressure", 25.0, "bar", accuracy),
            flow(f"{number}/permeate_flow", 100.0 if number == 1 else 40.0),
            conductivity(f"{number}/permeate_conductivity", 500.0),
            pressure(f"{number}/permeate_pressure", 4.0),
        ]
    return tuple(train)


def measured(instrument: Instrument, truth: Floats, time_s: Floats, seed: int) -> Floats:
    """What a healthy transmitter shows of the truth: error and resolution, a function of time."""
    if instrument.status:
        return truth
    sample = np.floor(time_s).astype(np.int64)
    white = gauss(key(seed, instrument.signal, "white"), sample)
    slow = wander(key(seed, instrument.signal, "wander"), time_s, instrument.wander_period_s)
    fixed = gauss(key(seed, instrument.signal, "bias"), np.array([0]))[0]
    shown = (
        truth
        + instrument.white * white
        + instrument.wander * slow
        + instrument.bias * fixed
        + truth
        * (
            instrument.white_relative * white
            + instrument.wander_relative * slow
            + instrument.bias_relative * fixed
        )
    )
    return shown


def shown(instrument: Instrument, value: Floats) -> Floats:
    """The value within the range of the transmitter, at its resolution."""
    if instrument.status:
        return value
    span = instrument.high - instrument.low
    # A current loop goes a little below and above its range, then saturates.
    inside: Floats = np.clip(value, instrument.low - 0.0125 * span, instrument.high + 0.03 * span)
    if instrument.resolution > 0.0:
        inside = np.rint(inside / instrument.resolution) * instrument.resolution
    return inside


def by_signal(instruments: Sequence[Instrument]) -> dict[str, Instrument]:
    """The instruments by the name of their signal."""
    return {i.signal: i for i in instruments}
