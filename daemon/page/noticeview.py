"""An open notice as a person reads it: what, where, since when, how sure, why, what to do, by when."""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from daemon import messages, words
from daemon.lifecycle import SET_ASIDE, State
from daemon.page.outlook import Outlook, outlook_of
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
    returned : its condition has gone, and it waits to be acknowledged.
    """

    id: str
    train: str
    train_name: str
    matter: str
    rank: tuple[int, int, int, float]
    aside: bool
    returned: bool
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
    cleared_text: str
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
    return tuple(sorted((notice_view(train, n, time) for n in notices), key=lambda n: n.rank))


def notice_view(train: TrainConfig, notice: Notice, time: SiteTime) -> NoticeView:
    """One notice, open or closed."""
    if notice.live:
        return (_past if notice.state is State.RTNUN else _view)(train, notice, time)
    closed = "" if notice.closed_at is None else f" {time.stamp(notice.closed_at)}"
    return replace(
        _past(train, notice, time), life_text=f"closed{closed}", action_text="Nothing to do"
    )


def _view(train: TrainConfig, notice: Notice, time: SiteTime) -> NoticeView:
    kind, _, subject = notice.matter.partition(":")
    seen = kind in words.MATTERS
    since = notice.picture.get("since")
    where = _where(train, notice, kind, subject)
    outlook = outlook_of(train, notice, kind, time)
    aside = notice.state in SET_ASIDE
    action = words.action_words(kind, notice.action)
    return NoticeView(
        id=str(notice.id),
        train=train.id,
        train_name=words.train_label(train.id, train.name),
        matter=notice.matter,
        rank=(
            2 if aside else 0,
            0 if notice.notice_class == "alarm" else 1,
            list(words.PRIORITIES).index(notice.priority),
            math.inf if since is None else since,
        ),
        aside=aside,
        returned=False,
        priority=notice.priority,
        priority_text=words.PRIORITIES[notice.priority],
        notice_class=notice.notice_class,
        class_text=words.CLASSES[notice.notice_class],
        life=notice.state.value,
        life_text=_life(notice, time),
        title=_title(notice, kind, where),
        # What was seen has no cause to name, only the place to look at.
        cause="" if seen else notice.cause,
        where=where[0].upper() + where[1:],
        action=notice.action,
        action_text=action.name,
        todo=messages.todo(notice, lambda tag: f"the {transmitter(train, tag)}"),
        since=since,
        since_iso=None if since is None else iso(since),
        since_text="not known" if since is None else time.stamp(since),
        cleared_text="",
        forecast_text=outlook.text,
        forecast_short=outlook.short,
        by_when=_by_when(notice.notice_class, notice.action, outlook, time),
        # One certain cause says nothing that the title does not.
        causes=_causes(train, notice) if kind == "performance" else (),
        evidence=tuple(page_text(train, line) for line in notice.evidence),
        neglect=words.NEGLECT.get(kind, words.CAUSES[notice.cause].neglect),
        message=page_text(train, notice.message),
    )


def _past(train: TrainConfig, notice: Notice, time: SiteTime) -> NoticeView:
    """A notice whose condition has gone: what it was, and that somebody should acknowledge it."""
    kind, _, subject = notice.matter.partition(":")
    where = _where(train, notice, kind, subject)
    if kind in words.OVER:
        what = (
            words.seen_subject(kind, subject)
            if kind in ("limit", "baseline", *words.SUBJECTS)
            else where
        )
        title = f"{what[0].upper()}{what[1:]} {words.OVER[kind]}"
    else:
        was = _title(notice, kind, where)
        title = f"Back to normal: {was if was[:2].isupper() else was[0].lower() + was[1:]}"
    view = _view(train, notice, time)
    cleared = notice.cleared_at
    return replace(
        view,
        rank=(1, *view.rank[1:]),
        returned=True,
        class_text="",
        life_text="not acknowledged yet",
        title=title,
        action_text="Acknowledge it",
        todo="",
        cleared_text="not known" if cleared is None else time.stamp(cleared),
        forecast_text="",
        forecast_short="",
        by_when="",
        causes=(),
        evidence=(),
        neglect="",
        message=page_text(train, messages.cleared_message(notice)),
    )


def page_text(train: TrainConfig, text: str) -> str:
    """A text of the rules in the page's own words: transmitters by name, true minus signs."""
    for point in sorted(train.points, key=lambda p: -len(p.tag)):
        if point.tag in text:
            tag = re.escape(point.tag)
            name = transmitter(train, point.tag)
            text = re.sub(rf"\({tag}\)", f"({name.removesuffix(' transmitter')})", text)
            text = re.sub(rf"(?<![\w/]){tag}(?![\w/])", f"the {name}", text)
    return words.true_minus(text)


def transmitter(train: TrainConfig, tag: str) -> str:
    """``stage 1 feed pressure transmitter``; the tag itself when the train has no such point."""
    for config in train.points:
        if config.tag == tag:
            name = words.ROLES[config.role].name
            name = f"{name[0].lower()}{name[1:]} transmitter"
            if config.vessel is not None:
                return f"vessel {config.stage}-{config.vessel:02d} {name}"
            return name if config.stage is None else f"stage {config.stage} {name}"
    return tag


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
    if kind in ("link", "values"):
        return f"device {subject}"
    tag = (notice.causes[0]["point"] if notice.causes else None) or subject
    if any(config.tag == tag for config in train.points):
        return transmitter(train, tag)
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
    # A transmitter's error at a transmitter says the word twice.
    return f"{' or '.join(names)}, {where.removesuffix(' transmitter')}"


def _causes(train: TrainConfig, notice: Notice) -> tuple[CauseView, ...]:
    found = []
    for candidate in notice.causes[:MOST_CAUSES]:
        entry, name = words.CAUSES[candidate["cause"]], words.cause_name(candidate["cause"])
        share = 100.0 * float(candidate["probability"])
        # Rounding must not claim a certainty that the rules do not have.
        text = "over 99 %" if share > 99 else "under 1 %" if share < 1 else f"{share:.0f} %"
        found.append(
            CauseView(
                cause=candidate["cause"],
                name=page_text(train, f"{name} ({candidate['point']})")
                if candidate["point"]
                else name,
                what=entry.what,
                percent=round(share, 1),
                percent_text=text,
            )
        )
    return tuple(found)


def _by_when(notice_class: str, action: str, outlook: Outlook, time: SiteTime) -> str:
    now = f"Now: {outlook.passed}." if outlook.passed else ""
    after = f"{now} {outlook.following}".strip()
    if notice_class == "alarm":
        return f"Within hours. {after}".strip()
    if now:
        return after
    if action == "watch":
        return "No visit needed now."
    if outlook.gone_by:
        return "Now: the date that was forecast has gone by."
    if outlook.early is None:
        return "At the next visit."
    if outlook.early <= time.now:
        return "Now: the early end of the forecast has passed."
    return f"Before {time.day(outlook.early)} ({time.ahead(outlook.early)})."
