"""Detection over scenarios and seeds: what is raised, when, and whether it is right. A table, no verdict.

Run with `python -m tests.bench.detection_scenarios [--seeds 8] [--step 900] [SCENARIO ...]`.
Confirmation is the simple one of `tests.simulated.Confirmed`; link findings are left out.
"""

import argparse
import time
import tomllib
from pathlib import Path

from rules.findings import Finding
from tests.simulated import DAY_S, Confirmed, run

SCENARIOS = Path(__file__).parents[2] / "simulator" / "scenarios"
HEALTHY_SEEDS = 4
ONE_VESSEL = {"o_ring_leak", "damaged_element"}
"""What a train's own instruments cannot tell apart: the probe does."""


def expected(name: str) -> dict[str, object]:
    """What the scenario file says should come of it, and its length and onset."""
    with (SCENARIOS / f"{name}.toml").open("rb") as file:
        return tomllib.load(file)


def trains(story: dict[str, object]) -> list[str]:
    """Ids of its trains."""
    tables = story.get("train", [{"id": "A"}])
    assert isinstance(tables, list)
    return [table["id"] for table in tables]


def wanted_of(story: dict[str, object], train: str) -> dict[str, object]:
    """What should be said of one train: of the others that are silent, nothing."""
    wanted = story["expected"]
    assert isinstance(wanted, dict)
    return wanted if wanted.get("train", train) == train else {"outcome": "silence"}


def right(wanted: dict[str, object], finding: Finding, train: str) -> str:
    """`right`, or what is wrong with a finding."""
    if finding.matter.startswith("limit:"):
        return "last line"
    if wanted["outcome"] == "silence":
        return "FALSE"
    wrong = []
    if {str(wanted["cause"]), finding.cause} == ONE_VESSEL:
        return "right, as a group"
    if finding.cause != wanted["cause"]:
        wrong.append("cause")
    if finding.action != wanted["action"]:
        wrong.append("action")
    if "stage" in wanted and finding.stage != wanted["stage"]:
        wrong.append("stage")
    point = finding.causes[0].point if finding.causes else None
    if "point" in wanted and point != f"{train}/{wanted['point']}":
        wrong.append("point")
    return "right" if not wrong else "WRONG " + ",".join(wrong)


def main() -> None:
    """Print one line for each notice of each run, and the score."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scenarios", nargs="*")
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--step", type=float, default=900.0)
    parser.add_argument(
        "--after", type=float, default=4.0, help="days to go on after the first notice"
    )
    chosen = parser.parse_args()
    names = chosen.scenarios or sorted(p.stem for p in SCENARIOS.glob("*.toml"))
    print(
        f"{'scenario':22} train seed {'day':>6} cause (probability), stage, action, class; matter"
    )
    good = total = 0
    for name in names:
        story = expected(name)
        seeds = min(chosen.seeds, HEALTHY_SEEDS) if name == "healthy" else chosen.seeds
        each = [
            (train, seed)
            for train in trains(story)
            for seed in range(chosen.first_seed, chosen.first_seed + seeds)
        ]
        for train, seed in each:
            wanted = wanted_of(story, train)
            days = float(str(story["days"]))
            plant = run(name, days, chosen.step, seed, train)
            watch, confirmed = plant.watch(), Confirmed()
            last: dict[str, str] = {}
            began = time.process_time()
            for at, row in plant.rows():
                step = watch.minute(at, row)
                confirmed.take(at, [f for f in step.findings if not f.matter.startswith("link:")])
                for finding in step.findings:
                    if finding.matter in confirmed.active and finding.causes:
                        last[finding.matter] = right(wanted, finding, plant.train.id)
                told = [t for t, f in confirmed.raised if not f.matter.startswith("limit:")]
                if told and at > told[0] + chosen.after * DAY_S and wanted["outcome"] != "silence":
                    break
            spent = time.process_time() - began
            marks = []
            for at, finding in confirmed.raised:
                first = finding.causes[0]
                mark = right(wanted, finding, plant.train.id)
                marks.append(mark)
                where = f" {first.point}" if first.point else ""
                print(
                    f"{name:22} {train} {seed:4} {plant.day(at):6.2f} {first.cause} ({first.probability:.2f})"
                    f"{where}, {finding.stage}, {finding.action}, {finding.notice_class};"
                    f" {finding.matter}: {mark}; later {last.get(finding.matter, '-')}"
                )
            silent = wanted["outcome"] == "silence"
            fine = (
                not marks
                if silent
                else any(m.startswith("right") for m in marks)
                and not any("WRONG" in m for m in marks)
            )
            good, total = good + fine, total + 1
            if not marks:
                print(
                    f"{name:22} {train} {seed:4}      - silent: {'right' if silent else 'MISSED'}"
                )
            print(f"{'':22}      {spent:6.1f} s of processor", flush=True)
    print(f"{good} of {total} runs entirely right")


if __name__ == "__main__":
    main()
