"""Command line of the simulator: serve a scenario, export it, or work with one that is served."""

import argparse
import asyncio
import os
import signal
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from simulator import commands, plantfile
from simulator.commands import between, start_time
from simulator.export import beside, export
from simulator.hydraulics import NotSettled
from simulator.operation import DAY_S
from simulator.scenario import DEFAULT_START, ScenarioError, load, names
from simulator.serve import LEAST_SPEED, MOST_SPEED, Ports, Served, serve
from simulator.site import Site
from simulator.tls import USER, Certificates, prepared


def _port(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"a port is a whole number, not {text!r}")
    return int(between(0, 65535, "a port")(text))


COMMANDS = {"control": commands.control, "handheld": commands.handheld_reading}
"""Commands other than to serve or export; the rest of the line is theirs."""

PARENT_S = 1.0
"""How often the parent process is looked for. [s]"""


def parser(program: str = "python -m simulator") -> argparse.ArgumentParser:
    """The options, each in words. program : how the person called it, for the usage line."""
    p = argparse.ArgumentParser(
        prog=program,
        description="An invented reverse-osmosis plant that runs a scenario: served over Modbus "
        "TCP and OPC UA on this machine, or written as a historian export.",
        epilog="Other commands: `control URL ...` works the panel of a running plant, `handheld PLANT "
        "...` reads sample valves and probe tube; each has its own --help.",
    )
    p.add_argument("scenario", nargs="?", help="name of a scenario (see --list) or a .toml file")
    p.add_argument("--list", action="store_true", help="list the scenarios and leave")
    p.add_argument(
        "--points", action="store_true", help="print register map and node list, and leave"
    )
    p.add_argument("--seed", type=int, default=1, help="number of the run; same seed, same run")
    p.add_argument(
        "--start",
        type=start_time,
        default=DEFAULT_START,
        metavar="TIME",
        help="plant time at the start, ISO 8601 (default 2026-01-05T00:00:00Z)",
    )
    p.add_argument(
        "--days",
        type=between(0.001, 1100, "days"),
        metavar="N",
        help="plant days to run (export: default is the scenario's length; "
        "served: default is until stopped)",
    )
    served = p.add_argument_group("serve (the default)")
    served.add_argument(
        "--speed",
        type=between(LEAST_SPEED, MOST_SPEED, "speed"),
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
    for name, what in (
        ("--modbus-rtu-port", "also serve Modbus RTU over TCP"),
        ("--modbus-tls-port", "also serve Modbus TLS, for clients with a certificate"),
        ("--opcua-secure-port", f"also serve OPC UA signed and encrypted, for the user {USER}"),
        ("--control-port", "open the panel over HTTP: pause, step, speed, faults, handheld"),
    ):
        served.add_argument(name, type=_port, metavar="PORT", help=f"{what}; 0 for a free port")
    served.add_argument(
        "--certificates",
        type=Path,
        metavar="FOLDER",
        help="certificates, keys and password of the secure ports; made when the folder has none",
    )
    served.add_argument(
        "--paused", action="store_true", help="plant time stands still until the panel lets it go"
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
        type=between(1 / 60, 1440, "step"),
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
        type=between(0.05, 3600, "interval"),
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
    words = list(sys.argv[1:] if arguments is None else arguments)
    if words and words[0] in COMMANDS:
        return COMMANDS[words[0]](words[1:], program)
    p = parser(program)
    given = p.parse_args(words)
    if given.list:
        return _list()
    if given.scenario is None:
        p.error("name a scenario; --list shows them")
    secure = given.modbus_tls_port is not None or given.opcua_secure_port is not None
    if secure and given.certificates is None:
        p.error("a secure port needs --certificates FOLDER: certificates are written there")
    if given.paused and given.control_port is None:
        p.error("--paused needs --control-port: only the panel can let time go on")
    try:
        site = Site(given.scenario, given.seed, given.start)
    except (ScenarioError, ValueError) as exc:
        print(exc, file=sys.stderr)
        return 2
    extras = plantfile.Extras(given.store, given.page_port)
    try:
        if given.points:
            print(plantfile.points(site))
            return 0
        if given.export is not None:
            return _export(site, given, extras)
        return _serve(site, given, extras)
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


def _export(site: Site, given: argparse.Namespace, extras: plantfile.Extras) -> int:
    began = time.monotonic()
    days = given.days if given.days is not None else site.scenario.days
    rows = export(site, given.export, days=days, step_minutes=given.step_minutes)
    if given.write_plant is not None:
        text = plantfile.exported(site, given.export.resolve(), extras)
        given.write_plant.write_text(text, encoding="utf-8")
    print(
        f"{given.export}: {rows} rows, {days:g} days in {time.monotonic() - began:.1f} s; "
        f"also {beside(given.export, '.events.csv').name} and "
        f"{beside(given.export, '.truth.json').name}"
    )
    return 0


def _serve(site: Site, given: argparse.Namespace, extras: plantfile.Extras) -> int:
    ports = Ports(
        modbus=given.modbus_port,
        opcua=given.opcua_port,
        modbus_rtu=given.modbus_rtu_port,
        modbus_tls=given.modbus_tls_port,
        opcua_secure=given.opcua_secure_port,
        control=given.control_port,
    )
    certificates: Certificates | None = None
    if given.certificates is not None:
        certificates = prepared(given.certificates, datetime.now(UTC))

    def ready(served: Served) -> None:
        if given.write_plant is not None:
            text = plantfile.served(
                site,
                modbus_port=served.ports.modbus,
                opcua_port=served.ports.opcua,
                interval_s=given.interval,
                extras=extras,
            )
            given.write_plant.write_text(text, encoding="utf-8")
        print(f"ready {served.ports}", flush=True)

    async def run() -> None:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, stop.set)
        guard = None
        if given.end_with_parent is not None:
            guard = asyncio.create_task(_end_with(given.end_with_parent, stop), name="parent")
        achieved = await serve(
            site,
            speed=given.speed,
            ports=ports,
            certificates=certificates,
            paused=given.paused,
            stop=stop,
            on_ready=ready,
            until_s=None if given.days is None else site.start_s + given.days * DAY_S,
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
