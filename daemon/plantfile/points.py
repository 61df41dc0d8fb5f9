"""Points: role, level, address, unit, range and accuracy; conversion to drivers and rules."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daemon.plantfile import accuracy, units
from daemon.plantfile.problems import Report, either, meant_or_use, nearest, shown
from daemon.plantfile.result import PointConfig
from daemon.plantfile.schema import PointTable, StageTable
from daemon.plantfile.validate import Checked
from drivers.protocol import Address, CsvAddress, ModbusAddress, OpcuaAddress, Point
from rules.train import (
    STAGE_ROLES,
    TRAIN_ROLES,
    VESSEL_ROLES,
    Compensation,
    Instrument,
    Water,
    signal,
)

ROLES = tuple(dict.fromkeys((*TRAIN_ROLES, *STAGE_ROLES, *VESSEL_ROLES)))
_ONLY_UNIT = {"ph": "pH", "turbidity": "NTU", "status": "bool"}
_POSSIBLE: dict[units.Kind, tuple[float, float]] = {
    "pressure": (-1.0, 200.0),
    "flow": (-100000.0, 100000.0),
    "temperature": (-50.0, 150.0),
    "conductivity": (0.0, 500000.0),
    "ph": (0.0, 14.0),
    "potential": (-5000.0, 5000.0),
    "turbidity": (0.0, 10000.0),
}
"""Ranges that no transmitter of an RO train exceeds, in SI: beyond, the unit is the likely mistake."""

_KEYS_OF = {
    "modbus-tcp": {"register", "type", "table", "bit", "byte_order"},
    "opcua": {"node"},
    "csv": set[str](),
}
_OWN = {"register", "type", "table", "bit", "byte_order", "node"}
_REGISTERS = {
    "bool": 1,
    "int16": 1,
    "uint16": 1,
    "int32": 2,
    "uint32": 2,
    "float32": 2,
    "float64": 4,
}
_OF_MEASURED = (
    "range",
    "accuracy",
    "accuracy_of_reading",
    "resolution",
    "drift_per_year",
    "drift_of_reading_per_year",
    "calibration_years",
    "instrument",
)
"""Keys of a measured value, which a status has not."""
_VESSEL = re.compile(r"^(\d{1,2})-(\d{1,3})$")
_NODE = re.compile(r"^(?:(?:ns=\d+|nsu=[^;]+);)?(?:i=\d+|s=.+|g=[0-9A-Fa-f-]{36}|b=.+)$")
_COMPENSATION = re.compile(r"^(linear)(?:\s+(\d+(?:\.\d+)?))?$|^(natural)$|^(none)$")


@dataclass(frozen=True)
class Surroundings:
    """What a point is checked against. stages : None for a stage whose table is no table."""

    protocols: Mapping[str, str | None]
    stages: Sequence[Checked[StageTable] | None]


def vessel_of(label: str) -> tuple[int, int] | None:
    """(stage, vessel) of a label like ``1-03``, or None when it is no label."""
    match = _VESSEL.match(label)
    return (int(match[1]), int(match[2])) if match else None


def compensation(text: str | None) -> Compensation | None:
    """The compensation written as `text`, the default for None; None when it is not understood."""
    if text is None:
        return Compensation()
    match = _COMPENSATION.match(text.strip())
    if match is None:
        return None
    if match[1]:
        alpha = 2.0 if match[2] is None else float(match[2])
        return Compensation("linear", alpha) if 0.5 <= alpha <= 5.0 else None
    return Compensation("natural") if match[3] else Compensation("none")


def _given(table: PointTable) -> set[str]:
    """Keys that the file gives, by their names in the file."""
    return {"register" if name == "register_" else name for name in table.model_fields_set}


def check(point: Checked[PointTable], around: Surroundings, report: Report) -> None:
    """Report everything that is wrong with one point."""
    if point.ok("role") and point.table.role not in ROLES:
        report.problem(
            (*point.loc, "role"),
            f'role "{point.table.role}" is not known',
            meant_or_use(point.table.role, ROLES),
        )
    elif point.ok("role"):
        _check_level(point, report)
        _check_unit(point, report)
        _check_accuracy(point, report)
        _check_compensation(point, report)
    _check_geometry(point, around, report)
    _check_address(point, around, report)


def _check_level(point: Checked[PointTable], report: Report) -> None:
    """A role belongs to a train, a stage or a vessel."""
    table, loc = point.table, point.loc
    if not point.ok("stage", "vessel"):
        return
    role = table.role
    if table.vessel is not None:
        if role not in VESSEL_ROLES:
            report.problem(
                (*loc, "vessel"),
                f'role "{role}" is not measured at a vessel',
                f"remove vessel; at a vessel only {either(VESSEL_ROLES)} is known",
            )
    elif table.stage is not None:
        if role not in STAGE_ROLES:
            report.problem(
                (*loc, "stage"), f'role "{role}" belongs to the whole train', "remove stage"
            )
    elif role not in TRAIN_ROLES:
        report.problem(
            loc, f'role "{role}" belongs to a stage', "add stage, like stage = 1 for the first"
        )


def _check_geometry(point: Checked[PointTable], around: Surroundings, report: Report) -> None:
    """Stage and vessel exist."""
    table, loc = point.table, point.loc
    count = len(around.stages)
    if count == 0:
        return  # that there is no stage is said at the train
    if point.ok("stage") and table.stage is not None and table.stage > count:
        report.problem(
            (*loc, "stage"),
            f"stage = {table.stage} does not exist",
            f"this train has {count} stage{'s' if count != 1 else ''}",
        )
    if not point.ok("vessel") or table.vessel is None:
        return
    label = vessel_of(table.vessel)
    if label is None:
        report.problem(
            (*loc, "vessel"),
            f"vessel {shown(table.vessel)} is not a vessel label",
            'write stage and vessel, like vessel = "1-03"',
        )
        return
    stage, vessel = label
    if point.ok("stage") and table.stage is not None and table.stage != stage:
        report.problem(
            (*loc, "vessel"),
            f'vessel "{table.vessel}" is not in stage {table.stage}',
            "remove stage, or correct the label",
        )
    if not 1 <= stage <= count:
        report.problem(
            (*loc, "vessel"),
            f'vessel "{table.vessel}" is in stage {stage}, which does not exist',
            f"this train has {count} stage{'s' if count != 1 else ''}",
        )
        return
    geometry = around.stages[stage - 1]
    if geometry is not None and geometry.ok("vessels"):
        vessels = geometry.table.vessels
        if not 1 <= vessel <= vessels:
            report.problem(
                (*loc, "vessel"),
                f'vessel "{table.vessel}" does not exist',
                f"stage {stage} has {vessels} vessels, {stage}-01 to {stage}-{vessels:02d}",
            )


def _check_address(point: Checked[PointTable], around: Surroundings, report: Report) -> None:
    """The device exists, and the keys of the address are those of its protocol."""
    table, loc = point.table, point.loc
    if not point.ok("device"):
        return
    if table.device not in around.protocols:
        known = tuple(around.protocols)
        near = nearest(table.device, known)
        if near is not None:
            remedy = f'did you mean "{near}"?'
        elif known:
            remedy = f"use {either(known)}"
        else:
            remedy = "add a [[device]] with this id"
        report.problem((*loc, "device"), f'there is no device "{table.device}"', remedy)
        return
    protocol = around.protocols[table.device]
    if protocol is None:
        return
    for name in sorted((_given(table) & _OWN) - _KEYS_OF[protocol]):
        report.problem(
            (*loc, name),
            f'{name} does not belong to a point of a {protocol} device ("{table.device}")',
            f"remove it; use {_address_key(protocol)}",
        )
    if protocol == "modbus-tcp":
        _check_register(point, report)
    elif protocol == "opcua" and point.ok("node"):
        if table.node is None:
            report.problem(loc, '"node" is missing', 'add node, like node = "ns=2;s=PT-101"')
        elif not _NODE.match(table.node):
            report.problem(
                (*loc, "node"),
                f"node {shown(table.node)} is not an OPC UA node identifier",
                'write it like "ns=2;s=PT-101", "ns=2;i=1001" or "nsu=URI;s=PT-101"',
            )
    elif protocol == "csv" and point.ok("column") and table.column is None:
        report.problem(
            loc, '"column" is missing', 'add the header of the column, like column = "PT-101"'
        )
    if point.ok("scale") and table.scale == 0:
        report.problem(
            (*loc, "scale"),
            "scale = 0 makes every reading the same",
            "give the factor, or remove it",
        )


def _address_key(protocol: str) -> str:
    return {"modbus-tcp": "register", "opcua": "node", "csv": "column"}[protocol]


def _check_register(point: Checked[PointTable], report: Report) -> None:
    """Register, table, type and bit go together."""
    table, loc = point.table, point.loc
    if point.ok("register") and table.register_ is None:
        report.problem(
            loc, '"register" is missing', "add the zero-based register, like register = 100"
        )
    if not point.ok("type", "table", "bit"):
        return
    single = table.table in ("coil", "discrete")
    if single and table.bit is not None:
        report.problem(
            (*loc, "bit"),
            f"bit is given, but a {table.table} is a single bit already",
            'remove bit, or read a register with table = "holding" or "input"',
        )
    elif single and table.type not in (None, "bool"):
        report.problem(
            (*loc, "type"),
            f'type "{table.type}" does not fit table "{table.table}", which holds single bits',
            'write type = "bool", or read a register with table = "holding" or "input"',
        )
    elif table.bit is not None and table.type not in (None, "bool", "uint16", "int16"):
        report.problem(
            (*loc, "type"),
            f'type "{table.type}" does not fit bit, which takes one bit of one register',
            'write type = "bool", or remove bit',
        )
    last = (table.register_ or 0) + _REGISTERS[_type_of(table)] - 1
    if point.ok("register") and table.register_ is not None and last > 65535:
        report.problem(
            (*loc, "register"),
            f"register = {table.register_} with type {_type_of(table)} goes beyond 65535",
            "give the first register of the number",
        )


def _type_of(table: PointTable) -> str:
    if table.bit is not None or table.table in ("coil", "discrete"):
        return "bool"
    return table.type or "uint16"


def _check_unit(point: Checked[PointTable], report: Report) -> None:
    """The unit is one of the role's kind; `factor` goes with mg/L."""
    table, loc = point.table, point.loc
    kind = units.KIND_OF_ROLE[table.role]
    takes = units.names(kind)
    if point.ok("unit"):
        if table.unit is None:
            if kind not in _ONLY_UNIT:
                report.problem(
                    loc, '"unit" is missing', f"add unit, {either([shown(n) for n in takes])}"
                )
        elif units.kind_of(table.unit) is None:
            report.problem(
                (*loc, "unit"), f'unit "{table.unit}" is not known', f"use {either(takes)}"
            )
        elif units.kind_of(table.unit) != kind:
            report.problem(
                (*loc, "unit"),
                f'unit "{table.unit}" is a unit of {_said(units.kind_of(table.unit))}, '
                f"but {table.role} is {_said(kind)}",
                f"use {either(takes)}",
            )
    if not point.ok("unit", "factor"):
        return
    shows_solids = table.unit is not None and units.spelled(table.unit) == units.DISSOLVED_SOLIDS
    if shows_solids and kind == "conductivity" and table.factor is None:
        report.problem(
            (*loc, "unit"),
            f'unit "{table.unit}" without factor',
            "add factor, the mg/L that the transmitter shows for each µS/cm, like factor = 0.5",
        )
    elif table.factor is not None and not shows_solids:
        report.problem(
            (*loc, "factor"), "factor belongs to unit mg/L only", "remove it, or correct the unit"
        )


def _said(kind: units.Kind | None) -> str:
    return {
        "ph": "pH",
        "potential": "a potential (mV)",
        "status": "a status (0 or 1)",
    }.get(kind or "", kind or "")


def _unit_of(table: PointTable) -> units.Unit | None:
    """The unit, when it can be had and fits the role."""
    kind = units.KIND_OF_ROLE[table.role]
    text = table.unit or _ONLY_UNIT.get(kind)
    if text is None or units.kind_of(text) != kind:
        return None
    try:
        return units.unit(text, factor=table.factor)
    except ValueError:
        return None  # reported by _check_unit


def _check_accuracy(point: Checked[PointTable], report: Report) -> None:
    """Range, accuracy and kind of instrument."""
    table, loc = point.table, point.loc
    kind = units.KIND_OF_ROLE[table.role]
    if kind == "status":
        for name in _OF_MEASURED:
            if point.ok(name) and name in table.model_fields_set:
                report.problem(
                    (*loc, name),
                    f"{name} does not belong to a status, which is 0 or 1",
                    "remove it",
                )
        return
    if point.ok("range") and table.range is not None:
        _check_range(point, kind, report)
    for name, instead in (
        ("accuracy", "accuracy_of_reading"),
        ("drift_per_year", "drift_of_reading_per_year"),
    ):
        if point.ok(name, "range") and getattr(table, name) is not None and table.range is None:
            report.problem(
                (*loc, name),
                f"{name} is in per cent of span, but there is no range",
                f"add range = [lowest, highest], or use {instead}",
            )
    if point.ok("resolution", "range") and table.resolution is not None and table.range is not None:
        low, high = table.range
        if low < high and table.resolution > (high - low) / 10.0:
            report.problem(
                (*loc, "resolution"),
                f"resolution = {table.resolution:g} is more than a tenth of range = "
                f"[{low:g}, {high:g}]",
                "give the smallest step of the reading in unit, or correct the range",
            )
    drifts = table.drift_per_year is not None or table.drift_of_reading_per_year is not None
    if (
        point.ok("calibration_years", "drift_per_year", "drift_of_reading_per_year")
        and "calibration_years" in table.model_fields_set
        and not drifts
    ):
        report.problem(
            (*loc, "calibration_years"),
            "calibration_years is given, but no drift",
            "add drift_per_year or drift_of_reading_per_year, or remove it",
        )
    if point.ok("instrument") and table.instrument is not None:
        allowed = accuracy.instruments(kind)
        if table.instrument not in allowed:
            known = table.instrument in accuracy.INSTRUMENTS
            report.problem(
                (*loc, "instrument"),
                f'instrument "{table.instrument}" '
                + (f"does not measure {_said(kind)}" if known else "is not known"),
                f"use {either(allowed)}",
            )


def _check_range(point: Checked[PointTable], kind: units.Kind, report: Report) -> None:
    table, at = point.table, (*point.loc, "range")
    assert table.range is not None
    low, high = table.range
    written = f"range = [{low:g}, {high:g}]"
    if not low < high:
        report.problem(
            at,
            f"{written} does not go from low to high",
            "write range = [lowest, highest]",
        )
        return
    unit = _unit_of(table) if point.ok("unit", "factor") else None
    if unit is None:
        return
    least, most = _POSSIBLE[kind]
    if unit.to_si(low) < least or unit.to_si(high) > most:
        report.problem(
            at,
            f"{written} {unit.name} is not possible for {table.role}",
            f"give a range within {unit.from_si(least):.6g} to {unit.from_si(most):.6g} "
            f"{unit.name}, or correct the unit",
        )


def _check_compensation(point: Checked[PointTable], report: Report) -> None:
    table, loc = point.table, point.loc
    if not point.ok("compensation") or table.compensation is None:
        return
    if units.KIND_OF_ROLE[table.role] != "conductivity":
        report.problem(
            (*loc, "compensation"),
            f"compensation does not belong to {table.role}, only to conductivities",
            "remove it",
        )
    elif compensation(table.compensation) is None:
        report.problem(
            (*loc, "compensation"),
            f"compensation {shown(table.compensation)} is not understood",
            'write "linear 2.0" (0.5 to 5 %/K), "natural" or "none"',
        )


def identity(point: Checked[PointTable]) -> str | None:
    """The signal of a point, when role, stage and vessel can be told."""
    table = point.table
    if not point.ok("role", "stage", "vessel") or table.role not in ROLES:
        return None
    if table.vessel is None:
        return signal(table.role, table.stage)
    label = vessel_of(table.vessel)
    return None if label is None else signal(table.role, *label)


def registers(point: Checked[PointTable]) -> tuple[str, range, str] | None:
    """(table, registers, how they are read) of a Modbus point, when it can be told."""
    table = point.table
    if not point.ok("register", "type", "table", "bit", "byte_order") or table.register_ is None:
        return None
    kind = _type_of(table)
    how = "bits" if kind == "bool" else f"{kind} {table.byte_order or 'ABCD'}"
    span = range(table.register_, table.register_ + _REGISTERS[kind])
    return table.table or "holding", span, how


def convert(table: PointTable, train_id: str, protocol: str) -> PointConfig:
    """A checked point as everybody uses it."""
    stage, vessel = table.stage, None
    if table.vessel is not None:
        label = vessel_of(table.vessel)
        assert label is not None
        stage, vessel = label
    name = signal(table.role, stage, vessel)
    unit = _unit_of(table)
    assert unit is not None
    si_range = None
    if table.range is not None:
        si_range = (unit.to_si(table.range[0]), unit.to_si(table.range[1]))
    tag = f"{train_id}/{name}"
    return PointConfig(
        tag=tag,
        signal=name,
        role=table.role,
        stage=stage,
        vessel=vessel,
        device=table.device,
        point=Point(tag, _address(table, protocol)),
        unit=unit.name,
        si_range=si_range,
        column=table.column,
        conversion=unit,
    )


def _address(table: PointTable, protocol: str) -> Address:
    if protocol == "opcua":
        assert table.node is not None
        return OpcuaAddress(table.node, table.scale, table.offset)
    if protocol == "csv":
        assert table.column is not None
        return CsvAddress(table.column, table.scale, table.offset)
    assert table.register_ is not None
    kind = "bool" if _type_of(table) == "bool" else (table.type or "uint16")
    return ModbusAddress(
        register=table.register_,
        type=kind,
        table=table.table or "holding",
        bit=table.bit,
        byte_order=table.byte_order or "ABCD",
        scale=table.scale,
        offset=table.offset,
    )


def instrument(table: PointTable, config: PointConfig, water: Water) -> Instrument:
    """A checked point as the rules see it."""
    kind = units.KIND_OF_ROLE[table.role]
    si = config.si_range
    span = None if si is None else si[1] - si[0]
    absolute, relative = accuracy.standard_uncertainty(
        table.role,
        kind,
        span=span,
        percent_of_span=table.accuracy,
        percent_of_reading=table.accuracy_of_reading,
        instrument=table.instrument,
        water=water,
    )
    compensated = compensation(table.compensation)
    assert compensated is not None
    return Instrument(
        config.signal,
        absolute,
        relative,
        si,
        compensated,
        resolution=(table.resolution or 0.0) * config.conversion.scale,
        drift_per_year=(table.drift_per_year or 0.0) / 100.0 * (span or 0.0),
        relative_drift_per_year=(table.drift_of_reading_per_year or 0.0) / 100.0,
        calibration_years=table.calibration_years,
    )
