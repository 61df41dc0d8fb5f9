"""Sheets to write into: serial numbers by position, and the gap that shims take up."""

from dataclasses import replace

from daemon import words
from daemon.workpack.model import BOX, Block, Section, plain, table, text
from daemon.workpack.orders import Order, Situation
from rules import shims
from rules.shims import Play
from rules.train import Stage
from rules.workparts import Vessel

MOST_COLUMNS = 12


def play_of(order: Order, stage: int) -> Play | None:
    """Free play of the row in the vessels of a stage, None when a length is not known."""
    geometry, vessel = order.train.stages[stage - 1], order.train.vessel(stage)
    if (
        vessel.inside_length_mm is None
        or vessel.feed_adapter_mm is None
        or vessel.thrust_ring_mm is None
    ):
        return None
    return shims.free_play(
        inside_length_mm=vessel.inside_length_mm,
        elements=geometry.elements_per_vessel,
        element_length_mm=geometry.element_length_mm,
        feed_adapter_mm=vessel.feed_adapter_mm,
        thrust_ring_mm=vessel.thrust_ring_mm,
        joint_mm=vessel.joint_mm,
        length_tolerance_mm=vessel.length_tolerance_mm,
    )


def load_sheet(order: Order, situation: Situation) -> Section:
    """Serial numbers by position, in the order in which they go in."""
    n = order.stage.elements_per_vessel
    if order.job == "element":
        assert order.vessel is not None
        assert order.place is not None
        place = order.place
        rows = []
        for position in range(n, 0, -1):
            new = place.kind == "element" and place.position == position
            name = f"{order.stages[0]}-{order.vessel:02d}/{position}"
            rows.append(
                (
                    f"{n - position + 1}.",
                    f"{name} NEW" if new else name,
                    situation.loaded.get(name, ""),
                    "" if new else "same",
                    BOX,
                    BOX if position < n else "–",
                )
            )
        known = (
            " Serial numbers out are those of the load map: compare." if situation.loaded else ""
        )
        sheet = table(
            (
                "Goes in",
                "Position",
                "Serial number out",
                "Serial number in",
                "Brine seal",
                "O-rings to next",
            ),
            rows,
            tall=True,
            caption=f"In the order in which they go in, position {n} first.{known}",
        )
        return Section("load_sheet", "Load sheet", (sheet,))
    blocks: list[Block] = []
    for stage in order.stages:
        geometry = order.train.stages[stage - 1]
        n = geometry.elements_per_vessel
        blocks.append(
            table(
                (f"Stage {stage}", *(f"{p}." for p in range(n, 0, -1)), "Brine seals"),
                [(f"{stage}-{v:02d}", *([""] * n), BOX) for v in range(1, geometry.vessels + 1)],
                caption=f"Serial numbers as they go in, from position {n} (first in) to 1 (last in).",
                tall=True,
            )
        )
    return Section("load_sheet", "Load sheet", tuple(blocks))


def gap_section(order: Order) -> Section:
    """Shims: what is expected, what to put in for what is measured, and lines to write into."""
    alike: dict[tuple[Vessel, Stage], list[int]] = {}
    for stage in order.stages:
        geometry = replace(order.train.stages[stage - 1], vessels=1)
        alike.setdefault((order.train.vessel(stage), geometry), []).append(stage)
    blocks: list[Block] = []
    for stages in alike.values():
        name = ""
        if len(alike) > 1:
            plural = "s" if len(stages) > 1 else ""
            name = f"Stage{plural} {' and '.join(str(s) for s in stages)}: "
        blocks += _gap(order, stages[0], name)
    blocks.append(
        plain(
            "Row pushed hard against the thrust ring. Measure from the feed adapter to the seat of the "
            "head at three places around; the smallest counts.",
            "Shims stand at the feed end only, between adapter and head. Never force the head: one shim too "
            "many crushes the adapter.",
        )
    )
    for stage in order.stages:
        geometry = order.train.stages[stage - 1]
        numbers = (
            [order.vessel] if order.vessel is not None else list(range(1, geometry.vessels + 1))
        )
        blocks.append(
            table(
                (
                    "Vessel",
                    "Shims out",
                    "Gap 12 h",
                    "Gap 4 h",
                    "Gap 8 h",
                    "Smallest, mm",
                    "Shims in",
                    "Left, mm",
                    "Closed",
                ),
                [(f"{stage}-{v:02d}", "", "", "", "", "", "", "", BOX) for v in numbers],
                tall=True,
            )
        )
    return Section("gap", "Shim gap sheet", tuple(blocks))


def _gap(order: Order, stage: int, name: str) -> list[Block]:
    geometry, vessel, play = (
        order.train.stages[stage - 1],
        order.train.vessel(stage),
        play_of(order, stage),
    )
    if play is None or not vessel.shims_mm:
        lacking = [
            key
            for key, value in (
                ("inside_length_mm", vessel.inside_length_mm),
                ("feed_adapter_mm", vessel.feed_adapter_mm),
                ("thrust_ring_mm", vessel.thrust_ring_mm),
                ("shims_mm", vessel.shims_mm or None),
            )
            if value is None
        ]
        return [
            text(
                f"{name}The gap cannot be computed beforehand: [[train.vessel]] lacks "
                f"{', '.join(lacking)}. Measure, and leave {vessel.least_play_mm:g} to "
                f"{vessel.most_play_mm:g} mm of play."
            )
        ]
    n = geometry.elements_per_vessel
    joints = f" − {n - 1} × {vessel.joint_mm:g}" if vessel.joint_mm and n > 1 else ""
    sum_text = (
        f"{name}Expected gap {vessel.inside_length_mm:g} − {n} × {geometry.element_length_mm:g}{joints} − "
        f"{vessel.feed_adapter_mm:g} (adapter) − {vessel.thrust_ring_mm:g} (thrust ring) = "
        f"{play.nominal_mm:.1f} mm; with elements ±{vessel.length_tolerance_mm:g} mm from "
        f"{play.least_mm:.1f} to {play.most_mm:.1f} mm. Leave {vessel.least_play_mm:g} to "
        f"{vessel.most_play_mm:g} mm."
    )
    blocks = [text(words.true_minus(sum_text))]
    gaps = _gaps(play, vessel.least_play_mm)
    if gaps:
        found = [
            shims.stack(
                g, vessel.shims_mm, least_mm=vessel.least_play_mm, most_mm=vessel.most_play_mm
            )
            for g in gaps
        ]
        rows = [
            (
                f"Shims of {thick:g} mm",
                *("–" if s is None else str(dict(_rounded(s.counts)).get(thick, 0)) for s in found),
            )
            for thick in sorted(vessel.shims_mm, reverse=True)
        ]
        rows.append(
            (
                "Leaves, mm",
                *(
                    "–" if s is None else f"{s.left_mm:.1f}{'' if s.enough else ' !'}"
                    for s in found
                ),
            )
        )
        blocks.append(
            table(
                ("Smallest gap, mm", *(f"{g:g}" for g in gaps)),
                rows,
                numeric=tuple(range(1, len(gaps) + 1)),
                caption="Between two columns take the left one. Outside them: stop, something is missing "
                "or misplaced.",
            )
        )
    return blocks


def _rounded(counts: tuple[tuple[float, int], ...]) -> list[tuple[float, int]]:
    return [(round(thick, 1), number) for thick, number in counts]


def _gaps(play: Play, least_mm: float) -> list[float]:
    """Whole millimeters over the expected range, at most `MOST_COLUMNS` of them."""
    low = max(1, int(max(play.least_mm, least_mm)))
    high = int(min(play.most_mm, shims.LONGEST_MM)) + 1
    if high < low:
        return []
    step = max(1, -(-(high - low) // (MOST_COLUMNS - 1)))
    return [float(g) for g in range(low, high + step, step)]
