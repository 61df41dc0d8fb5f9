"""Sodium chloride against pyEQL, which has its own activity and conductivity models.

Only at 25 °C: away from it pyEQL scales conductivity by the viscosity, which departs by 5 % at 10 °C
from the limiting ionic conductivities of Robinson and Stokes that we follow.
"""

import pyEQL
import pytest

from rules import conductivity, water


@pytest.mark.parametrize(
    ("mg_l", "tolerance"),
    [(100, 0.005), (1000, 0.005), (5000, 0.005), (20_000, 0.01), (35_000, 0.025)],
)
def test_sodium_chloride_at_25(mg_l: float, tolerance: float) -> None:
    """pyEQL at 25 °C: conductivity within 0.5 % (2.5 % at 35 g/L), osmotic pressure within 0.2 %."""
    solution = pyEQL.Solution(
        {"Na+": f"{mg_l * 22.98977 / 58.443} mg/L", "Cl-": f"{mg_l * 35.453 / 58.443} mg/L"},
        temperature="25 degC",
    )
    k = solution.conductivity.to("uS/cm").magnitude
    assert float(conductivity.nacl_conductivity_us_cm(mg_l)) == pytest.approx(k, rel=tolerance)
    pi = solution.osmotic_pressure.to("bar").magnitude
    assert float(water.nacl_osmotic_pressure_bar(mg_l, 25.0)) == pytest.approx(pi, rel=2e-3)
