"""Charts, slopes and shapes: cost by sample after a short and a long history, and how often a shape is named rightly.

Run with `python -m tests.bench.sequential_speed`; prints tables of processor time and of shares, no verdict.
"""

import time
from collections.abc import Callable

import numpy as np

from rules import slopes, trend
from rules.digest import BLOCK_S
from rules.sequential import Cusum, Ewma
from rules.series import Series
from tests.unit.test_series import made
from tests.unit.test_trend import shapes

SHORT, LONG = 1_000, 1_000_000


def seconds(work: Callable[[], object], times: int) -> float:
    """Processor time of one call. [s]"""
    began = time.process_time()
    for _ in range(times):
        work()
    return (time.process_time() - began) / times


def charts() -> None:
    """One more sample after a short and a long history, beside the whole history again."""
    rng = np.random.default_rng(1)
    x = rng.standard_normal(LONG)
    cusum, ewma = Cusum(0.5, 5.0, restart=True), Ewma(0.1, 2.8, correlation=0.5)
    print(f"{'one more sample after':28} {SHORT:>12} {LONG:>12} {'ratio':>7}")
    for name, chart in (("CUSUM", cusum), ("EWMA", ewma)):
        costs = []
        for n in (SHORT, LONG):
            state = chart.run(x[:n]).state
            costs.append(seconds(lambda c=chart, s=state: c.step(s, 0.3), 5000))
        told(name, costs)
    for size in (50, 200):
        costs = []
        for n in (SHORT, LONG):
            window = slopes.Window.empty(size)
            # Of a long history only the last values are left in the window: played from there on.
            for i in range(n - 2 * size, n):
                window = window.add(float(i), float(x[i]))
            costs.append(seconds(lambda w=window, n=n: w.add(float(n), 0.3).line(), 300))
        told(f"Theil-Sen, window of {size}", costs)
    costs = []
    for days in (60, 360):
        series = Series(("1/permeate_flow",), ("1/flux_lmh",))
        for i in range(days * 96):
            series.add(made(i * BLOCK_S, float(x[i])))
        past = series.history()
        sigma = np.ones(len(past.days))
        costs.append(
            seconds(lambda p=past, s=sigma: trend.shape(p.days, p.rows[:, 0], s, 1.0), 300)
        )
    told("shape, after 60 and 360 days", costs)


def told(name: str, costs: list[float]) -> None:
    """One row."""
    short, long = (1e6 * c for c in costs)
    print(f"{name:28} {short:9.1f} µs {long:9.1f} µs {long / short:7.2f}")


def names() -> None:
    """How often step, ramp and curve are named, and the onset is inside its interval."""
    print(
        f"\n{'correlation':>11} {'size':>5} {'truth':>6} | {'step':>5} {'ramp':>5} {'curve':>5}"
        f" | {'onset in interval':>17} {'odds for step':>14}"
    )
    for correlation in (0.0, 0.3, 0.54, 0.75):
        for size in (2.0, 4.0, 8.0):
            for power, truth in enumerate(("step", "ramp", "curve")):
                found = shapes(power, size, correlation, 200)
                named = [np.argmax([s.step, s.ramp, s.curve]) for s, _ in found]
                share = [named.count(k) / len(found) for k in range(3)]
                held = np.mean([s.earliest <= onset <= s.latest for s, onset in found])
                step = np.mean([s.step_over_ramp > 0.0 for s, _ in found])
                print(
                    f"{correlation:11.2f} {size:4.0f}σ {truth:>6} |"
                    f" {share[0]:5.2f} {share[1]:5.2f} {share[2]:5.2f} | {held:17.2f} {step:14.2f}"
                )


if __name__ == "__main__":
    charts()
    names()
