"""What is ahead of a notice: limits that are passed already, and when the next one will be."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import expm1, isfinite
from typing import Any

from daemon import words
from daemon.page.times import SiteTime
from daemon.plantfile.result import TrainConfig
from daemon.rows import Notice


@dataclass(frozen=True, slots=True)
class Outlook:
    """In words; empty where there is nothing to say.

    text : the whole sentence. short : a few words. passed : quantities past their limits.
    following : the limit that comes after those that are passed.
    early : early end of the forecast that is ahead, or None. [s]
    gone_by : the date told has gone by without its limit being passed, and there is no new one.
    """

    text: str = ""
    short: str = ""
    passed: str = ""
    following: str = ""
    early: float | None = None
    gone_by: bool = False


@dataclass(frozen=True, slots=True)
class _Now:
    """One quantity as it was judged last. [%] share : of its limit."""

    percent: float
    limit: float

    @property
    def share(self) -> float:
        return self.percent / self.limit


def outlook_of(train: TrainConfig, notice: Notice, kind: str, time: SiteTime) -> Outlook:
    """The outlook of a notice about performance, from what was told and from the newest judgement."""
    if kind != "performance":
        return Outlook()
    standing = _standing(train, notice)
    # When a transmitter is suspected, its numbers say nothing about a limit of the membranes.
    passed = {} if notice.action == "check_instrument" else _past(standing)
    told = notice.forecast
    newest = notice.newest.get("forecast")
    stale = told is not None and told["limit_at"] <= time.now and told["quantity"] not in passed
    ahead = next(
        (
            f
            for f in (told, newest)
            if f and f["limit_at"] > time.now and f["quantity"] not in passed
        ),
        None,
    )
    said, short = [], []
    if passed:
        said.append(_sentence(f"{_are(passed)}; now {_values(passed)}"))
        short.append(_sentence(_are(passed)).rstrip("."))
    if stale and told is not None:
        name, now = words.QUANTITIES[told["quantity"]], standing.get(told["quantity"])
        measured = "" if now is None else f"; now {words.percent(now.percent)}"
        said.append(
            f"The {name.lower()} limit was forecast for {time.day(told['limit_at'])}{measured}."
        )
        if not passed and ahead is None:
            short.append(f"Limit was forecast for {time.day(told['limit_at'])}{measured}")
    if ahead is not None:
        said.append(_forecast(ahead, time))
        if not passed:
            short.append(f"Limit about {_days(ahead, time)}")
    if not said:
        said.append("No date can be given.")
    return Outlook(
        text=" ".join(said),
        short=" ".join(short),
        passed=_are(passed) if passed else "",
        following=""
        if ahead is None
        else f"Next limit: {words.QUANTITIES[ahead['quantity']].lower()}, about"
        f" {time.day(ahead['limit_at'])} ({time.ahead(ahead['limit_at'])}).",
        early=None if ahead is None else ahead["early"],
        gone_by=stale and ahead is None,
    )


def _standing(train: TrainConfig, notice: Notice) -> dict[str, _Now]:
    """Quantity -> how it was judged last, in the notice's own section, else where it is nearest its limit."""
    found: dict[str, _Now] = {}
    for section, quantities in notice.newest.get("deviation", {}).items():
        if notice.stage is not None and section != str(notice.stage):
            continue
        for quantity, deviation in quantities.items():
            now = _Now(100.0 * expm1(deviation), 100.0 * getattr(train.limits, quantity))
            if isfinite(now.percent) and (
                quantity not in found or now.share > found[quantity].share
            ):
                found[quantity] = now
    return found


def _past(standing: Mapping[str, _Now]) -> dict[str, _Now]:
    return {quantity: now for quantity, now in standing.items() if now.share >= 1.0}


def _are(passed: Mapping[str, _Now]) -> str:
    """``pressure drop is past its limit (+15 %)``; several are joined by *and*."""
    return " and ".join(
        f"{words.QUANTITIES[quantity].lower()} is past its limit ({words.percent(now.limit)})"
        for quantity, now in passed.items()
    )


def _values(passed: Mapping[str, _Now]) -> str:
    return " and ".join(words.percent(now.percent) for now in passed.values())


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _days(forecast: Mapping[str, Any], time: SiteTime) -> str:
    """``Fri 3 Apr (Thu 2 Apr to Mon 6 Apr)``; the range only where it is one."""
    at, early, late = (forecast[name] for name in ("limit_at", "early", "late"))
    days = time.day(at), time.day(early), "open" if late is None else time.day(late)
    return days[0] if len(set(days)) == 1 else f"{days[0]} ({days[1]} to {days[2]})"


def _forecast(forecast: Mapping[str, Any], time: SiteTime) -> str:
    at, early, late = (forecast[name] for name in ("limit_at", "early", "late"))
    what = words.QUANTITIES[forecast["quantity"]]
    until = "no later end can be given" if late is None else f"latest {time.day(late)}"
    said = f"{what} reaches its limit about {time.day(at)} ({time.ahead(at)})"
    if late is not None and time.day(early) == time.day(at) == time.day(late):
        return f"{said}."
    return f"{said}: earliest {time.day(early)}, {until}."
