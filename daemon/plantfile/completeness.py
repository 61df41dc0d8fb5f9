"""Whether a train's instruments allow anything to be normalized, and what they do not allow."""

from daemon.plantfile.lines import Loc
from daemon.plantfile.problems import Report, either
from daemon.plantfile.result import TrainConfig
from daemon.plantfile.units import KIND_OF_ROLE
from rules import sections


def check(train: TrainConfig, loc: Loc, report: Report) -> None:
    """Refuse a train that cannot be normalized at all; else warn of what is missing, and why."""
    plan = sections.plan(train.model)
    if not plan.usable:
        report.problem(
            (*loc, "id"),
            "its instruments allow nothing to be normalized",
            _least(train),
        )
        return
    at = (*loc, "id")
    if plan.reasons:
        judged = [
            f"{_title(section.name)} for {either([_said(q) for q in section.quantities], 'and')}"
            for section in plan.sections
        ]
        report.warning(at, f"can be normalized: {'; '.join(judged)}")
    for reason in (*plan.reasons, *plan.notes):
        report.warning(at, reason)
    _check_status(train, at, report)
    unlimited = [
        point.signal
        for point in train.points
        if point.si_range is None and KIND_OF_ROLE[point.role] != "status"
    ]
    if unlimited:
        report.warning(
            at,
            f"without range, so that a reading beyond the transmitter's range passes for good: "
            f"{', '.join(unlimited)}",
        )


def _check_status(train: TrainConfig, at: Loc, report: Report) -> None:
    """The operating state is told by status bits, and only in part without them (rules/state.py)."""
    have = {point.role for point in train.points}
    if "running" not in have:
        report.warning(at, "no running is read, so a stop is told from the flow alone")
    unseen = [role for role in ("cleaning", "flushing") if role not in have]
    if unseen:
        report.warning(
            at,
            f"no {either(unseen)} is read, so {either(unseen, 'and')} cannot be told from operation",
        )


def _least(train: TrainConfig) -> str:
    """The fewest instruments that are to be added so that something can be judged."""
    have = {point.signal for point in train.points}
    flows = ("feed_flow", "permeate_flow", "concentrate_flow")
    known = [flow for flow in flows if flow in have]
    missing = [flow for flow in flows if flow not in have][: max(0, 2 - len(known))]
    pressures = ("1/feed_pressure", f"{len(train.stages)}/concentrate_pressure")
    missing += [name for name in ("feed_temperature", *pressures) if name not in have]
    return (
        f"add {either(missing, 'and')}, the least for the pressure drop; the permeate flow needs "
        "feed_conductivity too, and salt passage permeate_conductivity"
    )


def _title(section: str) -> str:
    return "the whole train" if section == "train" else f"stage {section}"


def _said(quantity: str) -> str:
    return quantity.replace("_", " ")
