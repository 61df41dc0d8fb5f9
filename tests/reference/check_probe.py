"""Probing along the permeate tube against the shared tables, and the sound vessel against the ODE solution."""

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from rules.conductivity import nacl_concentration_mg_l
from rules.probe import Probe, probe
from rules.train import Stage
from rules.tube import (
    Conditions,
    Healthy,
    Tube,
    expected_mg_l,
    healthy_vessel,
    mixed,
    own,
    own_error,
)
from rules.water import d4516_osmotic_pressure_bar
from tests.reference.checks import absolute, check, relative
from tests.reference.tables import columns, rows

PROFILES = "probing_profiles.csv"
TRUTH = "probing_truth.csv"
GAIN = "probing_noise_gain.csv"
MODEL = "element_model_reference.csv"
BALANCE = "mass balance in the permeate tube, on solved vessels with faults imposed"
METER = 0.02

# A, B, feed m3/h, mg/L and bar, permeate bar, elements: from the head of the table.
VESSELS = {
    "BW6-25C": (3.3, 0.12, 9.5, 2000.0, 10.2, 0.5, 6),
    "BW6-25C-A80pct": (2.64, 0.12, 9.5, 2000.0, 12.0, 0.5, 6),
    "SW7-25C": (0.95, 0.05, 9.0, 36000.0, 62.0, 1.0, 7),
    "BW1-25C-test": (3.3, 0.12, 11.0, 2000.0, 15.5, 0.0, 1),
}
FAULTS: dict[str, tuple[str, tuple[tuple[str, int], ...]]] = {
    "P01": ("sound", ()),
    "P02": ("sound", ()),
    "P03": ("joint", (("joint", 3),)),
    "P04": ("element", (("element", 4),)),
    "P05": ("joint", (("joint", 6),)),
    "P06": ("joint", (("joint", 0),)),
    "P07": ("lead", ()),
    "P08": ("tail", ()),
    "P11": ("sound", ()),
}


@cache
def _vessel(name: str) -> Healthy:
    a, b, feed, salt, bar, back, elements = VESSELS[name]
    return healthy_vessel(
        Stage(1, elements, 37.2, 1000.0),
        Conditions(feed, salt, bar, 25.0, back),
        water_lmh_bar=a,
        salt_lmh=b,
        channel_m=0.71e-3,
        osmotic=d4516_osmotic_pressure_bar,
    )


class _Case:
    """One case of the tables. The membrane ends 100 mm before the joints there (`dead_mm`)."""

    def __init__(self, name: str) -> None:
        self.rows = [r for r in rows(PROFILES) if r["case"] == name]
        truth = [r for r in rows(TRUTH) if r["case"] == name]
        self.elements = [r for r in truth if r["what"] == "element"]
        self.leaks = [r for r in truth if r["what"] != "element"]
        n = len(self.elements)
        self.forward = self.rows[0]["outlet_end"] == "concentrate"
        self.tube = Tube(n, port="concentrate" if self.forward else "feed", dead_mm=100.0)
        depth = np.array([float(r["distance_m"]) / 1.016 for r in self.rows])
        self.mm = self.tube.distance_mm(depth if self.forward else n - depth)
        self.kind = np.array([r["kind"] for r in self.rows])
        self.salt = self.column("cum_conc_mg_L")
        self.k25 = self.column("cum_kappa25_uS_cm")
        self.vessel = Healthy(
            np.array([float(r["flow_m3_h"]) for r in self.elements]),
            np.array([float(r["conc_mg_L"]) for r in self.elements]),
        )

    def column(self, name: str) -> np.ndarray:
        return np.array([float(r[name]) if r[name] else np.nan for r in self.rows])

    def inflows(self) -> tuple[np.ndarray, np.ndarray]:
        """Flow and concentration of elements and leaks, in flow order: joint 0, element 1, joint 1 ..."""
        n = len(self.elements)
        flow, salt = np.zeros(2 * n + 1), np.zeros(2 * n + 1)
        for places, offset in ((self.elements, -1), (self.leaks, 0)):
            for r in places:
                at = 2 * int(r["index"]) + offset
                flow[at], salt[at] = float(r["flow_m3_h"]), float(r["conc_mg_L"])
        return (flow, salt) if self.forward else (flow[::-1], salt[::-1])

    def probe(self, use: np.ndarray, healthy: Healthy | None) -> Probe:
        return probe(self.tube, self.mm[use], self.k25[use], healthy=healthy, meter=METER)


@check(
    "Sound vessel, element by element: permeate flow and salt",
    source="ordinary differential equations of the same model, relative tolerance 1e-10",
    status="computed",
    tolerance=0.005,
    table=MODEL,
)
def sound_vessel() -> ArrayLike:
    """Flow, salt and brine of every element, brackish and seawater; pressure drop of the vessel."""
    found = []
    for name in VESSELS:
        got = _vessel(name)
        lines = [r for r in rows(MODEL) if r["case"] == name and r["element"] != "vessel"]
        assert got.feed_side_mg_l is not None
        for value, column in (
            (got.flow_m3h, "q_perm"),
            (got.concentration_mg_l, "c_perm"),
            (got.feed_side_mg_l[1:], "C_out"),
        ):
            found.append(relative(value, [float(r[column]) for r in lines]))
        drop = sum(float(r["dP"]) for r in lines)
        found.append(relative([got.pressure_drop_bar], [drop]))
    return np.concatenate(found)


@check(
    "De-mixing: error of an element's own concentration",
    source="propagation of independent errors through k C_k - (k-1) C_(k-1)",
    status="computed",
    tolerance=1e-6,
    table=GAIN,
)
def noise_gain() -> ArrayLike:
    """Equal flows and errors of 1."""
    t = columns(GAIN)
    return relative(own_error(np.ones(len(t["k"])), 1.0), t["gain"])


@check(
    "Mixing along the permeate tube",
    source=BALANCE,
    status="computed",
    tolerance=1e-3,
    table=PROFILES,
)
def mixing() -> ArrayLike:
    """Concentration at every place without a leak; after every inflow with one."""
    found = []
    for name in FAULTS:
        case = _Case(name)
        flow, salt = case.inflows()
        after = mixed(flow, salt)
        found.append(relative(after[1::2], case.salt[case.kind == "end"]))
        found.append(relative(after[::2], case.salt[case.kind == "joint"]))
        if not case.leaks:
            found.append(relative(expected_mg_l(case.tube, case.vessel, case.mm), case.salt))
    return np.concatenate(found)


@check(
    "De-mixing along the permeate tube",
    source=BALANCE,
    status="computed",
    tolerance=1e-3,
    table=TRUTH,
)
def demixing() -> ArrayLike:
    """Own concentration of every element and every leak, from the mixtures after each."""
    found = []
    for name in FAULTS:
        case = _Case(name)
        flow, salt = case.inflows()
        mixture = np.full(len(flow), np.nan)
        mixture[1::2] = case.salt[case.kind == "end"]
        mixture[::2] = case.salt[case.kind == "joint"]
        inflow = flow > 0.0
        found.append(relative(own(flow[inflow], mixture[inflow]), salt[inflow]))
    return np.concatenate(found)


@check(
    "Conductivity of permeate along the tube to concentration",
    source="molar conductivities of Robinson and Stokes (from memory)",
    status="computed",
    tolerance=1e-3,
    table=PROFILES,
)
def concentration() -> ArrayLike:
    """Every reading of every case."""
    t = columns(PROFILES)
    return relative(nacl_concentration_mg_l(t["cum_kappa25_uS_cm"]), t["cum_conc_mg_L"])


@check(
    "Probe: fault and place, conditions known and not known",
    source=BALANCE,
    status="computed",
    tolerance=0,
    measure="mismatches",
    table=TRUTH,
)
def verdicts() -> ArrayLike:
    """Kind and place of every case from all its samples, decided, with a meter of 2 %."""
    wrong = 0
    for name, want in FAULTS.items():
        case = _Case(name)
        every = np.ones(len(case.rows), dtype=bool)
        for healthy in (None, _vessel("SW7-25C" if name == "P11" else "BW6-25C")):
            got = case.probe(every, healthy)
            assert got.first is not None
            wrong += (got.first.kind, got.first.where) != want or not got.decided
    return wrong


@check(
    "Probe: size of a leak",
    source=BALANCE,
    status="computed",
    tolerance=0.05,
    measure="absolute",
    unit="of the vessel's salt",
    table=TRUTH,
)
def sizes() -> ArrayLike:
    """Salt that the joint lets in over the salt of the sound vessel, within a few meter errors."""
    found = []
    for name in ("P03", "P05", "P06"):
        case = _Case(name)
        got = case.probe(np.ones(len(case.rows), dtype=bool), _vessel("BW6-25C")).first
        assert got is not None
        leak = float(case.leaks[0]["flow_m3_h"]) * float(case.leaks[0]["conc_mg_L"])
        sound = float(case.vessel.flow_m3h @ case.vessel.concentration_mg_l)
        found.append(absolute(got.size, leak / sound).ravel())
    return np.concatenate(found)


@check(
    "Probe: what cannot be decided is not, until the sample asked for is taken",
    source=BALANCE,
    status="computed",
    tolerance=0,
    measure="mismatches",
    table=TRUTH,
)
def undecidable() -> ArrayLike:
    """With samples after the joints only, joint k and element k give the same numbers but for size.

    No statistic separates them (P03 and P04), so an answer would be a guess: the verdict must be
    undecided between the two, the sample asked for must lie within the element, and with the
    samples of that element from the table the answer must be decided and right.
    """
    wrong = 0
    for name, element, pair in (
        ("P03", 3, {(("joint", 3),), (("element", 3),)}),
        ("P04", 4, {(("joint", 4),), (("element", 4),)}),
    ):
        case = _Case(name)
        joints = case.kind == "joint"
        got = case.probe(joints, _vessel("BW6-25C"))
        wrong += got.decided or {e.where for e in got.explanations[:2]} != pair
        sample = got.next_sample
        wrong += sample is None or not element - 1 < sample.along < element
        inside = np.array([f"element {element}" in r["place"] for r in case.rows])
        after = case.probe(joints | inside, _vessel("BW6-25C"))
        assert after.first is not None
        wrong += not after.decided or (after.first.kind, after.first.where) != FAULTS[name]
    return wrong
