"""What a work pack is asked for, checked against the plant: train, stage, vessel, position, reason."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import isfinite
from typing import Literal, get_args

from daemon import maintenance
from daemon.clock import LIVE_S
from daemon.history_reader import HistoryReader
from daemon.loadmap import LoadMap
from daemon.maintenance import Entry
from daemon.plantfile import Plant, TrainConfig
from daemon.record import Record
from daemon.rows import Notice
from rules.actions import ACTION
from rules.cleaningplan import FOR_CAUSE, RECIPES, RecipeName
from rules.train import Stage

Job = Literal["clean", "probe", "element", "membranes"]
JOBS: tuple[Job, ...] = get_args(Job)
JOB_OF_ACTION: Mapping[str, Job] = {"clean": "clean", "probe": "probe", "replace": "membranes"}
"""The job that a notice's action leads to; other actions need no vessel opened or cleaned."""


class WorkPackError(Exception):
    """A work pack that cannot be made; the text says why and what would do."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a vessel: an element, or the seal between two of them or at an end.

    kind : ``element`` with its position; ``joint`` after that position; ``adapter`` at that end.
    """

    kind: Literal["element", "joint", "adapter"]
    position: int = 0
    end: Literal["", "feed", "concentrate"] = ""

    @property
    def words(self) -> str:
        """``position 4``, ``interconnector 4-5``, ``feed adapter``."""
        if self.kind == "element":
            return f"position {self.position}"
        if self.kind == "joint":
            return f"interconnector {self.position}-{self.position + 1}"
        return f"{self.end} adapter"


@dataclass(frozen=True, slots=True)
class Order:
    """A work pack that can be made. stages : numbers from 1; vessel, place : None when not known yet.

    solution : of a clean only.
    """

    plant: Plant
    train: TrainConfig
    job: Job
    stages: tuple[int, ...]
    vessel: int | None = None
    place: Place | None = None
    notice: Notice | None = None
    solution: RecipeName | None = None

    @property
    def stage(self) -> Stage:
        """The geometry of the first stage of the job."""
        return self.train.stages[self.stages[0] - 1]

    @property
    def where(self) -> str:
        """``stage 1``, ``vessel 1-03, position 4``, ``all stages``."""
        if self.vessel is None:
            if len(self.stages) > 1:
                return "all stages"
            return f"stage {self.stages[0]}"
        name = f"vessel {self.stages[0]}-{self.vessel:02d}"
        return name if self.place is None else f"{name}, {self.place.words}"


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known at the moment a pack is printed.

    made_at : plant time, or the gateway's before the first reading. [s]
    values : signal -> newest good reading in SI units. read_at : when that was, None for never. [s]
    old : the readings are not of now.
    loaded : position, ``1-03/4`` -> serial number of the load map. shelf : serial numbers that wait.
    done : the newest work on the train, newest first, with what became of it.
    """

    made_at: float
    values: Mapping[str, float] = field(default_factory=dict)
    read_at: float | None = None
    old: bool = False
    loaded: Mapping[str, str] = field(default_factory=dict)
    shelf: tuple[str, ...] = ()
    done: tuple[Entry, ...] = ()


def order(
    plant: Plant,
    train: TrainConfig,
    *,
    job: str | None = None,
    stage: int | None = None,
    vessel: str | None = None,
    position: str | None = None,
    notice: Notice | None = None,
    solution: str | None = None,
) -> Order:
    """Everything said about a job, checked and completed from the notice. Raises WorkPackError."""
    if notice is not None and notice.train != train.id:
        raise WorkPackError(
            f"notice {notice.id} is about train {notice.train}, not {train.id}; "
            f"ask for train {notice.train}"
        )
    chosen = _job(job, notice)
    if stage is None and vessel is None and notice is not None:
        stage = notice.stage
    stages, number = _stages(train, chosen, stage, vessel)
    place = None if position is None else _place(train, chosen, stages, number, position)
    if chosen == "element" and place is None:
        raise WorkPackError(
            "say what is to be replaced with position: 4 for an element, 4-5 for the interconnector "
            "between two, feed or concentrate for an end adapter"
        )
    return Order(
        plant, train, chosen, stages, number, place, notice, _solution(chosen, solution, notice)
    )


def _job(job: str | None, notice: Notice | None) -> Job:
    if job is None and notice is not None and notice.action in JOB_OF_ACTION:
        return JOB_OF_ACTION[notice.action]
    for known in JOBS:
        if job == known:
            return known
    what = "say which job" if job is None else f"job {job} is not known"
    raise WorkPackError(f"{what}; use {', '.join(JOBS[:-1])} or {JOBS[-1]}")


def _stages(
    train: TrainConfig, job: Job, stage: int | None, vessel: str | None
) -> tuple[tuple[int, ...], int | None]:
    number = None
    if vessel is not None:
        if job not in ("probe", "element"):
            raise WorkPackError(
                f"a {job} pack is for whole stages: leave vessel out, or ask for the job element"
            )
        written = re.fullmatch(r"(\d{1,2})-(\d{1,3})", vessel)
        if written is None:
            raise WorkPackError(f"vessel {vessel} is no vessel; write stage and number, like 1-03")
        of, number = int(written[1]), int(written[2])
        if stage is not None and stage != of:
            raise WorkPackError(f"vessel {vessel} is not in stage {stage}; leave one of them out")
        stage = of
    if job == "element" and number is None:
        raise WorkPackError(
            "say which vessel, like 1-03: a survey of the stage and a probe of the vessel find it"
        )
    if stage is None:
        if job == "membranes" or len(train.stages) == 1:
            return tuple(range(1, len(train.stages) + 1)), None
        raise WorkPackError(f"say which stage: train {train.id} has 1 to {len(train.stages)}")
    if not 1 <= stage <= len(train.stages):
        has = f"1 to {len(train.stages)}" if len(train.stages) > 1 else "stage 1 only"
        raise WorkPackError(f"there is no stage {stage}; train {train.id} has {has}")
    vessels = train.stages[stage - 1].vessels
    if number is not None and not 1 <= number <= vessels:
        raise WorkPackError(
            f"there is no vessel {vessel}; stage {stage} has {stage}-01 to {stage}-{vessels:02d}"
        )
    return (stage,), number


ENDS: Mapping[str, Literal["feed", "concentrate"]] = {
    "feed": "feed",
    "feed adapter": "feed",
    "feed-end adapter": "feed",
    "concentrate": "concentrate",
    "concentrate adapter": "concentrate",
    "concentrate-end adapter": "concentrate",
}


def _place(
    train: TrainConfig, job: Job, stages: tuple[int, ...], vessel: int | None, position: str
) -> Place:
    if job != "element" or vessel is None:
        raise WorkPackError("position belongs to the job element with its vessel; leave it out")
    elements = train.stages[stages[0] - 1].elements_per_vessel
    # "1-03/4" and "1-03/4-5" are how a probe answers
    said = position.rpartition("/")[2].strip().lower()
    if said in ENDS:
        return Place("adapter", end=ENDS[said])
    if re.fullmatch(r"\d{1,2}", said) and 1 <= int(said) <= elements:
        return Place("element", int(said))
    joint = re.fullmatch(r"(\d{1,2})-(\d{1,2})", said)
    if joint and int(joint[2]) == int(joint[1]) + 1 and 1 <= int(joint[1]) < elements:
        return Place("joint", int(joint[1]))
    joints = f", an interconnector 1-2 to {elements - 1}-{elements}" if elements > 1 else ""
    raise WorkPackError(
        f"there is no position {position} in vessel {stages[0]}-{vessel:02d}: use 1 to {elements}"
        f"{joints}, feed or concentrate"
    )


def _solution(job: Job, solution: str | None, notice: Notice | None) -> RecipeName | None:
    if job != "clean":
        if solution is not None:
            raise WorkPackError("solution belongs to the job clean; leave it out")
        return None
    names = ", ".join(RECIPES)
    if solution is not None:
        if solution not in RECIPES:
            raise WorkPackError(f"solution {solution} is not known; use one of {names}")
        return RECIPES[solution].name
    if notice is not None and notice.cause in FOR_CAUSE:
        return FOR_CAUSE[notice.cause]
    if notice is not None and ACTION.get(notice.cause) != "clean":
        raise WorkPackError(
            f"notice {notice.id} does not call for a cleaning (its first cause is "
            f"{notice.cause.replace('_', ' ')}); when it is wanted all the same, say which "
            f"solution: {names}"
        )
    raise WorkPackError(f"say which solution: {names}; a notice that names a deposit decides it")


FRESH_S = 120.0
"""Readings stored longer ago than this are not of now. [s]"""
MOST_DONE = 3
TOLD = ("cleaning_end", "element_replaced", "membranes_replaced", "seals_replaced")
"""Earlier work that a pack tells, the newest of it."""


def situation(
    plant: Plant,
    train: TrainConfig,
    *,
    history: HistoryReader | None,
    record: Record | None,
    now: float,
) -> Situation:
    """The newest good readings of a train, and its load map.

    history, record : None where there is no store yet: a pack can be made before a plant is watched.
    now : the gateway's clock. [s]
    """
    latest = None if history is None else history.latest(train.id)
    found = Situation(now)
    if latest is not None:
        found = Situation(
            made_at=now if abs(latest.time - latest.wall) <= LIVE_S else latest.time,
            values={s: v for s, v in latest.values.items() if isfinite(v)},
            read_at=latest.time,
            old=latest.age_s > FRESH_S,
        )
    if record is None:
        return found
    elements = LoadMap(record, plant)
    done = [e for e in maintenance.entries(record, train.id) if e.event.event in TOLD]
    return replace(
        found,
        loaded={p: e.serial for p, e in elements.loaded(train.id).items()},
        shelf=tuple(e.serial for e in elements.shelf()),
        done=tuple(sorted(done, key=lambda e: (e.event.t, e.event.id))[: -MOST_DONE - 1 : -1]),
    )
