"""Temperature factors against closed formulas and the one table that was read."""

import numpy as np
from numpy.typing import ArrayLike

from rules import temperature
from tests.reference.checks import check, relative
from tests.reference.tables import columns

LAWS = "tcf_laws.csv"


@check(
    "Temperature factor 1.03^(T−25)",
    source="ASTM D4516 default (base from memory)",
    status="from memory",
    tolerance=1e-6,
    table=LAWS,
)
def default_of_d4516() -> ArrayLike:
    """Flow at T over flow at 25 °C."""
    t = columns(LAWS)
    return relative(temperature.geometric_factor(t["T_degC"]), t["geom_1p03"])


@check(
    "Temperature factor 1.028^(T−25)",
    source="fit to TM 10-4610-309-14 table 3",
    status="computed",
    tolerance=1e-6,
    table=LAWS,
)
def military_base() -> ArrayLike:
    """The same law with the base of the military table."""
    t = columns(LAWS)
    got = temperature.geometric_factor(t["T_degC"], base=temperature.MILITARY_BASE)
    return relative(got, t["geom_1p028"])


@check(
    "Temperature factor, two-slope Arrhenius",
    source="secondary pages, constants 2640 and 3020 K",
    status="common practice, no source",
    tolerance=1e-6,
    table=LAWS,
)
def two_slopes() -> ArrayLike:
    """One constant from 25 °C up, another below."""
    t = columns(LAWS)
    return relative(temperature.two_slope_factor(t["T_degC"]), t["arrhenius_two_slope"])


@check(
    "Temperature factor, Arrhenius by E/R",
    source="closed formula, 2640 K",
    status="computed",
    tolerance=1e-6,
    table=LAWS,
)
def arrhenius() -> ArrayLike:
    """One constant at all temperatures."""
    t = columns(LAWS)
    got = temperature.arrhenius_factor(t["T_degC"], activation_k=2640.0)
    return relative(got, t["arrhenius_2640"])


@check(
    "Temperature factor, Arrhenius by kJ/mol",
    source="closed formula, 22 kJ/mol (typical value from memory)",
    status="from memory",
    tolerance=1e-6,
    table=LAWS,
)
def arrhenius_by_energy() -> ArrayLike:
    """An activation energy made into E/R."""
    t = columns(LAWS)
    activation_k = temperature.activation_from_kj_mol(22.0)
    got = temperature.arrhenius_factor(t["T_degC"], activation_k=activation_k)
    return relative(got, t["arrhenius_22kJ"])


@check(
    "Temperature factor, viscosity only",
    source="IAPWS R12-08 by the iapws library",
    status="computed",
    tolerance=2e-5,
    table=LAWS,
)
def viscosity_only() -> ArrayLike:
    """μ(25 °C)/μ(T)."""
    t = columns(LAWS)
    return relative(temperature.viscosity_factor(t["T_degC"]), t["viscosity_ratio"])


@check(
    "Temperature factors of the military table, as printed",
    source="TM 10-4610-309-14 table 3",
    status="read",
    tolerance=0,
    measure="mismatches",
    table="tcf_twps_degF.csv",
)
def military_table() -> ArrayLike:
    """Rows that 1.028^(T−25) does not give to the two digits printed."""
    t = columns("tcf_twps_degF.csv")
    got = temperature.geometric_factor((t["T_degF"] - 32.0) / 1.8, base=temperature.MILITARY_BASE)
    agree = np.abs(got - t["TCF_table"]) <= 0.005 + 1e-9  # NaN agrees with nothing
    return np.array([np.sum(~agree)])
