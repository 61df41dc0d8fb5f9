"""What the pages of the load map show: a picture of every vessel with its elements, and one vessel in full."""

from dataclasses import dataclass

from daemon import loadmap_csv, positions, words
from daemon.loadmap import Element, LoadMap
from daemon.page.context import PageContext
from daemon.page.times import SiteTime, iso
from daemon.plantfile.result import TrainConfig

YEAR_S = 365.25 * 86400.0
PORTS = {
    "concentrate": "Permeate leaves at the concentrate end.",
    "feed": "Permeate leaves at the feed end.",
    "both": "Permeate leaves at both ends.",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One sentence with its time; path: the page that says more, or empty."""

    at_iso: str
    at_text: str
    text: str
    accuses: bool
    path: str


@dataclass(frozen=True, slots=True)
class Slot:
    """One position. serial, type, age : empty where no element is known. accused : why, or empty."""

    number: int
    position: str
    serial: str
    type: str
    age: str
    installed: str
    since: str
    accused: str
    history: tuple[Line, ...] = ()
    said: tuple[Line, ...] = ()


@dataclass(frozen=True, slots=True)
class VesselView:
    """One vessel with its positions from the feed end. accused : why it, or a joint of it, is; or empty."""

    name: str
    slots: tuple[Slot, ...]
    accused: str


@dataclass(frozen=True, slots=True)
class StageView:
    """One stage. port : at which end the permeate leaves."""

    number: int
    title: str
    port: str
    vessels: tuple[VesselView, ...]


@dataclass(frozen=True, slots=True)
class Head:
    """What is at the top of both pages."""

    train: str
    train_name: str
    now_iso: str
    now_text: str
    zone: str


@dataclass(frozen=True, slots=True)
class ElementsView:
    """The whole train. known, empty : how many positions. shelf : what waits there."""

    head: Head
    now_iso: str
    now_text: str
    zone: str
    stages: tuple[StageView, ...]
    known: int
    empty: int
    shelf: tuple[Slot, ...]


@dataclass(frozen=True, slots=True)
class OneVesselView:
    """One vessel. said : of the vessel and its stage, the newest first. neighbors : the vessels before and after."""

    head: Head
    now_iso: str
    now_text: str
    zone: str
    stage: int
    port: str
    port_end: str
    vessel: VesselView
    said: tuple[Line, ...]
    neighbors: tuple[str, ...]
    shelf: tuple[Slot, ...]


def elements_view(context: PageContext, train: TrainConfig) -> ElementsView:
    """The load map of a train."""
    known = LoadMap(context.record, context.plant)
    loaded = known.loaded(train.id)
    accused = positions.accused(context.record, train)
    time = SiteTime(context.plant.site.timezone, context.now())
    stages = []
    for number, stage in enumerate(train.stages, 1):
        vessels = tuple(
            _vessel(f"{number}-{v:02d}", stage.elements_per_vessel, loaded, accused, time)
            for v in range(1, stage.vessels + 1)
        )
        stages.append(StageView(number, f"Stage {number}", PORTS[stage.permeate_port], vessels))
    total = sum(s.vessels * s.elements_per_vessel for s in train.stages)
    head = _head(context, train, time)
    return ElementsView(
        head=head,
        now_iso=head.now_iso,
        now_text=head.now_text,
        zone=head.zone,
        stages=tuple(stages),
        known=len(loaded),
        empty=total - len(loaded),
        shelf=tuple(_slot(0, e.place, e, "", time) for e in known.shelf()),
    )


def vessel_view(context: PageContext, train: TrainConfig, vessel: str) -> OneVesselView:
    """Everything known of one vessel."""
    known = LoadMap(context.record, context.plant)
    loaded = known.loaded(train.id)
    accused = positions.accused(context.record, train)
    time = SiteTime(context.plant.site.timezone, context.now())
    number = int(vessel.partition("-")[0])
    stage = train.stages[number - 1]
    told = positions.said(context.record, train, vessel)
    names = [f"{number}-{v:02d}" for v in range(1, stage.vessels + 1)]
    place = names.index(vessel)
    head = _head(context, train, time)
    return OneVesselView(
        head=head,
        now_iso=head.now_iso,
        now_text=head.now_text,
        zone=head.zone,
        stage=number,
        port=PORTS[stage.permeate_port],
        port_end=stage.permeate_port,
        vessel=_vessel(vessel, stage.elements_per_vessel, loaded, accused, time, told),
        said=tuple(_line(s, time) for s in told if "/" not in s.place),
        neighbors=tuple(names[max(place - 1, 0) : place] + names[place + 1 : place + 2]),
        shelf=tuple(_slot(0, e.place, e, "", time) for e in known.shelf()),
    )


def _head(context: PageContext, train: TrainConfig, time: SiteTime) -> Head:
    return Head(
        train=train.id,
        train_name=words.train_label(train.id, train.name),
        now_iso=iso(time.now),
        now_text=f"{time.day(time.now)}, {time.clock(time.now, seconds=True)}",
        zone=context.plant.site.timezone,
    )


def _vessel(
    name: str,
    elements: int,
    loaded: dict[str, Element],
    accused: dict[str, positions.Said],
    time: SiteTime,
    told: tuple[positions.Said, ...] = (),
) -> VesselView:
    against = [s for s in accused.values() if s.place.split("/")[0].split(" ")[0] == name]
    slots = []
    for number in range(1, elements + 1):
        position = f"{name}/{number}"
        why = next((s.text for s in against if s.concerns(position)), "")
        here = tuple(s for s in told if s.concerns(position))
        slots.append(_slot(number, position, loaded.get(position), why, time, here))
    return VesselView(name, tuple(slots), against[0].text if against else "")


def _slot(
    number: int,
    position: str,
    element: Element | None,
    why: str,
    time: SiteTime,
    told: tuple[positions.Said, ...] = (),
) -> Slot:
    said = tuple(_line(s, time) for s in told)
    if element is None:
        return Slot(number, position, "", "", "", "", "", why, said=said)
    history = tuple(
        Line(
            iso(s.at),
            time.day(s.at),
            " ".join(
                filter(
                    None,
                    (
                        f"{'Train ' + s.train + ', ' if s.train else ''}{s.place}"
                        + (f", by {s.by}" if s.by else "")
                        + ".",
                        f"{s.detail}." if s.detail else "",
                    ),
                )
            ),
            False,
            "",
        )
        for s in reversed(element.history)
    )
    return Slot(
        number=number,
        position=position,
        serial=element.serial,
        type=element.type,
        age=_age(element, time.now),
        installed="" if element.installed is None else time.day(element.installed),
        since=time.day(element.history[-1].at),
        accused=why,
        history=history,
        said=said,
    )


def _age(element: Element, now: float) -> str:
    """``2.4 years``, ``5 months``; empty when it is not known."""
    if element.installed is None:
        return ""
    years = max(now - element.installed, 0.0) / YEAR_S
    if years >= 1.0:
        return f"{years:.1f} years"
    months = int(years * 12.0)
    return "new" if months < 1 else "1 month" if months == 1 else f"{months} months"


def _line(said: positions.Said, time: SiteTime) -> Line:
    return Line(
        iso(said.at), time.stamp(said.at), words.true_minus(said.text), said.accuses, said.path
    )


def file_text(context: PageContext, train: TrainConfig) -> str:
    """The load map as the CSV that `brinelark elements --export` writes."""
    return loadmap_csv.written(LoadMap(context.record, context.plant).elements(), train)
