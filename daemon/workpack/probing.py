"""Probing one vessel: the port, the tube and its marks."""

from daemon.workpack.model import Section, Who, steps, table
from daemon.workpack.orders import Order
from rules import tube
from rules.tube import Tube


def probe_sections(order: Order) -> list[Section]:
    """Ports, probe and readings."""
    stage = order.stage
    of = Tube.of(stage)
    from_feed = of.from_feed
    end: Who = "feed" if from_feed else "concentrate"
    other: Who = "concentrate" if from_feed else "feed"
    vessel = (
        f"{order.stages[0]}-{order.vessel:02d}"
        if order.vessel is not None
        else f"{order.stages[0]}-____"
    )
    before: list[tuple[Who, str]] = [
        ("both", f"Find vessel {vessel} and read its label aloud at both ends."),
        (
            end,
            "Take the plug out of the permeate port, in line with the tube; keep its seal apart.",
        ),
        (end, "Fit gland or valve with the hose to drain; gland closed; hose tied down."),
        ("both", "Take off locks by the site's procedure. Start the train in its normal way."),
        (other, "See that nothing leaks at the other end. If it does: stop."),
    ]
    run: list[tuple[Who, str]] = [
        (
            "both",
            "Run at the usual flow and recovery for at least 30 min, until permeate conductivity stands.",
        ),
        (
            end,
            "Feed the tube in through the gland to the deepest mark. Never pull against resistance: turn it.",
        ),
        (end, "At each mark wait until the sample has filled the tube anew, then read."),
        (
            other,
            "Write reading and temperature beside its mark; one mark again at the end: within 3 %.",
        ),
        (end, "Draw the tube out from mark to mark, deepest first."),
    ]
    after: list[tuple[Who, str]] = [
        ("both", "Stop the train; isolate, lock and depressurize once more, as above."),
        (
            end,
            "Take off the gland; put the plug back with a new seal, lightly lubricated with silicone.",
        ),
        (
            "both",
            "Hose and gland counted back; everybody clear; locks off; start; look for leaks for 10 min.",
        ),
    ]
    marks = tube.positions(of)
    rows = [(f"{p.distance_mm:g}", p.place, "", "") for p in marks]
    half = -(-len(rows) // 2)
    pairs: list[tuple[str, ...]] = [
        (*rows[i], *(rows[half + i] if half + i < len(rows) else ("", "", "", "")))
        for i in range(half)
    ]
    return [
        Section("prepare", "Fit the probe", (steps(*before),)),
        Section("probe", "Probe while the train runs", (steps(*run),)),
        Section(
            "sheet",
            "Marks of the tube, from the face of the permeate port",
            (
                table(
                    ("mm", "Place", "µS/cm", "°C") * 2,
                    pairs,
                    numeric=(0, 4),
                    tall=True,
                    caption=f"Elements of {stage.element_length_mm:g} mm, {stage.adapter_length_mm:g} mm from "
                    f"the port's face to the first element; probe at the {end} end. Enter the readings "
                    "with brinelark probe or on the page: they decide element, interconnector or adapter.",
                ),
            ),
        ),
        Section("refit", "Take the probe off", (steps(*after),)),
    ]
