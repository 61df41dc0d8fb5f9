"""What a vessel job needs from the store: how many of each part, counted from the geometry.

Customs of the trade without a source to cite are marked "common practice, no source".
"""

from dataclasses import dataclass
from math import ceil
from typing import Literal

Joints = Literal["interconnector", "interlocking"]

SPARE_SHARE = 0.05
"""Spare seals and interconnectors: a twentieth, at least one (common practice, no source). [-]"""
SPARE_ELEMENTS_SHARE = 0.02
"""Spare elements when whole stages are replaced, at least one (common practice, no source). [-]"""
LUBRICANT_G_PER_O_RING = 1.0
LUBRICANT_G_PER_HEAD = 5.0
"""Silicone lubricant for one O-ring, and for the bore and seals of one head: a thin film only
(common practice, no source). [g]"""
SMALL_MM = 150.0
"""Vessels of less inside diameter hold elements of 4 inch, others of 8 inch: nothing in use lies
between 110 and 195 mm (common practice, no source). [mm]"""


@dataclass(frozen=True, slots=True)
class Vessel:
    """The pressure vessels of a stage, as far as they are known; None is not known.

    inside_diameter_mm : of the shell.
    inside_length_mm : between the seats of the two heads that hold the row of elements.
    feed_adapter_mm : what the feed adapter takes of that length, from the first element's face to the
        seat of the shims. thrust_ring_mm : what the thrust ring takes at the concentrate end.
    joint_mm : what one joint adds to the row; 0 where the elements touch.
    length_tolerance_mm : by which one element may be longer or shorter than its nominal length.
    shims_mm : thicknesses at hand. least_play_mm, most_play_mm : play to be left after shimming.
    joints : ``interconnector`` (a tube between two elements) or ``interlocking`` (ends with a seal).
    o_rings_per_joint, o_rings_per_adapter, seals_per_head : what one of each carries.
    water_share : share of the inside volume that water fills with the elements in. [-]
    element_mass_kg : of one drained, wet element.
    assumed : names of the fields that nobody gave: the defaults below are customs of the trade.
    """

    inside_diameter_mm: float | None = None
    inside_length_mm: float | None = None
    feed_adapter_mm: float | None = None
    thrust_ring_mm: float | None = None
    joint_mm: float = 0.0
    length_tolerance_mm: float = 1.5
    shims_mm: tuple[float, ...] = ()
    least_play_mm: float = 0.5
    most_play_mm: float = 5.0
    joints: Joints = "interconnector"
    o_rings_per_joint: int = 4
    o_rings_per_adapter: int = 2
    seals_per_head: int = 2
    water_share: float = 0.8
    element_mass_kg: float | None = None
    assumed: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Part:
    """One line of a parts list. `rule` says how `needed` was counted.

    needed, spare : None where the count cannot be known before the vessel is open.
    """

    key: str
    needed: int | None
    spare: int | None
    rule: str
    unit: str = "pieces"

    @property
    def take(self) -> int | None:
        """How many to take along."""
        if self.needed is None or self.spare is None:
            return None
        return self.needed + self.spare


@dataclass(frozen=True, slots=True)
class Opened:
    """What a job opens and renews.

    vessels, elements_per_vessel : how many vessels are unloaded, and how many elements each holds.
    elements : new elements. joints, adapters : new interconnectors and adapters.
    """

    vessels: int
    elements_per_vessel: int
    elements: int
    joints: int
    adapters: int

    def __post_init__(self) -> None:
        if self.vessels < 1 or self.elements_per_vessel < 1:
            raise ValueError(f"at least one vessel of one element, got {self!r}")
        places = self.vessels * self.elements_per_vessel
        if not 0 <= self.elements <= places:
            raise ValueError(f"elements must be from 0 to {places}, got {self.elements!r}")
        if not 0 <= self.joints <= places - self.vessels:
            raise ValueError(f"joints must be from 0 to {places - self.vessels}, got {self.joints}")
        if not 0 <= self.adapters <= 2 * self.vessels:
            raise ValueError(f"adapters must be from 0 to {2 * self.vessels}, got {self.adapters}")


def spares(number: int, share: float = SPARE_SHARE) -> int:
    """Spare pieces for `number` that are needed: the share of them rounded up, at least one.

    >>> spares(40), spares(41), spares(0)
    (2, 3, 1)
    """
    if number < 0:
        raise ValueError(f"number must not be below 0, got {number!r}")
    # 40 * 0.05 is a little above 2 in binary
    return max(1, ceil(number * share - 1e-9))


def unloading(opened: Opened, vessel: Vessel, shims: int | None) -> tuple[Part, ...]:
    """Parts of a job that takes every element out of its vessels, in the order of the parts list.

    Every O-ring, head seal and brine seal that comes out is renewed: a new seal costs little beside
    a vessel that has to be opened again (common practice, no source).

    shims : of one vessel, of all thicknesses together; None when they cannot be counted beforehand.
    """
    n, vessels = opened.elements_per_vessel, opened.vessels
    places, joints, adapters, heads = n * vessels, (n - 1) * vessels, 2 * vessels, 2 * vessels
    each, plural = f"{vessels} × " if vessels > 1 else "", "s" if n > 1 else ""
    joint_rings = joints * vessel.o_rings_per_joint
    adapter_rings = adapters * vessel.o_rings_per_adapter
    head_seals = heads * vessel.seals_per_head
    grams = (joint_rings + adapter_rings) * LUBRICANT_G_PER_O_RING + heads * LUBRICANT_G_PER_HEAD
    parts: list[Part] = []
    if opened.elements:
        whole = opened.elements == places
        parts.append(
            Part(
                "element",
                opened.elements,
                spares(places, SPARE_ELEMENTS_SHARE) if whole else 0,
                f"{each}{n} position{plural}" if whole else "the positions named",
            )
        )
    # New elements come with their brine seals; those that go in again get new ones.
    parts.append(Part("brine_seal", places, spares(places), f"{each}{n} element{plural}, one each"))
    if vessel.joints == "interconnector" and joints:
        rule = f"{each}({n} elements − 1)" if opened.joints == joints else "those of the job"
        parts.append(Part("interconnector", opened.joints, spares(opened.joints), rule))
    if joints:
        parts.append(
            Part(
                "joint_o_ring",
                joint_rings,
                spares(joint_rings),
                f"{each}{n - 1} joint{'s' if n > 2 else ''} × {vessel.o_rings_per_joint}",
            )
        )
    rule = f"{each}2 ends" if opened.adapters == adapters else "those of the job"
    parts += [
        Part("adapter", opened.adapters, spares(opened.adapters), rule),
        Part(
            "adapter_o_ring",
            adapter_rings,
            spares(adapter_rings),
            f"{each}2 adapters × {vessel.o_rings_per_adapter}",
        ),
        Part(
            "head_seal",
            head_seals,
            spares(head_seals),
            f"{each}2 heads × {vessel.seals_per_head}",
        ),
    ]
    if shims is None:
        parts.append(Part("shim", None, None, "by the gap that is measured"))
    else:
        parts.append(
            Part("shim", vessels * shims, 2 * vessels, f"{each}{shims}, see the gap sheet")
        )
    parts.append(Part("lubricant", ceil(grams), 0, "1 g each O-ring, 5 g each head", "g"))
    return tuple(parts)


def probing(vessels: int) -> tuple[Part, ...]:
    """Parts of a probe: only the plug of the permeate port comes off, with its seal.

    vessels : how many are probed.
    """
    if vessels < 1:
        raise ValueError(f"vessels must be at least 1, got {vessels!r}")
    return (
        Part("port_seal", vessels, spares(vessels), "one for each port that is opened"),
        Part("lubricant", ceil(vessels * LUBRICANT_G_PER_O_RING), 0, "1 g each O-ring", "g"),
    )


def beside(position: int, elements_per_vessel: int) -> tuple[int, int]:
    """Interconnectors and adapters that touch an element: two in all, at the ends one is an adapter.

    >>> beside(1, 6), beside(3, 6), beside(1, 1)
    ((1, 1), (2, 0), (0, 2))
    """
    if not 1 <= position <= elements_per_vessel:
        raise ValueError(f"position {position!r} is not among 1 to {elements_per_vessel}")
    adapters = (position == 1) + (position == elements_per_vessel)
    return 2 - adapters, adapters
