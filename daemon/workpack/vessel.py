"""Opening vessels for one element or seal, or all membranes: parts, tools, drawing and steps."""

from daemon.workpack.model import (
    BOX,
    Block,
    Drawing,
    DrawnElement,
    DrawnJoint,
    Section,
    Who,
    checks,
    steps,
    table,
    text,
)
from daemon.workpack.orders import Order, Situation
from daemon.workpack.sheets import play_of
from rules import shims, workparts
from rules.workparts import Opened, Part

PART_WORDS = {
    "element": "Membrane elements, of the type in the load map",
    "brine_seal": "Brine seals",
    "interconnector": "Interconnectors",
    "joint_o_ring": "O-rings of the joints",
    "adapter": "End adapters",
    "adapter_o_ring": "O-rings of the adapters",
    "head_seal": "Head and port seals",
    "shim": "Shims",
    "lubricant": "Silicone lubricant for O-rings and heads",
    "port_seal": "Seals of the permeate port plug",
}
ASSUMED_BY = {
    "joint_o_ring": "o_rings_per_joint",
    "adapter_o_ring": "o_rings_per_adapter",
    "head_seal": "seals_per_head",
}
SAID = {
    "joint_o_ring": "O-rings each joint",
    "adapter_o_ring": "O-rings each adapter",
    "head_seal": "seals each head",
}
MOST_NAMED = 6
WIDTH, MARGIN = 720.0, 62.0


def most_shims(order: Order, stage: int) -> int | None:
    """Shims of one vessel when the elements are as short as they may be; None when not known."""
    vessel, play = order.train.vessel(stage), play_of(order, stage)
    if play is None or not vessel.shims_mm:
        return None
    found = shims.stack(
        play.most_mm,
        vessel.shims_mm,
        least_mm=vessel.least_play_mm,
        most_mm=vessel.most_play_mm,
    )
    return None if found is None else found.pieces


def opened(order: Order, stage: int) -> Opened:
    """What the job opens and renews in one stage."""
    geometry = order.train.stages[stage - 1]
    n, vessels = geometry.elements_per_vessel, geometry.vessels
    if order.job == "membranes":
        return Opened(vessels, n, vessels * n, vessels * (n - 1), 2 * vessels)
    place = order.place
    assert place is not None
    if place.kind == "element":
        joints, adapters = workparts.beside(place.position, n)
        return Opened(1, n, 1, joints, adapters)
    return Opened(1, n, 0, int(place.kind == "joint"), int(place.kind == "adapter"))


def parts(order: Order, stage: int) -> tuple[Part, ...]:
    """The parts of the job in one stage."""
    if order.job == "probe":
        return workparts.probing(1)
    return workparts.unloading(
        opened(order, stage), order.train.vessel(stage), most_shims(order, stage)
    )


def parts_section(order: Order, situation: Situation) -> Section:
    """Parts with their counts, one column for each stage."""
    stages = order.stages
    lists = [parts(order, stage) for stage in stages]
    keys = list(dict.fromkeys(p.key for found in lists for p in found))
    rows = []
    for key in keys:
        of = [next((p for p in found if p.key == key), None) for found in lists]
        unit = next(" g" if p.unit == "g" else "" for p in of if p is not None)
        known = [p for p in of if p is not None]
        takes = [p.take for p in known]
        sums = [t for t in takes if t is not None]
        take = f"{sum(sums)}{unit}" if len(sums) == len(takes) else "measure"
        rows.append(
            (
                BOX,
                PART_WORDS[key],
                *(("–" if p is None else _number(p.needed, unit)) for p in of),
                "–" if unit else _number(_total([p.spare for p in known]), unit),
                take,
                "; ".join(dict.fromkeys(p.rule for p in known)),
            )
        )
    needed = [f"Stage {s}" for s in stages] if len(stages) > 1 else ["Needed"]
    blocks: list[Block] = [
        table(
            ("", "Part", *needed, "Spare", "Take", "Counted as"),
            rows,
            numeric=tuple(range(2, 4 + len(stages))),
        )
    ]
    said = sorted(
        {
            f"{value} {SAID[key]}"
            for stage in stages
            for key, name in ASSUMED_BY.items()
            if key in keys and name in order.train.vessel(stage).assumed
            for value in [getattr(order.train.vessel(stage), name)]
        }
    ) + (
        ["2 O-rings each adapter", "2 seals each head", "4 O-rings each joint"]
        if not order.train.vessels and order.job != "probe"
        else []
    )
    if said:
        blocks.append(
            text(
                f"Assumed, because the plant file does not say: {'; '.join(said)}. "
                "Look at one before ordering."
            )
        )
    if "element" in keys and situation.shelf:
        first = ", ".join(situation.shelf[:MOST_NAMED])
        more = len(situation.shelf) - MOST_NAMED
        rest = f" and {more} more" if more > 0 else ""
        blocks.append(
            text(f"On the shelf, by the load map: {len(situation.shelf)} ({first}{rest}).")
        )
    return Section("parts", "Parts", tuple(blocks))


def _total(numbers: list[int | None]) -> int | None:
    known = [n for n in numbers if n is not None]
    return sum(known) if len(known) == len(numbers) else None


def _number(value: int | None, unit: str) -> str:
    return "?" if value is None else f"{value}{unit}"


def tools_section(order: Order) -> Section:
    """What to carry to the vessels."""
    if order.job == "probe":
        seal, lubricant = parts(order, order.stages[0])
        items = [
            f"{seal.take} seals for the permeate port plug, one of them spare; {lubricant.take} g of silicone "
            "lubricant.",
            "Probing tube, stiff and clean, longer than the vessel, marked with the distances below.",
            "Gland or valve for the permeate port; hose to drain; tie-downs.",
            "Conductivity meter with temperature, checked in standard today; its number in the sheet.",
            "Beaker for samples, clean water, timer, radios, probe sheet.",
        ]
    else:
        items = [
            "Keys and puller for the heads, torque wrench, snap-ring tool, as the vessel's manual asks.",
            "Pusher for the row (feed end) and cradle to receive elements (concentrate end).",
            "Feeler gauge or depth gauge, caliper, steel tape.",
            "Clean padded stands for every element that comes out; shade, and preservative when they wait.",
            "Soft cloth, swab with pull rope, permeate for rinsing, marker, tags, camera.",
        ]
    return Section("tools", "Tools", (checks(*items),))


def drawing(order: Order, stage: int) -> Block:
    """The vessel with its positions, those concerned marked."""
    geometry = order.train.stages[stage - 1]
    n = geometry.elements_per_vessel
    width = (WIDTH - 2 * MARGIN) / n
    place = order.place
    elements = tuple(
        DrawnElement(
            MARGIN + i * width,
            width,
            i + 1,
            order.job == "membranes"
            or (place is not None and place.kind == "element" and place.position == i + 1),
        )
        for i in range(n)
    )
    joints = tuple(
        DrawnJoint(
            MARGIN + j * width,
            place is not None
            and (
                (place.kind == "joint" and place.position == j)
                or (place.kind == "adapter" and j == (0 if place.end == "feed" else n))
            ),
        )
        for j in range(n + 1)
    )
    if order.vessel is not None:
        what = f"Vessel {stage}-{order.vessel:02d}"
    elif order.job == "probe":
        what = f"The vessel of stage {stage} that the survey names"
    else:
        what = f"Each of the {geometry.vessels} vessels of stage {stage}"
        if geometry.vessels == 1:
            what = f"The vessel of stage {stage}"
    marked = "all positions are replaced" if order.job == "membranes" else ""
    if place is not None:
        marked = f"{place.words} is marked"
    ports = {
        "concentrate": "the concentrate end",
        "feed": "the feed end",
        "both": "both ends",
    }[geometry.permeate_port]
    count = f"{n} positions, 1 at the feed end" if n > 1 else "one position"
    label = f"{what}: {count}. Permeate leaves at {ports}"
    port = geometry.permeate_port
    return Block(
        "drawing",
        drawing=Drawing(
            elements=elements,
            joints=joints,
            feed_port=port != "concentrate",
            concentrate_port=port != "feed",
            probe="" if order.job != "probe" else "feed" if port == "feed" else "concentrate",
            thrust_ring=order.train.vessel(stage).thrust_ring_mm != 0,
            opened=order.job in ("element", "membranes"),
            label=f"{label}; {marked}." if marked else f"{label}.",
        ),
    )


def last_position(order: Order) -> str:
    """The position at the concentrate end, of each stage where they differ."""
    numbers = {s: order.train.stages[s - 1].elements_per_vessel for s in order.stages}
    if len(set(numbers.values())) == 1:
        return f"position {order.stage.elements_per_vessel}"
    of_each = ", ".join(f"{n} in stage {s}" for s, n in numbers.items())
    return f"the last position ({of_each})"


def unload_section(order: Order) -> Section:
    """Out, in flow direction."""
    n = max(order.train.stages[s - 1].elements_per_vessel for s in order.stages)
    last = "every element comes out" if n > 1 else "the element comes out"
    why = (
        ""
        if order.job == "membranes"
        else f" All {n} come out, whatever the position: a row moves in flow direction only, and goes back "
        "in its old order."
    )
    return Section(
        "unload",
        "Open and unload",
        (
            steps(
                (
                    "both",
                    "Mark heads, port pipes and vessel so that each goes back where it was. Photograph.",
                ),
                (
                    "both",
                    "Drain the vessel. Take off port pipes, then retainers and heads, by the vessel's manual.",
                ),
                (
                    "feed",
                    "Take out the shims; count them and write them on the gap sheet. Take out the adapter.",
                ),
                (
                    "concentrate",
                    "Take out thrust ring and adapter; note which way round the ring stood.",
                ),
                (
                    "feed",
                    f"Push the row in flow direction, feed end to concentrate end, until {last}.{why}",
                ),
                (
                    "concentrate",
                    f"Receive {last_position(order)} first, position 1 last; support each over its whole "
                    "length. Write position and serial number on each as it comes out; look at its ends."
                    if n > 1
                    else "Receive and support it over its whole length; write down its serial number.",
                ),
                (
                    "concentrate",
                    "Look at every interconnector, O-ring and brine seal; bag and label what is worn or cut.",
                ),
                (
                    "both",
                    "Elements that go back: keep wet, shaded, off the ground, 5 to 35 °C, out no longer than needed.",
                ),
                (
                    "both",
                    "Swab and rinse the bore with permeate; look for scratches at both seal seats.",
                ),
            ),
        ),
    )


def load_section(order: Order) -> Section:
    """In, in flow direction, the last position first."""
    n = max(order.train.stages[s - 1].elements_per_vessel for s in order.stages)
    vessel = order.train.vessel(order.stages[0])
    tubes = vessel.joints == "interconnector"
    place = order.place
    if order.job == "membranes":
        what = "new elements"
    elif place is not None and place.kind == "element":
        what = f"the new element at position {place.position}, the others at their old positions"
    else:
        what = "the same elements at their old positions"
    join = (
        "Put the interconnector, with new O-rings lightly lubricated with silicone, into the element that is "
        "half in; join the next to it by hand, straight; never hammer."
        if tubes
        else "Put a new seal into the end of the element that is half in; join and lock the next by hand, "
        "straight; never hammer."
    )
    order_words = (
        f"Load in flow direction from the feed end: {last_position(order)} goes in first, position 1 last "
        f"({what})."
        if n > 1
        else f"Load from the feed end ({what})."
    )
    items: list[tuple[Who, str]] = [
        (
            "concentrate",
            "Fit thrust ring and adapter with new O-rings; fit the concentrate head with new seals. Stand clear of it.",
        ),
        ("both", order_words),
        (
            "feed",
            "Each element: read the serial number aloud, write it into the load sheet; fit a new brine "
            "seal at its feed end, lip open toward the feed; wet seal and bore with permeate.",
        ),
    ]
    if n > 1:
        items.append(("feed", join))
    items += [
        (
            "feed",
            "Never pull an element back against the flow: the brine seal turns over. If it moved back, take it out.",
        ),
        (
            "feed",
            "Push the row hard against the thrust ring; the person at the concentrate end confirms it sits.",
        ),
        (
            "feed",
            "Fit the feed adapter with new O-rings. Measure the gap, fit shims by the gap sheet.",
        ),
        (
            "both",
            "Close the feed head with new seals; retainers fully seated; port pipes back, unstrained.",
        ),
    ]
    return Section(
        "load",
        "Load and close",
        (Block("steps", steps=steps(*items).steps),),
    )
