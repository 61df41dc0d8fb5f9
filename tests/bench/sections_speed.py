"""Speed of the sections: a year of one-minute data, one row, a year of digests with uncertainty.

Run with `python -m tests.bench.sections_speed`; prints a table of processor time, no verdict.
"""

import time
from collections.abc import Callable

import numpy as np

from rules import sections
from tests.unit.test_sections import train, values


def seconds(work: Callable[[], object], times: int = 1) -> float:
    """Processor time of one call. [s]"""
    began = time.process_time()
    for _ in range(times):
        work()
    return (time.process_time() - began) / times


def main() -> None:
    """Time a fully instrumented two-stage train by both kinds of means."""
    rng = np.random.default_rng(1)
    print(
        f"{'means':8} {'year of minutes':>16} {'one row':>10} {'one Jacobian':>13} {'year of digests ±':>18}"
    )
    for means in ("d4516", "profile"):
        plan = sections.plan(train(), means=means)
        row = values(plan)
        year = row * (1.0 + 0.002 * rng.standard_normal((525_600, len(row))))
        print(
            f"{means:8} {seconds(lambda p=plan, y=year: p.observe(y)):14.2f} s"
            f" {1e3 * seconds(lambda p=plan, r=row: p.observe(r), 300):7.2f} ms"
            f" {1e3 * seconds(lambda p=plan, r=row: p.jacobian(r), 50):10.2f} ms"
            f" {seconds(lambda p=plan, y=year: p.uncertainty(y[::15])):16.2f} s"
        )


if __name__ == "__main__":
    main()
