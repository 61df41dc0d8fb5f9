"""What work packs need of a train: its vessels in detail, its points of isolation, its cleaning station."""

from collections.abc import Sequence

from daemon.plantfile.problems import Report, shown
from daemon.plantfile.result import Cleaning, Isolation
from daemon.plantfile.schema import CleaningTable, IsolationTable, StageTable, VesselTable
from daemon.plantfile.validate import Checked
from rules import cleaningplan, shims
from rules.workparts import Vessel


def check_vessels(
    vessels: Sequence[Checked[VesselTable]],
    stages: Sequence[Checked[StageTable] | None],
    report: Report,
) -> None:
    """One table for each stage at most, of stages that there are, whose row of elements fits in."""
    first: dict[int | None, Checked[VesselTable]] = {}
    for vessel in vessels:
        if not vessel.ok("stage"):
            continue
        stage = vessel.table.stage
        if not _is_there(stage, vessel, len(stages), report):
            continue
        if stage in first:
            which = "of every stage" if stage is None else f"of stage {stage}"
            report.problem(
                vessel.loc,
                f"vessels {which} are described twice, first at line {report.lines(first[stage].loc)}",
                "keep one of them, or correct stage",
            )
            continue
        first[stage] = vessel
    for vessel in vessels:
        _check_play(vessel, report)
        if vessel.ok("shims_mm") and any(
            not shims.STEP_MM <= t <= 100 for t in vessel.table.shims_mm or ()
        ):
            report.problem(
                (*vessel.loc, "shims_mm"),
                f"shims_mm = {shown(vessel.table.shims_mm)} holds what is no thickness of a shim",
                f"give thicknesses from {shims.STEP_MM:g} to 100, in mm",
            )
    for number, stage_table in enumerate(stages, start=1):
        found = first.get(number) or first.get(None)
        if found is not None and stage_table is not None:
            _check_row(found, stage_table, number, report)


def _is_there(
    stage: int | None,
    checked: Checked[VesselTable] | Checked[IsolationTable],
    stages: int,
    report: Report,
) -> bool:
    if stage is None or stage <= stages:
        return True
    report.problem(
        (*checked.loc, "stage"),
        f"there is no stage {stage}",
        f"use 1 to {stages}" if stages > 1 else "use 1, or remove stage",
    )
    return False


def _check_play(vessel: Checked[VesselTable], report: Report) -> None:
    if vessel.ok("least_play_mm", "most_play_mm"):
        table = vessel.table
        if table.least_play_mm > table.most_play_mm:
            at = "least_play_mm" if "least_play_mm" in table.model_fields_set else "most_play_mm"
            report.problem(
                (*vessel.loc, at),
                f"least_play_mm = {table.least_play_mm:g} is above "
                f"most_play_mm = {table.most_play_mm:g}",
                "lower the one or raise the other",
            )


def _check_row(
    vessel: Checked[VesselTable], stage: Checked[StageTable], number: int, report: Report
) -> None:
    """A row that is longer than its vessel, or much shorter, has a wrong length in it."""
    parts = ("inside_length_mm", "feed_adapter_mm", "thrust_ring_mm", "joint_mm")
    if not vessel.ok(*parts, "length_tolerance_mm"):
        return
    if not stage.ok("elements_per_vessel", "element_length_mm"):
        return
    table, elements = vessel.table, stage.table.elements_per_vessel
    if table.inside_length_mm is None:
        return
    play = shims.free_play(
        inside_length_mm=table.inside_length_mm,
        elements=elements,
        element_length_mm=stage.table.element_length_mm,
        feed_adapter_mm=table.feed_adapter_mm or 0.0,
        thrust_ring_mm=table.thrust_ring_mm or 0.0,
        joint_mm=table.joint_mm,
        length_tolerance_mm=table.length_tolerance_mm,
    )
    row = (
        f"stage {number}: {elements} elements of {stage.table.element_length_mm:g} mm with what else "
        f"stands in the row take {table.inside_length_mm - play.nominal_mm:g} mm"
    )
    known = table.feed_adapter_mm is not None and table.thrust_ring_mm is not None
    if play.most_mm < table.least_play_mm:
        report.problem(
            (*vessel.loc, "inside_length_mm"),
            f"{row}, which does not fit into {table.inside_length_mm:g} mm",
            "measure again from seat to seat, or correct the element length of the stage",
        )
    elif known and play.least_mm > shims.LONGEST_MM:
        report.warning(
            vessel.loc,
            f"{row} of {table.inside_length_mm:g} mm; the rest, {play.nominal_mm:g} mm, is too much "
            "for shims",
        )


def check_isolation(points: Sequence[Checked[IsolationTable]], stages: int, report: Report) -> None:
    """Each tag once, and stages that there are."""
    first: dict[str, Checked[IsolationTable]] = {}
    for point in points:
        if point.ok("stage"):
            _is_there(point.table.stage, point, stages, report)
        if not point.ok("tag"):
            continue
        tag = point.table.tag
        if tag in first:
            report.problem(
                (*point.loc, "tag"),
                f"tag {shown(tag)} is used twice, first at line "
                f"{report.lines((*first[tag].loc, 'tag'))}",
                "keep one of them, or correct the tag",
            )
        first.setdefault(tag, point)


def check_cleaning(cleaning: Checked[CleaningTable], report: Report) -> None:
    """Pipes are pairs, and the tank holds more than its heel."""
    table, loc = cleaning.table, cleaning.loc
    if cleaning.ok("pipes"):
        for pipe in table.pipes or ():
            if len(pipe) != 2 or not (1 <= pipe[0] <= 1000 and 0 < pipe[1] <= 10000):
                report.problem(
                    (*loc, "pipes"),
                    f"pipes: {shown(pipe)} is not a pipe",
                    "give each as [inside diameter in mm, length in m], like [100, 24]",
                )
    if (
        cleaning.ok("tank_m3", "heel_m3")
        and table.tank_m3 is not None
        and table.heel_m3 is not None
        and table.heel_m3 >= table.tank_m3
    ):
        report.problem(
            (*loc, "heel_m3"),
            f"heel_m3 = {table.heel_m3:g} leaves nothing of tank_m3 = {table.tank_m3:g}",
            "lower heel_m3 or correct tank_m3",
        )


def vessels(checked: Sequence[Checked[VesselTable]], stages: int) -> tuple[Vessel, ...]:
    """The vessels of each stage; empty when the file describes none."""
    if not checked:
        return ()
    described = {vessel.table.stage: _vessel(vessel.table) for vessel in checked}
    return tuple(
        described.get(number) or described.get(None) or _vessel(VesselTable())
        for number in range(1, stages + 1)
    )


def _vessel(table: VesselTable) -> Vessel:
    values = table.model_dump(exclude={"stage"})
    values["shims_mm"] = tuple(table.shims_mm or ())
    return Vessel(**values, assumed=frozenset(values) - table.model_fields_set)


def isolation(table: IsolationTable) -> Isolation:
    """A point of isolation as work packs show it."""
    return Isolation(table.tag, table.line, table.state, table.stage, table.note or "")


def cleaning(table: CleaningTable) -> Cleaning:
    """The cleaning station as work packs use it."""
    pipes = None if table.pipes is None else tuple((pipe[0], pipe[1]) for pipe in table.pipes)
    strengths = {name: f"{name}_percent" for name in cleaningplan.SUPPLIED_PERCENT}
    return Cleaning(
        limits=cleaningplan.Limits(table.ph_min, table.ph_max, table.temperature_max_c),
        pressure_max_bar=table.pressure_max_bar,
        flow_per_vessel_m3h=table.flow_per_vessel_m3h,
        tank_m3=table.tank_m3,
        heel_m3=table.heel_m3,
        pump_m3h=table.pump_m3h,
        heater_kw=table.heater_kw,
        pipes=pipes,
        strength_percent={name: getattr(table, key) for name, key in strengths.items()},
        assumed=frozenset(
            name for name, key in strengths.items() if key not in table.model_fields_set
        ),
    )
