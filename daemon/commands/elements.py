"""`brinelark elements`: which element sits in which position of a train, and what is moved, replaced or stored."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from daemon import loadmap_csv, plantfile
from daemon.commands.common import (
    UsedWrongly,
    check_writable,
    counted,
    open_record,
    train_of,
    when_done,
)
from daemon.loadmap import (
    AWAY,
    SCRAPPED,
    SHELF,
    Change,
    Done,
    Element,
    LoadMap,
    placed,
    positions,
    replacement,
)
from daemon.plantfile.result import TrainConfig
from daemon.rows import iso


def elements(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    train: Annotated[str, typer.Option(help="The train.")],
    vessel: Annotated[
        str | None,
        typer.Option(
            metavar="1-03", help="List one vessel, with all that its elements went through."
        ),
    ] = None,
    import_file: Annotated[
        Path | None,
        typer.Option("--import", metavar="FILE.csv", help="Take the elements of a file."),
    ] = None,
    export_file: Annotated[
        Path | None,
        typer.Option("--export", metavar="FILE.csv", help="Write all elements to a file."),
    ] = None,
    move: Annotated[
        list[str] | None,
        typer.Option(
            metavar="FROM=TO",
            help="Move what sits at FROM (a position or a serial number) to TO (a position, shelf or "
            "scrapped). May be given several times: all moves are done at once, so positions can be swapped.",
        ),
    ] = None,
    replace: Annotated[
        list[str] | None,
        typer.Option(
            metavar="POSITION=SERIAL",
            help="Put another element there; the old one is scrapped, or goes to the shelf with --keep. "
            "Enters element_replaced, so the return to service is followed.",
        ),
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Put what is replaced on the shelf.")
    ] = False,
    of_type: Annotated[str, typer.Option("--type", help="Type of elements that are new.")] = "",
    at: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="When, ISO 8601 with zone; now when not given."),
    ] = None,
    by: Annotated[str, typer.Option(metavar="NAME", help="Who did it.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
) -> None:
    """Show the load map of a train; import, export, move, replace and store elements, with their dates."""
    plant = plantfile.load(plant_file)
    of = train_of(plant, train)
    writing = sum(bool(x) for x in (import_file, move, replace))
    if writing > 1:
        raise UsedWrongly("--import, --move and --replace are done one after the other")
    if not writing and (at is not None or by or keep or of_type):
        raise UsedWrongly("say what was done with --import, --move or --replace")
    if vessel is not None and f"{vessel}/1" not in positions(of):
        raise UsedWrongly(
            f"--vessel {vessel}: {placed(of, f'{vessel}/1')[1] or 'write it as 1-03'}"
        )
    if export_file is not None:
        check_writable(export_file, "--export")
    changes = loadmap_csv.read(import_file, plant, of) if import_file is not None else []
    with open_record(plant, read_only=not writing) as record:
        known = LoadMap(record, plant)
        if writing:
            when = when_done(plant, record, train, at)
            detail = ""
            if move:
                changes = _moves(move, known, of)
            elif replace:
                changes, detail = replacement(
                    known,
                    of,
                    _parts(replace, "--replace"),
                    at=when,
                    of_type=of_type,
                    old_goes=SHELF if keep else SCRAPPED,
                    where="--replace",
                )
            done = known.apply(
                of,
                changes,
                at=when,
                by=by,
                event="element_replaced" if replace else "",
                detail=detail,
            )
            if not as_json:
                typer.echo(f"train {train}: {_told(done)}")
                if replace:
                    typer.echo(f"element_replaced at {iso(when)} is in the log: {detail}")
        found = known.elements()
    if export_file is not None:
        export_file.write_text(loadmap_csv.written(found, of), encoding="utf-8")
        if not as_json:
            typer.echo(
                f"{export_file}: {counted(len([e for e in found if e.train in ('', train)]), 'element')}"
            )
    if as_json:
        typer.echo(json.dumps(_plain(found, of, vessel), ensure_ascii=False, indent=2))
    elif not writing and export_file is None:
        _print(found, of, vessel)


def _parts(texts: Sequence[str], option: str) -> list[tuple[str, str]]:
    parts = [tuple(p.strip() for p in text.partition("=")[::2]) for text in texts]
    wrong = [t for t, p in zip(texts, parts, strict=True) if not all(p)]
    if wrong:
        raise UsedWrongly(
            "\n".join(f"{option} {text}: write it with = between two names" for text in wrong)
        )
    return [(a, b) for a, b in parts]


def _moves(texts: Sequence[str], known: LoadMap, train: TrainConfig) -> list[Change]:
    """The moves as changes; all that cannot be understood is said at once."""
    loaded = known.loaded(train.id)
    serials = {e.serial for e in known.elements()}
    changes, wrong = [], []
    for source, target in _parts(texts, "--move"):
        where = f"--move {source}={target}"
        place = placed(train, source)[0]
        if source in serials:
            serial = source
        elif place in loaded:
            serial = loaded[place].serial
        else:
            known_as = (
                "no element is known there" if place else "no position and no serial number known"
            )
            wrong.append(f"{where}: {source}: {known_as}")
            continue
        changes.append(Change(serial, target, where=where))
    if wrong:
        raise UsedWrongly("\n".join(wrong))
    return changes


def _told(done: Done) -> str:
    parts = [
        f"{counted(len(some), 'element')} {word}"
        for some, word in ((done.new, "new"), (done.moved, "moved"), (done.corrected, "corrected"))
        if some
    ]
    return ", ".join(parts) if parts else "nothing changes"


def _shown(found: Sequence[Element], train: TrainConfig, vessel: str | None) -> list[Element]:
    chosen = [
        e
        for e in found
        if (e.train == train.id or e.place == SHELF)
        and (vessel is None or e.place.startswith(f"{vessel}/"))
    ]
    return sorted(chosen, key=loadmap_csv.order)


def _plain(
    found: Sequence[Element], train: TrainConfig, vessel: str | None
) -> list[dict[str, Any]]:
    return [
        {
            "position": e.place,
            "serial": e.serial,
            "type": e.type,
            "installed": iso(e.installed),
            "since": iso(e.history[-1].at),
            "history": [
                {
                    "time": iso(s.at),
                    "train": s.train or None,
                    "place": s.place,
                    "by": s.by,
                    "detail": s.detail,
                }
                for s in e.history
            ],
        }
        for e in _shown(found, train, vessel)
    ]


def _print(found: Sequence[Element], train: TrainConfig, vessel: str | None) -> None:
    console = Console()
    shown = _shown(found, train, vessel)
    empty = len(positions(train)) - sum(e.place not in AWAY for e in _shown(found, train, None))
    if not shown:
        console.print("No element is known there yet: take a list with --import FILE.csv.")
        return
    table = Table(
        "Position", "Serial", "Type", "Installed", "There since", box=None, pad_edge=False
    )
    for e in shown:
        installed = (iso(e.installed) or "not known")[:10]
        since = (iso(e.history[-1].at) or "")[:10]
        table.add_row(*(Text(t) for t in (e.place, e.serial, e.type, installed, since)))
    console.print(table)
    if vessel is None:
        if empty:
            console.print(f"{counted(empty, 'position')} without a known element.")
        return
    for e in shown:
        for stay in e.history:
            who = f", by {stay.by}" if stay.by else ""
            where = f"{stay.train} {stay.place}".strip()
            more = f"  {stay.detail}" if stay.detail else ""
            console.print(Text(f"{iso(stay.at)}  {e.serial}  {where}{who}{more}"))
