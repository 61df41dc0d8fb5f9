"""What the pages of a survey and of a probe share: the open sheet, its meter, its conditions, saving a reading."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from daemon import conditions, sheets_reader, survey_record
from daemon.conditions import KEYS, StageState
from daemon.page.access import Form
from daemon.page.context import PageContext
from daemon.page.times import SiteTime, iso
from daemon.plantfile import TrainConfig
from daemon.plantfile.points import compensation as compensation_of
from daemon.sheets_reader import number_of, unit_name
from daemon.survey import METER
from daemon.survey_record import Kind, Sample, Sampling
from rules.train import Compensation
from rules.tube import Tube

SETTINGS = {
    "linear 2.0": "corrects by 2 %/K (usual)",
    "linear 1.9": "corrects by 1.9 %/K",
    "linear 2.1": "corrects by 2.1 %/K",
    "natural": "corrects for natural water (ISO 7888)",
    "none": "does not correct",
}
"""How a handheld meter may be set, in the words of the plant file -> for people."""

UNIT_CHOICES = ("us_cm", "ms_cm")
WARMTH_CHOICES = ("c", "f")

GIVEN = ("feed_conductivity", "feed_pressure", "feed_flow", "temperature")
"""Conditions that can be entered on the page when the history does not know them."""


class NotSaved(Exception):
    """What was entered cannot be kept; the text says why and what would do."""


@dataclass(frozen=True, slots=True)
class MeterChoice:
    """The meter of a sheet. unit, warmth_unit : spellings of `sheets_reader.UNITS`.

    half_steps : of a probe. end : port that the tube goes in by where both are open.
    """

    setting: str = "linear 2.0"
    error_percent: float = 100.0 * METER
    unit: str = "us_cm"
    warmth_unit: str = "c"
    half_steps: bool = True
    end: Literal["concentrate", "feed"] = "concentrate"

    @classmethod
    def of(cls, stored: Mapping[str, Any]) -> "MeterChoice":
        """As it is in the record; a sheet that came by command has no units of its own."""
        kind, alpha = stored.get("compensation", "linear"), stored.get("alpha", 2.0)
        return cls(
            f"linear {alpha:.1f}" if kind == "linear" else kind,
            100.0 * stored.get("error", METER),
            stored.get("unit", "us_cm"),
            stored.get("warmth_unit", "c"),
            stored.get("half_steps", True),
            "feed" if stored.get("end") == "feed" else "concentrate",
        )

    @property
    def compensation(self) -> Compensation:
        """For the rules."""
        found = compensation_of(self.setting)
        assert found is not None
        return found

    @property
    def unit_text(self) -> str:
        """µS/cm."""
        return unit_name(self.unit)

    @property
    def warmth_text(self) -> str:
        """°C."""
        return unit_name(self.warmth_unit)

    def to_json(self) -> dict[str, Any]:
        """For the record."""
        kind = self.compensation
        return {
            "error": self.error_percent / 100.0,
            "compensation": kind.kind,
            "alpha": kind.alpha,
            "unit": self.unit,
            "warmth_unit": self.warmth_unit,
            "half_steps": self.half_steps,
            "end": self.end,
        }

    def shown(self, us_cm: float) -> str:
        """A stored conductivity as this meter showed it."""
        zero, scale = sheets_reader.UNITS["conductivity"][self.unit]
        return f"{us_cm / scale + zero:.6g}"

    def warmth_shown(self, temperature_c: float | None) -> str:
        """A stored temperature in the unit of the sheet."""
        if temperature_c is None:
            return ""
        zero, scale = sheets_reader.UNITS["temperature"][self.warmth_unit]
        return f"{temperature_c / scale + zero:.4g}"


@dataclass(frozen=True, slots=True)
class Given:
    """One condition that may be entered by hand."""

    key: str
    title: str
    unit: str
    value: str
    known: str


@dataclass(frozen=True, slots=True)
class Earlier:
    """One finished survey or probe of the same place."""

    number: int
    when: str
    by: str
    said: str


@dataclass(frozen=True, slots=True)
class Head:
    """The part of a view that both pages have. number : of the sheet, None before its first reading.

    writing : somebody is signed in and the sheet is open, so there are fields.
    """

    site: str
    now: float
    now_iso: str
    now_text: str
    zone: str
    train: str
    train_name: str
    address: str
    number: int | None
    open: bool
    writing: bool
    by: str
    when: str
    meter: MeterChoice
    given: tuple[Given, ...]
    conditions: str
    earlier: tuple[Earlier, ...]
    said: str


def tube(train: TrainConfig, stage: int, end: Literal["concentrate", "feed"]) -> Tube:
    """The tube of a vessel; `end` counts only where both ports are open."""
    both = train.stages[stage - 1].permeate_port == "both"
    return Tube.of(train.stages[stage - 1], end if both else None)


def found(
    context: PageContext, kind: Kind, train: str, place: str, number: int | None
) -> Sampling | None:
    """The sheet that was asked for, else the open one, else the newest."""
    if number is not None:
        one = survey_record.sampling(context.record, number)
        return (
            one
            if one is not None and (one.kind, one.train, one.place) == (kind, train, place)
            else None
        )
    opened = survey_record.opened(context.record, kind, train, place)
    if opened is not None:
        return opened
    newest = survey_record.samplings(context.record, kind, train, place, limit=1)
    return newest[0] if newest else None


def state(
    context: PageContext, train: TrainConfig, stage: int, sheet: Sampling | None
) -> StageState:
    """The conditions of a sheet: of the time of its last reading, or of now."""
    when = None
    if sheet is not None and sheet.samples:
        when = max(s.at for s in sheet.samples)
    baselines = context.record.baselines(train.id)
    history = context.history if context.history.path.is_file() else None
    return conditions.stage_state(
        context.plant,
        train,
        stage,
        history,
        when=when,
        given=given_of(sheet),
        baseline=baselines[-1]["values"] if baselines else None,
    )


def given_of(sheet: Sampling | None) -> dict[str, float]:
    """Conditions that were entered by hand."""
    return dict(sheet.conditions.get("given", {})) if sheet is not None else {}


def head(
    context: PageContext,
    train: TrainConfig,
    kind: Kind,
    place: str,
    sheet: Sampling | None,
    known: StageState,
    *,
    signed_in: bool,
    said: str = "",
) -> Head:
    """Everything around the readings."""
    time = SiteTime(context.plant.site.timezone, context.now())
    meter = MeterChoice() if sheet is None else MeterChoice.of(sheet.meter)
    opened = sheet is None or sheet.finished is None
    told = given_of(sheet)
    return Head(
        site=context.plant.site.name,
        now=time.now,
        now_iso=iso(time.now),
        now_text=time.stamp(time.now),
        zone=context.plant.site.timezone,
        train=train.id,
        train_name=train.name,
        address=f"/train/{train.id}/{kind}/{place}",
        number=None if sheet is None else sheet.id,
        open=opened,
        writing=opened and signed_in,
        by="" if sheet is None else sheet.by,
        when="" if sheet is None else time.stamp(sheet.at),
        meter=meter,
        given=tuple(
            Given(
                key,
                key.replace("_", " ").capitalize()
                + (", of one vessel" if key == "feed_flow" else ""),
                KEYS[key].unit,
                f"{told[key]:.6g}" if key in told else "",
                f"{known.values[key]:.4g}" if key in known.values and key not in told else "",
            )
            for key in GIVEN
        ),
        conditions=conditions_text(known, time),
        earlier=tuple(
            Earlier(s.id, time.stamp(s.at), s.by, summary(s))
            for s in survey_record.samplings(context.record, kind, train.id, place, limit=12)
            if s.answer is not None
        ),
        said=said,
    )


def conditions_text(known: StageState, time: SiteTime) -> str:
    """What the answer rests on, in one sentence."""
    if known.source == "none":
        return "Operating conditions are not known: there is no history of this time, and none were entered."
    words = ", ".join(
        f"{key.replace('_', ' ')} {value:.4g} {KEYS[key].unit}"
        for key, value in known.values.items()
        if key in KEYS
    )
    whence = f"by the plant's own instruments, {time.stamp(known.at)}" if known.at else "as entered"
    return f"Conditions {whence}: {words}."


def share(probability: float) -> str:
    """A probability for people, who are never told that something is certain."""
    percent = 100.0 * probability
    if percent > 99.0:
        return "over 99\u00a0%"
    return f"{percent:.0f}\u00a0%" if percent >= 1.0 else "under 1\u00a0%"


def summary(one: Sampling) -> str:
    """What came out, in a few words."""
    assert one.answer is not None
    if one.kind == "survey":
        names = ", ".join(one.answer["suspects"])
        return f"stands out: {names}" if names else "no vessel stands out"
    where = one.answer["where"]
    verdict = str(one.answer["verdict"]).replace("_", " ")
    return f"{verdict}{f' at {where}' if where else ''}, {share(one.answer['confidence'])}"


def the_open(context: PageContext, kind: Kind, train: str, place: str, by: str) -> Sampling:
    """The open sheet of a place; begun now when there is none."""
    one = survey_record.opened(context.record, kind, train, place)
    if one is None:
        last = survey_record.samplings(context.record, kind, train, place, limit=1)
        meter = last[0].meter if last else MeterChoice().to_json()
        number = survey_record.begin(
            context.record, kind, train, place, at=context.now(), by=by, meter=meter
        )
        one = survey_record.sampling(context.record, number)
    assert one is not None
    return one


def save(
    context: PageContext, sheet: Sampling, place: str, title: str, form: Form, by: str
) -> None:
    """Keep one reading as it was typed, or take it away when its field was emptied; NotSaved says why not."""
    meter = MeterChoice.of(sheet.meter)
    value, warmth = form.text("value"), form.text("temperature")
    if not value:
        if warmth:
            raise NotSaved(
                f"{title}: a temperature without a conductivity. What did the meter show?"
            )
        survey_record.set_aside(context.record, sheet.id, place)
        return
    number, degrees = number_of(value), number_of(warmth) if warmth else None
    if number is None:
        raise NotSaved(f"{title}: {value} is no number. What did the meter show?")
    if warmth and degrees is None:
        raise NotSaved(f"{title}: {warmth} is no temperature. What did the meter show?")
    zero, scale = sheets_reader.UNITS["conductivity"][meter.unit]
    us_cm = (number - zero) * scale
    if us_cm <= 0.0:
        raise NotSaved(
            f"{title}: {value} {meter.unit_text} is impossible. What did the meter show?"
        )
    if degrees is not None:
        zero, scale = sheets_reader.UNITS["temperature"][meter.warmth_unit]
        degrees = (degrees - zero) * scale
    survey_record.put_samples(
        context.record, sheet.id, [Sample(place, us_cm, degrees, context.now(), by)]
    )


def set_meter(context: PageContext, sheet: Sampling, form: Form) -> None:
    """How the meter is set, its units and error, and conditions entered by hand."""
    wrong: list[str] = []
    error = number_of(form.text("error"))
    if error is None or not 0.1 <= error <= 20.0:
        wrong.append("The meter's error is in per cent of the reading, 0.1 to 20; 2 is usual.")
    setting, unit, warmth = form.text("setting"), form.text("unit"), form.text("warmth_unit")
    if setting not in SETTINGS or unit not in UNIT_CHOICES or warmth not in WARMTH_CHOICES:
        wrong.append("Choose the meter's setting and units from the lists.")
    told: dict[str, float] = {}
    for key in GIVEN:
        text = form.text(key)
        if text:
            value, problem = conditions.measure(key, text.replace(",", "."))
            if value is None:
                wrong.append(f"{key.replace('_', ' ').capitalize()}: {problem}")
            else:
                told[key] = value
    if wrong:
        raise NotSaved(" ".join(wrong))
    assert error is not None
    choice = MeterChoice(
        setting,
        error,
        unit,
        warmth,
        form.text("half_steps") != "no",
        "feed" if form.text("end") == "feed" else "concentrate",
    )
    survey_record.put_meter(context.record, sheet.id, choice.to_json(), {"given": told})


def close(context: PageContext, sheet: Sampling, answer: dict[str, Any], known: StageState) -> None:
    """Finish a sheet with its answer and the conditions that it rests on."""
    kept = known.to_json()
    told = given_of(sheet)
    if told:
        kept["given"] = told
    survey_record.finish(context.record, sheet.id, answer, kept, at=context.now())


def reopen(context: PageContext, kind: Kind, train: str, place: str, form: Form) -> None:
    """Go on with a finished sheet, unless another one of this place is open already."""
    number = form.text("number")
    if survey_record.opened(context.record, kind, train, place) is not None or not number.isdigit():
        return
    one = found(context, kind, train, place, int(number))
    if one is not None:
        survey_record.open_again(context.record, one.id)
