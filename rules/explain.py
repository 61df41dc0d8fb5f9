"""Findings in plain trade language: short for a phone, and the evidence in numbers."""

from collections.abc import Mapping, Sequence

from rules.actions import CHEMISTRY
from rules.findings import Action, CauseProbability, Forecast
from rules.waiting import Waiting
from rules.words import CAUSE_WORDS, SHORT_WORDS, day, percent, place, quantity_words

STANDS_OUT = 2.0
"""Evidence is told singly from this many times the usual spread on."""

ONE_VESSEL = ("o_ring_leak", "damaged_element")
"""Feed water in the permeate of one vessel: causes that a train's own instruments cannot tell apart."""

LEAST_KW = 0.1
"""Less than this is not worth a sentence. [kW]"""

LONGEST_MESSAGE = 320
"""Characters a message may have, so that it fits SMS-like channels."""


def _days(forecast: Forecast) -> str:
    """``22 Jan (20 Jan to 26 Jan)``; the range only where it is one."""
    at, early = day(forecast.limit_at), day(forecast.early)
    late = None if forecast.late is None else day(forecast.late)
    if at == early == late:
        return at
    return f"{at} ({early} {f'to {late}' if late is not None else 'or later'})"


def todo(action: Action, cause: str, stage: int | None, point: str | None) -> str:
    """What to do, in one sentence."""
    where = f"stage {stage}" if stage is not None else "the train"
    return {
        "clean": f"Plan an {CHEMISTRY.get(cause, 'clean')} of {where}."
        if CHEMISTRY.get(cause, "").startswith(("acid", "alkaline"))
        else f"Plan a clean of {where}.",
        "probe": f"Survey the vessels of {where}, then probe the worst one.",
        "replace": f"Do not clean. Check the feed for oxidant or grit, survey {where} and plan replacement.",
        "check_instrument": f"Check {point} against a calibrated meter.",
        "adjust_operation": "Bring recovery, flows and pressures back to where they were at the baseline."
        if cause == "operating_change"
        else f"Look for a closed or throttled permeate valve on {where}.",
        "watch": "Nothing to do now; keep watching.",
    }[action]


def numbers(deviation: Mapping[str, float]) -> str:
    """The three deviations of a section: ``flow -6.2 %, salt passage +5.0 %``."""
    return ", ".join(f"{SHORT_WORDS[q]} {percent(v)}" for q, v in deviation.items())


def performance_message(
    *,
    train: str,
    stage: int | None,
    causes: Sequence[CauseProbability],
    action: Action,
    deviation: Mapping[str, Mapping[str, float]],
    section: str | None,
    forecast: Forecast | None,
    passed: Sequence[str] = (),
) -> str:
    """The message of a performance finding, at most `LONGEST_MESSAGE` characters.

    passed : quantities that are past their limit already.
    """
    first = causes[0]
    name, probability = CAUSE_WORDS[first.cause], first.probability
    if first.cause in ONE_VESSEL:
        # Only a probe tells the two apart: they are told together.
        both = [c for c in causes if c.cause in ONE_VESSEL]
        name = " or ".join(CAUSE_WORDS[c.cause] for c in both)
        probability = sum(c.probability for c in both)
    parts = [f"{place(train, stage)}: {name} likely ({100 * probability:.0f} %)"]
    if first.point:
        parts[0] = (
            f"{place(train, None)}: {first.point} reads wrong, likely ({100 * first.probability:.0f} %)"
        )
    shown = section if section in deviation else next(iter(deviation), None)
    if shown is not None:
        lead = f"stage {shown} " if stage is None and shown != "train" else ""
        parts.append(f"{lead}{numbers(deviation[shown])} against the baseline")
    if passed and action != "check_instrument":
        parts.append(f"past the limit of {' and '.join(SHORT_WORDS[q] for q in passed)}")
    if forecast is not None:
        parts.append(f"{SHORT_WORDS[forecast.quantity]} limit about {_days(forecast)}")
    parts.append(todo(action, first.cause, stage, first.point))
    text = ". ".join(p[0].upper() + p[1:].rstrip(".") for p in parts) + "."
    return text if len(text) <= LONGEST_MESSAGE else text[: LONGEST_MESSAGE - 1].rstrip() + "…"


def waiting_lines(costs: Waiting | None, currency: str) -> tuple[str, ...]:
    """What it costs to wait with a clean, as one sentence; none when it is not known or nothing."""
    if costs is None or costs.extra_kw < LEAST_KW:
        return ()
    text = f"Waiting takes about {costs.extra_kw:.1f} kW more than at the baseline"
    if costs.per_day is not None:
        text += f", {costs.per_day:.0f} {currency} a day".replace("  ", " ")
    if costs.cheapest_at is not None:
        text += f"; by energy alone a clean costs least about {day(costs.cheapest_at)}"
    return (f"{text}.",)


def evidence(
    *,
    deviation: Mapping[str, Mapping[str, float]],
    balances: Mapping[str, float],
    errors: Mapping[str, float],
    stepped: float,
    window_hours: float,
    digests: int,
) -> tuple[str, ...]:
    """The numbers behind a finding, one sentence each.

    errors : observable -> healthy standard deviation. [-] stepped : probability of a step. [-]
    """
    seen = {
        quantity_words(f"{section}/{quantity}"): (
            value,
            errors.get(f"{section}/{quantity}"),
            "against the baseline",
        )
        for section, quantities in deviation.items()
        for quantity, value in quantities.items()
    }
    seen |= {
        quantity_words(f"balance/{name}"): (
            value,
            errors.get(f"balance/{name}"),
            "from where it stood",
        )
        for name, value in balances.items()
    }
    lines, still = [], []
    for what, (value, sigma, against) in seen.items():
        if sigma and abs(value) >= STANDS_OUT * sigma:
            lines.append(
                f"{what[0].upper()}{what[1:]}: {percent(value)} {against},"
                f" {abs(value) / sigma:.1f} times its usual spread."
            )
        elif sigma:
            still.append(f"{what} {percent(value)}")
    if still:
        lines.append(f"Within the usual spread: {', '.join(still)}.")
    lines.append(f"It came as a {'step' if stepped >= 0.5 else 'gradual change'}.")
    lines.append(
        f"Judged on {digests} quarter hours of steady operation in the last {window_hours:.0f} h."
    )
    return tuple(lines)
