"""What the two pages show, as frozen dataclasses built from `source.Source`: no HTML, no storage."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from daemon import words
from daemon.maintenance import Entry
from daemon.page import learned, trends
from daemon.page.balances import BalancesView, balances
from daemon.page.noticeview import NoticeView, notice_views
from daemon.page.readings import ReadingView, distrusted, readings, suspected
from daemon.page.source import Latest, Source, TrainHistory
from daemon.page.times import SiteTime, ago, iso
from daemon.page.troubles import troubles
from daemon.plantfile.result import Plant, TrainConfig
from rules import sections
from rules.train import QUANTITIES

DAY_S = 86400.0
SPARK_DAYS = 30
WORK_SHOWN = 3
NEAR = 0.6  # share of a limit from which a deviation is drawn as abnormal
OLD_DEVIATION_S = 6 * 3600.0  # a deviation older than this says of when it is
READ_ONLY = "Reads only. Not a safety or interlock system."

Level = Literal["quiet", "near", "past", "unknown"]


@dataclass(frozen=True, slots=True)
class Cell:
    """One normalized quantity of one section against its baseline and its limit.

    percent, limit_percent : change against the baseline. [%] None when not known.
    bar_x, bar_width, zero_x, limit_x : the ruler, in hundredths of its width.
    spark, spark_limit_y : SVG path of 30 days in a box of 100 by 30, and where the limit lies in it.
    """

    quantity: str
    title: str
    percent: float | None
    text: str
    limit_percent: float
    limit_text: str
    level: Level
    words: str
    as_of: str
    bar_x: float
    bar_width: float
    zero_x: float
    limit_x: float
    spark: str
    spark_limit_y: float
    spark_zero_y: float


@dataclass(frozen=True, slots=True)
class SectionView:
    """A section's three cells; `missing` says in words why a quantity is not there."""

    section: str
    title: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class TrainView:
    """One train as the overview's card shows it."""

    id: str
    name: str
    state: str
    state_text: str
    reading_at: float | None
    reading_iso: str | None
    reading_text: str
    reading_age: str
    stale: bool
    silent: str
    sections: tuple[SectionView, ...]
    notices: tuple[NoticeView, ...]
    priority: str | None


@dataclass(frozen=True, slots=True)
class Overview:
    """Everything on the first page. `quiet` is true when nothing asks for attention.

    troubles : what is wrong with the watching itself, one sentence each.
    """

    site: str
    now: float
    now_iso: str
    now_text: str
    zone: str
    quiet: bool
    headline: str
    troubles: tuple[str, ...]
    trains: tuple[TrainView, ...]
    notices: tuple[NoticeView, ...]


@dataclass(frozen=True, slots=True)
class WorkView:
    """One thing that people did. became : what came of it, in sentences."""

    id: int
    train: str
    what: str
    at_iso: str
    at_text: str
    detail: str
    by: str
    became: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TrainPage:
    """Everything on a train's page except the charts; `trend_key` changes when these would.

    balances : whether the meters agree; None when no balance can be tested.
    work : what people did last, the newest first, and what became of it.
    learned : what is known of the train's own constants. notes : what cannot be normalized, or is assumed.
    """

    site: str
    now: float
    now_iso: str
    now_text: str
    zone: str
    train: TrainView
    trend_key: str
    balances: BalancesView | None
    baseline: str
    work: tuple[WorkView, ...]
    learned: tuple[str, ...]
    notes: tuple[str, ...]
    readings: tuple[ReadingView, ...]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a chart. [%] None where there is a gap."""

    section: str
    title: str
    values: tuple[float | None, ...]
    summary: str


@dataclass(frozen=True, slots=True)
class Chart:
    """One quantity over the chosen days. [%] low, high : what its axis shows; single spikes lie outside."""

    quantity: str
    title: str
    limit: float
    limit_text: str
    low: float
    high: float
    lines: tuple[Line, ...]
    summary: str


@dataclass(frozen=True, slots=True)
class MarkView:
    """A notice raised or cleared. `at` in seconds since 1970-01-01 UTC."""

    at: float
    notice: str
    event: str
    priority: str
    text: str


@dataclass(frozen=True, slots=True)
class Trends:
    """Columns for the charts of one train: one `times` for all lines."""

    train: str
    days: int
    begin: float
    end: float
    width_s: float
    times: tuple[float, ...]
    charts: tuple[Chart, ...]
    marks: tuple[MarkView, ...]


def overview(plant: Plant, source: Source, now: float) -> Overview:
    """The first page at plant time `now`. [s]"""
    time = SiteTime(plant.site.timezone, now)
    trains = tuple(_train_view(train, source, time) for train in plant.trains)
    notices = tuple(sorted((n for t in trains for n in t.notices), key=lambda n: n.rank))
    found = troubles(plant, source, time)
    calling = tuple(n for n in notices if not n.aside)
    quiet = not calling and not found and not any(t.stale for t in trains)
    return Overview(
        site=plant.site.name,
        now=now,
        now_iso=iso(now),
        now_text=f"{time.day(now)}, {time.clock(now, seconds=True)}",
        zone=plant.site.timezone,
        quiet=quiet,
        headline=_headline(trains, calling, found),
        troubles=found,
        trains=trains,
        notices=notices,
    )


def train_page(plant: Plant, source: Source, train_id: str, now: float) -> TrainPage:
    """A train's page at plant time `now` [s]; raises KeyError when there is no such train."""
    train = find(plant, train_id)
    time = SiteTime(plant.site.timezone, now)
    past = source.history(train)
    return TrainPage(
        site=plant.site.name,
        now=now,
        now_iso=iso(now),
        now_text=f"{time.day(now)}, {time.clock(now, seconds=True)}",
        zone=plant.site.timezone,
        train=_train_view(train, source, time),
        trend_key=_trend_key(train, source, past),
        balances=balances(train, source, time),
        baseline=_baseline_text(train, past, time),
        work=work_views(source.work(train)[: -WORK_SHOWN - 1 : -1], time),
        learned=learned.sentences(source.learned(train)),
        notes=_notes(train),
        readings=readings(
            train,
            source.latest(train, now),
            distrusted(source, train),
            suspected(source, train),
            time,
        ),
    )


def work_views(entries: Iterable[Entry], time: SiteTime) -> tuple[WorkView, ...]:
    """Events with what became of them, in the page's words, in the order given."""
    return tuple(
        WorkView(
            id=entry.event.id,
            train=entry.event.train,
            what=words.EVENTS[entry.event.event],
            at_iso=iso(entry.event.t),
            at_text=time.stamp(entry.event.t),
            detail=entry.event.detail,
            by=entry.event.by,
            became=tuple(words.true_minus(line) for line in entry.sentences(time.stamp)),
        )
        for entry in entries
    )


def train_trends(plant: Plant, source: Source, train_id: str, days: int, now: float) -> Trends:
    """The charts of one train over the last `days`; raises KeyError when there is no such train."""
    train = find(plant, train_id)
    time = SiteTime(plant.site.timezone, now)
    past = source.history(train)
    names = _columns(train)
    begin = now - days * DAY_S
    thinned = trends.thin(past.starts, past.deviations(names), begin, now)
    percent = trends.percent_of(thinned.values)
    charts = []
    for quantity in QUANTITIES:
        lines = []
        for j, name in enumerate(names):
            section, _, of = name.partition("/")
            if of == quantity:
                column = percent[:, j]
                lines.append(
                    Line(
                        section=section,
                        title=words.section_name(section),
                        values=tuple(round(v, 3) if math.isfinite(v) else None for v in column),
                        summary=_line_summary(thinned.times, column, time),
                    )
                )
        limit = 100.0 * getattr(train.limits, quantity)
        title = words.QUANTITIES[quantity]
        shown = [j for j, name in enumerate(names) if name.partition("/")[2] == quantity]
        low, high = trends.axis(percent[:, shown], limit)
        said = " ".join(f"{line.title}: {line.summary}" for line in lines)
        charts.append(
            Chart(
                quantity=quantity,
                title=title,
                limit=limit,
                limit_text=words.percent(limit),
                low=round(low, 3),
                high=round(high, 3),
                lines=tuple(lines),
                summary=f"{said} Limit {words.percent(limit)}."
                if lines
                else "The instruments of this train do not allow this quantity.",
            )
        )
    return Trends(
        train=train.id,
        days=days,
        begin=begin,
        end=now,
        width_s=thinned.width_s,
        times=tuple(float(t) for t in thinned.times),
        charts=tuple(charts),
        marks=tuple(
            MarkView(
                at=m.at,
                notice=m.notice,
                event=m.event,
                priority=m.priority,
                text=f"{m.notice} {m.event} {time.stamp(m.at)}",
            )
            for m in source.marks(train, begin)
        ),
    )


def find(plant: Plant, train_id: str) -> TrainConfig:
    """The train of this id; raises KeyError."""
    for train in plant.trains:
        if train.id == train_id:
            return train
    raise KeyError(train_id)


def _columns(train: TrainConfig) -> list[str]:
    plan = sections.plan(train.model)
    return [f"{s.name}/{q}" for s in plan.sections for q in QUANTITIES if q in s.quantities]


def _train_view(train: TrainConfig, source: Source, time: SiteTime) -> TrainView:
    past = source.history(train)
    latest = source.latest(train, time.now)
    notices = notice_views(train, source.open_notices(train), time)
    state, text = _state(train, past, latest)
    return TrainView(
        id=train.id,
        name=words.train_label(train.id, train.name),
        state=state,
        state_text=text,
        reading_at=latest.at,
        reading_iso=None if latest.at is None else iso(latest.at),
        reading_text="" if latest.at is None else time.stamp(latest.at),
        reading_age="" if latest.at is None else ago(time.now - latest.at),
        stale=not latest.fresh,
        silent=_silent(train, latest),
        sections=_section_views(train, past, time),
        notices=notices,
        priority=next((n.priority for n in notices if not n.aside and not n.returned), None),
    )


def _silent(train: TrainConfig, latest: Latest) -> str:
    """How many instruments give nothing while others do; empty when all speak or none does."""
    missing = sum(p.signal not in latest.values for p in train.points)
    if not latest.fresh or not missing:
        return ""
    return f"{missing} of {len(train.points)} instruments give no value"


def _state(train: TrainConfig, past: TrainHistory, latest: Latest) -> tuple[str, str]:
    """Key and words of what the train is doing; the status bits of the newest frame come first."""
    if not latest.fresh:
        return "no_data", words.STATES["no_data"]
    for role in ("cleaning", "flushing"):
        if latest.values.get(role, 0.0) >= 0.5:
            return role, words.STATES[role]
    if latest.values.get("running", 1.0) < 0.5:
        return "stopped", words.STATES["stopped"]
    if past.state in ("stopped", "starting", "flushing", "cleaning", "unknown"):
        return past.state, words.STATES[past.state]
    if not past.baselines:
        hours = len(past.starts) * trends.DIGEST_S / 3600.0
        text = words.STATES["learning"]
        if train.baseline.kind == "first_steady":
            text = f"{text}: {hours:.0f} of {train.baseline.hours:.0f} steady hours"
        return "learning", text
    return past.state, words.STATES[past.state]


def _headline(
    trains: tuple[TrainView, ...], notices: tuple[NoticeView, ...], troubles: tuple[str, ...]
) -> str:
    """The first sentence of the page.

    notices : those that are not set aside. Trains are called by their ids: their cards tell the rest.
    """
    active = [n for n in notices if not n.returned]
    parts = []
    if active:
        count = "1 open notice" if len(active) == 1 else f"{len(active)} open notices"
        title = active[0].title
        title = title if title[:2].isupper() else title[0].lower() + title[1:]
        parts.append(f"{count}. Most urgent: train {active[0].train}, {title}.")
    elif notices:
        wait = "1 notice waits" if len(notices) == 1 else f"{len(notices)} notices wait"
        parts.append(f"Back to normal; {wait} to be acknowledged.")
    # That a train is silent follows from a link that is lost.
    told = {active[0].train} if active and active[0].matter.startswith("link:") else set()
    silent = [t.id for t in trains if t.stale and t.id not in told]
    if silent:
        trains_said = "train" if len(silent) == 1 else "trains"
        parts.append(f"No fresh data from {trains_said} {', '.join(silent)}.")
    if not parts and troubles:
        parts.append("No open notices, but the watching itself needs attention.")
    elif not parts:
        learning = [t.id for t in trains if t.state == "learning"]
        parts.append("All quiet. No open notices.")
        if learning:
            trains_said = "train" if len(learning) == 1 else "trains"
            parts.append(f"Still learning the baseline of {trains_said} {', '.join(learning)}.")
    return " ".join(parts)


def _section_views(
    train: TrainConfig, past: TrainHistory, time: SiteTime
) -> tuple[SectionView, ...]:
    names = _columns(train)
    deviations = past.deviations(names)
    thinned = trends.thin(
        past.starts, deviations, time.now - SPARK_DAYS * DAY_S, time.now, most=SPARK_DAYS + 2
    )
    percent = trends.percent_of(thinned.values)
    found: dict[str, list[Cell]] = {}
    for j, name in enumerate(names):
        section, _, quantity = name.partition("/")
        value, at = _newest(past.starts, deviations[:, j])
        limit = getattr(train.limits, quantity)
        cell = _cell(quantity, value, at, limit, thinned.times, percent[:, j], time)
        found.setdefault(section, []).append(cell)
    return tuple(
        SectionView(section=s, title=words.section_name(s), cells=tuple(cells))
        for s, cells in found.items()
    )


def _newest(starts: trends.Floats, column: trends.Floats) -> tuple[float | None, float | None]:
    """Robust mean of the last day that has values, and when its last digest ended."""
    known = np.isfinite(column)
    if not known.any():
        return None, None
    last = float(starts[known][-1])
    recent = known & (starts > last - DAY_S)
    return float(trends.robust_mean(column[recent][None, :])[0]), last + trends.DIGEST_S


def _cell(
    quantity: str,
    value: float | None,
    at: float | None,
    limit: float,
    spark_times: trends.Floats,
    spark_percent: trends.Floats,
    time: SiteTime,
) -> Cell:
    limit_percent = 100.0 * limit
    sign = -1.0 if limit < 0 else 1.0
    zero_x, limit_x = (66.0, 22.0) if sign < 0 else (34.0, 78.0)
    percent = None if value is None else float(trends.percent_of(np.array([value]))[0])
    level: Level = "unknown"
    said, as_of, bar_x, bar_width = "not known", "", zero_x, 0.0
    if percent is not None and at is not None:
        share = percent / limit_percent
        level = "past" if share >= 1 else "near" if share >= NEAR else "quiet"
        said = {"past": "past the limit", "near": "nearing the limit"}.get(
            level, "inside the limit"
        )
        end = min(100.0, max(0.0, zero_x + percent / abs(limit_percent) * 44.0))
        bar_x, bar_width = round(min(zero_x, end), 1), round(abs(end - zero_x), 1)
        if time.now - at > OLD_DEVIATION_S:
            as_of = f"as of {time.stamp(at)}"
    path, limit_y, zero_y = _spark(spark_times, spark_percent, limit_percent)
    return Cell(
        quantity=quantity,
        title=words.QUANTITIES[quantity],
        percent=None if percent is None else round(percent, 3),
        text="–" if percent is None else words.percent(percent),
        limit_percent=limit_percent,
        limit_text=words.percent(limit_percent),
        level=level,
        words=said,
        as_of=as_of,
        bar_x=bar_x,
        bar_width=bar_width,
        zero_x=zero_x,
        limit_x=limit_x,
        spark=path,
        spark_limit_y=limit_y,
        spark_zero_y=zero_y,
    )


def _spark(times: trends.Floats, percent: trends.Floats, limit: float) -> tuple[str, float, float]:
    """Path in a box of 100 by 30 with gaps kept, and the heights of limit and baseline."""
    known = percent[np.isfinite(percent)]
    low = min(0.0, limit, *known) - 0.12 * abs(limit)
    high = max(0.0, limit, *known) + 0.12 * abs(limit)

    def y(value: float) -> float:
        return round(30.0 * float(high - value) / float(high - low), 1)

    path, pen = [], False
    for i, value in enumerate(percent):
        if not math.isfinite(value):
            pen = False
            continue
        x = round(100.0 * i / max(1, len(times) - 1), 1)
        # A lone day between two gaps is a dot: a line of no length with round ends.
        path.append(f"L{x} {y(value)}" if pen else f"M{x} {y(value)}h0")
        pen = True
    return "".join(path), y(limit), y(0.0)


def _line_summary(times: trends.Floats, column: trends.Floats, time: SiteTime) -> str:
    """Where a line starts and ends, in words."""
    known = np.isfinite(column)
    if not known.any():
        return "no steady operation in this time."
    at = times[known]
    first = float(trends.robust_mean(column[known & (times < at[0] + DAY_S)][None, :])[0])
    last = float(trends.robust_mean(column[known & (times > at[-1] - DAY_S)][None, :])[0])
    return (
        f"{words.percent(first)} on {time.day(float(at[0]))},"
        f" {words.percent(last)} on {time.day(float(at[-1]))}."
    )


def _trend_key(train: TrainConfig, source: Source, past: TrainHistory) -> str:
    newest = past.starts[-1] if len(past.starts) else 0.0
    return f"{newest:.0f}/{len(past.baselines)}/{len(source.marks(train, -math.inf))}"


def _baseline_text(train: TrainConfig, past: TrainHistory, time: SiteTime) -> str:
    if not past.baselines:
        return "No baseline yet: deviations are shown once it is learned."
    last = past.baselines[-1]
    what = words.BASELINE_SOURCES[last.source]
    if last.source == "design":
        return f"From the {what}."
    return (
        f"From the {what}: {time.stamp(last.start)} to {time.stamp(last.end)},"
        f" {last.digests} digests of 15 minutes."
    )


def _notes(train: TrainConfig) -> tuple[str, ...]:
    """What cannot be normalized and why, and what is assumed in place of an instrument."""
    plan = sections.plan(train.model)
    return tuple(f"{text[0].upper()}{text[1:].rstrip('.')}." for text in plan.reasons + plan.notes)
