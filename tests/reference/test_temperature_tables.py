"""Temperature factors against the check tables."""

import numpy as np

from rules import temperature, water
from tests.reference.tables import columns, worst


def test_every_law() -> None:
    """Closed formulas (computed; two-slope constants common practice, no source): 1e-4 as stated."""
    t = columns("tcf_laws.csv")
    c = t["T_degC"]
    assert worst(temperature.geometric_factor(c), t["geom_1p03"]) < 1e-6
    assert worst(temperature.geometric_factor(c, base=1.028), t["geom_1p028"]) < 1e-6
    assert worst(temperature.two_slope_factor(c), t["arrhenius_two_slope"]) < 1e-6
    one = temperature.arrhenius_factor(c, activation_k=2640.0)
    assert worst(one, t["arrhenius_2640"]) < 1e-6
    energy = temperature.arrhenius_factor(c, activation_k=22_000.0 / 8.314462618)
    assert worst(energy, t["arrhenius_22kJ"]) < 1e-6


def test_viscosity_ratio() -> None:
    """IAPWS R12-08 (computed): 0.5 % as stated."""
    t = columns("tcf_laws.csv")
    got = water.viscosity_mpa_s(25.0) / water.viscosity_mpa_s(t["T_degC"])
    assert worst(got, t["viscosity_ratio"]) < 5e-3


def test_military_table() -> None:
    """TM 10-4610-309-14 table 3 (read): 1.028^(T-25) gives every printed row within half a unit."""
    t = columns("tcf_twps_degF.csv")
    inside = t["T_degC"] >= temperature.VALID_C[0]
    got = temperature.geometric_factor((t["T_degF"] - 32.0) / 1.8, base=1.028)
    assert np.max(np.abs(got - t["TCF_table"])[inside & np.isfinite(got)]) <= 0.005 + 1e-9
    assert np.isfinite(got).sum() > 50
