"""`brinelark log`: what people did to a plant, for the daemon that watches it."""

import json
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from daemon import eventlog, maintenance, plantfile
from daemon.commands.common import UsedWrongly, counted, open_record, train_of, when_done
from daemon.maintenance import Entry
from daemon.plantfile import Plant
from daemon.record import EVENTS
from daemon.rows import iso


def log(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    train: Annotated[str | None, typer.Option(help="The train it was done to.")] = None,
    event: Annotated[str | None, typer.Option(help=f"What was done: {', '.join(EVENTS)}.")] = None,
    at: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="When, ISO 8601 with zone; now when not given."),
    ] = None,
    detail: Annotated[str, typer.Option(help="In your own words.")] = "",
    by: Annotated[str, typer.Option(metavar="NAME", help="Who did it.")] = "",
    import_file: Annotated[
        Path | None,
        typer.Option(
            "--import",
            metavar="EVENTS.csv",
            help="Enter all events of a file: time,train,event,detail.",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
) -> None:
    """Tell the daemon what was done to a train (a cleaning, a replacement), or list it with what became of it."""
    plant = plantfile.load(plant_file)
    if train is not None:
        train_of(plant, train)
    if import_file is not None:
        if event is not None or at is not None or detail or train is not None:
            raise UsedWrongly(
                "--import takes time, train, event and detail from the file; only --by goes with it"
            )
        _import(plant, import_file, by, as_json=as_json)
        return
    if event is None:
        if at is not None or detail or by:
            raise UsedWrongly(f"say what was done with --event; use {', '.join(EVENTS)}")
        with open_record(plant, read_only=True) as record:
            _print(maintenance.entries(record, train), as_json=as_json)
        return
    if event not in EVENTS:
        raise UsedWrongly(f"event {event} is not known; use {', '.join(EVENTS)}")
    if train is None:
        has = ", ".join(t.id for t in plant.trains)
        raise UsedWrongly(f"say which train with --train; the plant file has {has}")
    with open_record(plant, read_only=False) as record:
        when = when_done(plant, record, train, at)
        number = record.add_event(when, train, event, detail, by)
        (made,) = [e for e in maintenance.entries(record, train) if e.event.id == number]
    if as_json:
        typer.echo(json.dumps(made.plain(), ensure_ascii=False))
    else:
        typer.echo(f"train {train}: {event} at {iso(when)} is in the log")
        if event == "cleaning_start":
            typer.echo("until cleaning_end is logged the train is not judged")


def _import(plant: Plant, path: Path, by: str, *, as_json: bool) -> None:
    """Enter the events of a file, all or none; those that are in the log already are left out."""
    trains = [t.id for t in plant.trains]
    events = eventlog.read(path, trains)
    with open_record(plant, read_only=False) as record:
        for name in sorted({e.train for e in events}):
            # The newest tells of all of them whether the file runs ahead of the plant.
            when_done(plant, record, name, iso(max(e.t for e in events if e.train == name)))
        new = record.add_events([(e.t, e.train, e.event, e.detail, by) for e in events])
    if as_json:
        typer.echo(json.dumps({"entered": new, "known": len(events) - new}))
    else:
        known = len(events) - new
        before = f", {counted(known, 'event')} known before" if known else ""
        typer.echo(f"{path}: {counted(new, 'event')} entered{before}")


def _print(entries: tuple[Entry, ...], *, as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps([e.plain() for e in entries], ensure_ascii=False, indent=2))
        return
    console = Console()
    if not entries:
        console.print("No events.")
    for entry in entries:
        event = entry.event
        who = f", by {event.by}" if event.by else ""
        console.print(Text(f"{iso(event.t)}  train {event.train}  {event.event}{who}"))
        for line in (event.detail, *entry.sentences()):
            if line:
                console.print(Padding(Text(line), (0, 0, 0, 2)))
