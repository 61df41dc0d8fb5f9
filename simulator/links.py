"""What can go wrong between a plant and its readers: data that mislead, links that fail.

The plant itself stays as it is. Errors: BadLink, with what would be right.
"""

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from simulator.link_faults import TAKES, BadLink, LinkFault
from simulator.operation import DAY_S
from simulator.site import Site, UnknownTrain

RANGE_CODE = 32767.0  # what many input cards give for a current outside their range
PPM = 1e-6
NUMERIC = ("nan", "range_code")  # a bit can be neither
MOST_KEPT = 5_000  # samples remembered for a late link
LATE_STEPS = 2_000  # of them over its lateness


def link_fault_of(table: Mapping[str, Any], site: Site) -> LinkFault:
    """The link fault that a table describes; its `tag` names an instrument of its train, or of any."""
    kind = table.get("kind")
    if not isinstance(kind, str) or kind not in TAKES:
        raise BadLink(f"link: kind {kind!r} is not known; use one of {', '.join(TAKES)}")
    types = {f.name: getattr(f.type, "__name__", str(f.type)) for f in fields(LinkFault)}
    for name, value in table.items():
        if name == "kind":
            continue
        if name not in TAKES[kind]:
            takes = ", ".join(TAKES[kind]) or "nothing else"
            raise BadLink(f'link ({kind}): unknown key "{name}"; it takes {takes}')
        number = isinstance(value, int | float) and not isinstance(value, bool)
        fits = {
            "str": isinstance(value, str),
            "int": number and isinstance(value, int),
            "float": number and math.isfinite(value),
        }[types[name]]
        if not fits:
            wanted = {"str": "a text", "int": "a whole number", "float": "a number"}[types[name]]
            raise BadLink(f"link ({kind}): {name} is {value!r}; write {wanted}")
    tag, train = table.get("tag", ""), table.get("train", "")
    try:
        trains = [site.train(train)] if train else site.trains
    except UnknownTrain as exc:
        raise BadLink(f"link ({kind}): {exc}") from exc
    signals = list(
        dict.fromkeys(
            i.signal
            for one in trains
            for i in one.instruments
            if not (i.status and kind in NUMERIC)
        )
    )
    if tag and tag not in signals:
        raise BadLink(
            f"link ({kind}): there is no instrument {tag!r}; instruments are {', '.join(signals)}"
        )
    return LinkFault(**table)


@dataclass(frozen=True)
class Sample:
    """What a device shows.

    readings : by tag. raw : values at the edge, by tag, that take the place of a reading whatever
    its unit. status : by tag, where it does not follow from the value: good, uncertain or bad.
    """

    stamp_s: float
    readings: Mapping[str, float]
    raw: Mapping[str, float] = field(default_factory=dict)
    status: Mapping[str, str] = field(default_factory=dict)


class Links:
    """The link faults in force, and what they make of the samples of a site."""

    def __init__(self, site: Site) -> None:
        self.faults: dict[int, tuple[LinkFault, float]] = {}
        self._planned = [
            (
                site.start_s + link.at_day * DAY_S,
                site.start_s + link.until_day * DAY_S,
                link_fault_of(link.table(), site),
            )
            for link in site.scenario.links
        ]
        self._begun: dict[int, int] = {}
        self._bits = {tag for tag, i in site.instruments.items() if i.status}
        self._count = 0
        self._past: deque[Sample] = deque(maxlen=MOST_KEPT)
        self._held: dict[str, Sample] = {}

    def add(self, fault: LinkFault, now_s: float) -> int:
        """Let a fault begin; its number."""
        self._count += 1
        self.faults[self._count] = (fault, now_s)
        return self._count

    def remove(self, number: int) -> None:
        """Let a fault end."""
        del self.faults[number]

    def follow(self, now_s: float) -> bool:
        """Let what the scenario plans begin and end; whether anything did."""
        changed = False
        for index, (begin_s, end_s, fault) in enumerate(self._planned):
            due = begin_s <= now_s < end_s
            if due and index not in self._begun:
                self._begun[index] = self.add(fault, now_s)
                changed = True
            elif not due and index in self._begun:
                # A person may have mended it meanwhile.
                self.faults.pop(self._begun.pop(index), None)
                changed = True
        return changed

    def active(self, kind: str, protocol: str) -> tuple[LinkFault, float] | None:
        """The first fault of a kind on a protocol, and since when; None when there is none."""
        for fault, since in self.faults.values():
            if fault.kind == kind and fault.on(protocol):
                return fault, since
        return None

    def taken(self, sample: Sample) -> None:
        """Remember a sample as the plant took it."""
        spacing_s = [
            fault.seconds / LATE_STEPS for fault, _ in self.faults.values() if fault.kind == "late"
        ]
        if not spacing_s:
            self._past.clear()
        elif len(self._past) > 1 and sample.stamp_s - self._past[-2].stamp_s < min(spacing_s):
            self._past.pop()
        self._past.append(sample)

    def shown(self, protocol: str) -> Sample:
        """What the device of a protocol shows of the samples taken so far."""
        newest = self._past[-1]
        if self.active("hold", protocol) is not None and protocol in self._held:
            return self._held[protocol]
        base = newest
        late = self.active("late", protocol)
        if late is not None:
            # From the moment the link became slow nothing new is shown before its time has come.
            until = max(newest.stamp_s - late[0].seconds, late[1])
            base = next((s for s in reversed(self._past) if s.stamp_s <= until), self._past[0])
        self._held[protocol] = self._spoiled(base, newest.stamp_s, protocol)
        return self._held[protocol]

    def _spoiled(self, base: Sample, now_s: float, protocol: str) -> Sample:
        stamp, raw, status = base.stamp_s, dict(base.raw), dict(base.status)
        for fault, since in self.faults.values():
            if not fault.on(protocol):
                continue
            tags = [
                tag
                for tag in base.readings
                if fault.about(*tag.split("/", 1))
                and not (fault.kind in NUMERIC and tag in self._bits)
            ]
            if fault.kind == "clock_step":
                stamp += fault.seconds
            elif fault.kind == "clock_drift":
                stamp += fault.ppm * PPM * (now_s - since)
            elif fault.kind == "nan":
                raw |= dict.fromkeys(tags, math.nan)
                status |= dict.fromkeys(tags, "good")
            elif fault.kind == "range_code":
                raw |= dict.fromkeys(tags, RANGE_CODE)
            elif fault.kind == "bad_status":
                status |= dict.fromkeys(tags, "bad")
            elif fault.kind == "uncertain_status":
                status |= dict.fromkeys(tags, "uncertain")
        return Sample(stamp, base.readings, raw, status)
