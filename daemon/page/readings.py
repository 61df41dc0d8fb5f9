"""The newest reading of every signal of a train, with its quality and the status signal of its transmitter."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from daemon import words
from daemon.page.source import Latest, Source
from daemon.page.times import SiteTime, ago, iso
from daemon.plantfile.result import PointConfig, TrainConfig
from drivers.protocol import Quality
from rules import ne107
from rules.ne107 import Signal
from rules.train import STATUS_ROLES


@dataclass(frozen=True, slots=True)
class ReadingView:
    """The newest minute of one signal; `value` is None unless it is good or uncertain.

    ne107 : status signal of the transmitter, None when nothing is wrong or nothing is known of it.
    """

    signal: str
    place: str
    title: str
    value: float | None
    text: str
    unit: str
    quality: str
    quality_text: str
    ne107: Signal | None
    ne107_text: str
    at: float | None
    at_iso: str | None
    age: str
    device: str


def distrusted(source: Source, train: TrainConfig) -> dict[str, str]:
    """Signal -> ``frozen`` or ``no value`` while an open notice says so of its transmitter."""
    said = {"value": "no value", "frozen": "frozen"}
    tags = {
        subject: said[kind]
        for notice in source.open_notices(train)
        for kind, _, subject in [notice.matter.partition(":")]
        if kind in said and notice.present
    }
    return {p.signal: tags[p.tag] for p in train.points if p.tag in tags}


def suspected(source: Source, train: TrainConfig) -> frozenset[str]:
    """Signals whose transmitter is the likeliest cause of an open notice; not those of which it was seen."""
    tags = {
        notice.causes[0]["point"]
        for notice in source.open_notices(train)
        if notice.present
        and notice.cause == "instrument_fault"
        and notice.matter.partition(":")[0] not in words.MATTERS
    }
    return frozenset(p.signal for p in train.points if p.tag in tags)


def _ne107(
    point: PointConfig, latest: Latest, value: float | None, *, noticed: str | None, suspect: bool
) -> Signal | None:
    """What NE 107 calls the transmitter; None of a status bit, and while nothing is heard of it."""
    if point.role in STATUS_ROLES or point.device in latest.down or not latest.fresh:
        return None
    reason = latest.reasons.get(point.signal, "")
    low, high = point.si_range or (-math.inf, math.inf)
    held = ne107.holding(
        value=value is not None,
        frozen=noticed == "frozen",
        # OPC UA Part 4, BadOutOfService: the source of the value is not operational.
        worked_on="BadOutOfService" in reason,
        doubtful=latest.quality.get(point.signal) is Quality.UNCERTAIN
        or (noticed is not None and value is not None),
        outside=value is not None and not low <= value <= high,
        suspected=suspect,
    )
    return ne107.first(held)


def readings(
    train: TrainConfig,
    latest: Latest,
    distrust: Mapping[str, str],
    suspects: frozenset[str],
    time: SiteTime,
) -> tuple[ReadingView, ...]:
    rows = []
    for point in train.points:
        role = words.ROLES[point.role]
        # The last value of a silent signal is not shown: it would look fresh.
        value = latest.values.get(point.signal) if latest.fresh else None
        at = latest.last_good.get(point.signal)
        quality = latest.quality.get(point.signal, Quality.BAD)
        if value is not None:
            said = quality.name.lower()
        elif point.device in latest.down:
            said = "device does not answer"
        elif latest.at is not None and not latest.fresh and point.signal in latest.values:
            said = "stale"
        else:
            said = latest.reasons.get(point.signal) or quality.name.lower()
        grade = "bad" if value is None else quality.name.lower()
        noticed = distrust.get(point.signal)
        if noticed == "frozen" and value is not None:
            grade, said = "uncertain", noticed
        elif noticed == "no value" and value is not None:
            # It has just come back: the notice stands until that has lasted.
            grade, said = "uncertain", "gave no value until now"
        elif noticed is not None and said in ("bad", "uncertain"):
            said = noticed
        elif noticed is not None:
            said = f"{noticed}: {said}"
        suspect = point.signal in suspects
        status = _ne107(point, latest, value, noticed=noticed, suspect=suspect)
        if said == "good":
            said = {"S": "beyond its range", "M": "likely wrong"}.get(status or "", said)
        if value is None:
            text = "–"
        elif point.role in STATUS_ROLES:
            text = "yes" if value >= 0.5 else "no"
        else:
            text = f"{value:.{role.decimals}f}".replace("-", "−")
        rows.append(
            ReadingView(
                signal=point.signal,
                place=_place(point.stage, point.vessel),
                title=role.name,
                value=value,
                text=text,
                unit=role.unit,
                quality=grade,
                quality_text=said,
                ne107=status,
                ne107_text="" if status is None else words.NE107[status],
                at=at,
                at_iso=None if at is None else iso(at),
                age="not in the last day" if at is None else ago(time.now - at),
                device=point.device,
            )
        )
    return tuple(rows)


def _place(stage: int | None, vessel: int | None) -> str:
    if stage is None:
        return "Train"
    return f"Stage {stage}" if vessel is None else f"Vessel {stage}-{vessel:02d}"
