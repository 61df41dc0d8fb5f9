"""A run without sockets: historian CSV, event log and the truth that only a simulator knows."""

import csv
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np

from simulator.operation import DAY_S
from simulator.site import Site
from simulator.truth import iso, truth_of

ROWS_AT_ONCE = 6000


def beside(csv_path: Path, ending: str) -> Path:
    """Name of a file that belongs to an export: `run.csv` gives `run.csv.truth.json`."""
    return csv_path.with_name(csv_path.name + ending)


def export(
    site: Site,
    csv_path: Path,
    *,
    days: float,
    step_minutes: float = 1.0,
    progress: Callable[[float], None] | None = None,
) -> int:
    """Write history, events and truth; returns the number of rows.

    Columns are tags, values in bar, m3/h, degC, uS/cm; an empty cell is a reading that failed.
    """
    if not days > 0.0:
        raise ValueError(f"days must be above 0, got {days!r}")
    if not step_minutes > 0.0:
        raise ValueError(f"step_minutes must be above 0, got {step_minutes!r}")
    rows = int(days * 1440.0 / step_minutes)
    formats = ",".join("%.0f" if i.status else "%.7g" for i in site.instruments.values())
    with csv_path.open("w", encoding="utf-8", newline="") as out:
        out.write("time," + ",".join(site.tags) + "\n")
        for begin in range(0, rows, ROWS_AT_ONCE):
            number = np.arange(begin, min(begin + ROWS_AT_ONCE, rows))
            times = np.asarray(site.start_s + number * (60.0 * step_minutes), dtype=float)
            values = site.sample(times)
            table = np.stack([values[tag] for tag in site.tags], axis=1)
            stamps = np.datetime_as_string((times * 1000.0).astype("datetime64[ms]"), unit="s")
            lines = [
                f"{stamp}Z,{formats % tuple(row)}\n"
                for stamp, row in zip(stamps.tolist(), table.tolist(), strict=True)
            ]
            if np.isnan(table).any():
                lines = [line.replace("nan", "") for line in lines]
            out.writelines(lines)
            if progress is not None:
                progress((number[-1] + 1) / rows)
    _write_events(site, beside(csv_path, ".events.csv"), site.start_s + days * DAY_S)
    truth = json.dumps(truth_of(site, days), indent=1, ensure_ascii=False)
    beside(csv_path, ".truth.json").write_text(truth + "\n", encoding="utf-8")
    return rows


def _write_events(site: Site, path: Path, until_s: float) -> None:
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(("time", "train", "event", "detail"))
        lines = [(line, train.id) for train in site.trains for line in train.timeline.log]
        for line, train in sorted(lines, key=lambda logged: logged[0].time_s):
            if line.time_s < until_s:
                writer.writerow((iso(line.time_s), train, line.event, line.detail))
