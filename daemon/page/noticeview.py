"""An open notice as a person reads it: what, where, since when, how sure, why, what to do, by when."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from daemon import words
from daemon.lifecycle import SET_ASIDE, State
from daemon.page.times import SiteTime, iso
from daemon.plantfile.result import TrainConfig
from daemon.rows import Notice

MOST_CAUSES = 5  # more candidates than these are noise to a reader
CLOSE = 0.5  # a second cause at least this share of the first is named in the title


@dataclass(frozen=True, slots=True)
class CauseView:
    """One candidate cause with its probability. [%]"""

    cause: str
    name: str
    what: str
    percent: float
    percent_text: str


@dataclass(frozen=True, slots=True)
class NoticeView:
    """One open notice. Times in seconds since 1970-01-01 UTC beside their words.

    rank : smaller is more urgent. title : cause in plain words with its place.
    aside : shelved, suppressed or out of service: still open, but it calls nobody.
    """

    id: str
    train: str
    train_name: str
    matter: str
    rank: tuple[int, int, int, float]
    aside: bool
    priority: str
    priority_text: str
    notice_class: str
    class_text: str
    life: str
    life_text: str
    title: str
    cause: str
    where: str
    action: str
    action_text: str
    todo: str
    since: float | None
    since_iso: str | None
    since_text: str
    forecast_text: str
    forecast_short: str
    by_when: str
    causes: tuple[CauseView, ...]
    evidence: tuple[str, ...]
    neglect: str
    message: str


def notice_views(
    train: TrainConfig, notices: Iterable[Notice], time: SiteTime
) -> tuple[NoticeView, ...]:
    """The open notices of one train, most urgent first."""
    return tuple(sorted((_view(train, n, time) for n in notices), key=lambda n: n.rank))


def _view(train: TrainConfig, notice: Notice, time: SiteTime) -> NoticeView:
    kind, _, subject = notice.matter.partition(":")
    since = notice.picture.get("since")
    where = _where(train, notice, kind, subject)
    forecast, short, early = _forecast(notice.forecast, kind, time)
    aside = notice.state in SET_ASIDE
    return NoticeView(
        id=str(notice.id),
        train=train.id,
        train_name=words.train_label(train.id, train.name),
        matter=notice.matter,
        rank=(
            2 if aside else 1 if notice.state is State.RTNUN else 0,
            0 if notice.notice_class == "alarm" else 1,
            list(words.PRIORITIES).index(notice.priority),
            math.inf if since is None else since,
        ),
        aside=aside,
        priority=notice.priority,
        priority_text=words.PRIORITIES[notice.priority],
        notice_class=notice.notice_class,
        class_text=words.CLASSES[notice.notice_class],
        life=notice.state.value,
        life_text=_life(notice, time),
        title=_title(notice, kind, where),
        cause=notice.cause,
        where=where[0].upper() + where[1:],
        action=notice.action,
        action_text=words.ACTIONS[notice.action].name,
        todo=words.LINK_TODO if kind == "link" else words.ACTIONS[notice.action].sentence,
        since=since,
        since_iso=None if since is None else iso(since),
        since_text="not known" if since is None else time.stamp(since),
        forecast_text=forecast,
        forecast_short=short,
        by_when=_by_when(notice.notice_class, notice.action, early, time),
        # One certain cause says nothing that the title does not.
        causes=_causes(notice) if kind == "performance" else (),
        evidence=tuple(notice.evidence),
        neglect=words.NEGLECT.get(kind, words.CAUSES[notice.cause].neglect),
        message=notice.message,
    )


def _life(notice: Notice, time: SiteTime) -> str:
    """Where the notice stands, with who put it there and until when."""
    said = words.LIFE[notice.state.value]
    if notice.state is State.SHLVD and notice.shelved_until is not None:
        said += f" until {time.stamp(notice.shelved_until)}"
    by = ""
    if notice.state is State.ACKED:
        by = notice.acknowledged_by
    elif notice.state in (State.SHLVD, State.OOSRV):
        by = notice.aside_by
    return f"{said} by {by}" if by else said


def _where(train: TrainConfig, notice: Notice, kind: str, subject: str) -> str:
    """The place in words; a transmitter by its name and device."""
    if kind == "link":
        return f"device {subject}"
    point = notice.causes[0]["point"] if notice.causes else None
    for config in train.points:
        if config.tag == (point or subject):
            name = words.ROLES[config.role].name
            if config.stage is not None:
                place = (
                    f"stage {config.stage}"
                    if config.vessel is None
                    else (f"vessel {config.stage}-{config.vessel:02d}")
                )
                name = f"{place} {name[0].lower()}{name[1:]}"
            return f"{name} transmitter"
    return f"stage {notice.stage}" if notice.stage is not None else "whole train"


def _title(notice: Notice, kind: str, where: str) -> str:
    """Cause in plain words and its place; a close second cause is named too."""
    if kind in words.MATTERS:
        return f"{words.MATTERS[kind]}: {where}"
    names = [words.cause_name(notice.cause)]
    if len(notice.causes) > 1:
        first, second = notice.causes[:2]
        if second["probability"] >= CLOSE * first["probability"] and second["cause"] not in (
            first["cause"],
            "none",
        ):
            names.append(words.cause_name(second["cause"]))
            names[1] = names[1] if names[1][:2].isupper() else names[1][0].lower() + names[1][1:]
    return f"{' or '.join(names)}, {where}"


def _causes(notice: Notice) -> tuple[CauseView, ...]:
    found = []
    for candidate in notice.causes[:MOST_CAUSES]:
        entry, name = words.CAUSES[candidate["cause"]], words.cause_name(candidate["cause"])
        share = 100.0 * float(candidate["probability"])
        # Rounding must not claim a certainty that the rules do not have.
        text = "over 99 %" if share > 99 else "under 1 %" if share < 1 else f"{share:.0f} %"
        found.append(
            CauseView(
                cause=candidate["cause"],
                name=f"{name} ({candidate['point']})" if candidate["point"] else name,
                what=entry.what,
                percent=round(share, 1),
                percent_text=text,
            )
        )
    return tuple(found)


def _forecast(
    forecast: Mapping[str, Any] | None, kind: str, time: SiteTime
) -> tuple[str, str, float | None]:
    """Sentence, short form and the early end of the range. [s]"""
    if forecast is None:
        said = "No date can be given." if kind == "performance" else ""
        return said, "", None
    at, early, late = forecast["limit_at"], forecast["early"], forecast["late"]
    what = words.QUANTITIES[forecast["quantity"]]
    until = "no later end can be given" if late is None else f"latest {time.day(late)}"
    if at <= time.now:
        said = f"{what} has reached its limit ({time.day(at)})."
        return said, f"Limit reached {time.day(at)}", early
    return (
        f"{what} reaches its limit about {time.day(at)} ({time.ahead(at)}):"
        f" earliest {time.day(early)}, {until}.",
        f"Limit about {time.day(at)} ({time.day(early)} to"
        f" {'open' if late is None else time.day(late)})",
        early,
    )


def _by_when(notice_class: str, action: str, early: float | None, time: SiteTime) -> str:
    if notice_class == "alarm":
        return "Within hours."
    if action == "watch":
        return "No visit needed now."
    if early is None:
        return "At the next visit."
    if early <= time.now:
        return "Now: the early end of the forecast has passed."
    return f"Before {time.day(early)} ({time.ahead(early)})."
