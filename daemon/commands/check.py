"""`brinelark check`: commissioning; reads every point once, judges it, prints the sheet."""

import asyncio
import json
import logging
from pathlib import Path
from typing import Annotated, Any

import typer
from rich import box
from rich.console import Console
from rich.table import Table

from daemon import commissioning, plantfile
from daemon.commissioning import PointCheck, TrainCheck
from drivers.protocol import Address, ModbusAddress, OpcuaAddress

SIGNS = {"ok": "ok", "look": "LOOK", "bad": "BAD"}


def check(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
) -> None:
    """Read every point of a plant once and judge it; exit code 1 when something needs a look."""
    for noisy in ("asyncua", "pymodbus"):
        logging.getLogger(noisy).setLevel(logging.CRITICAL)
    plant = plantfile.load(plant_file)
    checked = asyncio.run(commissioning.check(plant))
    if as_json:
        typer.echo(json.dumps([_plain(c) for c in checked], ensure_ascii=False, indent=2))
    else:
        console = Console()
        for one in checked:
            _print(console, one)
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
        "normalized": list(one.sections),
        "remarks": list(one.remarks),
        "sound": one.sound,
    }


def _print(console: Console, one: TrainCheck) -> None:
    state = {True: "running", False: "stopped", None: "no status bit"}[one.running]
    console.print(f"Train {one.train.id} ({state})", style="bold", highlight=False)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("point")
    table.add_column("device")
    table.add_column("address")
    table.add_column("reads", justify="right")
    table.add_column("")
    table.add_column("", style="bold")
    table.add_column("why")
    for p in one.points:
        table.add_row(
            p.point.signal,
            p.point.device,
            place_of(p.point.point.address),
            _number(p),
            p.point.unit,
            SIGNS[p.verdict],
            p.reason,
        )
    console.print(table)
    for line in one.sections:
        console.print(f"normalized for {line}", highlight=False, markup=False)
    for remark in one.remarks:
        console.print(f"LOOK  {remark}", highlight=False, markup=False)
    console.print("")


def _number(p: PointCheck) -> str:
    return "" if p.value is None else f"{p.value:.6g}"
