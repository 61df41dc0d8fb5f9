"""The picture of a probe: measured and expected conductivity along a vessel that is drawn to scale."""

import math
from dataclasses import dataclass

from daemon.probe import ProbeAnswer
from rules.tube import Tube

WIDTH, HEIGHT = 400.0, 300.0
LEFT, RIGHT, TOP = 40.0, 10.0, 14.0
PLOT_BOTTOM = 208.0
VESSEL_TOP, VESSEL_BOTTOM = 222.0, 252.0


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle with its name. accused : the answer points to it."""

    x: float
    width: float
    name: str
    accused: bool


@dataclass(frozen=True, slots=True)
class Tick:
    """A place on an axis and what is written there."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Dot:
    """One sample. left_out : it was not used."""

    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True)
class Picture:
    """Everything that the template draws, in the units of a box of 400 by 300, feed end at the left.

    summary : the same in words, for those who do not see it.
    """

    width: float
    height: float
    plot_top: float
    plot_bottom: float
    left: float
    right: float
    vessel_top: float
    vessel_height: float
    elements: tuple[Box, ...]
    joints: tuple[Box, ...]
    expected: str
    measured: str
    dots: tuple[Dot, ...]
    values: tuple[Tick, ...]
    distances: tuple[Tick, ...]
    next_x: float | None
    next_text: str
    out_left: bool
    out_right: bool
    mark_x: float | None
    summary: str


def picture(tube: Tube, answer: ProbeAnswer | None, samples: list[tuple[float, float]]) -> Picture:
    """The picture of a probe, with what has been read so far. samples : distance and µS/cm, before an answer."""
    length = tube.length_mm
    plot = WIDTH - LEFT - RIGHT

    def x(distance_mm: float) -> float:
        from_feed = distance_mm if tube.from_feed else length - distance_mm
        return round(LEFT + plot * min(max(from_feed / length, -0.02), 1.02), 2)

    read = samples
    curve: tuple[tuple[float, float], ...] = ()
    if answer is not None:
        read = [(p.distance_mm, p.us_cm) for p in answer.profile if p.us_cm is not None]
        curve = answer.curve
    top = _nice(max([v for _, v in read] + [v for _, v in curve] + [1.0]))

    def y(value: float) -> float:
        return round(PLOT_BOTTOM - (PLOT_BOTTOM - TOP) * value / top, 2)

    accused = set(answer.accused) if answer is not None else set()
    if answer is not None and answer.verdict == "damaged_element" and not accused and answer.where:
        accused = {("element", int(answer.where.rpartition("/")[2]))}
    pitch = plot * tube.element_length_mm / length
    first = LEFT + plot * tube.adapter_length_mm / length
    elements = tuple(
        Box(round(first + pitch * e, 2), round(pitch, 2), str(e + 1), ("element", e + 1) in accused)
        for e in range(tube.elements)
    )
    joints = [Box(LEFT, round(first - LEFT, 2), "feed adapter", ("joint", 0) in accused)]
    joints += [
        Box(round(first + pitch * j - 2.0, 2), 4.0, f"{j}-{j + 1}", ("joint", j) in accused)
        for j in range(1, tube.elements)
    ]
    last = first + pitch * tube.elements
    joints.append(
        Box(
            round(last, 2),
            round(WIDTH - RIGHT - last, 2),
            "concentrate adapter",
            ("joint", tube.elements) in accused,
        )
    )
    blamed = [b for b in (*elements, *joints) if b.accused]
    ordered = sorted((x(mm), y(v)) for mm, v in read)
    steps = [tube.adapter_length_mm + tube.element_length_mm * j for j in range(tube.elements + 1)]
    shown = steps if tube.elements <= 4 else steps[:: 2 if tube.elements <= 8 else 3]
    next_mm = answer.next_mm if answer is not None else None
    return Picture(
        width=WIDTH,
        height=HEIGHT,
        plot_top=TOP,
        plot_bottom=PLOT_BOTTOM,
        left=LEFT,
        right=WIDTH - RIGHT,
        vessel_top=VESSEL_TOP,
        vessel_height=VESSEL_BOTTOM - VESSEL_TOP,
        elements=elements,
        joints=tuple(joints),
        expected=_path([(x(mm), y(v)) for mm, v in sorted(curve, key=lambda c: x(c[0]))]),
        measured=_path(ordered),
        dots=tuple(Dot(x(mm), y(v), f"{mm:.0f} mm: {v:.3g} µS/cm") for mm, v in read),
        values=tuple(Tick(y(top * k / 4.0), f"{top * k / 4.0:.4g}") for k in range(5)),
        distances=tuple(Tick(x(mm), f"{mm / 1000.0:.1f}") for mm in shown),
        next_x=None if next_mm is None else x(next_mm),
        next_text="" if next_mm is None else f"sample {next_mm:.0f} mm",
        out_left=tube.port in ("feed", "both"),
        out_right=tube.port in ("concentrate", "both"),
        mark_x=blamed[0].x + blamed[0].width / 2.0 if blamed else None,
        summary=_summary(answer, len(read)),
    )


def _summary(answer: ProbeAnswer | None, count: int) -> str:
    if answer is None:
        return f"Probe with {count} samples so far."
    readings = ", ".join(
        f"{p.distance_mm:.0f} mm {p.us_cm:.3g}" for p in answer.profile if p.us_cm is not None
    )
    return f"Conductivity along the vessel in µS/cm: {readings}. {answer.next_step}"


def _nice(largest: float) -> float:
    """An even end of an axis a little above the largest value."""
    scale = 10.0 ** math.floor(math.log10(largest))
    for step in (1.0, 1.2, 1.6, 2.0, 2.4, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0):
        if step * scale >= 1.05 * largest:
            return step * scale
    return 12.0 * scale


def _path(points: list[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in points) if points else ""
