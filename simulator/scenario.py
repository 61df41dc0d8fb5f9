"""Scenarios: what the plant is, how it is run and what goes wrong, from a TOML file.

Errors: ScenarioError, with every problem of the file at once.
"""

import dataclasses
import difflib
import math
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self, TypeVar

from simulator import link_faults
from simulator.faults import CHEMISTRIES, KINDS, TRANSMITTERS, Fault
from simulator.growth import LAWS
from simulator.instruments import SETS
from simulator.vessels import StageShape
from simulator.water import LAWS as WATERS

FOLDER = Path(__file__).parent / "scenarios"
DEFAULT_START = datetime(2026, 1, 5, tzinfo=UTC)
ID = re.compile(r"[A-Za-z0-9_.-]{1,40}")
MOST_TRAINS = 16


class ScenarioError(Exception):
    """A scenario that cannot be used; the text has one problem on each line."""


@dataclass(frozen=True)
class PlantSpec:
    """The invented demo train; permeabilities at 25 degC, activation energies over R in kelvin.

    booster_bar : pressure that a pump before every stage but the first adds. [bar]
    recirculated : concentrate led back before the high-pressure pump, as part of the fresh feed. The
        feed instruments stand after the mixing, the concentrate meter before the branch. [-]

    The activation energies are 10 % above the textbook 2640 K on purpose: real membranes differ
    from the constant in anybody's plant file.
    """

    stages: tuple[StageShape, ...] = (StageShape(8, 6), StageShape(4, 6))
    water_lmh_bar: float = 3.5
    salt_lmh: float = 0.12
    water_scatter: float = 0.04
    salt_scatter: float = 0.08
    friction_scatter: float = 0.02
    water_activation_k: float = 2900.0
    salt_activation_k: float = 2900.0
    permeate_static_bar: float = 0.4
    interstage_bar: float = 0.1
    booster_bar: float = 0.0
    recirculated: float = 0.0
    instruments: str = "stages"
    bits: str = "yes"
    highest_feed_bar: float = 24.0


@dataclass(frozen=True)
class Feed:
    """Feed water: season and day of temperature, salinity that wanders around its mean.

    water : ``nacl`` or ``seawater`` (`simulator.water.LAWS`), also of what other sources bring.
    tide_spread : part of the salinity that comes and goes with the tide (12.42 h). [-]
    rain_every_days : mean time between rains, 0 for none; each dilutes the water by `rain_dilution` at once
        and clouds it, and is forgotten within days. [d], [-]
    """

    water: str = "nacl"
    temperature_mean_c: float = 18.0
    temperature_season_c: float = 5.5
    temperature_day_c: float = 0.5
    temperature_weather_c: float = 0.5
    coldest_day_of_year: float = 32.0
    salt_mg_l: float = 2000.0
    salt_spread: float = 0.04
    salt_memory_hours: float = 36.0
    tide_spread: float = 0.0
    rain_every_days: float = 0.0
    rain_dilution: float = 0.25


@dataclass(frozen=True)
class Operation:
    """Set-points, how often they change, how often the plant stops (0 = never)."""

    permeate_m3h: float = 78.0
    recovery: float = 0.75
    setpoint_every_days: float = 6.0
    setpoint_spread: float = 0.04
    stop_every_days: float = 10.0
    stop_hours_least: float = 0.5
    stop_hours_most: float = 5.0


@dataclass(frozen=True)
class Event:
    """A planned event: `stop`, `cleaning`, `replace_membranes`, `replace_element` or `replace_seals` for some
    hours, or `setpoint` or `source` from then on.

    salt_mg_l, temperature_c : of another source of water, mixed in within an hour; `temperature_c` is added
        to that of the season. NaN leaves the one it is.
    restores : part of the growth of cleanable faults that a cleaning removes; each later cleaning a
        little less. [-] chemistry : ``acid``, ``alkaline``, or empty for both.
    stage, vessel, element : what is replaced; all of them when not given.
    train : to which it happens; empty for all of them.
    """

    kind: str
    at_day: float
    hours: float = 4.0
    permeate_m3h: float = math.nan
    recovery: float = math.nan
    restores: float = 0.9
    salt_mg_l: float = math.nan
    temperature_c: float = math.nan
    chemistry: str = ""
    stage: int | None = None
    vessel: int | None = None
    element: int | None = None
    detail: str = ""
    train: str = ""


Happening = TypeVar("Happening", Fault, Event)

REPLACEMENTS = {
    "replace_membranes": "membranes_replaced",
    "replace_element": "element_replaced",
    "replace_seals": "seals_replaced",
}
"""Kinds of event that put something new in, and what the log calls them."""

EVENT_KINDS = ("stop", "cleaning", "setpoint", "source", *REPLACEMENTS)


@dataclass(frozen=True)
class Link:
    """A fault of the link from `at_day` to `until_day`; `simulator.link_faults` says what each kind takes.

    Only what is served has links: an export does not show it. Keys that a kind does not take stay NaN, empty
    or 0.
    """

    kind: str
    at_day: float
    until_day: float
    protocol: str = ""
    train: str = ""
    tag: str = ""
    seconds: float = math.nan
    ppm: float = math.nan
    code: int = 0

    def table(self) -> dict[str, str | float | int]:
        """What was given of `simulator.link_faults.LinkFault`."""
        given: dict[str, str | float | int] = {"kind": self.kind}
        for name in ("protocol", "train", "tag", "seconds", "ppm", "code"):
            value = getattr(self, name)
            if value and value == value:
                given[name] = value
        return given


@dataclass(frozen=True)
class Ageing:
    """Slow normal change of all elements, per cent a year."""

    water_percent_year: float = -3.0
    salt_percent_year: float = 4.0


@dataclass(frozen=True)
class Expected:
    """What a monitor should say: `silence`, or a notice with cause, action, stage or point.

    train : of which of several it should say so.
    """

    outcome: str = "silence"
    cause: str = "none"
    action: str = ""
    stage: int | None = None
    point: str = ""
    train: str = ""


@dataclass(frozen=True)
class TrainSpec:
    """One of the trains of a story.

    fed_by : the train whose permeate is its feed (the first pass of a plant of two); empty for the feed water.
    """

    id: str = "A"
    name: str = "Invented brackish train"
    fed_by: str = ""
    plant: PlantSpec = field(default_factory=PlantSpec)
    operation: Operation = field(default_factory=Operation)
    ageing: Ageing = field(default_factory=Ageing)


@dataclass(frozen=True)
class Scenario:
    """One story of a plant, with what a monitor should make of it.

    trains : when there are several, or one with a name of its own; empty for train A. Then `plant`,
        `operation` and `ageing` are what they have in common.
    """

    name: str
    title: str
    description: str
    days: float = 40.0
    plant: PlantSpec = field(default_factory=PlantSpec)
    feed: Feed = field(default_factory=Feed)
    operation: Operation = field(default_factory=Operation)
    ageing: Ageing = field(default_factory=Ageing)
    expected: Expected = field(default_factory=Expected)
    faults: tuple[Fault, ...] = ()
    events: tuple[Event, ...] = ()
    links: tuple[Link, ...] = ()
    trains: tuple[TrainSpec, ...] = ()

    def each(self) -> tuple[Self, ...]:
        """The story of every train by itself, in their order."""
        return tuple(
            dataclasses.replace(
                self,
                plant=train.plant,
                operation=train.operation,
                ageing=train.ageing,
                faults=of_train(self.faults, train.id),
                events=of_train(self.events, train.id),
                trains=(train,),
            )
            for train in self.trains or (self.only,)
        )

    @property
    def only(self) -> TrainSpec:
        """The train of a story of one."""
        if len(self.trains) > 1:
            raise ValueError(
                f"scenario {self.name} has the trains {', '.join(t.id for t in self.trains)}: "
                "take `each` by itself"
            )
        given = self.trains[0] if self.trains else TrainSpec()
        return dataclasses.replace(
            given, plant=self.plant, operation=self.operation, ageing=self.ageing
        )


def of_train(things: Sequence[Happening], train: str) -> tuple[Happening, ...]:
    """Those faults or events that concern a train."""
    return tuple(thing for thing in things if thing.train in ("", train))


def names() -> tuple[str, ...]:
    """Names of the scenarios that come with the simulator."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


def load(name_or_path: str) -> Scenario:
    """Read a scenario by its name in `simulator/scenarios`, or by the path of a TOML file."""
    path = Path(name_or_path)
    if path.suffix != ".toml":
        path = FOLDER / f"{name_or_path}.toml"
        if not path.is_file():
            near = difflib.get_close_matches(name_or_path, names(), 1, 0.4)
            hint = f"; did you mean {near[0]!r}" if near else ""
            raise ScenarioError(
                f"scenario {name_or_path!r} is not known{hint}. "
                f"Known are: {', '.join(names())}; or give the path of a .toml file."
            )
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as exc:
        raise ScenarioError(f"{path}: cannot be read ({exc.strerror}); check the path") from exc
    except UnicodeDecodeError as exc:
        raise ScenarioError(f"{path}: is not UTF-8 text; save it as UTF-8") from exc
    return parse(text, str(path), path.stem)


def parse(text: str, place: str, name: str) -> Scenario:
    """Make a scenario of the text of its file; `place` is how errors call the file."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise ScenarioError(f"{place}: not valid TOML: {exc}") from exc
    problems: list[str] = []
    reader = _Reader(place, problems)
    known = {"title", "description", "days", "plant", "feed", "operation", "ageing", "expected"}
    reader.unknown("the top level", table, known | {"train", "fault", "event", "link"})
    for required in ("title", "description"):
        if not isinstance(table.get(required), str):
            problems.append(f'{place}: "{required}" is missing; write {required} = "..."')
    common = _common(reader, table, "", TrainSpec())
    trains = _trains(reader, table.get("train", []), common)
    feed = reader.build(Feed, table.get("feed", {}), "feed")
    if feed is not None and feed.water not in WATERS:
        problems.append(f"{place}: feed: water {feed.water!r}; use one of {', '.join(WATERS)}")
    expected = reader.build(Expected, table.get("expected", {}), "expected")
    faults = [
        reader.build(Fault, fault, f"fault {number}")
        for number, fault in enumerate(table.get("fault", []), 1)
    ]
    events = [
        reader.build(Event, event, f"event {number}")
        for number, event in enumerate(table.get("event", []), 1)
    ]
    links = [
        reader.build(Link, link, f"link {number}")
        for number, link in enumerate(table.get("link", []), 1)
    ]
    days = table.get("days", 40.0)
    if not isinstance(days, int | float) or not 0 < days <= 1100:
        problems.append(f'{place}: "days" is {days!r}; give a number above 0, at most 1100')
    if not problems:
        several = trains or (common,)
        _check_trains(several, place, problems)
        _check_faults(faults, several, place, problems)
        if expected.outcome == "notice" or expected.train:
            _named(expected.train, several, f"{place}: expected", problems)
        for number, link in enumerate(links, 1):
            try:
                link_faults.LinkFault(**link.table())
            except link_faults.BadLink as exc:
                problems.append(f"{place}: link {number}: {exc}")
            if not link.at_day < link.until_day:
                problems.append(
                    f"{place}: link {number}: until_day {link.until_day:g} must be after at_day {link.at_day:g}"
                )
            if link.train:
                _named(link.train, several, f"{place}: link {number}", problems)
        _check_events(events, several, place, problems)
    if problems:
        raise ScenarioError("\n".join(problems))
    return Scenario(
        name=name,
        title=table["title"],
        description=" ".join(table["description"].split()),
        days=float(days),
        plant=common.plant,
        feed=feed,
        operation=common.operation,
        ageing=common.ageing,
        expected=expected,
        faults=tuple(faults),
        events=tuple(events),
        links=tuple(links),
        trains=trains,
    )


def _common(reader: "_Reader", table: Any, where: str, base: TrainSpec) -> TrainSpec:
    """Plant, operation and ageing of a table, on top of those of `base`."""
    parts: dict[str, Any] = {}
    plant_table = table.get("plant", {})
    if isinstance(plant_table, dict):
        plant_table = dict(plant_table)
        stages = tuple(
            reader.build(StageShape, stage, f"{where}plant.stages {number}")
            for number, stage in enumerate(plant_table.pop("stages", []), 1)
        )
        if stages and None not in stages:
            parts["plant"] = dataclasses.replace(base.plant, stages=stages)
    for name, kind, given in (
        ("plant", PlantSpec, plant_table),
        ("operation", Operation, table.get("operation", {})),
        ("ageing", Ageing, table.get("ageing", {})),
    ):
        on = parts.get(name, getattr(base, name))
        parts[name] = reader.build(kind, given, f"{where}{name}", on) or on
    return dataclasses.replace(base, **parts)


def _trains(reader: "_Reader", tables: Any, common: TrainSpec) -> tuple[TrainSpec, ...]:
    """The trains of a file, each with what it has of its own."""
    if not isinstance(tables, list):
        reader.problems.append(f"{reader.place}: train must be a list of tables: write [[train]]")
        return ()
    found = []
    for number, table in enumerate(tables, 1):
        where = f"train {number}"
        if not isinstance(table, dict):
            reader.problems.append(f"{reader.place}: {where} must be a table of keys and values")
            continue
        own = {k: v for k, v in table.items() if k not in ("plant", "operation", "ageing")}
        if "id" not in own:
            reader.problems.append(f'{reader.place}: {where}: "id" is missing')
            continue
        train = _common(reader, table, f"{where}: ", common)
        found.append(reader.build(TrainSpec, own, where, train))
    return tuple(train for train in found if train is not None)


def _check_trains(trains: Sequence[TrainSpec], place: str, problems: list[str]) -> None:
    before: list[str] = []
    if len(trains) > MOST_TRAINS:
        problems.append(f"{place}: {len(trains)} trains; at most {MOST_TRAINS}")
    for train in trains:
        where = f"{place}: train {train.id}"
        if not ID.fullmatch(train.id):
            problems.append(f"{place}: train {train.id!r}: write an id of letters and digits")
        if train.id in before:
            problems.append(f"{where}: there are two of this id")
        if train.fed_by and train.fed_by not in before:
            known = f"; before it stand {', '.join(before)}" if before else ", and it is the first"
            problems.append(
                f"{where}: fed_by {train.fed_by!r}: a train is fed by one that stands before it{known}"
            )
        if train.plant.instruments not in SETS:
            problems.append(
                f"{where}: plant: instruments {train.plant.instruments!r}; use one of {', '.join(SETS)}"
            )
        if train.plant.bits not in ("yes", "no"):
            problems.append(f'{where}: plant: bits {train.plant.bits!r}; write "yes" or "no"')
        before.append(train.id)


def _named(
    train: str, trains: Sequence[TrainSpec], where: str, problems: list[str]
) -> TrainSpec | None:
    """The train of an id; the only one when none is named, and there is only one."""
    known = {t.id: t for t in trains}
    if train in known:
        return known[train]
    if train:
        problems.append(f"{where}: train {train!r} is not known; use one of {', '.join(known)}")
    elif len(trains) == 1:
        return trains[0]
    else:
        problems.append(f"{where}: which train? give train, one of {', '.join(known)}")
    return None


def _check_events(
    events: Sequence[Event], trains: Sequence[TrainSpec], place: str, problems: list[str]
) -> None:
    for number, event in enumerate(events, 1):
        where = f"{place}: event {number}"
        if event.kind == "source" and event.train:
            problems.append(f"{where} (source): the feed water is that of all; leave train out")
            continue
        if event.train and _named(event.train, trains, where, problems) is None:
            continue
        if event.kind not in EVENT_KINDS:
            problems.append(
                f"{where}: kind {event.kind!r} is not known; use one of {', '.join(EVENT_KINDS)}"
            )
            continue
        if event.chemistry not in CHEMISTRIES:
            problems.append(
                f"{where}: chemistry {event.chemistry!r}; use acid or alkaline, or leave it out for both"
            )
        if (
            event.kind == "source"
            and math.isnan(event.salt_mg_l)
            and math.isnan(event.temperature_c)
        ):
            problems.append(f"{where} (source): give salt_mg_l, temperature_c or both")
        if event.kind == "replace_element" and None in (event.stage, event.vessel, event.element):
            problems.append(f"{where} (replace_element): give stage, vessel and element")
        if event.vessel is not None and event.stage is None:
            problems.append(f"{where}: vessel {event.vessel} of which stage? give stage")
            continue
        if event.stage is None:
            continue
        for train in trains:
            if event.train not in ("", train.id):
                continue
            stages = train.plant.stages
            if not 1 <= event.stage <= len(stages):
                problems.append(
                    f"{where}: stage {event.stage}; the train has stages 1 to {len(stages)}"
                )
                continue
            shape = stages[event.stage - 1]
            for what, value, most in (
                ("vessel", event.vessel, shape.vessels),
                ("element", event.element, shape.elements),
            ):
                if value is not None and not 1 <= value <= most:
                    problems.append(
                        f"{where}: {what} {value}; stage {event.stage} has {what} 1 to {most}"
                    )


def _check_faults(
    faults: Sequence[Fault], trains: Sequence[TrainSpec], place: str, problems: list[str]
) -> None:
    for number, fault in enumerate(faults, 1):
        where = f"{place}: fault {number} ({fault.kind})"
        if fault.kind not in KINDS:
            near = difflib.get_close_matches(fault.kind, KINDS, 1)
            hint = f"did you mean {near[0]!r}?" if near else f"use one of {', '.join(KINDS)}"
            problems.append(f"{where}: this kind is not known; {hint}")
            continue
        if fault.growth not in LAWS:
            problems.append(f"{where}: growth {fault.growth!r}; use one of {', '.join(LAWS)}")
        if not fault.grows_days > 0.0:
            problems.append(f"{where}: grows_days is {fault.grows_days}; it must be above 0")
        if fault.reach_elements is not None and not fault.reach_elements > 0.0:
            problems.append(
                f"{where}: reach_elements is {fault.reach_elements}; it must be above 0"
            )
        if fault.kind in TRANSMITTERS and not fault.tag:
            problems.append(f'{where}: "tag" is missing; name the signal, as "1/feed_pressure"')
        if (fault.kind == "transmitter_swapped") != bool(fault.other):
            problems.append(
                f'{where}: "other" names the second transmitter of transmitter_swapped, and only of it'
            )
        if not fault.factor > 0.0:
            problems.append(f"{where}: factor is {fault.factor}; it must be above 0")
        train = _named(fault.train, trains, where, problems)
        if train is None:
            continue
        plant = train.plant
        count = len(plant.stages)
        if fault.stage is not None and not 1 <= fault.stage <= count:
            problems.append(f"{where}: stage {fault.stage}; the train has stages 1 to {count}")
            continue
        for stage in fault.stages(count):
            shape = plant.stages[stage - 1]
            for what, value, least, most in (
                ("vessel", fault.vessel, 1, shape.vessels),
                ("element", fault.element, 1, shape.elements),
                ("joint", fault.joint, 0, shape.elements),
            ):
                if value is not None and not least <= value <= most:
                    problems.append(
                        f"{where}: {what} {value}; stage {stage} has {what} {least} to {most}"
                    )


class _Reader:
    """Fills dataclasses from tables and collects what does not fit."""

    def __init__(self, place: str, problems: list[str]):
        self.place = place
        self.problems = problems

    def unknown(self, where: str, table: dict[str, Any], known: set[str]) -> None:
        """Note every key that nobody knows, with the nearest one that somebody does."""
        for key in table:
            if key not in known:
                near = difflib.get_close_matches(key, known, 1, 0.5)
                hint = (
                    f"did you mean {near[0]!r}?" if near else f"known: {', '.join(sorted(known))}"
                )
                self.problems.append(f'{self.place}: {where}: unknown key "{key}"; {hint}')

    def build(self, kind: type[Any], table: Any, where: str, base: Any = None) -> Any:
        """One dataclass from one table, the rest as in `base`; None when it cannot be made."""
        if not isinstance(table, dict):
            self.problems.append(f"{self.place}: {where} must be a table of keys and values")
            return None
        fields = {f.name: f for f in dataclasses.fields(kind)}
        self.unknown(where, table, set(fields))
        values: dict[str, Any] = {}
        for name, spec in fields.items():
            if name not in table:
                missing = dataclasses.MISSING
                absent = spec.default is missing and spec.default_factory is missing
                if base is None and absent:
                    self.problems.append(f'{self.place}: {where}: "{name}" is missing')
                    return None
                continue
            value = table[name]
            wanted = str(spec.type)
            whole = "int" in wanted
            if "str" in wanted:
                fits = isinstance(value, str)
            else:
                fits = isinstance(value, int if whole else int | float) and not isinstance(
                    value, bool
                )
            if not fits:
                expected = "text" if "str" in wanted else "a whole number" if whole else "a number"
                self.problems.append(
                    f'{self.place}: {where}: "{name}" is {value!r}; give {expected}'
                )
                return None
            values[name] = value if "str" in wanted or whole else float(value)
        return kind(**values) if base is None else dataclasses.replace(base, **values)
