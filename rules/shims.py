"""How many shims of which thickness take up the play of a row of elements in its vessel.

Elements that can move wear the O-rings of their joints at every start and stop: the play is taken up
at the feed end, and a little is left so that the head can be seated (common practice, no source).
"""

from collections.abc import Sequence
from dataclasses import dataclass

STEP_MM = 0.1
"""Thicknesses and play are counted in tenths of a millimeter, which is finer than anyone measures."""
LONGEST_MM = 150.0
"""More play than this is no matter for shims: something is missing or misplaced. [mm]"""


@dataclass(frozen=True, slots=True)
class Play:
    """Free play of the row before shimming; negative when the row is longer than the vessel. [mm]

    least, most : when all elements are as long, as short as their tolerance allows.
    """

    nominal_mm: float
    least_mm: float
    most_mm: float


@dataclass(frozen=True, slots=True)
class Stack:
    """Shims for one vessel.

    counts : thickness and how many of it, thickest first, none left out. [mm]
    total_mm : of all shims. left_mm : play that is left.
    enough : the play left is within what was asked for.
    """

    counts: tuple[tuple[float, int], ...]
    total_mm: float
    left_mm: float
    enough: bool

    @property
    def pieces(self) -> int:
        """Shims in all."""
        return sum(number for _, number in self.counts)


def free_play(
    *,
    inside_length_mm: float,
    elements: int,
    element_length_mm: float,
    feed_adapter_mm: float,
    thrust_ring_mm: float,
    joint_mm: float = 0.0,
    length_tolerance_mm: float = 0.0,
) -> Play:
    """Inside length less everything that stands in the row.

    inside_length_mm : between the seats of the heads. elements : in one vessel, at least 1.
    The other lengths as in `rules.workparts.Vessel`. Raises ValueError for lengths that cannot be.
    """
    if elements < 1:
        raise ValueError(f"elements must be at least 1, got {elements!r}")
    for name, value in (
        ("inside_length_mm", inside_length_mm),
        ("element_length_mm", element_length_mm),
    ):
        if not value > 0:
            raise ValueError(f"{name} must be above 0 mm, got {value!r}")
    for name, value in (
        ("feed_adapter_mm", feed_adapter_mm),
        ("thrust_ring_mm", thrust_ring_mm),
        ("joint_mm", joint_mm),
        ("length_tolerance_mm", length_tolerance_mm),
    ):
        if not value >= 0:
            raise ValueError(f"{name} must not be below 0 mm, got {value!r}")
    row = elements * element_length_mm + (elements - 1) * joint_mm
    nominal = inside_length_mm - row - feed_adapter_mm - thrust_ring_mm
    slack = elements * length_tolerance_mm
    return Play(nominal, nominal - slack, nominal + slack)


def stack(
    play_mm: float, shims_mm: Sequence[float], *, least_mm: float, most_mm: float
) -> Stack | None:
    """The shims that leave the least play of at least `least_mm`; the fewest pieces among equals.

    play_mm : measured or computed before shimming. shims_mm : thicknesses at hand, above 0.
    None when the row is too long (play below `least_mm`), or the play is above `LONGEST_MM`: no
    number of shims answers that, and somebody has to look.
    """
    if not 0 <= least_mm <= most_mm:
        raise ValueError(f"least_mm must be from 0 to most_mm, got {least_mm!r} and {most_mm!r}")
    if not shims_mm or any(not t >= STEP_MM for t in shims_mm):
        raise ValueError(f"shims_mm must hold thicknesses of at least {STEP_MM} mm: {shims_mm!r}")
    if not least_mm <= play_mm <= LONGEST_MM:
        return None
    thick = sorted({round(t / STEP_MM) for t in shims_mm}, reverse=True)
    room = int((play_mm - least_mm) / STEP_MM + 1e-6)  # whole steps that shims may fill
    # fewest[s]: fewest pieces that are s steps thick together, and the last piece put on
    fewest: list[tuple[int, int] | None] = [(0, 0)] + [None] * room
    for size in range(1, room + 1):
        for piece in thick:
            before = fewest[size - piece] if piece <= size else None
            now = fewest[size]
            if before is not None and (now is None or before[0] + 1 < now[0]):
                fewest[size] = (before[0] + 1, piece)
    best = max(size for size in range(room + 1) if fewest[size] is not None)
    used = dict.fromkeys(thick, 0)
    size = best
    while size:
        found = fewest[size]
        assert found is not None
        used[found[1]] += 1
        size -= found[1]
    left = play_mm - best * STEP_MM
    return Stack(
        counts=tuple((piece * STEP_MM, number) for piece, number in used.items() if number),
        total_mm=best * STEP_MM,
        left_mm=left,
        enough=left <= most_mm + 1e-9,
    )
