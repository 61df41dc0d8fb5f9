"""The commands `control` and `handheld`: a running plant's panel, and the meter of a technician."""

import argparse
import csv
import json
import re
import sys
import urllib.parse
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from simulator import handheld
from simulator.hydraulics import NotSettled
from simulator.link_faults import TAKES
from simulator.operation import DAY_S
from simulator.scenario import DEFAULT_START, ScenarioError
from simulator.site import Site

UNIT_S = {"": 1.0, "s": 1.0, "m": 60.0, "h": 3600.0, "d": DAY_S}


def start_time(text: str) -> datetime:
    """A time of the command line; UTC when it names no zone."""
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a time; write it as 2026-01-05T00:00:00Z"
        ) from None
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when


def between(low: float, high: float, what: str) -> Callable[[str], float]:
    """A reader of numbers within limits, both included."""

    def number(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number") from None
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{what} must be {low:g} to {high:g}, not {text}")
        return value

    return number


def _duration(text: str) -> float:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)([smhd]?)", text)
    if found is None:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a length of time; write 90 or 90s, 15m, 6h or 3d"
        )
    return float(found[1]) * UNIT_S[found[2]]


def _setting(text: str) -> tuple[str, object]:
    name, equals, value = text.partition("=")
    if not equals or not name:
        raise argparse.ArgumentTypeError(f"{text!r}: write key=value, as in severity=0.5")
    for kind in (int, float):
        try:
            return name, kind(value)
        except ValueError:
            continue
    return name, value


def _control_parser(program: str) -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        prog=f"{program} control",
        description="The panel of a simulator that was started with --control-port.",
    )
    p.add_argument("url", metavar="URL", help="as http://127.0.0.1:PORT, with the port it told")
    actions = p.add_subparsers(dest="action", required=True, metavar="ACTION")
    state = actions.add_parser("state", help="plant time, speed and mode")
    state.add_argument(
        "--truth", action="store_true", help="also what is wrong with it, by number and size"
    )
    actions.add_parser("pause", help="let plant time stand still")
    actions.add_parser("resume", help="let it go on")
    step = actions.add_parser("step", help="bring the paused plant forward")
    step.add_argument("length", type=_duration, help="seconds, or as 15m, 6h, 3d")
    speed = actions.add_parser("speed", help="let time run at another speed")
    speed.add_argument("speed", type=float, help="plant seconds for each real second, 1 to 100000")
    fault = actions.add_parser("fault", help="let a fault begin now")
    fault.add_argument("kind", help="as in a [[fault]] of a scenario, for example scaling")
    fault.add_argument(
        "settings",
        nargs="*",
        type=_setting,
        metavar="KEY=VALUE",
        help="the other keys of a [[fault]], for example stage=2 severity=0.5 growth=step train=B",
    )
    clear = actions.add_parser("clear", help="repair one fault, or all")
    clear.add_argument("number", nargs="?", type=int, help="its number; all when it is left out")
    restart = actions.add_parser("restart", help="start a train that has tripped")
    restart.add_argument("train", nargs="?", help="its id, when there are several")
    link = actions.add_parser("link", help="let the link to the plant, or its data, go wrong now")
    link.add_argument("kind", choices=tuple(TAKES), metavar="KIND", help=", ".join(TAKES))
    link.add_argument(
        "settings",
        nargs="*",
        type=_setting,
        metavar="KEY=VALUE",
        help="for example protocol=modbus, train=B, tag=1/feed_pressure, seconds=300",
    )
    mend = actions.add_parser("mend", help="end one link fault, or all")
    mend.add_argument("number", nargs="?", type=int, help="its number; all when it is left out")
    return p


def control(arguments: Sequence[str], program: str) -> int:
    """Run `control`; 0 when it was done, 1 when nobody answers, 2 when it was refused."""
    given = _control_parser(program).parse_args(arguments)
    if given.action == "state":
        return _ask(given.url, "state", query="truth=yes" if given.truth else "")
    body: dict[str, object] = {}
    if given.action == "step":
        body = {"seconds": given.length}
    elif given.action == "speed":
        body = {"speed": given.speed}
    elif given.action in ("fault", "link"):
        body = {"kind": given.kind, **dict(given.settings)}
    elif given.action in ("clear", "mend") and given.number is not None:
        body = {"number": given.number}
    elif given.action == "restart" and given.train is not None:
        body = {"train": given.train}
    return _ask(given.url, given.action, body=body)


def _ask(url: str, path: str, *, body: Mapping[str, object] | None = None, query: str = "") -> int:
    def show(answer: dict[str, Any]) -> None:
        print(json.dumps(answer, indent=1, ensure_ascii=False))

    return _answered(url, path, show, body=body, query=query)


def _answered(
    url: str,
    path: str,
    show: Callable[[dict[str, Any]], None],
    *,
    body: Mapping[str, object] | None = None,
    query: str = "",
) -> int:
    from simulator.client import NotReached, Refusal, call

    try:
        answer = call(url, path, body=body, query=query)
    except Refusal as exc:
        print(exc, file=sys.stderr)
        return 2
    except NotReached as exc:
        print(exc, file=sys.stderr)
        return 1
    show(answer)
    return 0


def _handheld_parser(program: str) -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        prog=f"{program} handheld",
        description="Conductivity by a handheld meter: at a sample valve, along a vessel's permeate "
        "tube, or a survey of a stage; printed as CSV. The meter has errors of its own.",
    )
    p.add_argument(
        "plant",
        metavar="PLANT",
        help="a running plant, as http://127.0.0.1:PORT, or a scenario (name or .toml file)",
    )
    p.add_argument("--train", metavar="ID", help="the train, when there are several")
    p.add_argument("--vessel", metavar="S-NN", help="the sample valve of one vessel, as 1-03")
    p.add_argument("--stage", type=int, metavar="S", help="a survey: every vessel of a stage")
    p.add_argument(
        "--depth-mm",
        type=float,
        nargs="+",
        default=[],
        metavar="MM",
        help="probe the tube of the vessel, from its permeate port inwards",
    )
    p.add_argument(
        "--every-mm", type=float, metavar="MM", help="probe the whole tube, pulled out by this much"
    )
    p.add_argument("--meter", type=int, default=1, metavar="N", help="which meter (default 1)")
    p.add_argument(
        "--compensation",
        choices=tuple(handheld.COMPENSATIONS),
        default="linear",
        help="linear 2 %%/K to 25 °C (default), or none",
    )
    p.add_argument(
        "--truth", action="store_true", help="also what a meter without error would show"
    )
    of_scenario = p.add_argument_group("of a scenario that is not running")
    of_scenario.add_argument(
        "--day",
        type=between(0.0, 1100.0, "day"),
        default=None,
        metavar="N",
        help="plant day of the reading (default: the last of the scenario)",
    )
    of_scenario.add_argument("--seed", type=int, help="number of the run (default 1)")
    of_scenario.add_argument("--start", type=start_time, metavar="TIME", help="plant time at day 0")
    of_scenario.add_argument(
        "--attempt", type=int, metavar="N", help="another number reads the same spots once more"
    )
    return p


def handheld_reading(arguments: Sequence[str], program: str) -> int:
    """Run `handheld`; 0 with CSV on stdout, 1 when nobody answers, 2 when there is nothing to read."""
    p = _handheld_parser(program)
    given = p.parse_args(arguments)
    if not given.plant.startswith(("http:", "https:")):
        return _of_scenario(given)
    for name in ("day", "seed", "start", "attempt"):
        if getattr(given, name) is not None:
            p.error(f"--{name} is for a scenario; a running plant is read as it is now")
    asked: list[tuple[str, object]] = [
        (name, value)
        for name, value in (
            ("train", given.train),
            ("vessel", given.vessel),
            ("stage", given.stage),
            ("every_mm", given.every_mm),
            ("meter", given.meter),
            ("compensation", given.compensation),
            ("truth", "yes" if given.truth else "no"),
        )
        if value is not None
    ]
    asked += [("depth_mm", depth) for depth in given.depth_mm]

    def show(answer: dict[str, Any]) -> None:
        _print_csv(answer["readings"])

    return _answered(given.plant, "handheld", show, query=urllib.parse.urlencode(asked))


def _of_scenario(given: argparse.Namespace) -> int:
    try:
        seed = 1 if given.seed is None else given.seed
        plant = Site(given.plant, seed, given.start or DEFAULT_START).train(given.train or "")
        day = plant.scenario.days if given.day is None else given.day
        readings = handheld.taken(
            plant,
            plant.start_s + day * DAY_S,
            handheld.Meter(given.meter, given.compensation),
            vessel=given.vessel,
            depths_mm=given.depth_mm,
            every_mm=given.every_mm,
            stage=given.stage,
            attempt=1 if given.attempt is None else given.attempt,
        )
    except (ScenarioError, ValueError, NotSettled) as exc:
        print(exc, file=sys.stderr)
        return 2
    _print_csv(handheld.table(readings, truth=given.truth))
    return 0


def _print_csv(rows: Sequence[Mapping[str, object]]) -> None:
    writer = csv.DictWriter(sys.stdout, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
