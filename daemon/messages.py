"""The words of a message: title with the key that tells a repeat, and a text that a phone can show."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from math import expm1
from typing import Any
from zoneinfo import ZoneInfo

from daemon import words
from daemon.plantfile.result import Plant
from daemon.rows import Notice
from rules import explain
from rules.explain import LONGEST_MESSAGE
from rules.words import CAUSE_WORDS, SHORT_WORDS

WORDS = {
    "raised": "new",
    "updated": "update",
    "cleared": "back to normal",
    "unshelved": "shelf time over, still there",
    "in_service": "in service again, still there",
}


def cause_words(cause: Mapping[str, Any]) -> str:
    """One cause in words; a transmitter's error names its transmitter."""
    name = CAUSE_WORDS[cause["cause"]]
    return f"{name} ({cause['point']})" if cause.get("point") else name


def local(at: float, zone: ZoneInfo) -> str:
    """An instant on the site's clock, with its offset."""
    return datetime.fromtimestamp(int(at), UTC).astimezone(zone).strftime("%a %Y-%m-%d %H:%M %z")


def title(plant: Plant, notice: Notice, event: str, *, back: bool = False) -> str:
    """Subject line: key, class, train, cause, and what happened."""
    word = "back again" if back else WORDS[event]
    name = plant.train(notice.train).name
    train = f"train {notice.train}" + (f" ({name})" if name and name != notice.train else "")
    where = f" stage {notice.stage}" if notice.stage is not None else ""
    return (
        f"{notice.key} {notice.notice_class.capitalize()}, {word}:"
        f" {train}{where}, {matter_words(notice)}"
    )


def matter_words(notice: Notice) -> str:
    """What a notice is about: what was seen, or the first cause of a change of performance."""
    kind, _, rest = notice.matter.partition(":")
    if kind in words.MATTERS:
        seen = words.MATTERS[kind]
        # A limit is one of a stage, which is named already.
        return f"{seen[0].lower()}{seen[1:]}" + (f" ({rest})" if rest and kind != "limit" else "")
    return cause_words(notice.causes[0]) if notice.causes else kind.replace("_", " ")


def todo(notice: Notice, name: Callable[[str], str] = str) -> str:
    """What to do in one sentence, as the rules say it.

    name : puts the tag of a transmitter into words.
    """
    kind = notice.matter.partition(":")[0]
    point = notice.causes[0].get("point") if notice.causes else None
    if kind in words.MATTER_ACTIONS:
        return words.MATTER_ACTIONS[kind].sentence
    if notice.action == "check_instrument" and point is None:
        return words.ACTIONS[notice.action].sentence
    named = name(point) if point is not None else None
    return explain.todo(notice.action, notice.cause, notice.stage, named)


def cleared_message(notice: Notice) -> str:
    """The message of a condition that has gone."""
    kind, _, rest = notice.matter.partition(":")
    if kind in words.OVER:
        return f"Train {notice.train}: {words.seen_subject(kind, rest)} {words.OVER[kind]}."
    said = f"Back to normal: {matter_words(notice)}. It was: {notice.message}"
    return said if len(said) <= LONGEST_MESSAGE else said[: LONGEST_MESSAGE - 1] + "…"


def text(plant: Plant, notice: Notice, event: str, message: str, reasons: tuple[str, ...]) -> str:
    """The body of a message: what, where, since when, how sure, why, what to do, by when."""
    zone = ZoneInfo(plant.site.timezone)
    lines = [message] if message else []
    if reasons:
        lines.append("New: " + "; ".join(reasons) + ".")
    if event == "cleared":
        if notice.state.value == "RTNUN":
            lines.append("Please acknowledge it.")
        return "\n".join([*lines, *_signature(plant, notice)])
    lines.append(f"Do: {todo(notice)} Priority {notice.priority}.")
    if notice.picture.get("since") is not None:
        lines.append(f"Since {local(notice.picture['since'], zone)}.")
    # Of what was seen, such as a lost link, one certain cause says nothing new.
    if notice.matter == "performance" and notice.causes:
        shown = [f"{cause_words(c)} {c['probability']:.0%}" for c in notice.causes[:3]]
        lines.append("Causes: " + ", ".join(shown) + ".")
    if notice.forecast is not None:
        lines.append(_forecast(notice.forecast, zone, notice.told_at))
    deviations = _deviations(notice.deviation)
    if deviations:
        lines.append("Against the baseline: " + "; ".join(deviations) + ".")
    lines.extend(notice.evidence)
    return "\n".join([*lines, *_signature(plant, notice)])


def _signature(plant: Plant, notice: Notice) -> list[str]:
    """Where it comes from, and its page when the plant file says where people reach it."""
    said = [f"Site: {plant.site.name}. Notice {notice.id}."]
    return [*said, f"{plant.page.address}/notice/{notice.id}"] if plant.page.address else said


def _forecast(forecast: Mapping[str, Any], zone: ZoneInfo, told_at: float | None) -> str:
    """When the limit will be reached, with the range where it is one of days."""
    quantity, at, early, late = (forecast[k] for k in ("quantity", "limit_at", "early", "late"))
    name, when = SHORT_WORDS.get(quantity, quantity), local(at, zone)
    if told_at is not None and at <= told_at:
        # A notice that comes off the shelf says again what was forecast; it may not have come true.
        return f"Forecast before: {name} reaches its limit about {when}."
    span = f", not before {local(early, zone)}"
    if late is not None:
        span = f", between {local(early, zone)} and {local(late, zone)}"
        if len({local(t, zone)[:14] for t in (at, early, late)}) == 1:
            span = ""
    return f"Forecast: {name} reaches its limit about {when}{span}."


def _deviations(deviation: Mapping[str, Mapping[str, float]]) -> list[str]:
    return [
        f"{'train' if section == 'train' else f'stage {section}'} "
        + ", ".join(f"{SHORT_WORDS.get(q, q)} {_percent(v)}" for q, v in values.items())
        for section, values in deviation.items()
        if values
    ]


def _percent(deviation: float) -> str:
    """A logarithmic deviation as a signed per cent; zero has no sign."""
    text = f"{100 * expm1(deviation):+.1f}"
    return f"{text if float(text) else '0.0'} %"
