"""Accuracy of an instrument as a standard uncertainty: from the file, else by kind of instrument.

Source of the defaults: the reference table instrument_uncertainty.csv (copied to tests/reference),
which has the resistance thermometers from IEC 60751 and the rest as common practice.
"""

from dataclasses import dataclass

from daemon.plantfile.units import Kind
from rules.train import Water


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Standard uncertainty: absolute [SI unit of the kind], share of span, share of the reading."""

    absolute: float = 0.0
    of_span: float = 0.0
    of_reading: float = 0.0


INSTRUMENTS: dict[str, tuple[Kind, Accuracy]] = {
    "electromagnetic": ("flow", Accuracy(of_reading=0.005)),
    "turbine": ("flow", Accuracy(of_reading=0.015)),
    "differential_pressure_flow": ("flow", Accuracy(of_reading=0.015)),
    "gauge_pressure": ("pressure", Accuracy(of_span=0.0025)),
    # 0.15 + 0.002 |t| and 0.30 + 0.005 |t| of IEC 60751, at 25 °C: between 5 and 45 °C within 0.04
    # (0.10) K. The two parts of the norm add, those of an instrument here add in squares, so the
    # sum is taken once instead of kept as two parts.
    "pt100_a": ("temperature", Accuracy(absolute=0.20)),
    "pt100_b": ("temperature", Accuracy(absolute=0.425)),
    "conductivity": ("conductivity", Accuracy(of_reading=0.02)),
    "ph": ("ph", Accuracy(absolute=0.1)),
    "orp": ("potential", Accuracy(absolute=20.0)),
    # common practice, no source: 0.02 NTU of stray light and 5 % of calibration
    "turbidity": ("turbidity", Accuracy(absolute=0.02, of_reading=0.05)),
}
"""Kinds of instrument that `instrument` of a point may name."""

_USUAL: dict[Kind, str] = {
    "flow": "electromagnetic",
    "pressure": "gauge_pressure",
    "temperature": "pt100_a",
    "conductivity": "conductivity",
    "ph": "ph",
    "potential": "orp",
    "turbidity": "turbidity",
}


def instruments(kind: Kind) -> tuple[str, ...]:
    """Names of the instruments that measure this kind."""
    return tuple(name for name, (measures, _) in INSTRUMENTS.items() if measures == kind)


def usual_span_bar(role: str, water: Water) -> float:
    """Span of a pressure transmitter that gives no range: 0 to 4 bar on permeate, else 0 to 25 bar,
    in seawater 0 to 100 bar. Common practice, no source; only the uncertainty uses it."""
    if role == "permeate_pressure":
        return 4.0
    return 100.0 if water.kind == "seawater" else 25.0


def standard_uncertainty(
    role: str,
    kind: Kind,
    *,
    span: float | None,
    percent_of_span: float | None,
    percent_of_reading: float | None,
    instrument: str | None,
    water: Water,
) -> tuple[float, float]:
    """(absolute, relative) of `rules.train.Instrument`, in the SI unit of the kind.

    span : highest minus lowest reading in SI, or None when the file gives no range.
    percent_of_span needs a span, else ValueError. What the file gives replaces the default wholly.
    """
    if kind == "status":
        return 0.0, 0.0
    if percent_of_span is not None or percent_of_reading is not None:
        if percent_of_span is not None and span is None:
            raise ValueError("accuracy in per cent of span needs a range")
        absolute = (percent_of_span or 0.0) / 100.0 * (span or 0.0)
        return absolute, (percent_of_reading or 0.0) / 100.0
    _, accuracy = INSTRUMENTS[instrument or _USUAL[kind]]
    absolute = accuracy.absolute
    if accuracy.of_span:
        absolute += accuracy.of_span * (usual_span_bar(role, water) if span is None else span)
    return absolute, accuracy.of_reading
