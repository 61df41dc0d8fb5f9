"""What is wrong with the watching itself, one sentence each: only what holds, and never why it might be."""

import re
from collections.abc import Iterable, Mapping

from daemon.history_reader import Fact
from daemon.page.source import Source
from daemon.page.times import SiteTime
from daemon.plantfile.result import Plant

DROPS_SHOWN_S = 86400.0  # readings that were lost in the last day are worth knowing

# How daemon/frames.py tells that a trouble is over; the same kind of fact also tells that it began.
OVER = ("caught up", "confirmed", "in order again")


def troubles(plant: Plant, source: Source, time: SiteTime) -> tuple[str, ...]:
    """Everything that needs somebody to look after the gateway, the contacts or a device's clock."""
    found = []
    for contact, count in source.undelivered().items():
        messages = "1 message" if count == 1 else f"{count} messages"
        found.append(
            f"{messages} to {contact} could not be delivered: check the address in the plant file."
        )
    for fact in source.forward_troubles():
        found.append(
            f"Values wait to be forwarded since {time.stamp(fact.t)}; none is lost."
            f" {fact.detail[:1].upper()}{fact.detail[1:]}."
        )
    good_at = source.good_at()
    for fact in standing(source.watch_facts()):
        if fact.kind == "frames_dropped" and fact.subject not in good_at:
            if fact.t > time.now - DROPS_SHOWN_S:
                found.append(f"Lost, last {time.stamp(fact.t)}: {fact.detail}.")
        elif not _good_since(plant, fact, good_at):
            found.append(_sentence(fact, time))
    return tuple(found)


def standing(facts: Iterable[Fact]) -> list[Fact]:
    """The newest fact of each subject about clocks and dropped readings that no later one has ended.

    facts : in the order they were written. A start of the daemon ends all: what still holds is told again.
    """
    held: dict[tuple[str, str], Fact] = {}
    for fact in facts:
        if fact.kind == "daemon_started":
            held = {k: f for k, f in held.items() if f.subject == "history"}
            continue
        key = ("clock" if fact.kind.startswith("clock_") else fact.kind, fact.subject)
        held.pop(key, None)
        began = fact.kind != "clock_running" and not fact.detail.startswith(OVER)
        if began and (fact.kind, fact.subject) != ("clock_stepped", "gateway"):
            held[key] = fact
    return list(held.values())


def _good_since(plant: Plant, fact: Fact, good_at: Mapping[str, Mapping[str, float]]) -> bool:
    """Whether a reading that the fact is about has been good in a frame stored after it."""
    for train in plant.trains:
        for point in train.points:
            if fact.subject not in (point.device, train.id):
                continue
            if good_at[train.id].get(point.signal, fact.wall) > fact.wall:
                return True
    return False


def _sentence(fact: Fact, time: SiteTime) -> str:
    if fact.kind == "clock_frozen":
        return (
            f"The clock of {fact.subject} stands still at {time.stamp(fact.t)}; its readings are not used"
            " until it runs again."
        )
    if fact.kind == "frames_dropped":
        said = f"{fact.detail}; they are not used"
    else:
        said = fact.detail.replace("the device's clock", f"the clock of {fact.subject}")
    said = re.sub(r"(\d+(?:\.\d+)?) s\b", lambda m: lasting(float(m[1])), said)
    return f"{said[0].upper()}{said[1:]}."


def lasting(seconds: float) -> str:
    """A length of time in its largest unit: ``40 s``, ``12 min``, ``21 h``, ``3 days``."""
    for unit, length, most in (("s", 1.0, 120.0), ("min", 60.0, 7200.0), ("h", 3600.0, 172800.0)):
        if seconds < most:
            return f"{seconds / length:.0f} {unit}"
    return f"{seconds / 86400.0:.0f} days"
