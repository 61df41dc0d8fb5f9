"""Normalization against the worked examples and the tables of its parts."""

from collections import defaultdict
from dataclasses import replace

import numpy as np
import pytest

from rules import normalize, sections, temperature, water
from rules.train import Instrument, Stage, Train, Water
from tests.reference.tables import columns, rows, worst

EXAMPLES = ("BW-A", "SW-A", "SW-A-TEOS")


def test_average_feed_concentration() -> None:
    """ASTM D4516 log mean (read in a secondary page) and its exact forms (computed): 1e-6."""
    t = columns("feed_brine_average.csv")
    got = water.feed_brine_average(t["Cf_mg_L"], t["Y"])
    assert worst(got, t["Cfb_log_mean"]) < 1e-6
    exact = water.feed_brine_average_exact(t["Cf_mg_L"], t["Y"], 0.99)
    assert worst(exact, t["Cfb_exact_R99"]) < 1e-6
    # The permeate's mean is the local passage times the mean on the feed side.
    assert worst(100.0 * 0.01 * exact / t["Cf_mg_L"], t["SP_system_pct_R99"]) < 1e-6


@pytest.mark.parametrize("exponent", [1.4, 1.5, 1.6, 1.7, 1.75])
def test_pressure_drop(exponent: float) -> None:
    """Friction law of Schock and Miquel (from memory), tied exponents (computed): 0.1 %, 1e-6 without viscosity."""
    t = columns("dp_normalisation.csv")
    mean, reference = (t["Qf"] + t["Qc"]) / 2, (t["Qf_ref"] + t["Qc_ref"]) / 2
    plain = normalize.standardized_pressure_drop(
        t["dP"],
        mean,
        1.0,
        reference_average_flow_m3h=reference,
        reference_viscosity_mpa_s=1.0,
        exponent=exponent,
    )
    assert worst(plain, t[f"dPn_n{exponent}"]) < 1e-6
    viscous = normalize.standardized_pressure_drop(
        t["dP"],
        mean,
        water.viscosity_mpa_s(t["T"]),
        reference_average_flow_m3h=reference,
        reference_viscosity_mpa_s=water.viscosity_mpa_s(t["T_ref"]),
        exponent=exponent,
    )
    assert worst(viscous, t[f"dPn_n{exponent}_visc"]) < 1e-3


def test_pressure_drop_by_the_exact_mean() -> None:
    """Integral of Q^1.7 along the vessel (computed): 1e-6."""
    t = columns("dp_normalisation.csv")
    now = normalize.mean_power_flow(t["Qf"], t["Qc"], exponent=1.7)
    reference = normalize.mean_power_flow(t["Qf_ref"], t["Qc_ref"], exponent=1.7)
    assert worst(t["dP"] * reference / now, t["dPn_integral_n1.7"]) < 1e-6


def _examples(name: str) -> dict[tuple[str, str], dict[str, float]]:
    states: dict[tuple[str, str], dict[str, float]] = defaultdict(dict)
    for row in rows("worked_examples_standardisation.csv"):
        if row["example"] == name:
            states[row["stage"], row["state"]][row["quantity"]] = float(row["value"])
    return dict(states)


def _osmotic(name: str, c: float, t: float) -> float:
    """Feed-side osmotic pressure by the law of the example."""
    if not name.endswith("-TEOS"):
        return float(water.d4516_osmotic_pressure_bar(c, t))
    # The example takes mg/L at the temperature of the water; ours is at 25 °C.
    salinity = float(water.seawater_salinity_g_kg(c))
    for _ in range(20):
        salinity = c / float(water.seawater_density_kg_m3(t, salinity))
    return float(water.seawater_osmotic_pressure_bar(salinity, t))


def _computed(name: str, x: dict[str, float]) -> dict[str, float]:
    y = x["Qp"] / x["Qf"]
    cfb = float(water.feed_brine_average(x["Cf"], y))
    pi_fb = _osmotic(name, cfb, x["T"])
    pi_p = float(water.d4516_osmotic_pressure_bar(x["Cp"], x["T"]))
    ndp = float(normalize.net_driving_pressure_bar(x["Pf"], x["dP"], x["Pp"], pi_fb, pi_p))
    tcf = float(temperature.geometric_factor(x["T"]))
    return {
        "Y": y,
        "Qc": x["Qf"] - x["Qp"],
        "Cfb": cfb,
        "pi_fb": pi_fb,
        "pi_p": pi_p,
        "NDP": ndp,
        "TCF": tcf,
        "SP": 100.0 * x["Cp"] / x["Cf"],
        "Qavg": x["Qf"] - x["Qp"] / 2.0,
        "A": float(normalize.water_permeability(x["Qp"], ndp, tcf, area_m2=1.0)),
        "mu": float(water.viscosity_mpa_s(x["T"])),
    }


def _standardized(name: str, x: dict[str, float], base: dict[str, float]) -> dict[str, float]:
    now, then = _computed(name, x), _computed(name, base)
    out: dict[str, float] = {}
    out["Qps"] = float(
        normalize.standardized_permeate_flow(
            x["Qp"],
            now["NDP"],
            now["TCF"],
            reference_ndp_bar=then["NDP"],
            reference_water_factor=then["TCF"],
        )
    )
    out["Qps_change_pct"] = 100.0 * (out["Qps"] / base["Qp"] - 1.0)
    for convention, flow in (("fixed", base["Qp"]), ("std", out["Qps"])):
        passage = float(
            normalize.standardized_salt_passage(
                now["SP"],
                x["Qp"],
                now["TCF"],
                x["Cf"],
                now["Cfb"],
                reference_permeate_flow_m3h=flow,
                reference_salt_factor=then["TCF"],
                reference_feed_mg_l=base["Cf"],
                reference_feed_brine_mg_l=then["Cfb"],
            )
        )
        out[f"SPs_{convention}"] = passage
        out[f"SPs_{convention}_change_pct"] = 100.0 * (passage / then["SP"] - 1.0)
    for n in (1.4, 1.5, 1.6, 1.7, 1.75):
        for suffix, mu, mu_ref in (("", 1.0, 1.0), ("_visc", now["mu"], then["mu"])):
            drop = float(
                normalize.standardized_pressure_drop(
                    x["dP"],
                    now["Qavg"],
                    mu,
                    reference_average_flow_m3h=then["Qavg"],
                    reference_viscosity_mpa_s=mu_ref,
                    exponent=n,
                )
            )
            out[f"dPs_n{n}{suffix}"] = drop
            out[f"dPs_n{n}{suffix}_change_pct"] = 100.0 * (drop / base["dP"] - 1.0)
    return out


@pytest.mark.parametrize("name", EXAMPLES)
def test_worked_example(name: str) -> None:
    """Worked examples of D4516 (equations partly from memory, values computed): 0.1 % of each value."""
    states = _examples(name)
    checked = 0
    for (stage, state), x in states.items():
        base = states[stage, "baseline"]
        got = _computed(name, x)
        if state != "baseline":
            got |= _standardized(name, x, base)
        for quantity, expected in x.items():
            if quantity not in got:
                continue
            checked += 1
            # A change in per cent is a small difference: 0.1 % of the value it is the change of.
            if quantity.endswith("_change_pct"):
                assert got[quantity] == pytest.approx(expected, abs=0.15), (stage, state, quantity)
            else:
                assert got[quantity] == pytest.approx(expected, rel=1e-3), (stage, state, quantity)
    assert checked > 50


@pytest.mark.parametrize("name", EXAMPLES)
def test_coefficients_carry_the_same_information(name: str) -> None:
    """Hand algebra on the worked examples: ratios of A, B and K equal the standardized changes."""
    states = _examples(name)
    for (stage, state), x in states.items():
        if state == "baseline":
            continue
        base = states[stage, "baseline"]
        now, then = _computed(name, x), _computed(name, base)
        result = _standardized(name, x, base)
        assert now["A"] / then["A"] == pytest.approx(result["Qps"] / base["Qp"], rel=1e-12)
        b, b_ref = (
            float(normalize.salt_permeability(v["Qp"], v["Cp"], c["Cfb"], c["TCF"], area_m2=1.0))
            for v, c in ((x, now), (base, then))
        )
        assert b / b_ref == pytest.approx(result["SPs_fixed"] / then["SP"], rel=1e-12)
        k, k_ref = (
            float(normalize.pressure_drop_coefficient(v["dP"], c["Qavg"], c["mu"], exponent=1.6))
            for v, c in ((x, now), (base, then))
        )
        assert k / k_ref == pytest.approx(result["dPs_n1.6_visc"] / base["dP"], rel=1e-12)


def _example_train() -> tuple[Train, np.ndarray]:
    """Stage 1 of example BW-A at its baseline, with the instruments of the uncertainty example."""
    per_us_cm = 0.5167
    instruments = {
        "feed_flow": (Instrument("feed_flow", 0.0, 0.005), 100.0),
        "permeate_flow": (Instrument("permeate_flow", 0.0, 0.005), 50.0),
        "feed_temperature": (Instrument("feed_temperature", 0.2), 25.0),
        "feed_conductivity": (Instrument("feed_conductivity", 0.0, 0.02), 2000.0 / per_us_cm),
        "permeate_conductivity": (Instrument("permeate_conductivity", 0.0, 0.02), 22.0 / per_us_cm),
        "permeate_pressure": (Instrument("permeate_pressure", 0.01), 0.6),
        "1/feed_pressure": (Instrument("1/feed_pressure", 0.0625), 13.8),
        "1/concentrate_pressure": (Instrument("1/concentrate_pressure", 0.0625), 12.2),
    }
    train = Train(
        id="A",
        stages=(Stage(vessels=10, elements_per_vessel=6, element_area_m2=37.0),),
        instruments=tuple(i for i, _ in instruments.values()),
        water=Water("nacl", factor=per_us_cm),
        # 3 %/K at 25 °C, as in the example.
        water_activation_k=np.log(1.03) * 298.15**2,
        salt_activation_k=np.log(1.03) * 298.15**2,
    )
    return train, np.array([v for _, v in instruments.values()])


def _expected_sigma() -> dict[str, float]:
    return {r["contribution"]: float(r["sigma_pct"]) for r in rows("uncertainty_example.csv")}


def test_uncertainty_of_permeate_flow() -> None:
    """First-order propagation on BW-A (computed, 2 %): each contribution and the sum for Qps."""
    train, values = _example_train()
    plan = sections.plan(train, means="d4516")
    slope = dict(
        zip(
            plan.signals,
            plan.jacobian(values)[plan.observables.index("1/permeate_flow")],
            strict=True,
        )
    )
    expected = _expected_sigma()
    # The example measures ΔP with one cell: its concentrate pressure is feed pressure minus ΔP.
    parts = {
        "permeate flow 0.5%": 0.25 * slope["permeate_flow"],
        "feed pressure 0.25% of 25 bar": 0.0625
        * (slope["1/feed_pressure"] + slope["1/concentrate_pressure"]),
        "dP 0.25% of 4 bar, half weight": 0.01 * slope["1/concentrate_pressure"],
        "permeate pressure 0.25% of 4 bar": 0.01 * slope["permeate_pressure"],
        "osmotic pressure from conductivity 2%": 0.02 * values[3] * slope["feed_conductivity"],
        "temperature 0.2 K at 3%/K": 0.2 * slope["feed_temperature"],
    }
    # Ours also follows the recovery's effect on the average (flow) and the osmotic pressure's and
    # the compensation's on temperature: a few per cent of those two contributions.
    loose = {"permeate flow 0.5%": 0.10, "temperature 0.2 K at 3%/K": 0.04}
    for name, part in parts.items():
        assert 100.0 * abs(part) == pytest.approx(expected[name], rel=loose.get(name, 0.02)), name
    total = 100.0 * np.sqrt(sum(p * p for p in parts.values()))
    assert total == pytest.approx(expected["combined, 1 sigma"], rel=0.02)


def test_uncertainty_of_salt_passage_and_pressure_drop() -> None:
    """First-order propagation on BW-A (computed, 2 %): salt passage, and ΔP from two gauge transmitters."""
    train, values = _example_train()
    plan = sections.plan(train, means="d4516")
    sigma = dict(zip(plan.observables, 100.0 * plan.uncertainty(values), strict=True))
    expected = _expected_sigma()
    assert sigma["1/salt_passage"] == pytest.approx(
        expected["two conductivities 2% each, flow 0.5%, temperature 0.2 K: combined"], rel=0.02
    )
    # The example's ΔP line leaves out what flow and temperature add to the normalized value.
    only_pressures = tuple(
        i if "pressure" in i.signal else replace(i, absolute=0.0, relative=0.0)
        for i in train.instruments
    )
    plan = sections.plan(replace(train, instruments=only_pressures), means="d4516")
    sigma = dict(zip(plan.observables, 100.0 * plan.uncertainty(values), strict=True))
    assert sigma["1/pressure_drop"] == pytest.approx(
        expected["two 0-25 bar gauge transmitters on 1.6 bar"], rel=0.02
    )
