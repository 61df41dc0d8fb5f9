"""Run with `python -m tests.bench.detection [--faults 300] [--sound 100] [--first-seed 1000]`: prints the table."""

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from tests.bench.detection.cases import FAMILY, TYPES, Case, draw
from tests.bench.detection.histories import has
from tests.bench.detection.scores import Outcome, figures, outcome, plain, right_cause


def main() -> None:
    """Draw, record, judge and score."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--faults", type=int, default=300)
    parser.add_argument("--sound", type=int, default=100)
    parser.add_argument("--sound-days", type=float, default=365.0)
    parser.add_argument("--step", type=float, default=300.0, help="seconds between rows")
    parser.add_argument("--every", type=int, default=1, help="judge one digest of so many")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path, help="folder that keeps recorded histories")
    parser.add_argument("--cause", help="only cases of this cause")
    parser.add_argument("--wrong", action="store_true", help="list what went wrong")
    asked = parser.parse_args()
    cases = [draw(asked.first_seed + i, has) for i in range(asked.faults)]
    cases += [
        draw(asked.first_seed + i, has, sound=True, days=asked.sound_days)
        for i in range(asked.sound)
    ]
    if asked.cause:
        cases = [c for c in cases if c.cause == asked.cause]
    console = Console(width=150)
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(asked.jobs) as pool, Progress(console=console) as progress:
        task = progress.add_task("cases", total=len(cases))
        jobs = {pool.submit(outcome, c, asked.step, asked.cache, asked.every): c for c in cases}
        for job in as_completed(jobs):
            progress.advance(task)
            try:
                outcomes.append(job.result())
            except Exception as error:
                pool.shutdown(cancel_futures=True)
                raise RuntimeError(f"case {jobs[job].name} failed") from error
    outcomes.sort(key=lambda o: (o.case.cause == "none", o.case.seed))
    if asked.wrong:
        list_wrong(console, outcomes)
    print_tables(console, outcomes)


def print_tables(console: Console, outcomes: list[Outcome]) -> None:
    """All with 95 per cent intervals, then the value per plant type, then the two plain methods."""
    table = Table("figure", "unit", "n", "all (95 %)", *TYPES)
    columns = [figures(outcomes)]
    columns += [figures([o for o in outcomes if o.case.plant == kind]) for kind in TYPES]
    for row, *others in zip(*columns, strict=True):
        table.add_row(row.name, row.unit, str(row.count), str(row), *(o.short for o in others))
    console.print(table)
    table = Table("plain methods", "unit", "limits on raw values", "daily normalized, criteria")
    for a, b in zip(
        plain(outcomes, lambda o: o.fixed), plain(outcomes, lambda o: o.daily), strict=True
    ):
        table.add_row(a.name, a.unit, str(a), str(b))
    console.print(table)


def list_wrong(console: Console, outcomes: list[Outcome]) -> None:
    """One line for each case that was missed, misnamed or misplaced, and the confusion of causes."""
    pairs: Counter[tuple[str, str]] = Counter()
    for o in outcomes:
        for line in o.raised:
            if line.day < o.case.onset:
                console.print(
                    f"FALSE  {o.case.name}, day {line.day:.1f}: {line.message}", markup=False
                )
        if o.case.cause == "none":
            continue
        first = o.first
        pairs[(o.case.cause, first.cause if first else "-")] += 1
        if first is None:
            console.print(
                f"MISSED {o.case.name}, stage {o.case.stage}, {_truth(o.case)}", markup=False
            )
        elif (
            not right_cause(o.case, first, first.cause, first.causes[0][2])
            or FAMILY.get(first.cause) != o.case.family
            or (o.stages_known and first.stage != o.case.stage and o.case.family != "instrument")
        ):
            console.print(
                f"WRONG  {o.case.name}, stage {o.case.stage}, {_truth(o.case)}; day {first.day:.1f} "
                f"(true crossing {o.crossed:.1f}): {[(c[0], round(c[1], 2), c[2]) for c in first.causes]}"
                f" stage {first.stage}: {first.message}",
                markup=False,
            )
    for (cause, said), count in sorted(pairs.items()):
        console.print(f"{cause:22} told as {said:22} {count}", markup=False)


def _truth(case: Case) -> str:
    fault = case.scenario.faults[0]
    return (
        f"onset {case.onset:.1f}, {fault.growth} {fault.grows_days:.1f} d, severity {fault.severity:.2g}"
        + (f", {fault.tag} {fault.percent:+.1f} %" if fault.tag else "")
    )


if __name__ == "__main__":
    main()
