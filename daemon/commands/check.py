"""`brinelark check`: commissioning; reads every point once, judges it, prints the sheet."""

import asyncio
import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from daemon import commissioning, plantfile
from daemon.commands.common import counted, quiet_libraries
from daemon.commissioning import PointCheck, TrainCheck
from drivers.protocol import Address, ModbusAddress, OpcuaAddress

SIGNS = {"ok": "ok", "look": "LOOK", "bad": "BAD"}


def check(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
) -> None:
    """Read every point of a plant once and judge it; exit code 1 when something needs a look."""
    quiet_libraries()
    plant = plantfile.load(plant_file)
    checked = asyncio.run(commissioning.check(plant))
    if as_json:
        typer.echo(json.dumps([_plain(c) for c in checked], ensure_ascii=False, indent=2))
    else:
        console = Console()
        for one in checked:
            show(console, one)
        for warning in plant.warnings:
            console.print(warning, highlight=False, soft_wrap=True, markup=False)
    if not all(one.sound for one in checked):
        raise typer.Exit(1)


def place_of(address: Address) -> str:
    """Where a point is read, in the words of the plant file."""
    if isinstance(address, ModbusAddress):
        bit = f" bit {address.bit}" if address.bit is not None else ""
        order = f" {address.byte_order}" if address.type not in ("bool", "int16", "uint16") else ""
        return f"{address.table} {address.register} {address.type}{order}{bit}"
    return address.node if isinstance(address, OpcuaAddress) else f"column {address.column}"


def _plain(one: TrainCheck) -> dict[str, Any]:
    return {
        "train": one.train.id,
        "running": one.running,
        "points": [
            {
                "tag": p.point.tag,
                "device": p.point.device,
                "address": place_of(p.point.point.address),
                "value": p.value,
                "unit": p.point.unit,
                "si_value": p.si_value,
                "verdict": p.verdict,
                "reason": p.reason,
            }
            for p in one.points
        ],
        "devices_without_answer": dict(one.dead),
        "balances": {n: b if math.isfinite(b) else None for n, b in one.balances.items()},
        "closure": _closure(one),
        "normalized": list(one.sections),
        "remarks": list(one.remarks),
        "sound": one.sound,
    }


def _closure(one: TrainCheck) -> dict[str, Any] | None:
    if one.closure is None:
        return None
    found = asdict(one.closure)
    for meter in found["meters"]:
        meter |= {k: None for k, v in meter.items() if isinstance(v, float) and math.isnan(v)}
    return found


def show(console: Console, one: TrainCheck) -> None:
    """The sheet: a row for each point, then why, so that nothing is cut where columns are narrow."""
    console.print(Text(f"Train {one.train.id} ({_state(one)})", style="bold"))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("", style="bold", no_wrap=True)
    longest = max(len(p.point.signal) for p in one.points)
    table.add_column("point", overflow="fold", min_width=min(longest, 28))
    table.add_column("reads", justify="right", no_wrap=True)
    table.add_column("unit", no_wrap=True)
    table.add_column("device", overflow="fold")
    table.add_column("address", overflow="fold", min_width=10)
    for p in one.points:
        cells = (
            SIGNS[p.verdict],
            p.point.signal,
            _number(p),
            p.point.unit,
            p.point.device,
            place_of(p.point.point.address),
        )
        table.add_row(*map(Text, cells))
    console.print(table)
    for device, why in one.dead.items():
        points = counted(sum(p.point.device == device for p in one.points), "point")
        _remark(console, "BAD", f"{device} ({points}): {why.removeprefix(f'{device}: ')}")
    for p in one.points:
        if p.reason and p.point.device not in one.dead:
            _remark(console, SIGNS[p.verdict], f"{p.point.signal}: {p.reason}")
    for remark in one.remarks:
        _remark(console, "LOOK", remark)
    for line in one.sections:
        console.print(Text(f"normalized for {line}"))
    known = [(n, b) for n, b in one.balances.items() if math.isfinite(b)]
    if known:
        said = ", ".join(f"{n.replace('_', ' ')} {commissioning.percent(b)}" for n, b in known)
        console.print(Text(f"balances: {said}"))
    if one.closure is not None and not one.closure.detected:
        console.print(Text(" ".join(one.closure.sentences)))
    console.print("")


def _state(one: TrainCheck) -> str:
    if one.running is not None:
        return "running" if one.running else "stopped"
    has = "running" in one.train.model.signals
    return "running or not cannot be read" if has else "no status bit"


def _remark(console: Console, sign: str, text: str) -> None:
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(width=4, style="bold")
    grid.add_column(overflow="fold")
    grid.add_row(sign, Text(text))
    console.print(grid)


def _number(p: PointCheck) -> str:
    return "" if p.value is None else f"{p.value:.6g}"
