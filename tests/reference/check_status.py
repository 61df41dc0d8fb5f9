"""Status of readings and of transmitters: OPC UA StatusCode and the signals of NAMUR NE 107."""

import numpy as np
from numpy.typing import ArrayLike

from daemon import words
from drivers.opcua import severity
from drivers.protocol import Quality
from rules.ne107 import RANKING, first, holding
from tests.reference.checks import check
from tests.reference.tables import rows

CODES = "opcua_status_codes.csv"
QUALITY = {"good": Quality.GOOD, "uncertain": Quality.UNCERTAIN, "bad": Quality.BAD}


@check(
    "Class of an OPC UA status code",
    source="OPC UA Part 4, StatusCode; codes of the asyncua library",
    status="read",
    tolerance=0,
    measure="mismatches",
    table=CODES,
)
def classes() -> ArrayLike:
    """Good, uncertain or bad, whatever flags the low bits carry."""
    return np.array(
        sum(severity(int(row["code"], 16)) is not QUALITY[row["class"]] for row in rows(CODES))
    )


NE107 = "namur_ne107.csv"


@check(
    "Status signals of a transmitter: letters, words and rank",
    source="NAMUR NE 107 (2017); rank of one device text, others put S below M",
    status="read",
    tolerance=0,
    measure="mismatches",
    table=NE107,
)
def status_signals() -> ArrayLike:
    """Letters in the table's rank with their words; what holds together shows the higher rank; else nothing."""
    table = [row for row in sorted(rows(NE107), key=lambda r: int(r["rank"])) if row["letter"]]
    wrong = sum(a != b["letter"] for a, b in zip(RANKING, table, strict=True))
    wrong += sum(words.NE107[s] != row["signal"] for s, row in zip(RANKING, table, strict=True))
    for k, signal in enumerate(RANKING):
        wrong += first(RANKING[k:]) != signal
    return np.array(wrong + (first(()) is not None))


@check(
    "Whether the value of a transmitter can be used, by its status signal",
    source="NAMUR NE 107 (2017)",
    status="read",
    tolerance=0,
    measure="mismatches",
    table=NE107,
)
def usable_values() -> ArrayLike:
    """Without a value it is F or C, with a doubtful one S, with a suspected one M, with a good one none."""
    still = {
        "frozen": False,
        "worked_on": False,
        "doubtful": False,
        "outside": False,
        "suspected": False,
    }
    cases = {
        "no": {"value": False},
        "no (temporarily)": {"value": False, "worked_on": True},
        "uncertain": {"value": True, "doubtful": True},
        "yes": {"value": True, "suspected": True},
    }
    wrong = int(bool(holding(value=True, **still)))
    for row in rows(NE107):
        if row["letter"]:
            held = holding(**{**still, **cases[row["value_usable"]]})
            wrong += first(held) != row["letter"]
    return np.array(wrong)
