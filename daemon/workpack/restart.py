"""Back to service: checks before closing, flush, restart, drinking water, record and signatures."""

from daemon.workpack.clean import SOLUTIONS
from daemon.workpack.model import Block, Section, checks, steps, table, text
from daemon.workpack.orders import Order, Situation
from daemon.workpack.safety import reading, when
from rules.cleaningplan import RECIPES
from rules.train import signal


def before_closing(order: Order) -> Section:
    """Looked at once more before water comes back."""
    items = {
        "clean": [
            "Cleaning hoses off, blanks on; cleaning, drain and vent valves as before the job.",
            "Permeate line open to drain; no trace of chemical in tank, hoses or drain pit.",
        ],
    }.get(
        order.job,
        [
            "Retainers of both heads fully seated, looked at by the other person.",
            "Port pipes back as marked, unstrained; sample valve of the vessel closed.",
            "Load sheet and gap sheet complete; old parts counted: as many out as in.",
            "No tool, swab or rag missing.",
        ],
    )
    return Section(
        "checks",
        "Checks before water comes back",
        (
            checks(
                *items,
                "Everybody clear of heads and ports; locks off by the site's procedure, by their owners.",
            ),
        ),
    )


def restart(order: Order, situation: Situation) -> Section:
    """Slow filling, air out, permeate to drain until it is back at its earlier level."""
    items = [
        "Permeate to drain, its valve open. Fill slowly at 2 to 4 bar, concentrate valve open, until no more "
        "air comes; then 30 min at low pressure.",
        "Look for leaks at heads, ports and pipes. Stop, isolate and relieve before tightening anything.",
        "Start in the normal way; raise feed pressure by less than 0.7 bar a second, to the usual flow and "
        "recovery.",
    ]
    if order.job == "membranes":
        items.append("New elements: permeate to drain for the first 1 to 2 h at the least.")
    if order.job == "clean":
        items.append("Permeate to drain until pH and conductivity are steady.")
        if order.solution is not None and not RECIPES[order.solution].acid:
            items[-1] += " Salt passage may stay unusual for 24 to 48 h after an alkaline cleaning."
    items.append(
        "Write readings down after 10, 30 and 60 min and compare with those before the job. Fit for service: "
        "permeate conductivity back at its earlier level"
        + (" or at that of the new elements" if order.job in ("membranes", "element") else "")
        + " and steady, pH and concentrate within 10 % of usual."
    )
    if order.job == "element" and order.vessel is not None:
        items.append(
            f"Take the conductivity of vessel {order.stages[0]}-{order.vessel:02d} at its sample valve, and of "
            "its neighbors, with the same meter as before."
        )
    return Section(
        "restart",
        "Flush and restart",
        (steps(*(("", item) for item in items)), _readings(order, situation)),
    )


def _readings(order: Order, situation: Situation) -> Block:
    rows = []
    wanted: list[tuple[str, int | None]] = [("permeate_conductivity", None)]
    wanted += [("permeate_conductivity", s) for s in order.stages]
    wanted += [("permeate_flow", None), ("feed_flow", None)]
    for stage in order.stages:
        wanted += [("feed_pressure", stage), ("concentrate_pressure", stage)]
    wanted += [("feed_temperature", None), ("feed_conductivity", None)]
    has = {p.signal: p.tag for p in order.train.points}
    for role, of in wanted:
        name = signal(role, of)
        if name in has:
            rows.append((has[name], reading(situation, role, name), "", "", ""))
    return table(
        ("Instrument", when(order, situation), "10 min", "30 min", "60 min"),
        rows,
        numeric=(1,),
        tall=True,
    )


def drinking(order: Order) -> Section | None:
    """Flush and sample where people drink the water; None where the plant file says they do not."""
    if order.plant.site.drinking_water is False:
        return None
    known = order.plant.site.drinking_water is True
    title = "Drinking water: before return to supply" if known else "If people drink this water"
    return Section(
        "drinking_water",
        title,
        (
            checks(
                "Parts, lubricants and chemicals that touched the water side are approved for drinking water "
                "where the law asks for it.",
                "Flush to drain after the job; disinfection only as the site's water safety plan and the "
                "membrane's data sheet allow (no chlorine on the membrane).",
                "Samples after the flush: pH, conductivity, turbidity"
                + (", residue of the cleaning chemical" if order.job == "clean" else "")
                + ", microbiology and what the authority asks for. Bottles no. ____________",
                "Not to supply before the person responsible for water quality has released it.",
            ),
        ),
    )


def record(order: Order) -> Section:
    """What the daemon is told, so that it judges the job and knows what sits where."""
    name, train, place = order.plant.path.name, order.train.id, order.place
    where = order.where
    if order.solution is not None:
        kind = "acid" if RECIPES[order.solution].acid else "alkaline"
        where = f"{where}, {kind}: {SOLUTIONS[order.solution]}"
    log = f'brinelark log {name} --train {train} --by NAME --detail "{where}" --event'
    elements = f"brinelark elements {name} --train {train} --by NAME"
    if order.job == "clean":
        what = "While the cleaning lasts the train is not judged; afterwards it is measured what came back."
        lines = [f"{log} cleaning_start", f"{log} cleaning_end"]
    elif order.job == "membranes":
        what = "The daemon watches the flush, and takes a new baseline. The load sheet goes into the load map."
        lines = [f"{log} membranes_replaced", f"{elements} --import FILE.csv"]
    elif place is not None and place.kind == "element":
        what = "The load map takes the new serial number; the daemon watches the flush."
        lines = [
            f"{elements} --replace {order.stages[0]}-{order.vessel:02d}/{place.position}=SERIAL"
        ]
    else:
        what = "The daemon watches the flush."
        lines = [f"{log} seals_replaced"]
    return Section(
        "record",
        "Record, on the page or by command",
        (text(what), Block("list", items=tuple(lines))),
    )


def sign_off(order: Order) -> Section:
    """Signatures."""
    lines = [
        "Isolated and verified",
        "Work done, parts counted",
        "Closed and checked by the other person",
    ]
    if order.job == "clean":
        lines[1:] = ["Solution checked: pH, temperature", "Flushed, hoses off"]
    if order.job == "probe":
        lines[1:] = ["Probe done, port closed"]
    lines.append("Locks off, train handed back")
    if order.plant.site.drinking_water is not False and order.job != "probe":
        lines.append(
            "Water released to supply" if order.plant.site.drinking_water else "Water released"
        )
    return Section("sign_off", "Sign-off", (Block("signoff", items=tuple(lines)),))
