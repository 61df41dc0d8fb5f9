"""Conductivity laws against standards, handbook values and hand sums."""

import numpy as np
from numpy.typing import ArrayLike

from rules import conductivity, water
from rules.train import Compensation
from tests.reference.checks import absolute, check, relative
from tests.reference.tables import columns

NACL = "conductivity_nacl_25C.csv"
NACL_T = "conductivity_nacl_temperature.csv"
NACL_20 = "conductivity_nacl_20C_masspct.csv"
KCL = "conductivity_kcl_standard.csv"
ISO = "conductivity_tempcomp_iso7888.csv"
LINEAR = "conductivity_linear_compensation.csv"
SEA = "conductivity_seawater.csv"


def _both_ways(low: bool) -> ArrayLike:
    t = columns(NACL)
    rows = (t["C_mg_L"] <= 5844.5) == low
    c, k = t["C_mg_L"][rows], t["kappa25_uS_cm"][rows]
    there = relative(conductivity.nacl_concentration_mg_l(k), c)
    return np.concatenate([there, relative(conductivity.nacl_conductivity_us_cm(c), k)])


@check(
    "Conductivity of NaCl at 25 °C to 0.1 mol/L, both ways",
    source="molar conductivities of Robinson and Stokes",
    status="from memory",
    tolerance=2e-3,
    table=NACL,
)
def dilute_salt() -> ArrayLike:
    """29 to 5844 mg/L."""
    return _both_ways(low=True)


@check(
    "Conductivity of NaCl at 25 °C above 0.1 mol/L, both ways",
    source="molar conductivities of Robinson and Stokes",
    status="from memory",
    tolerance=5e-3,
    table=NACL,
)
def strong_salt() -> ArrayLike:
    """10 to 50 g/L."""
    return _both_ways(low=False)


@check(
    "Conductivity of NaCl at 20 °C, 0.5 to 5 mass %, beyond the rounding of the print",
    source="CRC Handbook, electrical conductivity of aqueous solutions",
    status="from memory",
    tolerance=1e-2,
    table=NACL_20,
)
def salt_at_20() -> ArrayLike:
    """Density at 20 °C 998.2 kg/m3 and 7.1 for each mass %; half a unit of the last digit is allowed."""
    t = columns(NACL_20)
    dilute = t["mass_pct_NaCl"] <= 5  # the law ends at 90 mS/cm
    c = t["mass_pct_NaCl"] * 10.0 * (998.2 + 7.1 * t["mass_pct_NaCl"])
    got = conductivity.nacl_at_temperature(conductivity.nacl_conductivity_us_cm(c), 20.0)[dilute]
    printed = 1000.0 * t["kappa20_mS_cm"][dilute]
    away = np.abs(got - printed)
    return np.where(away <= 50.0, 0.0, away - 50.0) / printed


@check(
    "NaCl with temperature, infinite dilution",
    source="limiting ionic conductivities, Robinson and Stokes, appendix 6.2",
    status="from memory",
    tolerance=4e-3,
    table="conductivity_nacl_limiting_temperature.csv",
)
def dilute_salt_with_temperature() -> ArrayLike:
    """0 to 45 °C, as a ratio to 25 °C; ions printed to three figures, 0.3 % of the coldest."""
    t = columns("conductivity_nacl_limiting_temperature.csv")
    return relative(conductivity.nacl_ratio(t["T_degC"]), t["ratio_to_25C"])


def _mccleskey() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Temperatures, and by molality and temperature: concentration at 25 °C, at T, conductivity."""
    t = columns(NACL_T)
    warm = np.unique(t["T_degC"])
    c = t["C_mg_L"].reshape(warm.size, -1).T
    k = t["kappa_uS_cm"].reshape(warm.size, -1).T
    return warm, c[:, warm == 25.0], c, k


@check(
    "Conductivity of NaCl at 25 °C, 0.1 to 1 mol/kg, another model",
    source="McCleskey and others (2012), ionic molal conductivities",
    status="mixed",
    tolerance=3e-2,
    table=NACL_T,
)
def strong_salt_by_another_model() -> ArrayLike:
    """Where the two models of 25 °C stand to each other."""
    warm, c25, _, k = _mccleskey()
    return relative(conductivity.nacl_conductivity_us_cm(c25), k[:, warm == 25.0])


@check(
    "Strong NaCl with temperature, 0.1 to 1 mol/kg, as a ratio to 25 °C",
    source="McCleskey and others (2012), ionic molal conductivities",
    status="mixed",
    tolerance=2e-2,
    table=NACL_T,
)
def strong_salt_with_temperature() -> ArrayLike:
    """0 to 50 °C. The effect of strength on the ratio is taken from sea salt: an assumption."""
    warm, c25, _, k = _mccleskey()
    k25 = conductivity.nacl_conductivity_us_cm(c25)
    got = conductivity.nacl_at_temperature(k25, warm) / k25
    return relative(got, k / k[:, warm == 25.0])


def _strength_of_kcl(strong: float, weak: float) -> ArrayLike:
    t = columns(KCL)
    away = t["T_degC"] != 25
    k25 = {0.01: 1408.23, 0.1: 12_824.6, 1.0: 84_200.0}  # the last: NaCl, KCl has 108 620
    found = []
    for warm in np.unique(t["T_degC"][away]):
        ratios = [
            t["ratio_to_25C"][(t["T_degC"] == warm) & (t["molality_KCl"] == m)]
            for m in (strong, weak)
        ]
        if all(r.size for r in ratios):
            ours = [conductivity.nacl_at_temperature(k25[m], warm) / k25[m] for m in (strong, weak)]
            found.append(relative(ours[0] / ours[1], ratios[0] / ratios[1]))
    return np.concatenate(found)


@check(
    "What strength does to the temperature ratio, 0.1 against 0.01 mol/kg",
    source="IUPAC KCl standards, Pratt and others (2001)",
    status="read",
    tolerance=2e-3,
    table=KCL,
)
def strength_and_temperature() -> ArrayLike:
    """The effect that NaCl borrows from sea salt, against KCl, 0 to 18 °C."""
    return _strength_of_kcl(0.1, 0.01)


@check(
    "What strength does to the temperature ratio, 1 against 0.1 mol/kg",
    source="IUPAC KCl standards, Pratt and others (2001)",
    status="read",
    tolerance=2e-2,
    table=KCL,
)
def great_strength_and_temperature() -> ArrayLike:
    """The effect that NaCl borrows from sea salt, against KCl, 20 to 50 °C."""
    return _strength_of_kcl(1.0, 0.1)


@check(
    "Linear compensation, done and undone",
    source="ISO 7888 linear compensation",
    status="computed",
    tolerance=1e-6,
    table=LINEAR,
)
def linear_compensation() -> ArrayLike:
    """By what a transmitter shows, and back."""
    t = columns(LINEAR)
    found = []
    for kt, warm, alpha, k25 in zip(
        t["kappa_T_uS_cm"], t["T_degC"], t["alpha_pct_per_K"], t["kappa25_uS_cm"], strict=True
    ):
        law = Compensation("linear", alpha)
        found.append(relative(conductivity.actual_to_displayed(kt, warm, law), k25))
        found.append(relative(conductivity.displayed_to_actual(k25, warm, law), kt))
    return np.concatenate([np.atleast_1d(x) for x in found])


@check(
    "Linear coefficients of potassium chloride",
    source="IUPAC KCl standards, Pratt and others (2001)",
    status="read",
    tolerance=1e-6,
    table=KCL,
)
def linear_coefficients() -> ArrayLike:
    """The coefficient of each row gives its ratio to 25 °C."""
    t = columns(KCL)
    stated = np.isfinite(t["linear_coeff_pct_per_K"])
    got = [
        float(conductivity.linear_ratio(warm, alpha_percent_per_k=alpha))
        for warm, alpha in zip(
            t["T_degC"][stated], t["linear_coeff_pct_per_K"][stated], strict=True
        )
    ]
    return relative(got, t["ratio_to_25C"][stated])


@check(
    "Compensation of natural water, table",
    source="ISO 7888:1985 / EN 27888, table of f25",
    status="read",
    tolerance=3.1e-3,
    table=ISO,
)
def natural_table() -> ArrayLike:
    """Whole degrees from 0 to 34 °C: the standard is older than the viscosity of IAPWS R12-08."""
    t = columns(ISO)
    return relative(1.0 / conductivity.natural_ratio(t["T_degC"]), t["f25_table"])


@check(
    "Compensation of natural water, table from 4 °C up",
    source="ISO 7888:1985 / EN 27888, table of f25",
    status="read",
    tolerance=2e-3,
    table=ISO,
)
def natural_table_not_cold() -> ArrayLike:
    """The difference sits in the coldest degrees, where the older viscosity is 0.3 % lower."""
    t = columns(ISO)
    warm = t["T_degC"] >= 4
    return relative(1.0 / conductivity.natural_ratio(t["T_degC"][warm]), t["f25_table"][warm])


@check(
    "Compensation of natural water, formula",
    source="ISO 7888:1985 / EN 27888, formula (constants from memory)",
    status="from memory",
    tolerance=3e-3,
    table=ISO,
)
def natural_formula() -> ArrayLike:
    """The same formula on another viscosity of water, and made exactly 1 at 25 °C."""
    t = columns(ISO)
    return relative(1.0 / conductivity.natural_ratio(t["T_degC"]), t["f25_formula"])


@check(
    "Linear compensation at 1.9, 2.0 and 2.1 %/K",
    source="ISO 7888 linear compensation",
    status="computed",
    tolerance=1e-6,
    table=ISO,
)
def linear_columns() -> ArrayLike:
    """The linear columns beside the nonlinear table."""
    t = columns(ISO)
    return np.concatenate(
        [
            relative(1.0 / conductivity.linear_ratio(t["T_degC"], alpha_percent_per_k=a), t[name])
            for a, name in ((1.9, "linear_1p9"), (2.0, "linear_2p0"), (2.1, "linear_2p1"))
        ]
    )


@check(
    "Concentration of seawater from conductivity at 25 °C",
    source="PSS-78/TEOS-10 by gsw",
    status="computed",
    tolerance=5e-4,
    table=SEA,
)
def seawater_concentration() -> ArrayLike:
    """Practical salinity 1 to 42: mg/L, and Absolute Salinity from them."""
    t = columns(SEA)
    k25 = 1000.0 * t["kappa25_mS_cm"]
    got = conductivity.seawater_concentration_mg_l(k25)
    salinity = relative(water.seawater_salinity_g_kg(got), t["SA_g_kg"])
    return np.concatenate([relative(got, t["tds_factor_25C"] * k25), salinity])


@check(
    "Conductivity of seawater brought to 25 °C",
    source="PSS-78 by gsw",
    status="computed",
    tolerance=5e-4,
    table=SEA,
)
def seawater_at_25() -> ArrayLike:
    """5 to 35 °C."""
    t = columns(SEA)
    got = conductivity.seawater_at_25(1000.0 * t["kappa_mS_cm"], t["T_degC"])
    return relative(got, 1000.0 * t["kappa25_mS_cm"])


@check(
    "Seawater at infinite dilution, 0.4536 mg/L per µS/cm",
    source="hand sum of limiting ionic conductivities, reference composition",
    status="from memory",
    tolerance=2e-2,
)
def infinitely_dilute_seawater() -> ArrayLike:
    """At 5 µS/cm."""
    return relative(conductivity.seawater_concentration_mg_l(5.0) / 5.0, [0.4536])


@check(
    "By how much conductivity passage exceeds concentration passage",
    source="hand check of NaCl: 8, 10, 15, 32 % at 1, 2, 5, 36 g/L of feed",
    status="computed",
    tolerance=0.01,
    measure="absolute",
)
def passage() -> ArrayLike:
    """Feed and permeate 1000 to 10, 2000 to 20, 5000 to 50 and 36 000 to 250 mg/L."""
    feed = np.array([1000.0, 2000.0, 5000.0, 36_000.0])
    permeate = np.array([10.0, 20.0, 50.0, 250.0])
    k = conductivity.nacl_conductivity_us_cm
    return absolute(k(permeate) / k(feed) / (permeate / feed) - 1.0, [0.08, 0.10, 0.15, 0.32])
