"""Minutes and deviations as InfluxDB line protocol: bytes, whole seconds, floats only.

    ro_minute,site=Invented\\ wells,train=A,stage=1 feed_pressure=11.52,concentrate_pressure=10.4 1767571200
    ro_normalized,site=Invented\\ wells,train=A,section=1 permeate_flow=-0.012,pressure_drop=0.03 1767571200

Pure: what is not a number is left out, and what has nothing left is no line.
Source: InfluxDB 2 documentation, "Line protocol" (elements, special characters).
"""

import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

from daemon.minutes import Minute
from daemon.plantfile.result import TrainConfig
from rules.train import QUANTITIES

MINUTE = "ro_minute"
NORMALIZED = "ro_normalized"

# A backslash only escapes; before one of these, or at the end, no server reads it as itself.
_LOST_BACKSLASH = re.compile(r"\\(?=[\\, =]|$)")


def tag_value(text: str) -> str:
    """A tag's value with comma, space and equals sign escaped.

    Line breaks and other controls become spaces, and a backslash that the protocol cannot carry
    (before a special character, another backslash, or at the end) becomes a slash.
    """
    plain = "".join(c if c.isprintable() else " " for c in text)
    plain = _LOST_BACKSLASH.sub("/", plain)
    return re.sub(r"([, =])", r"\\\1", plain)


def prefix(measurement: str, tags: Iterable[tuple[str, str]]) -> str:
    """Measurement and tags; an empty tag is left out, as the protocol wants it."""
    written = [f"{name}={tag_value(value)}" for name, value in tags if value]
    return ",".join([measurement, *written])


def line(start: str, fields: Iterable[tuple[str, float]], time_s: float) -> bytes | None:
    """One line, or None when no field is a finite number.

    start : from `prefix`. time_s : rounded down to whole seconds. [s since 1970-01-01 UTC]
    """
    # repr of a float always has a point or an exponent: never an integer, whose type would clash.
    numbers = [f"{name}={float(value)!r}" for name, value in fields if math.isfinite(value)]
    if not numbers:
        return None
    return f"{start} {','.join(numbers)} {math.floor(time_s)}".encode()


class MinuteLines:
    """Writes the minutes of one train: a line for the train, each stage and each vessel.

    signals : the order of columns that minutes must come in.
    """

    def __init__(self, site: str, train: TrainConfig) -> None:
        self.signals = train.model.signals
        column = {signal: n for n, signal in enumerate(self.signals)}
        places: dict[tuple[int | None, int | None], list[tuple[str, int]]] = {}
        for point in train.points:
            if point.signal in column:
                place = (point.stage, point.vessel)
                places.setdefault(place, []).append((point.role, column[point.signal]))
        self._groups = []
        for (stage, vessel), roles in places.items():
            tags = [("site", site), ("train", train.id)]
            if stage is not None:
                tags.append(("stage", str(stage)))
            if vessel is not None:
                tags.append(("vessel", f"{stage}-{vessel:02d}"))
            self._groups.append((prefix(MINUTE, tags), roles))

    def of(self, minute: Minute) -> list[bytes]:
        """The lines of one minute; none when it has no value."""
        values = minute.values.tolist()
        lines = (
            line(start, ((role, values[n]) for role, n in roles), minute.time)
            for start, roles in self._groups
        )
        return [made for made in lines if made is not None]


def deviation_lines(
    site: str, train: str, digest: Mapping[str, Any], baseline: Mapping[str, Any]
) -> list[bytes]:
    """ln(actual/baseline) of one stored digest against one stored baseline, a line for each section.

    digest, baseline : bodies as the record gives them; `values` are logarithms by observable.
    """
    sections: dict[str, list[tuple[str, float]]] = {}
    for observable, value in digest["values"].items():
        section, _, quantity = observable.partition("/")
        level = baseline["values"].get(observable)
        if quantity in QUANTITIES and section != "balance" and level is not None:
            sections.setdefault(section, []).append((quantity, value - level))
    lines = (
        line(
            prefix(NORMALIZED, [("site", site), ("train", train), ("section", section)]),
            fields,
            digest["start"],
        )
        for section, fields in sections.items()
    )
    return [made for made in lines if made is not None]
