"""People, isolation and depressurization: what comes before any job, and whose rules decide.

The cautions are those of common practice. They never replace the site's own procedure.
"""

from zoneinfo import ZoneInfo

from daemon import messages, words
from daemon.plantfile import TrainConfig
from daemon.workpack.model import BOX, Block, Section, caution, checks, steps, table
from daemon.workpack.orders import Order, Situation
from rules.train import signal
from rules.workparts import SMALL_MM

DEFERS = (
    "The site's lock-out and permit procedure, local codes, and licensed or qualified people where the "
    "law asks for them go before every line of this pack. brinelark only reads instruments: it isolates "
    "nothing, and is no safety or interlock system."
)


def people(order: Order) -> Section:
    """Who, with what on, standing on what."""
    vessel = order.train.vessel(order.stages[0])
    mass = (
        f"one element weighs {vessel.element_mass_kg:g} kg, wet and drained."
        if vessel.element_mass_kg is not None
        else "weigh one element first; its mass is not in the plant file."
    )
    items = [
        "Permit to work issued; this pack and the site's own procedure read aloud by both people.",
        "Two people for the whole job, one at each end, in sight or on radio. Nobody works alone.",
    ]
    if order.job == "clean":
        items[1] = (
            "Two people for the whole job: one at the cleaning tank, one at the vessels, in sight or on "
            "radio. Nobody works alone."
        )
        items += [
            "Chemical goggles and face shield, chemical-resistant gloves, apron and boots.",
            "Safety data sheet of each chemical read and at hand; emergency shower and eyewash tested today.",
            "Station ventilated and cordoned off; neutralizing agent and absorbent for spills at hand.",
            "Hoses, couplings and gaskets rated for the chemical, temperature and pressure; inspected.",
        ]
    else:
        items += [
            "Scaffold or platform at both ends of every vessel above shoulder height, with toe boards and "
            "guard rails, inspected. No ladders: both hands work.",
            "Eye protection, cut-resistant gloves, safety shoes, helmet under overhead loads.",
        ]
    if order.job in ("element", "membranes"):
        small = (vessel.inside_diameter_mm or 1e9) < SMALL_MM
        items += [
            f"Lifting: {mass} "
            + (
                "Carry single elements only."
                if small
                else "Two people or a lifting aid for each; support it over its whole length."
            ),
            "Nobody stands in line with a head while it is loosened, or with a vessel under pressure.",
        ]
    if order.job == "probe":
        items += [
            "Nobody stands in line with an opened port or a head while the train runs; hose tied down, "
            "shield between face and port.",
        ]
    return Section("people", "People and protection", (checks(*items),))


def isolation(order: Order, situation: Situation) -> Section:
    """Lock, depressurize, and prove it on this train's own instruments."""
    return Section(
        "isolation",
        "Isolate, lock and depressurize",
        (
            steps(
                (
                    "",
                    "Stop the train by its normal stop, with its flush. Wait until nothing moves.",
                ),
                (
                    "",
                    "Isolate and lock every point below; hang tags; each keeps the key of his or her lock.",
                ),
                (
                    "",
                    "Relieve pressure slowly at vent and drain: feed, concentrate and permeate side. Permeate "
                    "must never stay above feed pressure: it tears membranes.",
                ),
                (
                    "",
                    "Read every instrument below at rest and write it down: each must read 0. One may be plugged "
                    "or shut off: open a vent or drain at both ends of the vessels and see them run empty.",
                ),
                ("", "Try to start the pump at its own place: it must not start. Then begin."),
            ),
            Block("pair", pair=(_points(order), _pressures(order, situation))),
        ),
    )


def _points(order: Order) -> Block:
    known = [i for i in order.train.isolation if i.stage is None or i.stage in order.stages]
    rows: list[tuple[str, ...]]
    if known:
        rows = [
            (i.tag, f"{i.line}: {i.note}" if i.note else i.line, i.state, "", BOX) for i in known
        ]
        rows += [("", "", "", "", BOX)]
        caption = "Points of the plant file; add those of the site's procedure."
    else:
        places = (
            ("feed", "closed"),
            ("permeate", "closed"),
            ("concentrate", "closed"),
            ("cleaning", "closed"),
            ("drain", "open"),
            ("vent", "open"),
            ("dosing", "off"),
            ("power of the pump", "off"),
        )
        rows = [("", line, state, "", BOX) for line, state in places]
        caption = (
            "No [[train.isolation]] in the plant file: write in the tags of the site's procedure."
        )
    if order.job == "clean":
        caption += " Cleaning, drain, vent: then as the cleaning asks."
    return table(("Point", "Line", "Must be", "Lock no.", "✓"), rows, caption=caption)


def _pressures(order: Order, situation: Situation) -> Block:
    """Every pressure and flow of the train; a local gauge where the train has no instrument."""
    train, rows = order.train, []
    for number in range(1, len(train.stages) + 1):
        for role in ("feed_pressure", "concentrate_pressure", "permeate_pressure"):
            if role == "permeate_pressure" and _has(train, role):
                continue  # one instrument for all stages; it has its own row
            rows.append(_row(train, role, number, situation))
    for role in ("permeate_pressure", "feed_flow", "permeate_flow", "concentrate_flow"):
        if _has(train, role):
            rows.append(_row(train, role, None, situation))
    return table(
        ("Instrument", when(order, situation), "Reads", "0"),
        rows,
        numeric=(1,),
        caption="Verify on this train's own instruments: 0 at rest.",
    )


def when(order: Order, situation: Situation) -> str:
    """Heading of a column of readings."""
    if situation.read_at is None:
        return "Now"
    at = messages.local(situation.read_at, ZoneInfo(order.plant.site.timezone))
    return f"Last read {at[4:20]}" if situation.old else f"Now, {at[15:20]}"


def _has(train: TrainConfig, role: str) -> bool:
    return any(p.signal == role for p in train.points)


def _row(train: TrainConfig, role: str, stage: int | None, situation: Situation) -> tuple[str, ...]:
    wanted = signal(role, stage)
    tag = next((p.tag for p in train.points if p.signal == wanted), None)
    if tag is None:
        tag = f"local gauge, {words.ROLES[role].name.lower()} {stage}"
    return (tag, reading(situation, role, wanted), "", BOX)


def reading(situation: Situation, role: str, wanted: str) -> str:
    """A value with its unit, or "" when there is none."""
    value = situation.values.get(wanted)
    if value is None:
        return ""
    name = words.ROLES[role]
    return f"{words.true_minus(f'{value:.{name.decimals}f}')} {name.unit}".strip()


def deference() -> Block:
    """Stands at the top of every pack."""
    return caution(DEFERS)
