"""Robust statistics against tests/reference/robust_location_scale.csv.

Source: the modified z-score of Iglewicz and Hoaglin as recommended in NIST/SEMATECH e-Handbook 1.3.5.17,
sigma = 1.4826 MAD; tolerance 1e-4 (head of the table).
"""

import numpy as np
import pytest

from rules import robust
from tests.reference.tables import rows

TABLE = rows("robust_location_scale.csv")


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row["set"])
def test_location_and_scale(row: dict[str, str]) -> None:
    """Median and scaled median absolute deviation are those of the table."""
    data = np.array([float(x) for x in row["data"].split(";")])
    assert float(robust.median(data)) == pytest.approx(float(row["median"]), abs=1e-4)
    assert float(robust.sigma(data)) == pytest.approx(float(row["sigma_MAD"]), abs=1e-4)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row["set"])
def test_modified_z_scores(row: dict[str, str]) -> None:
    """Distance from the median over the scale gives the table's modified z-scores, by 0.6745 * 1.4826."""
    data = np.array([float(x) for x in row["data"].split(";")])
    z = (data - robust.median(data)) / robust.sigma(data) * (0.6745 * robust.MAD_TO_SIGMA)
    expected = [float(x) for x in row["modified_z"].split(";")]
    assert z == pytest.approx(np.array(expected), abs=1e-4)
