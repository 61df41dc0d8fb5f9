"""Work packs: the printable plan of one job, from isolation to signature."""

from math import expm1
from zoneinfo import ZoneInfo

from daemon import messages, words
from daemon.maintenance import Entry
from daemon.rows import Notice
from daemon.workpack import clean, probing, restart, safety, sheets, vessel
from daemon.workpack.model import Block, Pack, Section, plain, table, text
from daemon.workpack.orders import (
    JOB_OF_ACTION,
    JOBS,
    Order,
    Situation,
    WorkPackError,
    order,
    situation,
)
from rules.train import QUANTITIES

__all__ = [
    "JOBS",
    "JOB_OF_ACTION",
    "TITLES",
    "Order",
    "Situation",
    "WorkPackError",
    "order",
    "pack",
    "situation",
]

TITLES = {
    "clean": "Clean in place",
    "probe": "Probe a vessel",
    "element": "Replace an element or a seal",
    "membranes": "Replace the membranes",
}
OF_PLACE = {
    "element": "Replace an element",
    "joint": "Replace an interconnector",
    "adapter": "Replace an end adapter",
}
MOST_EVIDENCE = 3
MOST_SENTENCES = 2


def pack(job: Order, known: Situation) -> Pack:
    """The work pack. Raises WorkPackError when limits and solution of a clean do not go together."""
    sections = [_scope(job, known), safety.people(job)]
    if job.job == "clean":
        sections += [safety.isolation(job, known), *clean.sections(job, known)]
    elif job.job == "probe":
        sections += [
            vessel.tools_section(job),
            safety.isolation(job, known),
            *probing.probe_sections(job),
        ]
    else:
        sections += [
            vessel.tools_section(job),
            vessel.parts_section(job, known),
            safety.isolation(job, known),
            vessel.unload_section(job),
            vessel.load_section(job),
            sheets.load_sheet(job, known),
            sheets.gap_section(job),
        ]
    if job.job != "probe":  # it starts and stops the train within its own steps
        sections += [restart.before_closing(job), restart.restart(job, known)]
        water = restart.drinking(job)
        if water is not None:
            sections.append(water)
        sections.append(restart.record(job))
    sections.append(restart.sign_off(job))
    zone = ZoneInfo(job.plant.site.timezone)
    title = TITLES[job.job]
    if job.place is not None:
        title = OF_PLACE[job.place.kind]
    return Pack(
        title=title,
        site=job.plant.site.name,
        place=f"{_train(job)}, {job.where}",
        job=job.job,
        facts=tuple(_facts(job, known, zone)),
        sections=tuple(sections),
        missing=_missing(job),
    )


def _train(job: Order) -> str:
    """The train by its own name, its id once."""
    label = f"Train {job.train.id}"
    return label if job.train.name == label else words.train_label(job.train.id, job.train.name)


def _facts(job: Order, situation: Situation, zone: ZoneInfo) -> list[tuple[str, str]]:
    facts = [("Printed", messages.local(situation.made_at, zone))]
    if job.notice is not None:
        facts.append(("Notice", f"{job.notice.id}, {job.notice.priority} priority"))
    if job.solution is not None:
        facts.append(("Solution", clean.SOLUTIONS[job.solution]))
    facts += [("Permit no.", ""), ("Planned for", "")]
    return facts


def _missing(job: Order) -> tuple[str, ...]:
    if job.job == "clean":
        return clean.plan_of(job).lacking
    return ()


SCOPE = {
    "clean": "Clean {where} in place with {solution}. No vessel is opened.",
    "probe": "Measure conductivity along the permeate tube of one vessel while the train runs, to find the "
    "element, interconnector or adapter that lets salt through. Nothing is replaced.",
    "membranes": "Replace every element of {where} with its seals, and load in flow direction.",
}


def _scope(job: Order, known: Situation) -> Section:
    place = job.place
    where = job.where.partition(",")[0]
    if place is not None and place.kind == "element":
        said = f"Unload {where}, replace the element at {place.words} and all seals, load again."
    elif place is not None:
        said = (
            f"Unload {where}, renew the {place.words} and all seals, load the same elements again."
        )
    else:
        solution = "" if job.solution is None else clean.SOLUTIONS[job.solution]
        said = SCOPE[job.job].format(where=where, solution=solution)
    blocks: list[Block] = [safety.deference(), text(said)]
    if job.notice is not None:
        blocks += _reason(job, job.notice)
    else:
        blocks.append(text("Reason: ____________________________________________________"))
    if known.done:
        blocks.append(text("Work done on this train before:"))
        blocks.append(plain(*(_done(job, entry) for entry in known.done)))
    if job.job != "clean":
        blocks += [vessel.drawing(job, stage) for stage in _drawn(job)]
    return Section("scope", "Scope and reason", tuple(blocks))


def _done(job: Order, entry: Entry) -> str:
    """One piece of earlier work on a line, with the first sentence of what became of it."""
    at = messages.local(entry.event.t, ZoneInfo(job.plant.site.timezone))[4:14]
    what = words.EVENTS[entry.event.event]
    detail = " ".join(entry.event.detail.split())
    became = " ".join(entry.sentences()[:MOST_SENTENCES])
    said = f"{at} {what[0].lower()}{what[1:]}" + (f" ({detail})" if detail else "")
    return words.true_minus(f"{said}. {became}".strip())


def _drawn(job: Order) -> tuple[int, ...]:
    """One stage of each kind of vessel: equal vessels are drawn once."""
    first: dict[tuple[int, str], int] = {}
    for number in job.stages:
        stage = job.train.stages[number - 1]
        first.setdefault((stage.elements_per_vessel, stage.permeate_port), number)
    return tuple(first.values())


def _reason(job: Order, notice: Notice) -> list[Block]:
    zone = ZoneInfo(job.plant.site.timezone)
    said = words.true_minus(notice.message)
    causes = ", ".join(
        f"{messages.cause_words(c)} {100 * float(c['probability']):.0f} %"
        for c in notice.causes[:3]
    )
    since = notice.picture.get("since")
    lines = [f"Notice {notice.id}: {said}"]
    if causes:
        lines.append(f"Causes: {causes}.")
    if since is not None:
        lines.append(f"Since {messages.local(float(since), zone)}.")
    lines += [words.true_minus(e) for e in notice.evidence[:MOST_EVIDENCE]]
    blocks: list[Block] = [plain(*lines)]
    if notice.deviation:
        names = [words.QUANTITIES[q] for q in QUANTITIES]
        rows = [
            (
                words.section_name(section),
                *(
                    words.percent(100 * expm1(found[q])) if found.get(q) is not None else "–"
                    for q in QUANTITIES
                ),
            )
            for section, found in sorted(notice.deviation.items())
        ]
        blocks.append(table(("Against the baseline", *names), rows, numeric=(1, 2, 3)))
    return blocks
