"""The same past judged with other limits, side by side: what would have been told earlier, later, or not at all."""

import json
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import ValidationError

from daemon.eventlog import LoggedEvent
from daemon.plantfile import Plant
from daemon.plantfile.schema import LimitsTable
from daemon.replay import Source, replay
from daemon.rows import JournalLine
from rules.train import Limits

NAMES = tuple(LimitsTable.model_fields)


class CompareError(Exception):
    """Limits that cannot be compared with; the text says what would be right."""


@dataclass(frozen=True, slots=True)
class Variant:
    """One set of limits and what it raises.

    name : as it was asked for. raised : the journal bodies of the notices raised, in order.
    """

    name: str
    raised: tuple[Mapping[str, object], ...]

    def by_cause(self) -> dict[tuple[str, str, int], Mapping[str, object]]:
        """(train, cause, how many-th of it) -> the notice."""
        found: dict[tuple[str, str, int], Mapping[str, object]] = {}
        count: dict[tuple[str, str], int] = {}
        for body in self.raised:
            key = (str(body["train"]), str(body["cause"]))
            count[key] = count.get(key, 0) + 1
            found[(*key, count[key])] = body
        return found


def parse(text: str) -> dict[str, float]:
    """``pressure_drop=0.20,horizon_days=7`` as numbers by name; raises CompareError."""
    changes: dict[str, float] = {}
    for part in text.split(","):
        name, equals, value = (p.strip() for p in part.partition("="))
        if not equals or name not in NAMES:
            raise CompareError(
                f"{part.strip()!r} is not a limit; write NAME=VALUE with one of {', '.join(NAMES)}"
            )
        if name in changes:
            raise CompareError(f"{name} is given twice in {text!r}")
        try:
            changes[name] = float(value)
        except ValueError as error:
            raise CompareError(f"{name}: {value!r} is not a number") from error
    return changes


def with_limits(plant: Plant, changes: Mapping[str, float]) -> Plant:
    """The plant with other limits for every train; CompareError where one is not possible."""
    trains = []
    for train in plant.trains:
        values = {name: getattr(train.limits, name) for name in NAMES}
        try:
            checked = LimitsTable(**{**values, **changes})
        except ValidationError as error:
            said = "; ".join(f"{e['loc'][-1]}: {e['msg'].lower()}" for e in error.errors())
            raise CompareError(f"{said}. Values are those of [train.limits]") from error
        limits = Limits(**{name: getattr(checked, name) for name in NAMES})
        trains.append(replace(train, limits=limits, model=replace(train.model, limits=limits)))
    return replace(plant, trains=tuple(trains))


def compare(
    plant: Plant,
    data: Path,
    asked: Sequence[str],
    *,
    events: Sequence[LoggedEvent] = (),
    advanced: Callable[[], None] | None = None,
) -> Iterator[Variant]:
    """Judge the past of `data` once for each of the limits asked for.

    advanced : called for each minute of each.
    """
    plants = [(text, with_limits(plant, parse(text))) for text in asked]
    for text, other in plants:
        with tempfile.TemporaryDirectory(prefix="brinelark-") as folder:
            done = replay(
                other, Source(other, data), Path(folder), events=events, advanced=advanced
            )
        yield Variant(text, raised(done.lines))


def raised(lines: Sequence[JournalLine]) -> tuple[Mapping[str, object], ...]:
    """What the lines say that raised a notice."""
    return tuple(json.loads(line.body) for line in lines if line.event == "raised")
