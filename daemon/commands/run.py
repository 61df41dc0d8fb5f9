"""`brinelark run`: the service."""

import asyncio
import json
import logging
import signal
from pathlib import Path
from typing import Annotated

import typer

from daemon import plantfile
from daemon.commands import pageaddress
from daemon.commands.common import quiet_libraries
from daemon.normalize import Outcome
from daemon.plantfile import Plant, TrainConfig
from daemon.service import lines_of, serve


def run(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    page: Annotated[bool, typer.Option(help="Serve the web page.")] = True,
) -> None:
    """Watch a plant until stopped: poll, keep history, judge, tell."""
    logging.basicConfig(
        level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s"
    )
    quiet_libraries()
    plant = plantfile.load(plant_file)
    asyncio.run(_until_signal(plant, page=page))


async def _until_signal(plant: Plant, *, page: bool) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    await serve(plant, stop, told=_tell, page=page, ready=lambda address: _ready(plant, address))


def _ready(plant: Plant, address: str) -> None:
    """Store and port are ours: now what works, but not as well as it could, is worth a line."""
    log = logging.getLogger("plant")
    for warning in plant.warnings:
        log.warning(warning)
    if not address:
        typer.echo("watching")
        return
    if open_to_others := pageaddress.warning(plant):
        log.warning(open_to_others)
    typer.echo(f"watching; page at {pageaddress.shown(plant, address)}")


def _tell(train: TrainConfig, outcome: Outcome) -> None:
    for line in lines_of(outcome):
        body = json.loads(line.body)
        typer.echo(f"{body['time']} {line.event} {line.key} {body['message']}")
