"""`brinelark notices --load`: how much the alarms of a plant ask of people."""

import json
import math
from typing import Any

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from daemon import alarmload, eventlog, words
from daemon.alarmload import LIMITS, Figure, Load
from daemon.commands.common import UsedWrongly, counted, plant_now
from daemon.plantfile import Plant
from daemon.record import Record
from daemon.rows import JournalLine, iso

NAMES = {
    "per_day": "alarms a day",
    "per_hour": "alarms an hour",
    "per_10_min": "alarms in 10 minutes, mean",
    "busy_hours": f"hours with more than {alarmload.BUSY_HOUR}",
    "busy_10_min": f"10 minutes with more than {alarmload.FLOOD_STARTS_ABOVE}",
    "largest_10_min": "alarms in 10 minutes, most",
    "flood": "time in flood",
    "most_frequent": f"the {alarmload.MOST_FREQUENT} most frequent",
    "chattering": "chattering alarms",
    "stale": "stale alarms, most on a day",
    "high": "of high priority",
    "medium": "of medium priority",
}
SHARES = ("busy_hours", "busy_10_min", "flood", "most_frequent", "high", "medium")


def show(
    plant: Plant, record: Record, train: str | None, since: str | None, *, as_json: bool
) -> None:
    """Print the load of a plant or a train since a time (ISO 8601), or over the last 30 days."""
    trains = [train] if train else [one.id for one in plant.trains]
    journals = {one: record.journal(train=one) for one in trains}
    begin, end = _time(plant, record, journals, since)
    notices = {str(n.id): n for n in record.notices(limit=-1)}
    found = {one: alarmload.changes(lines, notices) for one, lines in journals.items()}
    whole = alarmload.load([c for one in found.values() for c in one], begin, end)
    each = {one: alarmload.load(part, begin, end) for one, part in found.items()}
    if as_json:
        plain = {
            "since": iso(begin),
            "until": iso(end),
            "all": _plain(whole),
            "trains": {one: _plain(part) for one, part in each.items()},
        }
        typer.echo(json.dumps(plain, ensure_ascii=False, indent=2))
    else:
        _print(Console(), whole, each)


def _time(
    plant: Plant, record: Record, journals: dict[str, list[JournalLine]], since: str | None
) -> tuple[float, float]:
    """Begin and end of the time that is looked at; never before the record begins. [s]"""
    now = [at.timestamp() for one in journals if (at := plant_now(plant, record, one)) is not None]
    first = [d["start"] for one in journals for d in record.digests(one, limit=1)]
    first += [line.at for lines in journals.values() for line in lines[:1]]
    if not now or not first:
        raise UsedWrongly("nothing has been judged yet, so there is no load to tell")
    end = max(now)
    begin = end - alarmload.LEAST_S
    if since is not None:
        asked, wrong = eventlog.instant(since)
        if asked is None:
            raise UsedWrongly(f"--since: {'; '.join(wrong)}")
        begin = asked
    begin = max(begin, min(first))
    if begin >= end:
        raise UsedWrongly(
            f"--since {since}: there is nothing after it; it is {iso(end)} at the plant"
        )
    return begin, end


def _plain(one: Load) -> dict[str, Any]:
    return {
        "alarms": one.alarms,
        "days": one.days,
        "long_enough": one.long_enough,
        "figures": {
            f.name: {
                "value": None if math.isnan(f.value) else f.value,
                "verdict": f.verdict,
                "acceptable": LIMITS[f.name].acceptable,
                "manageable": LIMITS[f.name].manageable,
            }
            for f in one.figures
        },
        "priorities": dict(one.priorities),
        "most_frequent": [{"alarm": name, "times": times} for name, times in one.most_frequent],
        "chattering": list(one.chattering),
        "stale": list(one.stale),
    }


def _print(console: Console, whole: Load, each: dict[str, Load]) -> None:
    console.print(
        Text(f"{counted(whole.alarms, 'alarm')} from {iso(whole.since)} to {iso(whole.until)}")
    )
    if len(each) > 1:
        parts = (f"train {name} {part.alarms}" for name, part in each.items())
        console.print(Text(f"Of these {', '.join(parts)}."))
    table = Table(box=None, pad_edge=False)
    table.add_column("")
    for title in ("is", "acceptable", "manageable"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    for figure in whole.figures:
        limit = LIMITS[figure.name]
        good = f"{'under ' if limit.below else ''}{_number(figure.name, limit.acceptable)}"
        most = "" if limit.manageable is None else _number(figure.name, limit.manageable)
        table.add_row(
            NAMES[figure.name], _number(figure.name, figure.value), good, most, _word(figure)
        )
    console.print(table)
    if whole.most_frequent:
        console.print("Most frequent:")
        for name, times in whole.most_frequent:
            console.print(Text(f"  {times}  {_alarm(name)}"))
    for title, names in (("Chattering", whole.chattering), ("Stale", whole.stale)):
        if names:
            console.print(Text(f"{title}: {', '.join(map(_alarm, names))}"))
    if 0 < whole.alarms < alarmload.FEWEST:
        console.print(Text(f"Shares of fewer than {alarmload.FEWEST} alarms are not judged."))
    if not whole.long_enough:
        console.print(
            Text(
                f"The limits are meant for {alarmload.LEAST_S / alarmload.DAY_S:.0f} days and more;"
                f" this is {whole.days:.1f}."
            )
        )


def _word(figure: Figure) -> str:
    return "" if figure.verdict == "acceptable" else figure.verdict


def _number(name: str, value: float) -> str:
    if math.isnan(value):
        return "none"
    if name in SHARES:
        return f"{100 * value:.3g} %"
    return f"{value:.3g}"


def _alarm(source: str) -> str:
    """``train A: no answer, ro1-plc``; a matter of performance by its name."""
    train, _, matter = source.partition("/")
    kind, _, rest = matter.partition(":")
    if kind in words.MATTERS:
        name = words.MATTERS[kind]
        return f"train {train}: {name[0].lower()}{name[1:]}, {words.seen_subject(kind, rest)}"
    return f"train {train}: {matter}"
