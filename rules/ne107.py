"""Status signal of a transmitter by NAMUR NE 107: failure, function check, out of specification, maintenance required.

Several may hold at once; the one that ranks first is shown. Sources disagree about the rank of S and M, so it
can be given. Source: NAMUR NE 107 (2017), signals read on the association's page and in an abstract, ranks in a
device text. Checked against tests/reference/namur_ne107.csv.
"""

from collections.abc import Collection
from typing import Literal

Signal = Literal["F", "C", "S", "M"]

RANKING: tuple[Signal, ...] = ("F", "C", "S", "M")
"""The first that holds is shown."""


def first(holding: Collection[Signal], ranking: tuple[Signal, ...] = RANKING) -> Signal | None:
    """The signal to show of those that hold; None when none does: passive, nothing is wrong.

    ranking : every signal once, the first shown before the others. Raises ValueError when it is not.
    """
    if sorted(ranking) != sorted(RANKING):
        raise ValueError(f"ranking must have each of F, C, S and M once, got {ranking!r}")
    return next((signal for signal in ranking if signal in holding), None)


def holding(
    *, value: bool, frozen: bool, worked_on: bool, doubtful: bool, outside: bool, suspected: bool
) -> frozenset[Signal]:
    """Which signals hold of a transmitter that its device answers for.

    value : it gives a value that can be one. frozen : the value does not move though it should.
    worked_on : the device says that the missing value is due to work on it. doubtful : the device, or the age of
    the value, makes it uncertain. outside : the value is outside of the transmitter's range. suspected : what the
    train does makes an error of this transmitter the likeliest cause.
    """
    conditions: dict[Signal, bool] = {
        "F": frozen or (not value and not worked_on and not doubtful),
        "C": not value and worked_on,
        "S": doubtful or outside,
        "M": suspected,
    }
    return frozenset(signal for signal, holds in conditions.items() if holds)
