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

from daemon import plantfile
from daemon.record import Record
from daemon.replay import Source, write_trends
from daemon.replay import replay as run_replay
from daemon.rows import JournalLine


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
    as_json: Annotated[bool, typer.Option("--json", help="A machine-readable summary.")] = False,
) -> None:
    """Judge the past of a plant: what would have been told, when, and why."""
    plant = plantfile.load(plant_file)
    errors = Console(stderr=True)
    for warning in plant.warnings:
        errors.print(warning, highlight=False, soft_wrap=True, markup=False)
    source = Source(plant, data)
    if source.report is not None:
        errors.print(str(source.report), highlight=False, soft_wrap=True, markup=False)
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
        task = progress.add_task("judging", total=source.size)
        done = run_replay(
            plant, source, Path(name), log=log, advanced=lambda: progress.advance(task)
        )
        if trends is not None:
            with Record.open(Path(name), read_only=True) as record:
                for number, train in enumerate(plant.trains):
                    write_trends(record, train, trends, append=number > 0)
    notices.write_text("".join(f"{line.body}\n" for line in done.lines), encoding="utf-8")
    if as_json:
        summary = {
            "minutes": done.minutes,
            "notices": str(notices),
            "raised": sum(1 for line in done.lines if line.event == "raised"),
            "updated": sum(1 for line in done.lines if line.event == "updated"),
            "cleared": sum(1 for line in done.lines if line.event == "cleared"),
        }
        typer.echo(json.dumps(summary))
    else:
        _print(Console(), done.lines, done.minutes, notices)


def _print(console: Console, lines: tuple[JournalLine, ...], minutes: int, path: Path) -> None:
    if lines:
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
        for name in ("when", "event", "notice", "message"):
            table.add_column(name, no_wrap=name != "message")
        for line in lines:
            body = json.loads(line.body)
            table.add_row(body["time"], line.event, line.notice, body["message"])
        console.print(table)
    raised = sum(1 for line in lines if line.event == "raised")
    console.print(f"{minutes} minutes judged, {raised} notices; written to {path}", highlight=False)
