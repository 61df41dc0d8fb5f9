"""Blind trials of probes on the simulated plant: right answers by kind of fault, and calibration. A table, no verdict.

Run with `python -m tests.bench.probe_trials [--rounds 20] [--first-seed 1000] [--unknown] [--joints]`.
Each round is twelve vessels of 4 to 8 elements, either port, a meter of 2 or 3 %, faults that let in
4 to 40 meter errors of the vessel's salt. `--unknown` keeps the conditions from the judge; `--joints`
leaves out the samples in the middle of the elements; `--few` takes one sample after each joint only.
An undecided vessel gets the one sample that the answer asks for.
"""

import argparse
from collections import defaultdict

import numpy as np

from rules.probe import Probe, probe
from tests.probe_kit import Floats, Trial, told, trials

KINDS = ("sound", "joint", "element", "two", "lead", "tail")


def judged(trial: Trial, mm: Floats, shown: Floats, *, known: bool) -> Probe:
    """The answer to samples of a trial."""
    return probe(
        trial.tube,
        mm,
        shown,
        healthy=trial.healthy if known else None,
        temperature_c=trial.temperature_c,
        meter=trial.meter,
    )


def main() -> None:
    """Print the share of right answers for each kind, and what was claimed against what was right."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--rounds", type=int, default=20)
    words.add_argument("--first-seed", type=int, default=1000)
    words.add_argument("--unknown", action="store_true")
    words.add_argument("--joints", action="store_true")
    words.add_argument("--few", action="store_true")
    words.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS)
    chosen = words.parse_args()
    claimed: dict[int, list[bool]] = defaultdict(list)
    print(
        f"{'vessels':>8} {'n':>5} {'right':>7} {'decided':>8} {'wrongly':>8}"
        f" | one more: {'right':>7} {'decided':>8} {'wrongly':>8}"
    )
    for kind in chosen.kinds:
        marks = []
        for i in range(chosen.rounds):
            half = not chosen.joints
            for t in trials(chosen.first_seed + i, 4 + i % 5, (kind,), half_steps=half):
                mm, shown = t.distance_mm, t.shown_us_cm
                if chosen.few:
                    x = np.arange(t.tube.elements) + (
                        1.05 if t.tube.port == "concentrate" else -0.05
                    )
                    mm = t.tube.distance_mm(x)
                    shown = t.take(mm)
                got = judged(t, mm, shown, known=not chosen.unknown)
                row = []
                for _ in range(2):
                    first = got.explanations[0]
                    ok = told(first) == t.truth
                    row += [ok, got.decided, got.decided and not ok]
                    claimed[min(int(10 * first.probability), 9)].append(ok)
                    if got.next_sample is not None:
                        more = np.array([got.next_sample.distance_mm])
                        mm, shown = np.append(mm, more), np.append(shown, t.take(more))
                        got = judged(t, mm, shown, known=not chosen.unknown)
                marks.append(row)
        a = np.mean(marks, axis=0)
        print(
            f"{kind:>8} {len(marks):5} {a[0]:7.1%} {a[1]:8.1%} {a[2]:8.1%}"
            f" |           {a[3]:7.1%} {a[4]:8.1%} {a[5]:8.1%}",
            flush=True,
        )
    print("claimed  right  (n)")
    for tenth, answers in sorted(claimed.items()):
        share = sum(answers) / len(answers)
        print(f"{10 * tenth:3}-{10 * tenth + 10:3} % {share:6.1%}  ({len(answers)})")


if __name__ == "__main__":
    main()
