"""Vessel surveys against the shared table."""

import numpy as np
from numpy.typing import ArrayLike

from rules.survey import Survey, survey
from tests.reference.checks import absolute, check
from tests.reference.tables import rows

TABLE = "vessel_survey.csv"
SOURCE = "Iglewicz and Hoaglin, in NIST/SEMATECH e-Handbook 1.3.5.17; invented readings"


def _surveys() -> dict[str, tuple[list[dict[str, str]], Survey]]:
    table = rows(TABLE)
    found = {}
    for name in dict.fromkeys(r["survey"] for r in table):
        lines = [r for r in table if r["survey"] == name]
        found[name] = (
            lines,
            survey(
                [float(r["kappa25_uS_cm"]) for r in lines],
                vessels=[r["vessel"] for r in lines],
                earlier_us_cm=42.0 if "baseline 42" in lines[0]["description"] else None,
            ),
        )
    return found


@check(
    "Vessel survey: median, MAD and scores",
    source=SOURCE,
    status="computed",
    tolerance=1e-4,
    measure="absolute",
    table=TABLE,
)
def scores() -> ArrayLike:
    """Every number of every survey, the floored score with our floor of 5 %."""
    found = []
    for lines, got in _surveys().values():
        for column, value in (
            ("median", got.median),
            ("MAD", got.mad),
            ("modified_z", got.modified_z),
            ("floored_z", got.score),
            ("ratio_to_median", got.ratio),
        ):
            found.append(absolute(value, [float(r[column]) for r in lines]))
    return np.concatenate(found)


@check(
    "Vessel survey: which vessels stand out",
    source=SOURCE,
    status="computed",
    tolerance=0,
    measure="mismatches",
    table=TABLE,
)
def suspects() -> ArrayLike:
    """High vessels with and without the floor, the low one, the stage that rose as a whole."""
    wrong = 0
    for name, (lines, got) in _surveys().items():
        plain = {r["vessel"] for r in lines if r["high_outlier"] == "true"}
        floored = {r["vessel"] for r in lines if r["high_outlier_floored"] == "true"}
        wrong += {v for v, z in zip(got.vessels, got.modified_z, strict=True) if z > 3.5} != plain
        wrong += {s.vessel for s in got.suspects} != floored
        wrong += bool(got.low) != ("one low" in lines[0]["description"])
        wrong += got.shifted != (name == "S04")
    return wrong
