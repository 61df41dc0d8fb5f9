"""`brinelark notices`: show, acknowledge and shelve notices."""

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from daemon import messages, plantfile, words
from daemon.commands import load
from daemon.commands.common import UsedWrongly, open_record, plant_now, train_of
from daemon.lifecycle import SET_ASIDE, State
from daemon.notices import NoticeError, Notices
from daemon.plantfile import Plant
from daemon.record import Record
from daemon.rows import JournalLine, Notice, iso


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
        float, typer.Option(min=0.1, max=2160.0, help="How long to shelve, 8 when not given. [h]")
    ] = 8.0,
    reason: Annotated[str, typer.Option(help="Why, for the journal.")] = "",
    alarm_load: Annotated[
        bool,
        typer.Option("--load", help="How many alarms there are, against ISA-18.2 / IEC 62682."),
    ] = False,
    since: Annotated[
        str | None,
        typer.Option(
            metavar="TIME", help="With --load: from when, the last 30 days when not given."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
) -> None:
    """Show the open notices of a plant; acknowledge or shelve one."""
    acting = [option for option in (acknowledge, shelve, unshelve) if option]
    if len(acting) > 1:
        raise UsedWrongly("one of --acknowledge, --shelve and --unshelve at a time")
    if acting and not by:
        raise UsedWrongly("say who you are with --by NAME; the journal keeps it")
    if shelve and not reason:
        raise UsedWrongly("say why with --reason; the journal keeps it")
    if alarm_load and (acting or show or every):
        raise UsedWrongly("--load goes with --train, --since and --json only")
    if since is not None and not alarm_load:
        raise UsedWrongly("--since belongs to --load")
    plant = plantfile.load(plant_file)
    if train is not None:
        train_of(plant, train)
    with open_record(plant, read_only=not acting) as record:
        if acting:
            engine = Notices(record, plant)
            if acknowledge:
                line = engine.acknowledge(acknowledge, by, reason)
            elif shelve:
                line = engine.shelve(shelve, _until(plant, record, shelve, hours), by, reason)
            else:
                assert unshelve is not None
                line = engine.unshelve(unshelve, by)
            typer.echo(line.body if as_json else f"{line.notice}: {line.event} by {by}")
            return
        if alarm_load:
            load.show(plant, record, train, since, as_json=as_json)
            return
        zone = ZoneInfo(plant.site.timezone)
        if show:
            _show(record, show, zone, as_json=as_json)
            return
        found = record.notices(train) if every else record.open_notices(train)
        if as_json:
            typer.echo(json.dumps([_plain(n) for n in found], ensure_ascii=False, indent=2))
        else:
            _print(found, zone, every=every)


def _until(plant: Plant, record: Record, notice_id: str, hours: float) -> float:
    """When a shelving of so many hours ends, in plant time."""
    notice = record.notice(notice_id)
    now = plant_now(plant, record, notice.train) if notice else None
    if now is None:
        raise NoticeError(f"there is no notice {notice_id}; `brinelark notices PLANT` lists them")
    return (now + timedelta(hours=hours)).timestamp()


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


def _print(found: list[Notice], zone: ZoneInfo, *, every: bool) -> None:
    console = Console()
    if not found:
        console.print("No notices." if every else "No open notices.")
    for number, notice in enumerate(found):
        if number:
            console.print("")
        _head(console, notice, zone)
        _inside(console, notice.message)
        _inside(console, f"Do: {words.ACTIONS[notice.action].name}")


def _head(console: Console, notice: Notice, zone: ZoneInfo) -> None:
    """Id, priority, class, how it stands, and since when."""
    stands = words.LIFE[notice.state.value]
    if notice.state in SET_ASIDE and notice.aside_by:
        if notice.shelved_until is not None:
            stands += f" until {messages.local(notice.shelved_until, zone)}"
        stands += f" by {notice.aside_by}: {notice.aside_reason}"
    elif notice.state is State.ACKED:
        stands += f" by {notice.acknowledged_by}"
    text = Text.assemble(
        (str(notice.id), "bold"),
        f"  {notice.priority} priority, {notice.notice_class}, {stands}",
    )
    if notice.raised_at is not None:
        text.append(f", raised {messages.local(notice.raised_at, zone)}")
    console.print(text)


def _inside(console: Console, line: str) -> None:
    console.print(Padding(Text(line), (0, 0, 0, 2)))


def _show(record: Record, notice_id: str, zone: ZoneInfo, *, as_json: bool) -> None:
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
    _head(console, notice, zone)
    _inside(console, notice.message)
    for sentence in notice.evidence:
        _inside(console, f"- {sentence}")
    _inside(console, "Cause: " + (_causes(notice) or messages.matter_words(notice)))
    action = words.ACTIONS[notice.action]
    _inside(console, f"Do: {action.name}. {action.sentence} Priority {notice.priority}.")
    console.print("Journal:")
    for line in lines:
        for text in _journal(line, zone):
            _inside(console, text)


def _causes(notice: Notice) -> str:
    """The causes with their probabilities; "" for what was seen, not concluded, such as a lost link."""
    if notice.matter != "performance" and len(notice.causes) < 2:
        return ""
    return ", ".join(f"{messages.cause_words(c)} {c['probability']:.0%}" for c in notice.causes)


def _journal(line: JournalLine, zone: ZoneInfo) -> list[str]:
    """One step: when, what, who, until when and why; and what was told."""
    body = json.loads(line.body)
    text = f"{messages.local(line.at, zone)}  {line.event.replace('_', ' ')}"
    if body.get("by"):
        text += f" by {body['by']}"
    if body.get("until"):
        until = datetime.fromisoformat(body["until"]).timestamp()
        text += f" until {messages.local(until, zone)}"
    if why := body.get("reason") or body.get("note"):
        text += f": {why}"
    return [text, f"  {body['message']}"] if body.get("message") else [text]
