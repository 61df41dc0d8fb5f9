"""`brinelark survey`: which vessels of a stage stand out, from handheld readings at the sample valves."""

import json
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from daemon import messages, plantfile, sheets, sheets_reader, survey_record
from daemon import survey as surveys
from daemon.commands import sampling
from daemon.commands.common import UsedWrongly, train_of
from daemon.plantfile import Plant, TrainConfig
from daemon.rows import iso
from daemon.sheets_checks import Taken
from daemon.sheets_reader import Sheet
from daemon.survey import SurveyAnswer, VesselLine
from daemon.survey_record import Sample, Sampling
from rules.watch import NEW_BASELINE


def survey(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    readings: Annotated[
        Path | None,
        typer.Argument(
            metavar="READINGS.csv",
            help="vessel,conductivity_us_cm[,temperature_c]; other units by the column's name, as"
            " conductivity_ms_cm or temperature_f.",
        ),
    ] = None,
    train: Annotated[str, typer.Option(help="The train that was sampled.")] = "",
    stage: Annotated[int | None, typer.Option(help="The stage that was sampled.")] = None,
    conditions: Annotated[
        str | None,
        typer.Option(
            metavar="KEY=VALUE,...",
            help="What the history does not know: feed_conductivity, feed_pressure, feed_flow (of one"
            " vessel), temperature, permeate_conductivity; with a unit where it is not µS/cm, bar, m3/h, °C.",
        ),
    ] = None,
    units: Annotated[
        str | None,
        typer.Option(metavar="COLUMN=UNIT,...", help="Units of columns that do not name theirs."),
    ] = None,
    compensation: Annotated[
        str | None,
        typer.Option(help='How the meter is set: "linear 2.0" (%/K), "natural" or "none".'),
    ] = None,
    meter_error: Annotated[
        float, typer.Option(help="Error of one reading of the meter [%].")
    ] = 2.0,
    at: Annotated[
        str | None, typer.Option(metavar="TIME", help="When it was sampled, ISO 8601 with zone.")
    ] = None,
    by: Annotated[
        str, typer.Option(metavar="NAME", help="Who sampled; keeps the survey in the record.")
    ] = "",
    sheet: Annotated[bool, typer.Option("--sheet", help="Print the sheet to take along.")] = False,
    listed: Annotated[bool, typer.Option("--list", help="List the surveys in the record.")] = False,
    show: Annotated[
        int | None, typer.Option(metavar="NUMBER", help="One survey of the record in full.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
) -> None:
    """Compare the permeate of all vessels of a stage; exit code 1 when a reading needs a second look."""
    plant = plantfile.load(plant_file)
    if listed or show is not None:
        sampling.refuse_file(readings, "--list" if listed else "--show")
        list_samplings(plant, "survey", train or None, show, as_json=as_json)
        return
    config = train_of(plant, train or only(plant))
    if stage is None:
        raise UsedWrongly(
            f"say which stage with --stage; train {config.id} has 1 to {len(config.stages)}"
        )
    sampling.stage_of(config, stage)
    if sheet:
        sampling.refuse_file(readings, "--sheet")
        print_sheet(config, stage, as_json=as_json)
        return
    if readings is None:
        raise UsedWrongly("name the file of readings, or use --sheet for the sheet to take along")
    read = sheets_reader.read(
        readings, "survey", sheets_reader.parse_units(units) if units else None
    )
    meter = sampling.meter_of(meter_error, compensation, read)
    with sampling.record_of(plant, writing=bool(by)) as record:
        when, known = sampling.time_of(plant, record, config.id, at, read)
        state = sampling.state_of(plant, config, stage, record, conditions, when if known else None)
        past = surveys.Past()
        if record is not None:
            earlier = survey_record.samplings(record, "survey", config.id, str(stage))
            renewed = [e.t for e in record.events(config.id) if e.event in NEW_BASELINE]
            past = surveys.past_of(
                [s for s in earlier if s.at < when],
                state,
                config.stages[stage - 1].vessels,
                since=max(renewed, default=0.0),
            )
        answer = surveys.judge(
            plant,
            config,
            stage,
            [Taken(read.at(r.line), r.place, r.us_cm, r.temperature_c) for r in read.readings],
            state,
            past=past,
            meter=meter.error,
            compensation=meter.compensation,
        )
        questions = (*read.questions, *answer.questions)
        number = None
        if record is not None and by:
            number = sampling.keep(
                record,
                "survey",
                config.id,
                str(stage),
                _samples(read, stage, when, by),
                at=when,
                by=by,
                meter=meter,
                state=state,
                answer=answer.to_json(),
            )
    if as_json:
        typer.echo(json.dumps(_answered(answer, read), ensure_ascii=False, indent=2))
    else:
        console = Console()
        show_answer(console, config, answer)
        sampling.say_conditions(console, state)
        for note in answer.notes:
            console.print(Text(note))
        if number is not None:
            console.print(Text(f"In the record as survey {number}."))
        sampling.say_questions(questions)
    if questions:
        raise typer.Exit(1)


def _answered(answer: SurveyAnswer, read: Sheet) -> dict[str, Any]:
    found = answer.to_json()
    found["next"] = " ".join([*read.questions, found["next"]])
    return found


def only(plant: Plant) -> str:
    if len(plant.trains) > 1:
        has = ", ".join(t.id for t in plant.trains)
        raise UsedWrongly(f"say which train with --train; the plant file has {has}")
    return plant.trains[0].id


def _samples(read: Sheet, stage: int, when: float, by: str) -> list[Sample]:
    found = []
    for r in read.readings:
        number = surveys.vessel_name(r.place, stage)
        place = r.place if number is None else f"{number[0]}-{number[1]:02d}"
        found.append(Sample(place, r.us_cm, r.temperature_c, r.at or when, by))
    return found


def print_sheet(train: TrainConfig, stage: int, *, as_json: bool) -> None:
    """The sheet of a survey, with room to write."""
    stops = sheets.survey_stops(train, stage)
    if as_json:
        walk = [{"number": s.number, "vessel": s.vessel, "again": s.again} for s in stops]
        typer.echo(json.dumps({"train": train.id, "stage": stage, "walk": walk}, indent=2))
        return
    console = Console()
    console.print(Text(f"Survey sheet: {train.name}, stage {stage}", style="bold"))
    console.print("Date and time ____________________  Sampled by ____________________")
    console.print(
        "Meter ____________________  set to ______________  standard before / after ______ / ______"
    )
    table = Table(box=box.ASCII, pad_edge=False)
    for name, width in (("no.", 4), ("vessel", 12), ("µS/cm", 14), ("°C", 8), ("remark", 20)):
        table.add_column(name, min_width=width)
    for s in stops:
        table.add_row(str(s.number), f"{s.vessel} again" if s.again else s.vessel, "", "", "")
    console.print(table)
    print_steps(console, sheets.SURVEY_STEPS, sheets.CAUTIONS)
    console.print(
        Text(
            "The readings then go into a file vessel,conductivity_us_cm,temperature_c for"
            f" `brinelark survey PLANT --train {train.id} --stage {stage} READINGS.csv --by NAME`, or on the page"
            f" /train/{train.id}/survey/{stage}."
        )
    )


def print_steps(console: Console, steps: tuple[str, ...], cautions: tuple[str, ...]) -> None:
    """How it is done, and what to mind."""
    console.print(Text("How", style="bold"))
    for i, step in enumerate(steps, 1):
        console.print(Text(f"{i}. {step}"))
    console.print(Text("Mind", style="bold"))
    for caution in cautions:
        console.print(Text(f"! {caution}"))


def show_answer(console: Console, train: TrainConfig, answer: SurveyAnswer) -> None:
    """A row for each vessel, then what to do."""
    console.print(Text(f"Train {train.id} stage {answer.stage}: survey", style="bold"))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("", style="bold", no_wrap=True)
    table.add_column("vessel", no_wrap=True)
    for name in ("µS/cm at 25 °C", "expected", "times", "score", "how sure"):
        table.add_column(name, justify="right")
    for v in answer.vessels:
        table.add_row(_sign(v), v.vessel, *_cells(v))
    console.print(table)
    console.print(Text(answer.next_step))


def _sign(v: VesselLine) -> str:
    if v.suspect:
        return "PROBE"
    if v.doubtful or v.low:
        return "again"
    return "" if v.us_cm is not None else "not read"


def _cells(v: VesselLine) -> list[str]:
    def said(value: float | None, form: str) -> str:
        return "" if value is None else format(value, form)

    return [
        said(v.us_cm, ".4g"),
        said(v.expected_us_cm, ".4g"),
        said(v.ratio, ".2f"),
        said(v.score, ".1f"),
        said(v.probability, ".0%"),
    ]


def list_samplings(
    plant: Plant,
    kind: survey_record.Kind,
    train: str | None,
    number: int | None,
    *,
    as_json: bool,
) -> None:
    """Surveys or probes in the record: all of them in a row each, or one in full."""
    if train is not None:
        train_of(plant, train)
    with sampling.record_of(plant, writing=False) as record:
        if record is None:
            found: list[Sampling] = []
        elif number is not None:
            one = survey_record.sampling(record, number)
            found = [one] if one is not None and one.kind == kind else []
            if not found:
                raise UsedWrongly(f"there is no {kind} {number}; --list shows those that there are")
        else:
            found = survey_record.samplings(record, kind, train)
    if as_json:
        plain = [_plain(s) for s in found]
        typer.echo(
            json.dumps(plain[0] if number is not None else plain, ensure_ascii=False, indent=2)
        )
        return
    console = Console()
    if not found:
        console.print(f"No {kind} in the record yet; give --by NAME to keep one.")
    zone = ZoneInfo(plant.site.timezone)
    for one in found:
        what = f"stage {one.place}" if kind == "survey" else f"vessel {one.place}"
        head = f"{kind} {one.id}: train {one.train}, {what}, {messages.local(one.at, zone)}, by {one.by}"
        console.print(Text(head, style="bold"))
        console.print(Text("  " + summary(one)))
        if number is not None:
            for sample in one.samples:
                warmth = "" if sample.temperature_c is None else f", {sample.temperature_c:.1f} °C"
                name = sample.place if kind == "survey" else f"{float(sample.place):.0f} mm"
                console.print(Text(f"  {name}: {sample.us_cm:g} µS/cm{warmth}"))


def summary(one: Sampling) -> str:
    """What came out of it, in one sentence."""
    if one.answer is None:
        return f"Not finished: {len(one.samples)} readings so far."
    return str(one.answer["next"])


def _plain(one: Sampling) -> dict[str, Any]:
    return {
        "number": one.id,
        "train": one.train,
        "place": one.place,
        "time": iso(one.at),
        "by": one.by,
        "meter": one.meter,
        "conditions": one.conditions,
        "readings": [
            {
                "place": s.place,
                "conductivity_us_cm": s.us_cm,
                "temperature_c": s.temperature_c,
                "time": iso(s.at),
                "by": s.by,
            }
            for s in one.samples
        ],
        "answer": one.answer,
    }
