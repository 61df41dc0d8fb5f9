"""Conductivity laws against the check tables and general libraries."""

import gsw
import numpy as np

from rules import conductivity, water
from rules.train import Compensation, Water
from tests.reference.tables import columns, worst


def test_sodium_chloride_at_25() -> None:
    """Robinson and Stokes molar conductivities (from memory): 0.5 % up to 5844 mg/L, 1 % above."""
    t = columns("conductivity_nacl_25C.csv")
    got = conductivity.nacl_concentration_mg_l(t["kappa25_uS_cm"])
    low = t["C_mg_L"] <= 5844.5
    assert worst(got[low], t["C_mg_L"][low]) < 5e-3
    assert worst(got[~low], t["C_mg_L"][~low]) < 1e-2
    back = conductivity.nacl_conductivity_us_cm(t["C_mg_L"])
    assert worst(back[low], t["kappa25_uS_cm"][low]) < 5e-3
    assert worst(back[~low], t["kappa25_uS_cm"][~low]) < 1e-2


def test_sodium_chloride_at_20() -> None:
    """CRC Handbook, 20 °C, mass per cent (row from memory): 1 % as stated, NaN beyond the law."""
    t = columns("conductivity_nacl_20C_masspct.csv")
    # Density of NaCl solutions at 20 °C, handbook: 998.2 kg/m3 and 7.1 kg/m3 for each mass per cent.
    c = t["mass_pct_NaCl"] * 10.0 * (998.2 + 7.1 * t["mass_pct_NaCl"])
    got = conductivity.nacl_at_temperature(conductivity.nacl_conductivity_us_cm(c), 20.0)
    dilute = t["mass_pct_NaCl"] <= 5
    assert np.isnan(got[~dilute]).all()
    # The printed numbers are rounded: half a unit of the last digit belongs to them.
    printed = 1000.0 * t["kappa20_mS_cm"][dilute]
    assert (np.abs(got[dilute] - printed) <= 0.01 * printed + 50.0).all()


def test_sodium_chloride_with_temperature() -> None:
    """Limiting ionic conductivities, Robinson and Stokes (from memory): within the stated 0.5 %."""
    t = columns("conductivity_nacl_limiting_temperature.csv")
    assert worst(conductivity.nacl_ratio(t["T_degC"]), t["ratio_to_25C"]) < 5e-3


def test_linear_compensation() -> None:
    """ISO 7888 linear compensation (computed): to the printed digits."""
    t = columns("conductivity_linear_compensation.csv")
    for kt, temperature, alpha, k25 in zip(
        t["kappa_T_uS_cm"], t["T_degC"], t["alpha_pct_per_K"], t["kappa25_uS_cm"], strict=True
    ):
        law = Compensation("linear", alpha)
        shown = conductivity.actual_to_displayed(kt, temperature, law)
        assert abs(shown / k25 - 1) < 1e-6
        assert abs(conductivity.displayed_to_actual(k25, temperature, law) / kt - 1) < 1e-6


def test_linear_compensation_of_potassium_chloride() -> None:
    """IUPAC KCl standards (read): the linear coefficient of each row gives its ratio to 25 °C."""
    t = columns("conductivity_kcl_standard.csv")
    stated = np.isfinite(t["linear_coeff_pct_per_K"])
    got = [
        float(conductivity.linear_ratio(temperature, alpha_percent_per_k=alpha))
        for temperature, alpha in zip(
            t["T_degC"][stated], t["linear_coeff_pct_per_K"][stated], strict=True
        )
    ]
    assert worst(np.array(got), t["ratio_to_25C"][stated]) < 1e-5


def test_natural_water() -> None:
    """ISO 7888 / EN 27888 nonlinear table (read) within 0.31 %; the formula (constants from memory) 0.3 %."""
    t = columns("conductivity_tempcomp_iso7888.csv")
    f25 = 1.0 / conductivity.natural_ratio(t["T_degC"])
    assert worst(f25, t["f25_table"]) < 3.1e-3
    assert worst(f25, t["f25_formula"]) < 3e-3
    for alpha, column in ((1.9, "linear_1p9"), (2.0, "linear_2p0"), (2.1, "linear_2p1")):
        linear = 1.0 / conductivity.linear_ratio(t["T_degC"], alpha_percent_per_k=alpha)
        assert worst(linear, t[column]) < 1e-6


def test_seawater_concentration() -> None:
    """PSS-78/TEOS-10 by gsw (computed): mg/L at 25 °C within the stated 0.05 %."""
    t = columns("conductivity_seawater.csv")
    k25 = 1000.0 * t["kappa25_mS_cm"]
    got = conductivity.seawater_concentration_mg_l(k25)
    assert worst(got, t["tds_factor_25C"] * k25) < 5e-4
    assert worst(water.seawater_salinity_g_kg(got), t["SA_g_kg"]) < 5e-4


def test_seawater_brought_to_25() -> None:
    """PSS-78 by gsw (computed): conductivity at 25 °C within the stated 0.05 %."""
    t = columns("conductivity_seawater.csv")
    got = conductivity.seawater_at_25(1000.0 * t["kappa_mS_cm"], t["T_degC"])
    assert worst(got, 1000.0 * t["kappa25_mS_cm"]) < 5e-4


def test_seawater_against_gsw() -> None:
    """The gsw library itself, SP 0.3 to 42, 1 to 35 °C (the range of PSS-78): salinity within 0.1 %."""
    sp, t = np.meshgrid(np.geomspace(0.3, 42.0, 60), np.linspace(1.0, 35.0, 35))
    k = 1000.0 * gsw.C_from_SP(sp, t, 0.0)
    c = conductivity.concentration_mg_l(k, t, Compensation("none"), Water("seawater"))
    assert worst(water.seawater_salinity_g_kg(c), sp * 35.16504 / 35.0) < 1e-3


def test_seawater_at_infinite_dilution() -> None:
    """Limiting ionic conductivities of the reference composition (hand sum, 0.4536): within 2 %."""
    factor = float(conductivity.seawater_concentration_mg_l(5.0)) / 5.0
    assert abs(factor / 0.4536 - 1) < 0.02


def test_conductivity_passage_exceeds_concentration_passage() -> None:
    """Hand check of the reference text: 8, 10 and 15 % at three feed and permeate pairs of NaCl."""
    for feed, permeate, excess in ((1000, 10, 0.08), (2000, 20, 0.10), (5000, 50, 0.15)):
        k = conductivity.nacl_conductivity_us_cm(np.array([feed, permeate]))
        assert abs((k[1] / k[0]) / (permeate / feed) - 1 - excess) < 0.01
