"""What the page of a probe shows: the marks with their fields, the profile as a picture, and the answer."""

from dataclasses import dataclass
from typing import Literal

from daemon import probe as probes
from daemon import sheets
from daemon.conditions import StageState
from daemon.page import samplingpage
from daemon.page.context import PageContext
from daemon.page.profile import Picture, picture
from daemon.page.samplingpage import Head, MeterChoice, share
from daemon.plantfile import TrainConfig
from daemon.probe import At, ProbeAnswer
from daemon.sheets_checks import Taken
from daemon.sheets_reader import ReadingsUnusable
from daemon.survey_record import Sampling
from rules.probe import FEWEST
from rules.tube import Tube

VERDICTS = {
    "sound": "Sound",
    "damaged_element": "Damaged element",
    "o_ring_leak": "O-ring leak",
    "adapter_leak": "Adapter leak",
}
NEAR_MM = 20.0
"""A mark of the sheet this near to a stored distance is the same place."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark on the tube.

    value, temperature : as typed, empty when not read yet. wanted : asked for by the answer.
    """

    number: str
    key: str
    distance: str
    inches: str
    place: str
    value: str
    temperature: str
    saved: bool
    wanted: bool


@dataclass(frozen=True, slots=True)
class ElementRow:
    """One element's own permeate, in words."""

    name: str
    own: str
    expected: str


@dataclass(frozen=True, slots=True)
class ProbeView:
    """Everything on the page; see `Head` for the rest."""

    head: Head
    now: float
    now_iso: str
    now_text: str
    zone: str
    vessel: str
    stage: int
    tube: str
    both_ends: bool
    marks: tuple[Mark, ...]
    read: int
    of: int
    next: Mark | None
    answer: ProbeAnswer | None
    verdict: str
    confidence: str
    lead: str
    others: tuple[tuple[str, str], ...]
    elements: tuple[ElementRow, ...]
    questions: tuple[str, ...]
    notes: tuple[str, ...]
    picture: Picture
    unusable: str


def judged(
    context: PageContext, train: TrainConfig, stage: int, vessel: str, sheet: Sampling | None
) -> tuple[ProbeAnswer | None, str, StageState]:
    """The answer to what has been read so far, or why there is none."""
    known = samplingpage.state(context, train, stage, sheet)
    if sheet is None or not sheet.samples:
        return None, "", known
    meter = MeterChoice.of(sheet.meter)
    readings = [
        At(
            float(s.place),
            Taken(f"{float(s.place):.0f} mm", f"{float(s.place):.0f} mm", s.us_cm, s.temperature_c),
        )
        for s in sheet.samples
    ]
    try:
        answer = probes.judge(
            context.plant,
            vessel,
            samplingpage.tube(train, stage, meter.end),
            readings,
            known,
            meter=meter.error_percent / 100.0,
            compensation=meter.compensation,
            partly=sheet.finished is None,
        )
    except ReadingsUnusable as error:
        return None, str(error), known
    return answer, "", known


def probe_view(
    context: PageContext,
    train: TrainConfig,
    stage: int,
    vessel: str,
    sheet: Sampling | None,
    *,
    signed_in: bool,
    said: str = "",
    typed: tuple[str, str, str] | None = None,
) -> ProbeView:
    """The view. typed : distance, value and temperature that could not be saved, to be shown again."""
    answer, unusable, known = judged(context, train, stage, vessel, sheet)
    head = samplingpage.head(
        context, train, "probe", vessel, sheet, known, signed_in=signed_in, said=said
    )
    tube = samplingpage.tube(train, stage, head.meter.end)
    marks = _marks(tube, sheet, head.meter, answer, typed)
    samples = list(sheet.samples) if sheet is not None else []
    usable = [(float(s.place), s.us_cm) for s in samples]
    lead = f"{len(marks)} marks to read, the deepest first." if not samples else ""
    if unusable and len(samples) < FEWEST:
        lead, unusable = f"{len(samples)} of {len(marks)} read. An answer comes with the third.", ""
    unread = sum(not m.saved for m in marks) if head.open else 0
    if answer is not None:
        lead = _lead(answer, unread)
    return ProbeView(
        head=head,
        now=head.now,
        now_iso=head.now_iso,
        now_text=head.now_text,
        zone=head.zone,
        vessel=vessel,
        stage=stage,
        tube=sheets.tube_words(tube),
        both_ends=tube.port == "both",
        marks=marks,
        read=len(samples),
        of=len(marks),
        next=next((m for m in marks if not m.saved), None),
        answer=answer,
        verdict=_verdict(answer, unread),
        confidence="" if answer is None else f"{share(answer.confidence)} sure",
        lead=lead,
        others=()
        if answer is None
        else tuple((words, share(p)) for words, p in answer.others if p >= 0.01),
        elements=()
        if answer is None
        else tuple(
            ElementRow(
                f"{vessel}/{e.position}",
                "not told"
                if e.us_cm is None or e.error_us_cm is None
                else f"{e.us_cm:.3g} ± {e.error_us_cm:.2g}",
                "" if e.expected_us_cm is None else f"{e.expected_us_cm:.3g}",
            )
            for e in answer.elements
        ),
        questions=answer.questions if answer is not None else (),
        notes=answer.notes if answer is not None else (),
        picture=picture(tube, answer, usable),
        unusable=unusable,
    )


def _lead(answer: ProbeAnswer, unread: int) -> str:
    """What to do: with marks left, go on, unless a fault is plain already or one mark is asked for."""
    if not unread or answer.next_mm is not None or (answer.decided and answer.verdict != "sound"):
        return answer.next_step
    left = f"{unread} mark{'' if unread == 1 else 's'} left to read."
    return f"Nothing stands out so far; {left}" if answer.verdict == "sound" else f"Go on; {left}"


def _verdict(answer: ProbeAnswer | None, unread: int) -> str:
    if answer is None:
        return ""
    place = f", {answer.where}" if answer.where else ""
    said = f"{VERDICTS[answer.verdict]}{place}"
    if unread and answer.verdict == "sound":
        return f"So far: {said.lower()}"
    return said if answer.decided else f"Not decided yet. Likeliest: {said}"


def _marks(
    tube: Tube,
    sheet: Sampling | None,
    meter: MeterChoice,
    answer: ProbeAnswer | None,
    typed: tuple[str, str, str] | None,
) -> tuple[Mark, ...]:
    """The marks of the sheet, with further distances that were read or are asked for, the deepest first."""
    stored = {float(s.place): s for s in sheet.samples} if sheet is not None else {}
    places = [
        (s.distance_mm, s.place) for s in sheets.probe_stops(tube, half_steps=meter.half_steps)
    ]
    more = list(stored)
    if answer is not None and answer.next_mm is not None:
        more.append(answer.next_mm)
    for mm in more:
        if all(abs(mm - at) > NEAR_MM for at, _ in places):
            places.append((mm, "one more"))
    found = []
    for number, (mm, place) in enumerate(sorted(places, reverse=True), 1):
        near = next((at for at in stored if abs(at - mm) <= NEAR_MM), None)
        sample = None if near is None else stored[near]
        key = f"{mm if near is None else near:g}"
        value = "" if sample is None else meter.shown(sample.us_cm)
        warmth = "" if sample is None else meter.warmth_shown(sample.temperature_c)
        if typed is not None and typed[0] == key:
            _, value, warmth = typed
        wanted = (
            answer is not None and answer.next_mm is not None and abs(answer.next_mm - mm) < NEAR_MM
        )
        found.append(
            Mark(
                str(number),
                key,
                f"{mm:.0f}",
                f"{mm / 25.4:.1f}",
                place,
                value,
                warmth,
                sample is not None,
                wanted,
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True)
class SheetView:
    """The printed sheet of a probe."""

    site: str
    train_name: str
    vessel: str
    tube: str
    half_steps: bool
    end: str
    stops: tuple[sheets.ProbeStop, ...]
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    picture: Picture


def sheet_view(
    context: PageContext,
    train: TrainConfig,
    stage: int,
    vessel: str,
    *,
    half_steps: bool,
    end: Literal["concentrate", "feed"],
) -> SheetView:
    """The sheet to print. end : port that the tube goes in by where both are open."""
    tube = samplingpage.tube(train, stage, end)
    return SheetView(
        context.plant.site.name,
        train.name,
        vessel,
        sheets.tube_words(tube),
        half_steps,
        end,
        sheets.probe_stops(tube, half_steps=half_steps),
        sheets.PROBE_STEPS,
        (*sheets.CAUTIONS, *sheets.PROBE_CAUTIONS),
        picture(tube, None, []),
    )
