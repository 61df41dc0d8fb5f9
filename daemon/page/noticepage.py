"""One notice with everything that happened to it, and what a person can do about it now."""

import json
from dataclasses import dataclass

from daemon import words
from daemon.lifecycle import State
from daemon.page.noticeview import NoticeView, notice_view, page_text
from daemon.page.times import SiteTime, iso
from daemon.plantfile.result import Plant, TrainConfig
from daemon.rows import JournalLine, Notice

HOURS: dict[int, str] = {
    8: "8 hours, this shift",
    24: "1 day",
    72: "3 days",
    168: "1 week",
    720: "30 days",
}
"""For how long a notice may be shelved on the page, and how that is said."""

_POSSIBLE: dict[State, tuple[str, ...]] = {
    State.UNACK: ("acknowledge", "shelve", "out_of_service"),
    State.ACKED: ("shelve", "out_of_service"),
    State.RTNUN: ("acknowledge",),
    State.LTUNK: ("acknowledge",),
    State.SHLVD: ("unshelve", "out_of_service"),
    State.DSUPR: ("acknowledge", "out_of_service"),
    State.OOSRV: ("back",),
}
"""What the page offers; daemon/notices.py decides."""


MOST = 200  # notices on one page


@dataclass(frozen=True, slots=True)
class NoticeList:
    """The newest notices of the plant or of one `train`: what is open, most urgent first, and what was."""

    site: str
    now_iso: str
    now_text: str
    zone: str
    trains: tuple[tuple[str, str], ...]
    train: str
    open: tuple[NoticeView, ...]
    closed: tuple[NoticeView, ...]
    more: bool
    most: int = MOST


@dataclass(frozen=True, slots=True)
class JournalRow:
    """One step: what, when, what was told with it. key : what messages about it carry."""

    what: str
    at_iso: str
    at_text: str
    key: str
    message: str


@dataclass(frozen=True, slots=True)
class NoticePage:
    """Everything on the page of one notice. step : number of its newest step.

    possible : what a person can do now, as `daemon.notices.Notices` calls it.
    """

    site: str
    now: float
    now_iso: str
    now_text: str
    zone: str
    notice: NoticeView
    open: bool
    step: int
    possible: tuple[str, ...]
    journal: tuple[JournalRow, ...]


def notice_list(plant: Plant, newest: list[Notice], train_id: str, now: float) -> NoticeList:
    """The list at plant time `now`. [s] newest : notices, the newest first, one more than is shown."""
    time = SiteTime(plant.site.timezone, now)
    trains = {train.id: train for train in plant.trains}
    views = [
        (notice.live, notice_view(trains[notice.train], notice, time))
        for notice in newest[:MOST]
        if notice.train in trains
    ]
    return NoticeList(
        site=plant.site.name,
        now_iso=iso(now),
        now_text=f"{time.day(now)}, {time.clock(now, seconds=True)}",
        zone=plant.site.timezone,
        trains=tuple((t.id, words.train_label(t.id, t.name)) for t in plant.trains),
        train=train_id,
        open=tuple(sorted((view for live, view in views if live), key=lambda n: n.rank)),
        closed=tuple(view for live, view in views if not live),
        more=len(newest) > MOST,
    )


def notice_page(plant: Plant, notice: Notice, journal: list[JournalLine], now: float) -> NoticePage:
    """The page of `notice` at plant time `now`. [s] journal : its lines, the oldest first."""
    time = SiteTime(plant.site.timezone, now)
    train = plant.train(notice.train)
    return NoticePage(
        site=plant.site.name,
        now=now,
        now_iso=iso(now),
        now_text=f"{time.day(now)}, {time.clock(now, seconds=True)}",
        zone=plant.site.timezone,
        notice=notice_view(train, notice, time),
        open=notice.live,
        step=notice.steps,
        possible=possible(notice),
        journal=tuple(_row(train, line, time) for line in reversed(journal)),
    )


def possible(notice: Notice) -> tuple[str, ...]:
    """What a person can do about a notice in the state it is in; nothing about a closed one."""
    if not notice.live:
        return ()
    found = _POSSIBLE.get(notice.state, ())
    if notice.state is State.DSUPR and notice.acknowledged_at is not None:
        return tuple(what for what in found if what != "acknowledge")
    return found


def _row(train: TrainConfig, line: JournalLine, time: SiteTime) -> JournalRow:
    body = json.loads(line.body)
    what = words.JOURNAL[line.event]
    if body.get("until"):
        what += f" until {time.stamp(SiteTime.parse(body['until']))}"
    if body.get("by"):
        what += f" by {body['by']}"
    if why := body.get("reason") or body.get("note"):
        what += f": {why}"
    return JournalRow(
        what=what,
        at_iso=iso(line.at),
        at_text=time.stamp(line.at),
        key=line.key,
        message=page_text(train, body.get("message") or ""),
    )
