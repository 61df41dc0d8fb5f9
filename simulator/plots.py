"""A sheet of trends as a process engineer would look at them: one row for each train of a scenario.

`python -m simulator.plots OUT.png [SCENARIO ...] [--seed N]`. The readings are those of the
transmitters while the train runs, as means of six hours; nothing is normalized.
"""

import argparse
import warnings
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from simulator.operation import DAY_S, Mode
from simulator.plant import Plant
from simulator.site import Site
from simulator.water import Floats

USUAL = (
    "healthy_rain",
    "lead_biofouling",
    "colloidal_fouling",
    "tail_scaling",
    "oxidation",
    "large_o_ring_leak",
    "fast_compaction",
    "cleaned_biofilm",
    "membranes_replaced",
    "temperature_transmitter_high",
)
STEP_S = 1800.0
BIN = 12
COLORS = ("#1f5a7a", "#b4541a", "#5b7a1f")
TITLES = (
    "Feed pressure, bar",
    "Permeate flow, m3/h",
    "Pressure drop, bar",
    "Permeate conductivity, µS/cm",
    "Temperature, °C",
)


def _smooth(values: Floats) -> Floats:
    """Means of `BIN` readings, NaN where none is."""
    rows = values[: len(values) // BIN * BIN].reshape(-1, BIN)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a standstill is a gap, not a fault
        return np.asarray(np.nanmean(rows, axis=1))


def _panels(plant: Plant) -> tuple[Floats, list[list[Floats]]]:
    """Days and, for each of `TITLES`, one line for each stage (or one for the train)."""
    count = int(plant.scenario.days * DAY_S / STEP_S)
    times: Floats = np.asarray(plant.start_s + np.arange(count) * STEP_S, dtype=np.float64)
    table = plant.sample(times)
    running = plant.mode(times)[0] == Mode.RUNNING
    stages = range(1, len(plant.shapes) + 1)

    def line(signal: str) -> Floats | None:
        values = table.get(f"{plant.id}/{signal}")
        return None if values is None else np.where(running, values, np.nan)

    drops = []
    for k in stages:
        feed, concentrate = line(f"{k}/feed_pressure"), line(f"{k}/concentrate_pressure")
        if feed is not None and concentrate is not None:
            drops.append(feed - concentrate)
    wanted: list[list[Floats | None]] = [
        [line(f"{k}/feed_pressure") for k in stages],
        [line(f"{k}/permeate_flow") for k in stages],
        [*drops],
        [line(f"{k}/permeate_conductivity") for k in stages],
        [line("feed_temperature")],
    ]
    panels = [[_smooth(x) for x in lines if x is not None] for lines in wanted]
    return _smooth((times - plant.start_s) / DAY_S), panels


def sheet(out: Path, names: Sequence[str] = USUAL, seed: int = 1) -> None:
    """Draw the sheet into a PNG file: a row for each train of each scenario."""
    from matplotlib.figure import Figure  # takes half a second: only who draws waits for it

    plants = [(plant, site) for site in (Site(n, seed) for n in names) for plant in site.trains]
    figure = Figure(figsize=(20.0, 2.1 * len(plants) + 0.6), layout="constrained")
    axes = figure.subplots(len(plants), len(TITLES), squeeze=False)
    for row, (plant, site) in enumerate(plants):
        days, panels = _panels(plant)
        for column, (title, lines) in enumerate(zip(TITLES, panels, strict=True)):
            axis = axes[row, column]
            for number, values in enumerate(lines):
                label = f"stage {number + 1}" if len(lines) > 1 else None
                axis.plot(days, values, color=COLORS[number % 3], linewidth=1.1, label=label)
            for fault in plant.scenario.faults:
                axis.axvline(fault.onset_day, color="#888", linewidth=0.8, linestyle=":")
            for event in plant.scenario.events:
                axis.axvline(event.at_day, color="#888", linewidth=0.8, linestyle="--")
            axis.tick_params(labelsize=8)
            axis.margins(x=0.01)
            for side in ("top", "right"):
                axis.spines[side].set_visible(False)
            if row == 0:
                axis.set_title(title, fontsize=10)
            if row == len(plants) - 1:
                axis.set_xlabel("days", fontsize=8)
        which = f"\ntrain {plant.id}" if len(site.trains) > 1 else ""
        axes[row, 0].set_ylabel(site.scenario.title.replace(", ", ",\n") + which, fontsize=8)
        if row == 0 and len(plant.shapes) > 1:
            axes[0, 0].legend(fontsize=7, frameon=False)
    figure.suptitle(
        "Invented plants. Dotted: a fault begins; dashed: a planned event.",
        fontsize=9,
        x=0.01,
        ha="left",
    )
    figure.savefig(out, dpi=80)


def main() -> None:
    """Parse the arguments and draw."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("scenarios", nargs="*")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    sheet(chosen.out, chosen.scenarios or USUAL, chosen.seed)


if __name__ == "__main__":
    main()
