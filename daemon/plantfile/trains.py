"""Trains: geometry, design, limits and baseline; what points mean together; conversion."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import combinations
from typing import Any

from daemon.plantfile import jobs, points
from daemon.plantfile.lines import Loc
from daemon.plantfile.points import Surroundings
from daemon.plantfile.problems import Report, shown
from daemon.plantfile.result import (
    BaselineConfig,
    Design,
    ElementTest,
    PointConfig,
    Prices,
    TrainConfig,
)
from daemon.plantfile.schema import (
    OF_TRAIN_SINGLE,
    BaselineTable,
    CleaningTable,
    DesignTable,
    ElementTestTable,
    IsolationTable,
    LimitsTable,
    NormalizationTable,
    PointTable,
    PricesTable,
    StageTable,
    TrainTable,
    VesselTable,
)
from daemon.plantfile.validate import Checked, validate
from rules.train import Limits, Means, Stage, Train, Water

_MEANS: dict[str, Means] = {"exact": "profile", "log_mean": "d4516"}


@dataclass
class CheckedTrain:
    """One train's tables after the check of their single keys."""

    train: Checked[TrainTable]
    stages: list[Checked[StageTable] | None] = field(default_factory=list)
    points: list[Checked[PointTable]] = field(default_factory=list)
    design: Checked[DesignTable] | None = None
    element_test: Checked[ElementTestTable] | None = None
    normalization: Checked[NormalizationTable] | None = None
    limits: Checked[LimitsTable] | None = None
    baseline: Checked[BaselineTable] | None = None
    prices: Checked[PricesTable] | None = None
    vessels: list[Checked[VesselTable]] = field(default_factory=list)
    isolations: list[Checked[IsolationTable]] = field(default_factory=list)
    cleaning: Checked[CleaningTable] | None = None


def read(raw: object, loc: Loc, report: Report) -> CheckedTrain | None:
    """Check every key of one ``[[train]]`` and the tables in it."""
    train = validate(TrainTable, raw, loc, report)
    if train is None or not isinstance(raw, Mapping):
        return None
    read = CheckedTrain(train)
    for index, table in enumerate(elements(raw, "stage")):
        read.stages.append(validate(StageTable, table, (*loc, "stage", index), report))
    for index, table in enumerate(elements(raw, "point")):
        point = validate(PointTable, table, (*loc, "point", index), report)
        if point is not None:
            read.points.append(point)
    for index, table in enumerate(elements(raw, "vessel")):
        vessel = validate(VesselTable, table, (*loc, "vessel", index), report)
        if vessel is not None:
            read.vessels.append(vessel)
    for index, table in enumerate(elements(raw, "isolation")):
        isolation = validate(IsolationTable, table, (*loc, "isolation", index), report)
        if isolation is not None:
            read.isolations.append(isolation)
    for name, model in OF_TRAIN_SINGLE.items():
        if isinstance(raw.get(name), Mapping):
            setattr(read, name, validate(model, raw[name], (*loc, name), report))
    for name in ("stage", "point"):
        if raw.get(name) == []:
            report.problem((*loc, name), f"{name} is empty", f"add at least one [[train.{name}]]")
    return read


def elements(raw: Mapping[str, object], name: str) -> Sequence[object]:
    """The elements of an array of tables, none when it is no array."""
    found = raw.get(name)
    return found if isinstance(found, list) else ()


def check(train: CheckedTrain, protocols: Mapping[str, str | None], report: Report) -> None:
    """Report everything that is wrong between the tables of one train."""
    around = Surroundings(protocols, train.stages)
    for point in train.points:
        points.check(point, around, report)
    _check_duplicates(train, report)
    _check_design(train, report)
    _check_limits(train, report)
    _check_baseline(train, report)
    jobs.check_vessels(train.vessels, train.stages, report)
    jobs.check_isolation(train.isolations, len(train.stages), report)
    if train.cleaning is not None:
        jobs.check_cleaning(train.cleaning, report)


def _check_duplicates(train: CheckedTrain, report: Report) -> None:
    first: dict[str, Checked[PointTable]] = {}
    for point in train.points:
        name = points.identity(point)
        if name is None:
            continue
        if name in first:
            line = report.lines(first[name].loc)
            at = "" if line is None else f" at line {line}"
            report.problem(
                point.loc,
                f'"{name}" is measured twice; the first is{at or " above"}',
                "keep one of them, or correct role, stage or vessel",
            )
        else:
            first[name] = point


def check_registers(trains: Sequence[CheckedTrain], report: Report) -> None:
    """Warn of points of one Modbus device that share registers in a way that cannot both be right."""
    placed: dict[tuple[str, str], list[tuple[Checked[PointTable], range, str]]] = {}
    for train in trains:
        for point in train.points:
            found = points.registers(point)
            if found is not None and point.ok("device"):
                table, span, how = found
                placed.setdefault((point.table.device, table), []).append((point, span, how))
    for (device, _), used in placed.items():
        for (one, first, how), (other, second, other_how) in combinations(used, 2):
            if first.start >= second.stop or second.start >= first.stop:
                continue
            line = report.lines(one.loc)
            if how != other_how or first != second:
                report.warning(
                    other.loc,
                    f'registers {_span(second)} of device "{device}" are read as {other_how} here '
                    f"and as {how} ({_span(first)}) by the point at line {line}; one is wrong",
                )
            elif how != "bits" and not _may_share(one, other):
                report.warning(
                    other.loc,
                    f'register {second.start} of device "{device}" is also read by the point at '
                    f"line {line}, which measures something else",
                )


def _span(registers: range) -> str:
    last = registers.stop - 1
    return str(registers.start) if last == registers.start else f"{registers.start} to {last}"


def _may_share(one: Checked[PointTable], other: Checked[PointTable]) -> bool:
    """One transmitter may serve several trains, or end one stage and begin the next."""
    if one.table.role == other.table.role and one.loc[:2] != other.loc[:2]:
        return True
    between = {one.table.role, other.table.role} == {"concentrate_pressure", "feed_pressure"}
    return between and one.table.stage != other.table.stage


def _check_design(train: CheckedTrain, report: Report) -> None:
    design = train.design
    if design is None or not design.ok("permeate_flow", "permeate_flow_m3h"):
        return
    table, at = design.table, (*design.loc, "permeate_flow")
    if table.permeate_flow is None:
        return
    if table.permeate_flow_m3h is not None:
        report.problem(
            at, "permeate_flow and permeate_flow_m3h are both given", "keep permeate_flow_m3h"
        )
    else:
        report.warning(at, "permeate_flow is taken as m3/h; better write permeate_flow_m3h")


def _check_limits(train: CheckedTrain, report: Report) -> None:
    limits = train.limits
    if limits is None:
        return
    element, vessel = "pressure_drop_per_element_bar", "pressure_drop_per_vessel_bar"
    if limits.ok(element, vessel):
        table = limits.table
        if table.pressure_drop_per_vessel_bar < table.pressure_drop_per_element_bar:
            at = vessel if vessel in table.model_fields_set else element
            report.problem(
                (*limits.loc, at),
                f"{vessel} = {table.pressure_drop_per_vessel_bar:g} is below "
                f"{element} = {table.pressure_drop_per_element_bar:g}",
                "a vessel holds at least one element: raise the one or lower the other",
            )


def _check_baseline(train: CheckedTrain, report: Report) -> None:
    baseline = train.baseline
    if baseline is None or not baseline.ok("kind"):
        return
    table, loc = baseline.table, baseline.loc
    for name in ("start", "end"):
        value = getattr(table, name)
        if not baseline.ok(name):
            continue
        if table.kind != "window" and value is not None:
            report.problem(
                (*loc, name),
                f'{name} is given but kind is "{table.kind}"',
                f'write kind = "window", or remove {name}',
            )
        elif table.kind == "window" and value is None:
            report.problem(
                loc,
                f'kind "window" without {name}',
                f'add {name}, like {name} = "2026-01-05T06:00:00Z"',
            )
        elif value is not None and _instant(value) is None:
            report.problem(
                (*loc, name),
                f"{name} = {shown(value)} is not a time with its zone",
                "write ISO 8601 with Z or an offset, like 2026-01-05T06:00:00Z",
            )
    if table.kind == "window" and baseline.ok("start", "end"):
        start, end = _instant(table.start), _instant(table.end)
        if start is not None and end is not None and start >= end:
            report.problem((*loc, "end"), "end is not after start", "exchange or correct them")
    if table.kind != "first_steady" and baseline.ok("hours") and table.hours is not None:
        report.problem(
            (*loc, "hours"),
            f'hours is given but kind is "{table.kind}"',
            'write kind = "first_steady", or remove hours',
        )
    if table.kind == "design" and train.element_test is None:
        report.problem(
            (*loc, "kind"),
            'kind "design" without [train.element_test]',
            "add the nominal values of the element's data sheet there, "
            'or write kind = "first_steady"',
        )


def _instant(value: object) -> float | None:
    """Seconds since 1970 UTC of a TOML time or ISO text with a zone, else None."""
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value)
        except ValueError:
            return None
    if isinstance(value, datetime) and value.tzinfo is not None:
        return value.timestamp()
    return None


def convert(train: CheckedTrain, protocols: Mapping[str, str | None], water: Water) -> TrainConfig:
    """A checked train as everybody uses it."""
    table = train.train.table
    configs: list[PointConfig] = []
    instruments = []
    for point in train.points:
        protocol = protocols[point.table.device]
        assert protocol is not None
        config = points.convert(point.table, table.id, protocol)
        configs.append(config)
        instruments.append(points.instrument(point.table, config, water))
    stages = tuple(_stage(stage.table) for stage in train.stages if stage is not None)
    limits = Limits(**_plain(train.limits))
    design = _design(train.design)
    prices = _plain(train.prices)
    prices["currency"] = prices.get("currency") or ""
    model = Train(
        id=table.id,
        stages=stages,
        instruments=tuple(instruments),
        water=water,
        limits=limits,
        water_activation_k=table.water_activation_k,
        salt_activation_k=table.salt_activation_k,
        pressure_drop_exponent=table.pressure_drop_exponent,
        design={
            name: value
            for name, value in (
                ("permeate_flow_m3h", design.permeate_flow_m3h),
                ("recovery", design.recovery),
            )
            if value is not None
        },
        means=_MEANS["exact" if train.normalization is None else train.normalization.table.means],
        prices={k: v for k, v in prices.items() if k != "currency" and v is not None},
        currency=prices["currency"],
    )
    return TrainConfig(
        id=table.id,
        name=table.name or table.id,
        stages=stages,
        points=tuple(configs),
        limits=limits,
        baseline=_baseline(train.baseline),
        design=design,
        element_test=None
        if train.element_test is None
        else ElementTest(**_plain(train.element_test)),
        prices=Prices(**prices),
        model=model,
        vessels=jobs.vessels(train.vessels, len(stages)),
        isolation=tuple(jobs.isolation(point.table) for point in train.isolations),
        cleaning=None if train.cleaning is None else jobs.cleaning(train.cleaning.table),
    )


def _stage(table: StageTable) -> Stage:
    return Stage(
        vessels=table.vessels,
        elements_per_vessel=table.elements_per_vessel,
        element_area_m2=table.element_area_m2,
        element_length_mm=table.element_length_mm,
        permeate_port=table.permeate_port,
        adapter_length_mm=table.adapter_length_mm,
    )


def _design(checked: Checked[DesignTable] | None) -> Design:
    if checked is None:
        return Design()
    table = checked.table
    flow = table.permeate_flow if table.permeate_flow_m3h is None else table.permeate_flow_m3h
    return Design(permeate_flow_m3h=flow, recovery=table.recovery)


def _plain(checked: Checked[Any] | None) -> dict[str, Any]:
    """The keys of a table with their values; none for a table that is not there."""
    return {} if checked is None else dict(checked.table.model_dump())


def _baseline(checked: Checked[BaselineTable] | None) -> BaselineConfig:
    if checked is None:
        return BaselineConfig()
    table = checked.table
    return BaselineConfig(
        kind=table.kind,
        hours=48.0 if table.hours is None else table.hours,
        start=_instant(table.start),
        end=_instant(table.end),
    )
