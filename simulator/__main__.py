"""Command line of the simulator: serve a scenario, or write it as a historian export."""

import argparse
import asyncio
import os
import signal
import sys
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from simulator import plantfile
from simulator.export import beside, export
from simulator.hydraulics import NotSettled
from simulator.operation import DAY_S
from simulator.plant import Plant
from simulator.scenario import DEFAULT_START, Scenario, ScenarioError, load, names
from simulator.serve import LEAST_SPEED, MOST_SPEED, Served, serve


def _start(text: str) -> datetime:
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a time; write it as 2026-01-05T00:00:00Z"
        ) from None
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when


def _between(low: float, high: float, what: str) -> Callable[[str], float]:
    def number(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number") from None
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{what} must be {low:g} to {high:g}, not {text}")
        return value

    return number


def _port(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"a port is a whole number, not {text!r}")
    return int(_between(0, 65535, "a port")(text))


PARENT_S = 1.0
"""How often the parent process is looked for. [s]"""


def parser(program: str = "python -m simulator") -> argparse.ArgumentParser:
    """The options, each in words. program : how the person called it, for the usage line."""
    p = argparse.ArgumentParser(
        prog=program,
        description="An invented reverse-osmosis plant that runs a scenario: served over Modbus "
        "TCP and OPC UA on this machine, or written as a historian export.",
    )
    p.add_argument("scenario", nargs="?", help="name of a scenario (see --list) or a .toml file")
    p.add_argument("--list", action="store_true", help="list the scenarios and leave")
    p.add_argument("--seed", type=int, default=1, help="number of the run; same seed, same run")
    p.add_argument(
        "--start",
        type=_start,
        default=DEFAULT_START,
        metavar="TIME",
        help="plant time at the start, ISO 8601 (default 2026-01-05T00:00:00Z)",
    )
    p.add_argument(
        "--days",
        type=_between(0.001, 1100, "days"),
        metavar="N",
        help="plant days to run (export: default is the scenario's length; "
        "served: default is until stopped)",
    )
    served = p.add_argument_group("serve (the default)")
    served.add_argument(
        "--speed",
        type=_between(LEAST_SPEED, MOST_SPEED, "speed"),
        default=1.0,
        metavar="X",
        help="plant seconds for each real second, 1 to 100000",
    )
    served.add_argument(
        "--modbus-port",
        type=_port,
        default=0,
        metavar="PORT",
        help="TCP port, 0 for a free one (default)",
    )
    served.add_argument(
        "--opcua-port",
        type=_port,
        default=0,
        metavar="PORT",
        help="TCP port, 0 for a free one (default)",
    )
    served.add_argument(
        "--end-with-parent",
        type=int,
        metavar="PID",
        help="end when the process PID that started this one is gone",
    )
    out = p.add_argument_group("files")
    out.add_argument(
        "--export",
        type=Path,
        metavar="FILE.csv",
        help="write history, FILE.csv.events.csv and FILE.csv.truth.json; no sockets",
    )
    out.add_argument(
        "--step-minutes",
        type=_between(1 / 60, 1440, "step"),
        default=1.0,
        metavar="M",
        help="minutes between rows of the export (default 1)",
    )
    out.add_argument(
        "--write-plant",
        type=Path,
        metavar="FILE.toml",
        help="write the plant file that fits the served plant, or the export",
    )
    out.add_argument(
        "--interval",
        type=_between(0.05, 3600, "interval"),
        default=1.0,
        metavar="S",
        help="seconds between polls, for the plant file (default 1)",
    )
    out.add_argument("--store", metavar="FOLDER", help="[store] folder for the plant file")
    out.add_argument(
        "--page-port", type=_port, metavar="PORT", help="[page] port for the plant file"
    )
    return p


def main(arguments: Sequence[str] | None = None, *, program: str = "python -m simulator") -> int:
    """Run; exit status 0 when all went well, 1 when a file or port failed, 2 for wrong arguments."""
    p = parser(program)
    given = p.parse_args(arguments)
    if given.list:
        return _list()
    if given.scenario is None:
        p.error("name a scenario; --list shows them")
    try:
        scenario = load(given.scenario)
        plant = Plant(scenario, given.seed, given.start)
    except (ScenarioError, ValueError) as exc:
        print(exc, file=sys.stderr)
        return 2
    extras = plantfile.Extras(given.store, given.page_port)
    try:
        if given.export is not None:
            return _export(plant, scenario, given, extras)
        return _serve(plant, given, extras)
    except NotSettled as exc:
        print(
            f"{given.scenario}: the train cannot run as the scenario asks: {exc}; "
            "ask for less flow or recovery, or for smaller faults",
            file=sys.stderr,
        )
        return 1
    except OSError as exc:
        print(f"{exc.filename or 'network'}: {exc.strerror or exc}", file=sys.stderr)
        return 1


def _list() -> int:
    width = max(len(name) for name in names())
    for name in names():
        print(f"{name:{width}}  {load(name).title}")
    return 0


def _export(
    plant: Plant, scenario: Scenario, given: argparse.Namespace, extras: plantfile.Extras
) -> int:
    began = time.monotonic()
    days = given.days if given.days is not None else scenario.days
    rows = export(plant, given.export, days=days, step_minutes=given.step_minutes)
    if given.write_plant is not None:
        text = plantfile.exported(plant, given.export.resolve(), extras)
        given.write_plant.write_text(text, encoding="utf-8")
    print(
        f"{given.export}: {rows} rows, {days:g} days in {time.monotonic() - began:.1f} s; "
        f"also {beside(given.export, '.events.csv').name} and "
        f"{beside(given.export, '.truth.json').name}"
    )
    return 0


def _serve(plant: Plant, given: argparse.Namespace, extras: plantfile.Extras) -> int:
    def ready(served: Served) -> None:
        if given.write_plant is not None:
            text = plantfile.served(
                plant,
                modbus_port=served.modbus_port,
                opcua_port=served.opcua_port,
                interval_s=given.interval,
                extras=extras,
            )
            given.write_plant.write_text(text, encoding="utf-8")
        print(f"ready modbus={served.modbus_port} opcua={served.opcua_port}", flush=True)

    async def run() -> None:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, stop.set)
        guard = None
        if given.end_with_parent is not None:
            guard = asyncio.create_task(_end_with(given.end_with_parent, stop), name="parent")
        achieved = await serve(
            plant,
            speed=given.speed,
            modbus_port=given.modbus_port,
            opcua_port=given.opcua_port,
            stop=stop,
            on_ready=ready,
            until_s=None if given.days is None else plant.start_s + given.days * DAY_S,
        )
        if guard is not None and not guard.done():
            guard.cancel()
        elif guard is not None:
            return  # nobody is left to read what was reached
        print(achieved, flush=True)

    asyncio.run(run())
    return 0


async def _end_with(parent: int, stop: asyncio.Event) -> None:
    """Set `stop` once the parent has gone: an orphan gets another parent."""
    # Nothing tells a process that its parent was killed: it has to look.
    while os.getppid() == parent:  # noqa: ASYNC110
        await asyncio.sleep(PARENT_S)
    stop.set()


if __name__ == "__main__":
    sys.exit(main())
