"""The words of a message: title with the key that tells a repeat, and a text that a phone can show."""

from collections.abc import Mapping
from datetime import UTC, datetime
from math import expm1
from typing import Any
from zoneinfo import ZoneInfo

from daemon import words
from daemon.plantfile.result import Plant
from daemon.rows import Notice
from rules.explain import CAUSE_WORDS, LONGEST_MESSAGE, SHORT_WORDS

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
        return f"{seen[0].lower()}{seen[1:]}" + (f" ({rest})" if rest else "")
    return cause_words(notice.causes[0]) if notice.causes else kind.replace("_", " ")


def cleared_message(notice: Notice) -> str:
    """The message of a condition that has gone."""
    kind, _, rest = notice.matter.partition(":")
    if kind in words.OVER:
        return f"Train {notice.train}: {rest or kind} {words.OVER[kind]}."
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
        lines.append(f"Site: {plant.site.name}. Notice {notice.id}.")
        return "\n".join(lines)
    lines.append(f"Do: {words.ACTIONS[notice.action].sentence} Priority {notice.priority}.")
    if notice.picture.get("since") is not None:
        lines.append(f"Since {local(notice.picture['since'], zone)}.")
    # Of what was seen, such as a lost link, one certain cause says nothing new.
    if notice.matter == "performance" and notice.causes:
        shown = [f"{cause_words(c)} {c['probability']:.0%}" for c in notice.causes[:3]]
        lines.append("Causes: " + ", ".join(shown) + ".")
    if notice.forecast is not None:
        lines.append(_forecast(notice.forecast, zone))
    deviations = _deviations(notice.deviation)
    if deviations:
        lines.append("Against the baseline: " + "; ".join(deviations) + ".")
    lines.extend(notice.evidence)
    lines.append(f"Site: {plant.site.name}. Notice {notice.id}.")
    return "\n".join(lines)


def _forecast(forecast: Mapping[str, Any], zone: ZoneInfo) -> str:
    quantity = forecast["quantity"]
    early = local(forecast["early"], zone)
    span = (
        f"not before {early}"
        if forecast["late"] is None
        else f"between {early} and {local(forecast['late'], zone)}"
    )
    return (
        f"Forecast: {SHORT_WORDS.get(quantity, quantity)} reaches its limit about"
        f" {local(forecast['limit_at'], zone)}, {span}."
    )


def _deviations(deviation: Mapping[str, Mapping[str, float]]) -> list[str]:
    return [
        f"{'train' if section == 'train' else f'stage {section}'} "
        + ", ".join(f"{SHORT_WORDS.get(q, q)} {100 * expm1(v):+.1f} %" for q, v in values.items())
        for section, values in deviation.items()
        if values
    ]
