"""The words of a message: title with the key that tells a repeat, and a text that a phone can show."""

from collections.abc import Mapping
from datetime import UTC, datetime
from math import expm1
from typing import Any
from zoneinfo import ZoneInfo

from daemon.plantfile.result import Plant
from daemon.record import Notice

WORDS = {
    "raised": "new",
    "updated": "update",
    "cleared": "back to normal",
    "unshelved": "shelf time over, still there",
    "in_service": "in service again, still there",
}
_ACTION_WORDS = {
    "clean": "clean",
    "probe": "survey and probe the vessels",
    "replace": "replace",
    "check_instrument": "check the instrument",
    "adjust_operation": "adjust the operation",
    "watch": "watch",
}
_QUANTITY_WORDS = {
    "permeate_flow": "permeate flow",
    "salt_passage": "salt passage",
    "pressure_drop": "pressure drop",
}
LONGEST_MESSAGE = 320


def cause_words(cause: Mapping[str, Any]) -> str:
    """One cause in words; an instrument fault names its transmitter."""
    words = str(cause["cause"]).replace("_", " ")
    return f"{words} ({cause['point']})" if cause.get("point") else words


def local(at: float, zone: ZoneInfo) -> str:
    """An instant on the site's clock, with its offset."""
    return datetime.fromtimestamp(int(at), UTC).astimezone(zone).strftime("%a %Y-%m-%d %H:%M %z")


def title(plant: Plant, notice: Notice, event: str, *, back: bool = False) -> str:
    """Subject line: key, class, train, cause, and what happened."""
    word = "back again" if back else WORDS[event]
    name = plant.train(notice.train).name
    train = f"train {notice.train}" + (f" ({name})" if name and name != notice.train else "")
    where = f" stage {notice.stage}" if notice.stage is not None else ""
    causes = notice.causes
    what = (
        cause_words(causes[0]) if causes and causes[0]["cause"] != "none" else matter_words(notice)
    )
    return f"{notice.key} {notice.notice_class.capitalize()}, {word}: {train}{where}, {what}"


def matter_words(notice: Notice) -> str:
    """What a notice without a cause is about."""
    kind, _, rest = notice.matter.partition(":")
    return f"{kind.replace('_', ' ')} {rest}".strip()


def cleared_message(notice: Notice) -> str:
    """The message of a condition that has gone."""
    what = cause_words(notice.causes[0]) if notice.causes else matter_words(notice)
    words = f"Back to normal: {what}. It was: {notice.message}"
    return words if len(words) <= LONGEST_MESSAGE else words[: LONGEST_MESSAGE - 1] + "…"


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
    lines.append(f"Do: {_ACTION_WORDS[notice.action]}. Priority {notice.priority}.")
    if notice.picture.get("since") is not None:
        lines.append(f"Since {local(notice.picture['since'], zone)}.")
    if notice.causes:
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
        f"Forecast: {_QUANTITY_WORDS.get(quantity, quantity)} reaches its limit about"
        f" {local(forecast['limit_at'], zone)}, {span}."
    )


def _deviations(deviation: Mapping[str, Mapping[str, float]]) -> list[str]:
    return [
        f"{'train' if section == 'train' else f'stage {section}'} "
        + ", ".join(
            f"{_QUANTITY_WORDS.get(q, q)} {100 * expm1(v):+.1f} %" for q, v in values.items()
        )
        for section, values in deviation.items()
        if values
    ]
