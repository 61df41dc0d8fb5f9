"""Blind trials of probes on the simulated plant: right answers by kind of fault, and calibration. A table, no verdict.

Run with `python -m tests.bench.probe_trials [--rounds 20] [--first-seed 1000] [--unknown] [--joints]`.
Each round is twelve vessels of 4 to 8 elements, either port, a meter of 2 or 3 %, faults that let in
4 to 40 meter errors of the vessel's salt. `--unknown` keeps the conditions from the judge; `--joints`
leaves out the samples in the middle of the elements.
"""

import argparse
from collections import defaultdict

from rules.probe import probe
from tests.probe_kit import trials

KINDS = ("sound", "joint", "element", "two")


def main() -> None:
    """Print the share of right answers for each kind, and what was claimed against what was right."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--rounds", type=int, default=20)
    words.add_argument("--first-seed", type=int, default=1000)
    words.add_argument("--unknown", action="store_true")
    words.add_argument("--joints", action="store_true")
    chosen = words.parse_args()
    claimed: dict[int, list[bool]] = defaultdict(list)
    print(f"{'vessels':>8} {'n':>5} {'first right':>12} {'decided':>8} {'of these wrong':>15}")
    for kind in KINDS:
        right, decided, wrong, count = 0, 0, 0, 0
        for i in range(chosen.rounds):
            for t in trials(
                chosen.first_seed + i, 4 + i % 5, (kind,), half_steps=not chosen.joints
            ):
                got = probe(
                    t.tube,
                    t.distance_mm,
                    t.shown_us_cm,
                    healthy=None if chosen.unknown else t.healthy,
                    temperature_c=t.temperature_c,
                    meter=t.meter,
                )
                first = got.explanations[0]
                ok = tuple(sorted(first.where)) == t.truth and first.kind not in ("lead", "tail")
                count += 1
                right += ok
                decided += got.decided
                wrong += got.decided and not ok
                claimed[min(int(10 * first.probability), 9)].append(ok)
        print(
            f"{kind:>8} {count:5} {right / count:12.1%} {decided / count:8.1%} {wrong / count:15.1%}"
        )
    print("claimed  right  (n)")
    for tenth, answers in sorted(claimed.items()):
        print(
            f"{10 * tenth:3}-{10 * tenth + 10:3} % {sum(answers) / len(answers):6.1%}  ({len(answers)})"
        )


if __name__ == "__main__":
    main()
