"""What `brinelark survey` and `brinelark probe` share: whose readings, under which conditions, kept where."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import typer
from rich.console import Console
from rich.text import Text

from daemon import conditions, eventlog, survey_record
from daemon.commands.common import UsedWrongly, plant_now
from daemon.conditions import StageState
from daemon.history_reader import HistoryReader
from daemon.minutes import MINUTE_S
from daemon.plantfile import Plant, TrainConfig
from daemon.plantfile.points import compensation as compensation_of
from daemon.record import FILE, Record
from daemon.rows import iso
from daemon.sheets_reader import Sheet
from daemon.survey_record import Kind, Sample
from rules.train import Compensation


@dataclass(frozen=True, slots=True)
class MeterSetting:
    """The handheld meter. error : relative, of one reading."""

    error: float
    compensation: Compensation

    def to_json(self) -> dict[str, Any]:
        """For the record."""
        return {
            "error": self.error,
            "compensation": self.compensation.kind,
            "alpha": self.compensation.alpha,
        }


def stage_of(train: TrainConfig, stage: int) -> int:
    """The stage, when the train has it."""
    if not 1 <= stage <= len(train.stages):
        raise UsedWrongly(f"train {train.id} has no stage {stage}; it has 1 to {len(train.stages)}")
    return stage


def meter_of(error_percent: float, text: str | None, sheet: Sheet | None) -> MeterSetting:
    """The meter as told by hand, else as the sheet says, else a usual one."""
    if not 0.1 <= error_percent <= 20.0:
        raise UsedWrongly(f"--meter-error {error_percent:g}: in per cent of the reading, 0.1 to 20")
    said = text if text is not None else sheet.compensation if sheet is not None else None
    found = compensation_of(said)
    if found is None:
        raise UsedWrongly(
            f'--compensation {said}: use "linear 2.0" (%/K), "natural" or "none", as the meter is set'
        )
    return MeterSetting(error_percent / 100.0, found)


@contextmanager
def record_of(plant: Plant, *, writing: bool) -> Iterator[Record | None]:
    """The plant's record; None when there is none yet and nothing is to be kept."""
    folder = plant.store.folder
    if not writing and not (folder / FILE).is_file():
        yield None
        return
    if writing and not folder.is_dir():
        try:
            folder.mkdir(parents=True)
        except OSError as error:
            raise UsedWrongly(
                f"{folder}: cannot be made ({error}); check [store] folder"
            ) from error
    with Record.open(folder, read_only=not writing) as record:
        yield record


def time_of(
    plant: Plant, record: Record | None, train: str, at: str | None, sheet: Sheet
) -> tuple[float, bool]:
    """When it was sampled, and whether that is known: as told, as the sheet says, else now."""
    if at is not None:
        when, wrong = eventlog.instant(at)
        if when is None:
            raise UsedWrongly("--at: " + "; ".join(wrong))
        return when, True
    noted = [r.at for r in sheet.readings if r.at is not None]
    if noted:
        return max(noted), True
    now = plant_now(plant, record, train) if record is not None else None
    if now is None:
        history = HistoryReader(plant.store.folder)
        last = history.last_minute(train) if history.path.is_file() else None
        now = None if last is None else datetime.fromtimestamp(last + MINUTE_S, UTC)
    return (now or datetime.now(UTC)).timestamp(), False


def state_of(
    plant: Plant,
    train: TrainConfig,
    stage: int,
    record: Record | None,
    given: str | None,
    when: float | None,
) -> StageState:
    """Conditions from the history, and as told by hand."""
    told = conditions.parse(given) if given else {}
    history = HistoryReader(plant.store.folder)
    return conditions.stage_state(
        plant,
        train,
        stage,
        history if history.path.is_file() else None,
        when=when,
        given=told,
        baseline=baseline_of(record, train.id),
    )


def baseline_of(record: Record | None, train: str) -> Mapping[str, float] | None:
    """Levels of the newest baseline of a train."""
    found = record.baselines(train) if record is not None else []
    return found[-1]["values"] if found else None


def keep(
    record: Record,
    kind: Kind,
    train: str,
    place: str,
    samples: list[Sample],
    *,
    at: float,
    by: str,
    meter: MeterSetting,
    state: StageState,
    answer: Mapping[str, Any],
) -> int:
    """Store a whole survey or probe with its answer; returns its number."""
    number = survey_record.begin(record, kind, train, place, at=at, by=by, meter=meter.to_json())
    survey_record.put_samples(record, number, samples)
    survey_record.finish(record, number, dict(answer), state.to_json(), at=at)
    return number


def say_conditions(console: Console, state: StageState) -> None:
    """One line of what the answer rests on."""
    if state.source == "none":
        console.print(Text("Conditions: not known (no history, no --conditions)."))
        return
    source = "from the history" if state.source == "history" else "as given"
    if state.at is not None:
        source += f", {iso(state.at)}"
    said = ", ".join(
        f"{key.replace('_', ' ')} {value:.4g} {conditions.KEYS[key].unit}"
        for key, value in state.values.items()
        if key in conditions.KEYS
    )
    console.print(Text(f"Conditions {source}: {said}."), soft_wrap=False)


def say_questions(questions: tuple[str, ...]) -> None:
    """Every question on the error stream, so that an answer can be piped on."""
    for question in questions:
        typer.echo(question, err=True)


def refuse_file(path: Path | None, asked: str) -> None:
    """A file beside an option that reads none."""
    if path is not None:
        raise UsedWrongly(f"{asked} needs no file; leave {path} away")
