"""Run with `python -m tests.bench.lumped [--faults 102] [--sound 12]`: what `replay` tells of another physics."""

import argparse
import csv
import json
import subprocess
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

from tests.bench.detection.cases import ACTIONS, FAMILY
from tests.bench.detection.scores import MEMBRANE, Figure, quantile, rate, share
from tests.bench.lumped.cases import CLEANED_H, ELEMENT_M2, STAGES, UNITS, Case, draw

START = datetime(2026, 1, 5, tzinfo=UTC)

Told = list[dict[str, Any]]


def plant_file(case: Case) -> str:
    """The plant file of a case."""
    lines = ['[site]\nname = "Invented"\n[[device]]\nid = "h"\nprotocol = "csv"\npath = "data.csv"']
    lines.append('[[train]]\nid = "A"')
    for vessels, elements in STAGES[case.kind]:
        lines.append(
            f"[[train.stage]]\nvessels = {vessels}\nelements_per_vessel = {elements}\n"
            f"element_area_m2 = {ELEMENT_M2}"
        )
    for name, values in case.columns.items():
        stage, _, role = name.rpartition("/")
        lines.append(f'[[train.point]]\nrole = "{role}"\ndevice = "h"\ncolumn = "{name}"')
        if stage:
            lines.append(f"stage = {stage}")
        if role != "running":
            what = role.rpartition("_")[2]
            lines.append(f'unit = "{UNITS[what]}"\nrange = [0, {2.5 * float(np.max(values)):.2g}]')
            if what == "conductivity":
                lines.append('compensation = "linear 2.0"')
    return "\n".join(lines) + "\n"


def write(case: Case, folder: Path) -> None:
    """Plant file, historian CSV and events of a case."""
    with (folder / "events.csv").open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["time", "train", "event", "detail"])
        for day in case.cleanings:
            for event, hours in (("cleaning_start", 0.0), ("cleaning_end", CLEANED_H)):
                at = START + timedelta(days=day, hours=hours)
                rows.writerow([at.isoformat().replace("+00:00", "Z"), "A", event, "invented"])
    (folder / "plant.toml").write_text(plant_file(case), encoding="utf-8")
    with (folder / "data.csv").open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["time", *case.columns])
        for i, row in enumerate(zip(*case.columns.values(), strict=True)):
            at = START + timedelta(minutes=case.step_minutes * i)
            rows.writerow([at.isoformat().replace("+00:00", "Z"), *(f"{v:.6g}" for v in row)])


def told(seed: int, sound_days: float | None) -> tuple[Case, Told]:
    """Draw a case, write it, replay it; the notices raised, with the day of each."""
    case = draw(seed, sound_days=sound_days)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(case, folder)
        command = [sys.executable, "-m", "daemon", "replay", str(folder / "plant.toml")]
        command += ["--data", str(folder / "data.csv"), "--notices", str(folder / "notices.jsonl")]
        if case.cleanings:
            command += ["--log", str(folder / "events.csv")]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode not in (0, 1):
            raise RuntimeError(f"replay refused case {seed} ({case.words}): {done.stderr}")
        lines = (folder / "notices.jsonl").read_text(encoding="utf-8").splitlines()
    found = [json.loads(line) for line in lines]
    for one in found:
        one["day"] = (datetime.fromisoformat(one["time"]) - START).total_seconds() / 86400.0
    # The last line, the absolute limit of the pressure drop, is no judgement and names no cause.
    return case, [n for n in found if n["event"] == "raised" and n["cause"] != "none"]


def figures(outcomes: list[tuple[Case, Told]]) -> list[Figure]:
    """As those of `tests.bench.detection`, as far as a stranger sees them in the notices."""
    faulty = [(c, n) for c, n in outcomes if c.cause != "none"]
    firsts = [(c, next((x for x in n if x["day"] >= c.onset), None)) for c, n in faulty]
    named = [(c, x) for c, x in firsts if x is not None]
    family = [FAMILY.get(str(x["cause"])) for _, x in named]
    leads = [
        c.crossed - (float(x["day"]) if x else c.onset + 60.0)
        for c, x in firsts
        if c.slow and np.isfinite(c.crossed) and c.family in MEMBRANE
    ]
    spans = [
        c.crossed - c.onset
        for c, _ in firsts
        if c.slow and np.isfinite(c.crossed) and c.family in MEMBRANE
    ]
    early = sum(1 for c, n in outcomes for x in n if float(x["day"]) < c.onset)
    quiet = sum(
        min(c.onset, len(c.columns["running"]) * c.step_minutes / 1440.0) for c, _ in outcomes
    )
    return [
        share(
            "family right first", [f == c.family for (c, _), f in zip(named, family, strict=True)]
        ),
        share(
            "family within first two",
            [c.family in {FAMILY.get(y["cause"]) for y in x["causes"][:2]} for c, x in named],
        ),
        share(
            "stage right",
            [x["stage"] == c.stage for c, x in named if c.kind in ("two", "three") and not c.point],
        ),
        share("action right", [x["action"] in ACTIONS[c.family] for c, x in named]),
        share("missed", [x is None for _, x in firsts]),
        quantile("lead, median", leads, 0.5, "d"),
        quantile("lead, 90 % have more than", leads, 0.1, "d"),
        quantile(
            "lead over time from onset to crossing, median",
            [a / b for a, b in zip(leads, spans, strict=True)],
            0.5,
            "",
        ),
        rate("notices while sound", early, quiet / 365.25),
        share(
            "meter blamed on membranes",
            [f in MEMBRANE for (c, _), f in zip(named, family, strict=True) if c.point],
        ),
    ]


def main() -> None:
    """Draw, replay, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--faults", type=int, default=102)
    parser.add_argument("--stride", type=int, default=1, help="from one fault's seed to the next")
    parser.add_argument("--sound", type=int, default=12)
    parser.add_argument("--sound-days", type=float, default=180.0)
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    jobs: list[tuple[int, float | None]] = [
        (asked.first_seed + asked.stride * i, None) for i in range(asked.faults)
    ]
    jobs += [(asked.first_seed + i, asked.sound_days) for i in range(asked.sound)]
    console, outcomes = Console(width=150), []
    with ProcessPoolExecutor(asked.jobs) as pool:
        for case, notices in pool.map(told, *zip(*jobs, strict=True)):
            outcomes.append((case, notices))
            _tell(console, case, notices)
    table = Table("figure", "unit", "n", "value (95 %)")
    for row in figures(outcomes):
        table.add_row(row.name, row.unit, str(row.count), str(row))
    console.print(table)


def _tell(console: Console, case: Case, notices: Told) -> None:
    """A line for what went wrong."""
    first = next((x for x in notices if float(x["day"]) >= case.onset), None)
    about = f"{case.seed} {case.words}, stage {case.stage}, onset {case.onset:.0f}, crossed {case.crossed:.0f}"
    for x in notices:
        if float(x["day"]) < case.onset:
            console.print(f"FALSE  {about}: day {x['day']:.1f}: {x['message']}", markup=False)
    if case.cause == "none":
        return
    if first is None:
        console.print(f"MISSED {about}", markup=False)
    elif FAMILY.get(str(first["cause"])) != case.family:
        console.print(f"WRONG  {about}: day {first['day']:.1f}: {first['message']}", markup=False)


if __name__ == "__main__":
    main()
