"""Status of readings and of transmitters: OPC UA StatusCode and the signals of NAMUR NE 107."""

import numpy as np
from numpy.typing import ArrayLike

from drivers.opcua import severity
from drivers.protocol import Quality
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
