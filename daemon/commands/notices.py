"""`brinelark notices`: show, acknowledge and shelve notices."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer
from rich import box
from rich.console import Console
from rich.table import Table

from daemon import messages, plantfile, words
from daemon.notices import Notices
from daemon.record import Record
from daemon.rows import Notice, iso


def notices(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    train: Annotated[str | None, typer.Option(help="Only this train.")] = None,
    every: Annotated[bool, typer.Option("--all", help="Closed notices too.")] = False,
    show: Annotated[
        str | None, typer.Option(metavar="ID", help="One notice with its journal.")
    ] = None,
    acknowledge: Annotated[
        str | None, typer.Option(metavar="ID", help="Say that you have seen it; needs --by.")
    ] = None,
    shelve: Annotated[
        str | None,
        typer.Option(metavar="ID", help="Put it aside; needs --by, --hours and --reason."),
    ] = None,
    unshelve: Annotated[
        str | None, typer.Option(metavar="ID", help="Take it back; needs --by.")
    ] = None,
    by: Annotated[str, typer.Option(help="Your name, for the journal.")] = "",
    hours: Annotated[
        float, typer.Option(min=0.1, max=2160.0, help="How long to shelve. [h]")
    ] = 8.0,
    reason: Annotated[str, typer.Option(help="Why, for the journal.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
) -> None:
    """Show the open notices of a plant; acknowledge or shelve one."""
    plant = plantfile.load(plant_file)
    acting = [option for option in (acknowledge, shelve, unshelve) if option]
    if len(acting) > 1:
        raise typer.BadParameter("one of --acknowledge, --shelve and --unshelve at a time")
    if acting and not by:
        raise typer.BadParameter("say who you are with --by NAME; the journal keeps it")
    if shelve and not reason:
        raise typer.BadParameter("say why with --reason; the journal keeps it")
    if train is not None:
        plant.train(train)
    if not (plant.store.folder / "record.db").exists():
        typer.echo(
            f"no record in {plant.store.folder} yet: has `brinelark run` been started?", err=True
        )
        raise typer.Exit(1)
    with Record.open(plant.store.folder, read_only=not acting) as record:
        if acting:
            engine = Notices(record, plant)
            if acknowledge:
                line = engine.acknowledge(acknowledge, by, reason)
            elif shelve:
                until = _plant_now(record, shelve) + timedelta(hours=hours)
                line = engine.shelve(shelve, until.timestamp(), by, reason)
            else:
                assert unshelve is not None
                line = engine.unshelve(unshelve, by)
            typer.echo(line.body if as_json else f"{line.notice}: {line.event} by {by}")
            return
        if show:
            _show(record, show, as_json=as_json)
            return
        found = record.notices(train) if every else record.open_notices(train)
        if as_json:
            typer.echo(json.dumps([_plain(n) for n in found], ensure_ascii=False, indent=2))
        else:
            _print(found, ZoneInfo(plant.site.timezone))


def _plant_now(record: Record, notice_id: str) -> datetime:
    """Now in plant time: the last judged instant of the notice's train."""
    notice = record.notice(notice_id)
    progress = record.progress(notice.train) if notice else None
    return datetime.fromtimestamp(progress.at, UTC) if progress else datetime.now(UTC)


def _plain(notice: Notice) -> dict[str, Any]:
    return {
        "notice": notice.id,
        "train": notice.train,
        "matter": notice.matter,
        "state": str(notice.state),
        "stage": notice.stage,
        "cause": notice.cause,
        "causes": notice.causes,
        "action": notice.action,
        "priority": notice.priority,
        "class": notice.notice_class,
        "raised": iso(notice.raised_at),
        "cleared": iso(notice.cleared_at),
        "acknowledged_by": notice.acknowledged_by or None,
        "message": notice.message,
    }


def _print(found: list[Notice], zone: ZoneInfo) -> None:
    console = Console()
    if not found:
        console.print("No open notices.")
        return
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name in ("notice", "priority", "state", "raised", "what", "do"):
        table.add_column(name)
    for notice in found:
        table.add_row(
            notice.id,
            notice.priority,
            words.LIFE[notice.state.value],
            messages.local(notice.raised_at, zone) if notice.raised_at is not None else "",
            notice.message,
            words.ACTIONS[notice.action].name,
        )
    console.print(table)


def _show(record: Record, notice_id: str, *, as_json: bool) -> None:
    notice = record.notice(notice_id)
    if notice is None:
        typer.echo(
            f"there is no notice {notice_id}; `brinelark notices PLANT --all` lists them", err=True
        )
        raise typer.Exit(1)
    lines = record.journal(notice=notice_id)
    if as_json:
        typer.echo(
            json.dumps(
                {
                    **_plain(notice),
                    "evidence": notice.evidence,
                    "journal": [json.loads(j.body) for j in lines],
                },
                ensure_ascii=False,
                indent=2,
            )
        )
        return
    console = Console()
    console.print(f"{notice.id}  {words.LIFE[notice.state.value]}", highlight=False)
    console.print(notice.message)
    for sentence in notice.evidence:
        console.print(f"  - {sentence}", highlight=False)
    for line in lines:
        console.print(f"{iso(line.at)}  {line.event}", highlight=False)
