"""What the page of a survey shows: the walk with its fields, the stage as a grid, and the answer."""

from collections.abc import Sequence
from dataclasses import dataclass

from daemon import sheets
from daemon import survey as surveys
from daemon.conditions import StageState
from daemon.page import samplingpage
from daemon.page.context import PageContext
from daemon.page.samplingpage import Head, MeterChoice, share
from daemon.plantfile import TrainConfig
from daemon.sheets_checks import Taken
from daemon.sheets_reader import ReadingsUnusable
from daemon.survey import SurveyAnswer, VesselLine
from daemon.survey_record import Sampling, samplings
from rules.survey import FEWEST
from rules.watch import NEW_BASELINE


@dataclass(frozen=True, slots=True)
class Field:
    """One stop of the walk. value, temperature : as typed, empty when not read yet.

    key : the vessel, or the first one again. anchor : where a link finds it.
    """

    key: str
    anchor: str
    vessel: str
    detail: str
    value: str
    temperature: str
    saved: bool


@dataclass(frozen=True, slots=True)
class VesselCell:
    """One vessel of the picture. shade : ``unread``, ``s0`` ... ``s3`` or ``low``; word : the same in words."""

    vessel: str
    value: str
    times: str
    shade: str
    word: str


@dataclass(frozen=True, slots=True)
class SurveyView:
    """Everything on the page; see `Head` for the rest. now : as the head's, for every page's clock."""

    head: Head
    now: float
    now_iso: str
    now_text: str
    zone: str
    stage: int
    fields: tuple[Field, ...]
    cells: tuple[VesselCell, ...]
    read: int
    of: int
    answer: SurveyAnswer | None
    next: str
    lead: str
    sure: str
    suspects: tuple[str, ...]
    questions: tuple[str, ...]
    notes: tuple[str, ...]
    unusable: str


def judged(
    context: PageContext, train: TrainConfig, stage: int, sheet: Sampling | None
) -> tuple[SurveyAnswer | None, str, StageState]:
    """The answer to what has been read so far, or why there is none."""
    known = samplingpage.state(context, train, stage, sheet)
    if sheet is None or not sheet.samples:
        return None, "", known
    meter = MeterChoice.of(sheet.meter)
    renewed = [e.t for e in context.record.events(train.id) if e.event in NEW_BASELINE]
    earlier = samplings(context.record, "survey", train.id, str(stage))
    past = surveys.past_of(
        [s for s in earlier if s.at < sheet.at],
        known,
        train.stages[stage - 1].vessels,
        since=max(renewed, default=0.0),
    )
    try:
        answer = surveys.judge(
            context.plant,
            train,
            stage,
            [Taken(s.place, s.place, s.us_cm, s.temperature_c) for s in sheet.samples],
            known,
            past=past,
            meter=meter.error_percent / 100.0,
            compensation=meter.compensation,
            partly=sheet.finished is None,
        )
    except ReadingsUnusable as error:
        return None, str(error), known
    return answer, "", known


def survey_view(
    context: PageContext,
    train: TrainConfig,
    stage: int,
    sheet: Sampling | None,
    *,
    signed_in: bool,
    said: str = "",
    typed: tuple[str, str, str] | None = None,
) -> SurveyView:
    """The view. typed : vessel, value and temperature that could not be saved, to be shown again."""
    answer, unusable, known = judged(context, train, stage, sheet)
    head = samplingpage.head(
        context, train, "survey", str(stage), sheet, known, signed_in=signed_in, said=said
    )
    samples = {s.place: s for s in sheet.samples} if sheet is not None else {}
    fields = []
    every = surveys.names(train, stage)
    for key in (*every, again(every)):
        sample = samples.get(key)
        value = "" if sample is None else head.meter.shown(sample.us_cm)
        warmth = "" if sample is None else head.meter.warmth_shown(sample.temperature_c)
        if typed is not None and typed[0] == key:
            _, value, warmth = typed
        vessel, _, once_more = key.partition(" ")
        detail = "once more: have train or meter moved?" if once_more else ""
        anchor = f"v{key.replace(' ', '-')}"
        fields.append(Field(key, anchor, vessel, detail, value, warmth, sample is not None))
    lines = {v.vessel: v for v in answer.vessels} if answer is not None else {}
    read = sum(vessel in samples for vessel in every)
    lead, sure = _lead(answer, read, len(every))
    return SurveyView(
        head=head,
        now=head.now,
        now_iso=head.now_iso,
        now_text=head.now_text,
        zone=head.zone,
        stage=stage,
        fields=tuple(fields),
        cells=tuple(_cell(v, lines.get(v)) for v in every),
        read=read,
        of=len(every),
        answer=answer,
        next=next((v for v in every if v not in samples), ""),
        lead=lead,
        sure=sure,
        suspects=answer.suspects if answer is not None else (),
        questions=answer.questions if answer is not None else (),
        notes=answer.notes if answer is not None else (),
        unusable=unusable,
    )


def again(every: Sequence[str]) -> str:
    """What the first vessel is called when it is read once more at the end."""
    return f"{every[0]} {surveys.AGAIN}"


def _lead(answer: SurveyAnswer | None, read: int, of: int) -> tuple[str, str]:
    if answer is None:
        return (f"{of} vessels to read." if not read else ""), ""
    if read < FEWEST <= of and not answer.suspects:
        return f"{read} of {of} read. An answer comes with the third vessel.", ""
    sure = ", ".join(
        f"{v.vessel} {share(v.probability)}" for v in answer.vessels if v.probability is not None
    )
    return answer.next_step, f"How sure that it is at fault: {sure}." if sure else ""


def _cell(vessel: str, line: VesselLine | None) -> VesselCell:
    if line is None or line.us_cm is None:
        return VesselCell(vessel, "–", "", "unread", "not read")
    times = "" if line.ratio is None else f"× {line.ratio:.2f}"
    if line.suspect:
        shade, word = "s3", "probe"
    elif line.low:
        shade, word = "low", "too low"
    elif line.doubtful:
        shade, word = "s2", "read again"
    elif line.score is None:
        shade, word = "s0", "read"
    else:
        shade, word = ("s1" if line.score > 1.0 else "s0"), "usual"
    return VesselCell(vessel, f"{line.us_cm:.3g}", times, shade, word)


@dataclass(frozen=True, slots=True)
class SheetView:
    """The printed sheet of a survey."""

    site: str
    train_name: str
    stage: int
    stops: tuple[sheets.SurveyStop, ...]
    steps: tuple[str, ...]
    cautions: tuple[str, ...]


def sheet_view(context: PageContext, train: TrainConfig, stage: int) -> SheetView:
    """The sheet to print."""
    return SheetView(
        context.plant.site.name,
        train.name,
        stage,
        sheets.survey_stops(train, stage),
        sheets.SURVEY_STEPS,
        sheets.CAUTIONS,
    )
