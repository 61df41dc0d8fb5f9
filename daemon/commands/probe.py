"""`brinelark probe`: which element or joint of a vessel lets salt in, from samples along its permeate tube."""

import json
from pathlib import Path
from typing import Annotated, Any, Literal, cast

import typer
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from daemon import plantfile, sheets, sheets_reader
from daemon import probe as probes
from daemon import survey as surveys
from daemon.commands import sampling
from daemon.commands.common import UsedWrongly, train_of
from daemon.commands.survey import list_samplings, only, print_steps
from daemon.plantfile import TrainConfig
from daemon.probe import At, ProbeAnswer
from daemon.sheets_checks import Taken
from daemon.sheets_reader import Sheet
from daemon.survey_record import Sample
from rules.tube import Tube


def probe(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    readings: Annotated[
        Path | None,
        typer.Argument(
            metavar="READINGS.csv",
            help="distance_mm,conductivity_us_cm[,temperature_c], distance of the tube's tip from the port;"
            " other units by the column's name, as distance_in.",
        ),
    ] = None,
    train: Annotated[str, typer.Option(help="The train that was probed.")] = "",
    vessel: Annotated[str, typer.Option(help="The vessel that was probed, as 1-03.")] = "",
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
    port: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="END",
            help="Port the tube goes in by where both are open: concentrate or feed.",
        ),
    ] = None,
    at: Annotated[
        str | None, typer.Option(metavar="TIME", help="When it was probed, ISO 8601 with zone.")
    ] = None,
    by: Annotated[
        str, typer.Option(metavar="NAME", help="Who probed; keeps the probe in the record.")
    ] = "",
    sheet: Annotated[bool, typer.Option("--sheet", help="Print the sheet to take along.")] = False,
    half_steps: Annotated[
        bool, typer.Option("--half-steps", help="The middle of each element too, on the sheet.")
    ] = False,
    listed: Annotated[bool, typer.Option("--list", help="List the probes in the record.")] = False,
    show: Annotated[
        int | None, typer.Option(metavar="NUMBER", help="One probe of the record in full.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
) -> None:
    """Find the element or joint that lets salt in; exit code 1 when a reading needs a second look."""
    plant = plantfile.load(plant_file)
    if listed or show is not None:
        sampling.refuse_file(readings, "--list" if listed else "--show")
        list_samplings(plant, "probe", train or None, show, as_json=as_json)
        return
    config = train_of(plant, train or only(plant))
    stage, name = vessel_of(config, vessel)
    if port not in (None, "concentrate", "feed"):
        raise UsedWrongly(f"--from {port}: use concentrate or feed")
    tube = probes.tube_of(config, stage, cast("Literal['concentrate', 'feed'] | None", port))
    if sheet:
        sampling.refuse_file(readings, "--sheet")
        print_sheet(config, name, tube, half_steps=half_steps, as_json=as_json)
        return
    if readings is None:
        raise UsedWrongly("name the file of readings, or use --sheet for the sheet to take along")
    read = sheets_reader.read(
        readings, "probe", sheets_reader.parse_units(units) if units else None
    )
    meter = sampling.meter_of(meter_error, compensation, read)
    own, asked = of_vessel(read, name, stage)
    with sampling.record_of(plant, writing=bool(by)) as record:
        when, known = sampling.time_of(plant, record, config.id, at, read)
        state = sampling.state_of(plant, config, stage, record, conditions, when if known else None)
        answer = probes.judge(
            plant, name, tube, own, state, meter=meter.error, compensation=meter.compensation
        )
        questions = (*read.questions, *asked, *answer.questions)
        number = None
        if record is not None and by:
            samples = [
                Sample(f"{r.distance_mm:g}", r.us_cm, r.temperature_c, r.at or when, by)
                for r in read.readings
                if r.distance_mm is not None
            ]
            number = sampling.keep(
                record,
                "probe",
                config.id,
                name,
                samples,
                at=when,
                by=by,
                meter=meter,
                state=state,
                answer=answer.to_json(),
            )
    if as_json:
        found = answer.to_json()
        found["next"] = " ".join([*read.questions, *asked, found["next"]])
        typer.echo(json.dumps(found, ensure_ascii=False, indent=2))
    else:
        console = Console()
        show_answer(console, config, answer)
        sampling.say_conditions(console, state)
        for note in answer.notes:
            console.print(Text(note))
        if number is not None:
            console.print(Text(f"In the record as probe {number}."))
        sampling.say_questions(questions)
    if questions:
        raise typer.Exit(1)


def vessel_of(train: TrainConfig, text: str) -> tuple[int, str]:
    """Stage and full name of a vessel of the train."""
    example = surveys.names(train, 1)[-1]
    if not text:
        raise UsedWrongly(f"say which vessel with --vessel, as {example}")
    found = surveys.vessel_name(text)
    if found is None:
        raise UsedWrongly(f"vessel {text}: write stage and number, as {example}")
    stage, number = found
    sampling.stage_of(train, stage)
    every = surveys.names(train, stage)
    if not 1 <= number <= len(every):
        raise UsedWrongly(f"there is no vessel {text}; stage {stage} has {every[0]} to {every[-1]}")
    return stage, every[number - 1]


def of_vessel(read: Sheet, name: str, stage: int) -> tuple[list[At], list[str]]:
    """The readings of this vessel, and what is asked about those of others."""
    own, asked = [], []
    for r in read.readings:
        other = surveys.vessel_name(r.vessel, stage) if r.vessel else None
        if r.vessel and (other is None or f"{other[0]}-{other[1]:02d}" != name):
            asked.append(
                f"{read.at(r.line)}: this reading is of vessel {r.vessel}, not of {name}. It was left out; is it"
                " the right sheet?"
            )
        else:
            assert r.distance_mm is not None
            mm = f"{r.distance_mm:.0f} mm"
            own.append(At(r.distance_mm, Taken(read.at(r.line), mm, r.us_cm, r.temperature_c)))
    if not own:
        raise sheets_reader.ReadingsUnusable("\n".join([*asked, f"no reading of vessel {name}"]))
    return own, asked


def print_sheet(
    train: TrainConfig, name: str, tube: Tube, *, half_steps: bool, as_json: bool
) -> None:
    """The sheet of a probe, with room to write."""
    stops = sheets.probe_stops(tube, half_steps=half_steps)
    if as_json:
        marks: list[dict[str, Any]] = [
            {"number": s.number, "distance_mm": round(s.distance_mm, 1), "place": s.place}
            for s in stops
        ]
        typer.echo(json.dumps({"train": train.id, "vessel": name, "marks": marks}, indent=2))
        return
    console = Console()
    console.print(Text(f"Probe sheet: {train.name}, vessel {name}", style="bold"))
    console.print("Date and time ____________________  Probed by ____________________")
    console.print(
        "Meter ____________________  set to ______________  standard before / after ______ / ______"
    )
    console.print(Text(f"The tube: {sheets.tube_words(tube)}"))
    table = Table(box=box.ASCII, pad_edge=False)
    for title, width in (("no.", 4), ("mm", 7), ("in", 7), ("place", 26), ("µS/cm", 12), ("°C", 8)):
        table.add_column(title, min_width=width)
    for s in stops:
        table.add_row(
            str(s.number), f"{s.distance_mm:.0f}", f"{s.distance_in:.1f}", s.place, "", ""
        )
    console.print(table)
    print_steps(console, sheets.PROBE_STEPS, (*sheets.CAUTIONS, *sheets.PROBE_CAUTIONS))
    console.print(
        Text(
            "The readings then go into a file distance_mm,conductivity_us_cm,temperature_c for"
            f" `brinelark probe PLANT --train {train.id} --vessel {name} READINGS.csv --by NAME`, or on the page"
            f" /train/{train.id}/probe/{name}."
        )
    )


def show_answer(console: Console, train: TrainConfig, answer: ProbeAnswer) -> None:
    """Samples, each element's own share, and what to do."""
    console.print(Text(f"Train {train.id} vessel {answer.vessel}: probe", style="bold"))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for title in ("mm from the port", "µS/cm at 25 °C", "a sound vessel"):
        table.add_column(title, justify="right")
    for p in sorted(answer.profile, key=lambda p: -p.distance_mm):
        table.add_row(f"{p.distance_mm:.0f}", _number(p.us_cm), _number(p.expected_us_cm))
    console.print(table)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for title in ("element", "own µS/cm", "±", "a sound vessel"):
        table.add_column(title, justify="right")
    for e in answer.elements:
        table.add_row(
            f"{answer.vessel}/{e.position}",
            _number(e.us_cm),
            _number(e.error_us_cm),
            _number(e.expected_us_cm),
        )
    console.print(table)
    place = f" at {answer.where}" if answer.where else ""
    console.print(
        Text(
            f"{answer.verdict.replace('_', ' ')}{place}, {answer.confidence:.0%} sure", style="bold"
        )
    )
    for words, probability in answer.others:
        console.print(Text(f"  or {words}: {probability:.1%}"))
    console.print(Text(answer.next_step))


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.3g}"
