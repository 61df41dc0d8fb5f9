"""Blind trials of surveys on the simulated plant: right answers, false suspicions, calibration. A table, no verdict.

Run with `python -m tests.bench.survey_trials [--surveys 200] [--first-seed 3000] [--past 3]`. Stages of 8 and 4
vessels of 4 to 8 elements, a meter of 2 or 3 %, faults that let in 4 to 40 meter errors of a vessel's salt. A survey is
right when the vessels that it suspects are those at fault, no more and no fewer. `--past 0` is the first survey of all.
"""

import argparse
from collections import defaultdict

import numpy as np

from rules.survey import Survey, survey
from tests.survey_kit import SurveyTrial, trials


def judged(trial: SurveyTrial, past: int) -> Survey:
    """The answer to one stage, with `past` earlier surveys."""
    before = [
        survey(shown, temperature_c=t).conductivity_25_us_cm
        for shown, t in zip(trial.earlier_us_cm, trial.earlier_temperature_c, strict=True)
    ][:past]
    expected = None
    if before:
        expected = np.mean([k / np.median(k) for k in before], axis=0)
    return survey(
        trial.shown_us_cm,
        temperature_c=trial.temperature_c,
        expected_us_cm=expected,
        past=past,
        meter=trial.meter,
    )


def main() -> None:
    """Print right answers by size of the fault, false suspicions, and what was claimed against what was right."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--surveys", type=int, default=200)
    words.add_argument("--first-seed", type=int, default=3000)
    words.add_argument("--past", type=int, default=3, choices=range(4))
    chosen = words.parse_args()
    right = surveys = sound = suspected = 0
    by_size: dict[int, list[bool]] = defaultdict(list)
    claimed: dict[int, list[bool]] = defaultdict(list)
    seed = chosen.first_seed
    while surveys < chosen.surveys:
        for trial in trials(seed, 4 + seed % 5):
            got = judged(trial, chosen.past)
            named = {int(s.vessel) - 1 for s in got.suspects}
            surveys += 1
            right += named == set(trial.truth)
            sound += len(trial.shown_us_cm) - len(trial.truth)
            suspected += len(named - set(trial.truth))
            for v, size in zip(trial.truth, trial.excess, strict=True):
                by_size[min(int(np.log2(size / 4.0)), 3)].append(v in named)
            for s in got.suspects:
                claimed[min(int(10 * s.probability), 9)].append(int(s.vessel) - 1 in trial.truth)
        seed += 1
    faults = [ok for answers in by_size.values() for ok in answers]
    print(f"{surveys} surveys: {right / surveys:.1%} with exactly the vessels at fault")
    print(f"{len(faults)} vessels at fault: {np.mean(faults):.1%} named")
    for size, answers in sorted(by_size.items()):
        print(f"  {4 * 2**size:3} meter errors and more: {np.mean(answers):6.1%}  ({len(answers)})")
    print(f"{sound} sound vessels: {suspected / sound:.2%} suspected")
    print("claimed  right  (n)")
    for tenth, answers in sorted(claimed.items()):
        print(f"{10 * tenth:3}-{10 * tenth + 10:3} % {np.mean(answers):6.1%}  ({len(answers)})")


if __name__ == "__main__":
    main()
