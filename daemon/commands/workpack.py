"""`brinelark workpack`: the printable plan of one job."""

import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from daemon import plantfile
from daemon.commands.common import UsedWrongly, check_writable, open_record, train_of
from daemon.history_reader import HistoryReader
from daemon.plantfile import Plant, TrainConfig
from daemon.record import FILE as RECORD
from daemon.rows import Notice
from daemon.workpack import JOBS, Situation, order, pack, printed, situation
from rules.cleaningplan import RECIPES

PaperName = Literal["a4", "letter"]


def workpack(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    train: Annotated[
        str | None, typer.Option(help="The train; that of the notice by itself.")
    ] = None,
    job: Annotated[
        str | None,
        typer.Option(help=f"{', '.join(JOBS)}; what the notice asks for by itself."),
    ] = None,
    stage: Annotated[int | None, typer.Option(min=1, help="The stage, from 1.")] = None,
    vessel: Annotated[
        str | None, typer.Option(metavar="1-03", help="For probe and element: the vessel.")
    ] = None,
    position: Annotated[
        str | None,
        typer.Option(
            metavar="4",
            help="For element: 4, or 4-5 for an interconnector, or feed or concentrate.",
        ),
    ] = None,
    notice: Annotated[
        str | None, typer.Option(metavar="ID", help="The notice that asks for it.")
    ] = None,
    solution: Annotated[str | None, typer.Option(help=f"For clean: {', '.join(RECIPES)}.")] = None,
    paper: Annotated[
        PaperName | None,
        typer.Option(help="Size of the paper; a PDF is A4 when not given."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="FILE.html or FILE.pdf to write.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
) -> None:
    """Print the work pack of a job: isolation, people, parts, steps, gap sheet, return, sign-off."""
    if out is None and not as_json:
        raise UsedWrongly("say where to write it with --out FILE.html or FILE.pdf, or use --json")
    if out is None and paper is not None:
        raise UsedWrongly("--paper goes with --out: it is the size of the sheets that are written")
    if out is not None:
        if out.suffix.lower() not in (".html", ".pdf"):
            raise UsedWrongly(f"--out {out}: name it .html or .pdf")
        check_writable(out, "--out")
    plant = plantfile.load(plant_file, secrets=False)
    found = None if notice is None else _notice(plant, notice)
    if train is None:
        if found is None:
            has = ", ".join(t.id for t in plant.trains)
            raise UsedWrongly(f"say which train with --train; the plant file has {has}")
        train = found.train
    config = train_of(plant, train)
    asked = order(
        plant,
        config,
        job=job,
        stage=stage,
        vessel=vessel,
        position=position,
        notice=found,
        solution=solution,
    )
    made = pack(asked, _situation(plant, config))
    if out is not None:
        if out.suffix.lower() == ".pdf":
            printed.pdf(made, out, paper or "a4")
        else:
            out.write_text(printed.html(made, paper=paper), encoding="utf-8")
    if as_json:
        typer.echo(json.dumps(asdict(made), ensure_ascii=False, indent=2))
    else:
        typer.echo(f"{made.title}, {made.place}: {out}")
        for lacking in made.missing:
            typer.echo(f"left open, not in the plant file: {lacking}")


def _notice(plant: Plant, notice_id: str) -> Notice:
    with open_record(plant, read_only=True) as record:
        found = record.notice(notice_id)
    if found is None:
        raise UsedWrongly(
            f"there is no notice {notice_id}; `brinelark notices PLANT --all` lists them"
        )
    return found


def _situation(plant: Plant, train: TrainConfig) -> Situation:
    now = datetime.now(UTC).timestamp()
    reader = HistoryReader(plant.store.folder)
    history = reader if reader.path.is_file() else None
    if not (plant.store.folder / RECORD).exists():
        return situation(plant, train, history=history, record=None, now=now)
    with open_record(plant, read_only=True) as record:
        return situation(plant, train, history=history, record=record, now=now)
