"""Normalization against the worked examples and the tables of its parts."""

from collections import defaultdict
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.plantfile.accuracy import INSTRUMENTS
from rules import normalize, sections, temperature, water
from rules.train import Instrument, Stage, Train, Water
from tests.reference.checks import check, relative
from tests.reference.tables import columns, rows

AVERAGE = "feed_brine_average.csv"
DROP = "dp_normalisation.csv"
EXAMPLES = "worked_examples_standardisation.csv"
UNCERTAINTY = "uncertainty_example.csv"
INSTRUMENT = "instrument_uncertainty.csv"
EXPONENTS = (1.4, 1.5, 1.6, 1.7, 1.75)
FRICTION = "friction law of Schock and Miquel, Desalination 64 (1987) 339 (from memory)"


@check(
    "Average feed concentration, log mean",
    source="ASTM D4516 (read in a secondary page)",
    status="computed",
    tolerance=1e-6,
    table=AVERAGE,
)
def log_mean() -> ArrayLike:
    """Cf ln(1/(1−Y))/Y."""
    t = columns(AVERAGE)
    return relative(water.feed_brine_average(t["Cf_mg_L"], t["Y"]), t["Cfb_log_mean"])


@check(
    "Average feed concentration and passage at 99 % local rejection",
    source="salt balance along the membrane, with Rayleigh's brine",
    status="computed",
    tolerance=1e-6,
    table=AVERAGE,
)
def exact_average() -> ArrayLike:
    """The permeate's mean is the local passage times the mean on the feed side."""
    t = columns(AVERAGE)
    exact = water.feed_brine_average_exact(t["Cf_mg_L"], t["Y"], 0.99)
    passage = 100.0 * 0.01 * exact / t["Cf_mg_L"]
    return np.concatenate(
        [relative(exact, t["Cfb_exact_R99"]), relative(passage, t["SP_system_pct_R99"])]
    )


def _drop(t: dict[str, NDArray[np.float64]], exponent: float, *, viscous: bool) -> ArrayLike:
    return normalize.standardized_pressure_drop(
        t["dP"],
        (t["Qf"] + t["Qc"]) / 2,
        water.viscosity_mpa_s(t["T"]) if viscous else 1.0,
        reference_average_flow_m3h=(t["Qf_ref"] + t["Qc_ref"]) / 2,
        reference_viscosity_mpa_s=water.viscosity_mpa_s(t["T_ref"]) if viscous else 1.0,
        exponent=exponent,
    )


@check(
    "Normalized pressure drop, flow alone",
    source=FRICTION,
    status="computed",
    tolerance=1e-6,
    table=DROP,
)
def drop_by_flow() -> ArrayLike:
    """Exponents 1.4 to 1.75 of the mean flow, and the exact mean of Q^1.7 along the vessel."""
    t = columns(DROP)
    now = normalize.mean_power_flow(t["Qf"], t["Qc"], exponent=1.7)
    reference = normalize.mean_power_flow(t["Qf_ref"], t["Qc_ref"], exponent=1.7)
    return np.concatenate(
        [
            *(relative(_drop(t, n, viscous=False), t[f"dPn_n{n}"]) for n in EXPONENTS),
            relative(t["dP"] * reference / now, t["dPn_integral_n1.7"]),
        ]
    )


@check(
    "Normalized pressure drop with viscosity, tied exponents",
    source=FRICTION + "; viscosity IAPWS R12-08",
    status="computed",
    tolerance=1e-3,
    table=DROP,
)
def drop_by_viscosity() -> ArrayLike:
    """Exponents n of the flow and 2−n of the viscosity."""
    t = columns(DROP)
    return np.concatenate(
        [relative(_drop(t, n, viscous=True), t[f"dPn_n{n}_visc"]) for n in EXPONENTS]
    )


def examples(name: str) -> dict[tuple[str, str], dict[str, float]]:
    """Quantities of a worked example by stage and state."""
    states: dict[tuple[str, str], dict[str, float]] = defaultdict(dict)
    for row in rows(EXAMPLES):
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
    for n in EXPONENTS:
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


def _example(name: str) -> ArrayLike:
    states = examples(name)
    got, expected = [], []
    for (stage, state), x in states.items():
        base = states[stage, "baseline"]
        found = _computed(name, x)
        if state != "baseline":
            found |= _standardized(name, x, base)
        for quantity in x.keys() & found.keys():
            # A change in per cent is a small difference: compared as the ratio that it is.
            whole = 100.0 if quantity.endswith("_change_pct") else 0.0
            got.append(whole + found[quantity])
            expected.append(whole + x[quantity])
    assert len(got) > 50
    return relative(got, expected)


SOURCE = "equations of ASTM D4516, partly from memory"


@check(
    "Worked example of a brackish two-stage plant",
    source=SOURCE,
    status="computed",
    tolerance=1e-3,
    table=EXAMPLES,
)
def brackish_example() -> ArrayLike:
    """Every intermediate and standardized value of BW-A."""
    return _example("BW-A")


@check(
    "Worked example of a seawater plant",
    source=SOURCE,
    status="computed",
    tolerance=1e-3,
    table=EXAMPLES,
)
def seawater_example() -> ArrayLike:
    """Every intermediate and standardized value of SW-A, with the standard's osmotic law."""
    return _example("SW-A")


@check(
    "Worked example of a seawater plant by TEOS-10",
    source=SOURCE + "; osmotic pressure from TEOS-10",
    status="computed",
    tolerance=1e-3,
    table=EXAMPLES,
)
def teos_example() -> ArrayLike:
    """The same readings as SW-A with the osmotic pressure of seawater on the feed side."""
    return _example("SW-A-TEOS")


def _example_train() -> tuple[Train, NDArray[np.float64]]:
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


def _contributions() -> tuple[dict[str, float], dict[str, float]]:
    """Contributions to the uncertainty of the permeate flow in per cent, ours and the example's."""
    train, values = _example_train()
    plan = sections.plan(train, means="d4516")
    slopes = plan.jacobian(values)[plan.observables.index("1/permeate_flow")]
    slope = dict(zip(plan.signals, slopes, strict=True))
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
    ours = {name: 100.0 * abs(part) for name, part in parts.items()}
    ours["combined, 1 sigma"] = float(np.sqrt(sum(p * p for p in ours.values())))
    return ours, {r["contribution"]: float(r["sigma_pct"]) for r in rows(UNCERTAINTY)}


# Ours also follows what the recovery does to the average, and what the temperature does to the
# osmotic pressure and the compensation; the example leaves these out.
_WIDER = ("permeate flow 0.5%", "temperature 0.2 K at 3%/K")


@check(
    "Uncertainty of the permeate flow and its contributions",
    source="first-order propagation on a worked example",
    status="computed",
    tolerance=0.02,
    table=UNCERTAINTY,
)
def uncertainty_of_flow() -> ArrayLike:
    """Pressures, conductivity and the sum."""
    ours, expected = _contributions()
    return [ours[name] / expected[name] - 1.0 for name in ours if name not in _WIDER]


@check(
    "Contributions of flow and temperature to it, which the example simplifies",
    source="first-order propagation on a worked example",
    status="computed",
    tolerance=0.10,
    table=UNCERTAINTY,
)
def uncertainty_of_flow_simplified() -> ArrayLike:
    """Flow meter and thermometer."""
    ours, expected = _contributions()
    return [ours[name] / expected[name] - 1.0 for name in _WIDER]


@check(
    "Uncertainty of salt passage and pressure drop",
    source="first-order propagation on a worked example",
    status="computed",
    tolerance=0.02,
    table=UNCERTAINTY,
)
def uncertainty_of_passage_and_drop() -> ArrayLike:
    """Salt passage, and ΔP from two gauge transmitters."""
    train, values = _example_train()
    plan = sections.plan(train, means="d4516")
    passage = 100.0 * plan.uncertainty(values)[plan.observables.index("1/salt_passage")]
    # The example's ΔP line leaves out what flow and temperature add to the normalized value.
    only_pressures = tuple(
        i if "pressure" in i.signal else replace(i, absolute=0.0, relative=0.0)
        for i in train.instruments
    )
    plan = sections.plan(replace(train, instruments=only_pressures), means="d4516")
    drop = 100.0 * plan.uncertainty(values)[plan.observables.index("1/pressure_drop")]
    expected = {r["contribution"]: float(r["sigma_pct"]) for r in rows(UNCERTAINTY)}
    return relative(
        [passage, drop],
        [
            expected["two conductivities 2% each, flow 0.5%, temperature 0.2 K: combined"],
            expected["two 0-25 bar gauge transmitters on 1.6 bar"],
        ],
    )


@check(
    "Default accuracies of instruments",
    source="IEC 60751 at 25 °C (from memory); the rest common practice, no source",
    status="mixed",
    tolerance=1e-9,
    table=INSTRUMENT,
)
def default_accuracies() -> ArrayLike:
    """Per cent of reading or span as fractions; thermometers at 25 °C."""
    table = {r["instrument"]: r["typical_standard_error"] for r in rows(INSTRUMENT)}

    def thermometer(name: str) -> float:
        constant, slope = table[name].removesuffix("|t|").split("+")
        return float(constant) + float(slope) * 25.0

    ours = {name: accuracy for name, (_, accuracy) in INSTRUMENTS.items()}
    pairs = [
        (ours["electromagnetic"].of_reading * 100, float(table["electromagnetic flow meter"])),
        (ours["turbine"].of_reading * 100, float(table["turbine or paddle flow meter"])),
        (
            ours["differential_pressure_flow"].of_reading * 100,
            float(table["differential-pressure flow element"]),
        ),
        (ours["gauge_pressure"].of_span * 100, float(table["gauge pressure transmitter"])),
        (ours["pt100_a"].absolute, thermometer("Pt100 class A")),
        (ours["pt100_b"].absolute, thermometer("Pt100 class B")),
        (
            ours["conductivity"].of_reading * 100,
            float(table["conductivity, contacting or inductive"]),
        ),
        (ours["ph"].absolute, float(table["pH"])),
        (ours["orp"].absolute, float(table["free chlorine / ORP"].split()[-2])),
    ]
    return relative([a for a, _ in pairs], [b for _, b in pairs])
