"""`brinelark demo`: simulator, daemon and page on this machine, accelerated, until Ctrl-C."""

import asyncio
import contextlib
import json
import logging
import os
import secrets
import signal
import sys
import tempfile
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich import box
from rich.console import Console
from rich.panel import Panel
from rich.text import Text

from daemon import messages, plantfile
from daemon.commands.common import quiet_libraries
from daemon.normalize import Outcome
from daemon.people import People
from daemon.plantfile import TrainConfig
from daemon.record import Record
from daemon.service import lines_of, serve
from rules.words import percent

READY_S = 30.0
INTERVAL_S = 0.05


def demo(
    scenario: Annotated[
        str, typer.Option(help="What goes wrong; `brinelark simulate --list`.")
    ] = "demo",
    speed: Annotated[
        float, typer.Option(min=1.0, max=100_000.0, help="Plant seconds for each real second.")
    ] = 20_000.0,
    port: Annotated[
        int,
        typer.Option(min=0, max=65535, help="Port of the page on this machine, 0 for a free one."),
    ] = 8350,
    seed: Annotated[int, typer.Option(help="Same seed, same plant.")] = 1,
) -> None:
    """Show the main job: an invented plant, a fault that grows, and what the technician is told."""
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    quiet_libraries()
    with tempfile.TemporaryDirectory(prefix="brinelark-demo-") as folder:
        asyncio.run(_demo(Path(folder), scenario, speed, port, seed))


async def _demo(folder: Path, scenario: str, speed: float, port: int, seed: int) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    console = Console(highlight=False)
    plant_file = folder / "plant.toml"
    arguments = [scenario, f"--speed={speed}", f"--seed={seed}", f"--write-plant={plant_file}"]
    arguments += [f"--interval={INTERVAL_S}", f"--store={folder}", f"--page-port={port}"]
    async with _simulator(arguments, stop) as said:
        if said is None:
            return
        plant = plantfile.load(plant_file)
        console.print(
            f"An invented plant runs at {speed:,.0f} times real time; nothing here is a real site."
        )
        password = secrets.token_hex(5)
        with Record.open(plant.store.folder) as record:
            People(record).set_password("Demo", password)
        teller = _Teller(console)
        await serve(
            plant,
            stop,
            told=teller,
            ready=lambda address: console.print(
                f"Page: {address}   Stop with Ctrl-C.\n"
                f"To acknowledge and to enter work, sign in there as Demo, password {password}."
            ),
        )
    console.print("Stopped.")


@contextlib.asynccontextmanager
async def _simulator(arguments: list[str], stop: asyncio.Event) -> AsyncIterator[str | None]:
    """The simulator as a process of its own; ended in every case. None when asked to stop meanwhile."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "simulator",
        *arguments,
        f"--end-with-parent={os.getpid()}",  # even when we are killed
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        start_new_session=True,  # Ctrl-C is for us; we end it in order
    )
    assert process.stdout is not None
    assert process.stderr is not None
    ended = asyncio.create_task(stop.wait(), name="stop")
    reading = asyncio.create_task(process.stdout.readline(), name="simulator ready")
    try:
        await asyncio.wait({ended, reading}, timeout=READY_S, return_when=asyncio.FIRST_COMPLETED)
        if ended.done():
            yield None
            return
        line = reading.result().decode().strip() if reading.done() else ""
        if not line.startswith("ready"):
            process.terminate()
            words = (await process.stderr.read()).decode().strip()
            typer.echo(words or "the simulator did not start", err=True)
            raise typer.Exit(2)
        yield line
    finally:
        for task in (ended, reading):
            task.cancel()
        await asyncio.gather(ended, reading, return_exceptions=True)
        if process.returncode is None:
            process.terminate()
        try:
            await asyncio.wait_for(process.communicate(), 10.0)
        except TimeoutError:
            process.kill()
            await process.communicate()


class _Teller:
    """Prints what happens: the state of the train once in a while, every notice in full."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._day: str | None = None

    def __call__(self, train: TrainConfig, outcome: Outcome) -> None:
        """Hear of one judged minute."""
        day = datetime.fromtimestamp(outcome.time, UTC).strftime("%d %b")
        if day != self._day:
            self._day = day
            known = "watching" if outcome.learned else "learning the baseline"
            self._console.print(f"[dim]{day}  train {train.id}: {outcome.state}, {known}[/dim]")
        for line in lines_of(outcome):
            self._console.print(self._panel(line.event, line.key, json.loads(line.body)))

    @staticmethod
    def _panel(event: str, key: str, body: dict[str, Any]) -> Panel:
        rows = [body["message"]]
        concluded = any(body["deviation"].values())
        if event != "cleared" and body["causes"]:
            # Of what was seen, such as a lost link, one certain cause says nothing new.
            if concluded:
                causes = ", ".join(
                    f"{messages.cause_words(c)} {100 * c['probability']:.0f} %"
                    for c in body["causes"]
                )
                rows.append(f"Cause:    {causes}")
            rows.append(
                f"Action:   {body['action'].replace('_', ' ')} (priority {body['priority']})"
            )
        if body["forecast"]:
            late = body["forecast"]["late"] or "later"
            rows.append(
                f"Forecast: limit at {body['forecast']['limit_at']}"
                f" (between {body['forecast']['early']} and {late})"
            )
        for section, quantities in body["deviation"].items():
            name = "Train" if section == "train" else f"Stage {section}"
            numbers = ", ".join(
                f"{q.replace('_', ' ')} {percent(v)}" for q, v in quantities.items()
            )
            rows.append(f"{name + ':':9} {numbers}")
        return Panel(
            Text("\n".join(rows)),
            title=f"{body['time']}  {event}  {key}",
            box=box.SQUARE,
            expand=False,
        )
