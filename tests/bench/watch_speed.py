"""Speed of the watch: a healthy year at one minute, and what one quarter hour costs when something is wrong.

Run with `python -m tests.bench.watch_speed [--days 365]`; prints processor times, no verdict.
"""

import argparse
import time

import numpy as np

from tests.simulated import Run, run


def spent(plant: Run) -> tuple[float, list[float]]:
    """Processor time of a whole run, and of each minute that closed a quarter hour. [s]"""
    watch = plant.watch()
    closing = []
    began = time.process_time()
    for at, row in plant.rows():
        before = time.process_time()
        if watch.minute(at, row).digest is not None:
            closing.append(time.process_time() - before)
    return time.process_time() - began, closing


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=365.0)
    days = parser.parse_args().days
    print(
        f"{'scenario':16} {'days':>5} {'minutes':>8} {'digests':>8} {'all':>8} {'median':>9} {'worst 1 %':>10}"
    )
    for name, length in (("healthy", days), ("tail_scaling", min(days, 42.0))):
        plant = run(name, length, 60.0)
        total, closing = spent(plant)
        print(
            f"{name:16} {length:5.0f} {len(plant.times):8} {len(closing):8} {total:6.1f} s"
            f" {1e3 * np.median(closing):6.2f} ms {1e3 * np.quantile(closing, 0.99):7.2f} ms",
            flush=True,
        )


if __name__ == "__main__":
    main()
