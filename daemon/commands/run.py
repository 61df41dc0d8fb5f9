"""`brinelark run`: the service."""

import asyncio
import json
import logging
import signal
from pathlib import Path
from typing import Annotated

import typer

from daemon import plantfile
from daemon.normalize import Outcome
from daemon.plantfile import TrainConfig
from daemon.service import lines_of, serve


def run(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    page: Annotated[bool, typer.Option(help="Serve the web page.")] = True,
) -> None:
    """Watch a plant until stopped: poll, keep history, judge, tell."""
    logging.basicConfig(
        level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s"
    )
    for noisy in ("asyncua", "pymodbus", "uvicorn", "apprise", "httpx"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
    plant = plantfile.load(plant_file)
    for warning in plant.warnings:
        logging.getLogger("plant").warning(warning)
    asyncio.run(_until_signal(plant, page=page))


async def _until_signal(plant: plantfile.Plant, *, page: bool) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    await serve(plant, stop, told=_tell, page=page, ready=_ready)


def _ready(address: str) -> None:
    typer.echo(f"watching; page at {address}" if address else "watching")


def _tell(train: TrainConfig, outcome: Outcome) -> None:
    for line in lines_of(outcome):
        body = json.loads(line.body)
        typer.echo(f"{body['time']} {line.event} {line.key} {body['message']}")
