"""`brinelark replay`: judge a historian export or a stored history as the daemon would have."""

import json
import tempfile
from pathlib import Path
from typing import Annotated

import typer
from rich import box
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from daemon import eventlog, plantfile
from daemon.commands.common import UsedWrongly, check_writable, counted
from daemon.compare import Variant, parse, raised, with_limits
from daemon.compare import compare as judge_again
from daemon.record import Record
from daemon.replay import Replayed, Source, write_trends
from daemon.replay import replay as run_replay


def replay(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    data: Annotated[
        Path,
        typer.Option(metavar="FILE", help="Historian CSV, or a daemon's history.db or its folder."),
    ],
    notices: Annotated[
        Path, typer.Option(metavar="OUT.jsonl", help="Where the notices go, a line each.")
    ],
    log: Annotated[
        Path | None,
        typer.Option(metavar="EVENTS.csv", help="What was done: time,train,event,detail."),
    ] = None,
    trends: Annotated[
        Path | None,
        typer.Option(metavar="OUT.csv", help="Normalized deviations, a row each 15 minutes."),
    ] = None,
    compare: Annotated[
        list[str] | None,
        typer.Option(
            metavar="LIMITS",
            help="Also judge with other limits, such as pressure_drop=20,horizon_days=7 (per cent, bar, "
            "days, as in train.limits); may be given several times. Shown side by side.",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="A machine-readable summary.")] = False,
) -> None:
    """Judge the past of a plant: what would have been told, when, and why."""
    check_writable(notices, "--notices")
    if trends is not None:
        check_writable(trends, "--trends")
    for option, path in (("--notices", notices), ("--trends", trends)):
        if path is not None and path.resolve() in (plant_file.resolve(), data.resolve()):
            raise UsedWrongly(f"{option} {path}: this is a file to be read; name another")
    plant = plantfile.load(plant_file)
    events = [] if log is None else eventlog.read(log, [t.id for t in plant.trains])
    for text in compare or ():
        with_limits(plant, parse(text))
    source = Source(plant, data)
    errors = Console(stderr=True)
    said = list(plant.warnings)
    if source.report is not None:
        said += str(source.report).splitlines()
    for line in (*said, *source.missing):
        errors.print(line, highlight=False, soft_wrap=True, markup=False)
    with (
        tempfile.TemporaryDirectory(prefix="brinelark-") as name,
        Progress(
            TextColumn("judging"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeRemainingColumn(),
            console=errors,
            transient=True,
            disable=not errors.is_terminal,
        ) as progress,
    ):
        task = progress.add_task("judging", total=source.size * (1 + len(compare or ())))
        done = run_replay(
            plant, source, Path(name), events=events, advanced=lambda: progress.advance(task)
        )
        if trends is not None:
            with Record.open(Path(name), read_only=True) as record:
                for number, train in enumerate(plant.trains):
                    write_trends(record, train, trends, append=number > 0)
        others = list(
            judge_again(
                plant, data, compare or (), events=events, advanced=lambda: progress.advance(task)
            )
        )
    notices.write_text("".join(f"{line.body}\n" for line in done.lines), encoding="utf-8")
    if as_json:
        summary: dict[str, object] = {
            "minutes": done.minutes,
            "rows": done.report.used if done.report is not None else None,
            "notices": str(notices),
            "raised": _count(done, "raised"),
            "updated": _count(done, "updated"),
            "cleared": _count(done, "cleared"),
        }
        if others:
            summary["compare"] = [{"limits": v.name, "raised": list(v.raised)} for v in others]
        typer.echo(json.dumps(summary))
    else:
        _print(Console(), done, notices)
        if others:
            _print_side_by_side(Console(), [Variant("plant file", raised(done.lines)), *others])


def _count(done: Replayed, event: str) -> int:
    return sum(1 for line in done.lines if line.event == event)


def _print(console: Console, done: Replayed, path: Path) -> None:
    if done.lines:
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
        for name in ("when", "event", "notice", "message"):
            table.add_column(name, no_wrap=name != "message")
        for line in done.lines:
            body = json.loads(line.body)
            table.add_row(body["time"], line.event, line.notice, Text(body["message"]))
        console.print(table)
    judged = counted(done.minutes, "minute")
    if done.report is not None and done.report.step_s > 60.0:
        # Rows further apart than a minute are no minutes, although each is judged as one.
        judged = counted(done.report.used, "row")
    told = counted(_count(done, "raised"), "notice")
    console.print(
        f"{judged} judged, {told}; written to {path}", highlight=False, soft_wrap=True, markup=False
    )


def _print_side_by_side(console: Console, variants: list[Variant]) -> None:
    """A row for each notice, a column for each set of limits; a dash where nothing is raised."""
    told = [v.by_cause() for v in variants]
    keys = sorted(
        {key for found in told for key in found},
        key=lambda key: (min(str(f[key]["time"]) for f in told if key in f), key),
    )
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title="raised with other limits")
    table.add_column("train")
    table.add_column("cause")
    for variant in variants:
        table.add_column(variant.name)
    for key in keys:
        cells = [
            f"{str(f[key]['time'])[:16].replace('T', ' ')} {f[key]['priority']}"
            if key in f
            else "-"
            for f in told
        ]
        table.add_row(key[0], key[1].replace("_", " "), *cells)
    table.add_row("", "notices raised", *(str(len(v.raised)) for v in variants))
    console.print(table)
