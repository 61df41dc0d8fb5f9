"""The simulator's own physics against closed forms, tight numerical solutions and handbooks."""

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from simulator.vessels import StageShape, Surroundings
from simulator.water import NACL, Floats, WaterLaw, conductivity_temperature_ratio
from tests.reference.checks import absolute, check, relative
from tests.reference.tables import columns, rows
from tests.simulator_kit import IdealLaw, TableLaw, even, settled

CLOSED_FORM = "element_model_closed_form.csv"
ELEMENTS = "element_model_reference.csv"
TEXTBOOK = "textbook_membrane_examples.csv"
SCHOCK = (
    "solution-diffusion with film theory (Schock and Miquel 1987, from memory), tight ODE solution"
)


@cache
def closed_form(slices: int) -> tuple[Floats, Floats]:
    """Recoveries that the model gives for the areas of the closed-form table, and the table's."""
    t = columns(CLOSED_FORM)
    net_bar, feed_m3h, salt = 10.0, 8.0, 2000.0
    shape = StageShape(len(t["SR"]), slices, area_m2=200.0 / slices, length_m=5.0 / slices)
    permeability = t["A_area_dP_over_Qf"] * feed_m3h * 1000.0 / (200.0 * net_bar)
    # One vessel for each row; its feed salt makes the wanted osmotic pressure.
    law = IdealLaw(curve_mg_l=(0.0, 1e9), curve_bar=(0.0, 1e9 * net_bar / salt))
    found = settled(
        shape,
        even(shape, permeability, np.array(0.0), 0.0),
        Surroundings(np.array([[25.0]]), 0.0, 0.0, law),
        flow=np.full((1, shape.vessels), feed_m3h),
        salt=(t["SR"] * salt)[None, :],
        pressure=np.array([[net_bar]]),
        back=np.array([[0.0]]),
    )
    return found.permeate[0] / feed_m3h, t["RR"]


@check(
    "Simulator: recovery of an ideal exchanger, 240 slices",
    source="closed form (Banchik and others 2014, re-derived)",
    status="computed",
    tolerance=2e-4,
    table=CLOSED_FORM,
)
def ideal_exchanger() -> ArrayLike:
    """No polarization, no drop: nothing but the slicing is left."""
    return relative(*closed_form(240))


@check(
    "Simulator: recovery of an ideal exchanger, extrapolated to no slicing",
    source="closed form (Banchik and others 2014, re-derived)",
    status="computed",
    tolerance=2e-5,
    table=CLOSED_FORM,
)
def ideal_exchanger_extrapolated() -> ArrayLike:
    """Second order in length: a fifteenth of the last step is still to come."""
    coarse, expected = closed_form(60)
    fine, _ = closed_form(240)
    return relative(fine + (fine - coarse) / 15.0, expected)


CASES = {
    # Conditions from the head of the table: A, B, Qf, Cf, Pf, Pp, elements.
    "BW6-25C": (3.3, 0.12, 9.5, 2000.0, 10.2, 0.5, 6),
    "BW6-25C-A80pct": (2.64, 0.12, 9.5, 2000.0, 12.0, 0.5, 6),
    "SW7-25C": (0.95, 0.050, 9.0, 36000.0, 62.0, 1.0, 7),
    "BW1-25C-test": (3.3, 0.12, 11.0, 2000.0, 15.5, 0.0, 1),
}
COLUMNS = ("q_perm", "c_perm", "dP", "Q_out", "C_out")


def vessel_profile(case: str, slices: int) -> tuple[list[list[float]], list[list[float]]]:
    """Rows of `COLUMNS`, ours and the table's: each element, then the vessel."""
    a, b, feed, salt, pressure, back, elements = CASES[case]
    shape = StageShape(1, elements * slices, area_m2=37.2 / slices, length_m=1.0 / slices)
    found = settled(
        shape,
        even(shape, np.array(a), np.array(b), 1.0),
        Surroundings(np.array([[25.0]]), 0.0, 0.0, TableLaw()),
        flow=np.array([[feed]]),
        salt=np.array([[salt]]),
        pressure=np.array([[pressure]]),
        back=np.array([[back]]),
    )
    made = found.flux[:, 0, 0] * shape.area_m2 / 1000.0
    carried = made * found.local_salt[:, 0, 0]
    drops = found.element_drop_bar[:, 0, 0]
    q, s, drop = (x.reshape(elements, slices).sum(axis=1) for x in (made, carried, drops))
    out = feed - np.cumsum(q)
    brine = (feed * salt - np.cumsum(s)) / out
    got = np.column_stack([q, s / q, drop, out, brine]).tolist()
    permeate = found.permeate[0, 0]
    mixed = found.permeate_salt[0, 0] / permeate
    got.append([permeate, mixed, found.drop_bar[0, 0], out[-1], brine[-1]])
    table = [r for r in rows(ELEMENTS) if r["case"] == case]
    assert [r["element"] for r in table] == [*map(str, range(1, elements + 1)), "vessel"]
    return got, [[float(r[c]) for c in COLUMNS] for r in table]


def _profiles(slices: int) -> ArrayLike:
    return np.concatenate([relative(*vessel_profile(case, slices)) for case in CASES])


@check(
    "Simulator: elements along a vessel, one slice each",
    source=SCHOCK,
    status="computed",
    tolerance=0.03,
    table=ELEMENTS,
)
def coarse_elements() -> ArrayLike:
    """Permeate, its salt, drop, brine and its salt of every element and vessel."""
    return _profiles(1)


@check(
    "Simulator: elements along a vessel, twenty slices each",
    source=SCHOCK,
    status="computed",
    tolerance=0.005,
    table=ELEMENTS,
)
def fine_elements() -> ArrayLike:
    """The same with twenty slices."""
    return _profiles(20)


@cache
def textbook() -> tuple[dict[str, float], Floats]:
    """The example's numbers by name, and our permeate flow [m3/s], its salt [kg/m3] and the rejection."""
    t = {r["quantity"]: float(r["value"]) for r in rows(TEXTBOOK)}
    atm = 1.01325
    law = IdealLaw(
        curve_mg_l=(0.0, t["product_conc"] * 1000.0, t["feed_conc"] * 1000.0),
        curve_bar=(0.0, t["pi_product"] * atm, t["pi_feed"] * atm),
    )
    shape = StageShape(1, 1, area_m2=t["area"], length_m=0.05)
    found = settled(
        shape,
        # The example's water flux is a mass; its density is 997 kg/m3.
        even(shape, np.array(t["Aw"] * 3600.0 / 0.997 / atm), np.array(t["As"] * 3.6e6), 0.0),
        Surroundings(np.array([[25.0]]), 0.0, 0.0, law),
        flow=np.array([[1.0]]),
        salt=np.array([[t["feed_conc"] * 1000.0]]),
        pressure=np.array([[t["dP"] * atm]]),
        back=np.array([[0.0]]),
    )
    flow = found.flux[0, 0, 0] * t["area"] * 1e-3 / 3600.0
    passed = found.local_salt[0, 0, 0] / 1000.0
    return t, np.array([flow, passed, 1.0 - passed / t["feed_conc"]])


@check(
    "Simulator: permeate flow and salt of a laboratory membrane",
    source="Geankoplis, Transport Processes and Separation Process Principles, example 13.10-1",
    status="from memory",
    tolerance=0.01,
    table=TEXTBOOK,
)
def laboratory_membrane() -> ArrayLike:
    """From both permeabilities of the example, recomputed from its data."""
    t, got = textbook()
    return relative(got[:2], [t["product_flow"], t["product_conc"]])


@check(
    "Simulator: rejection of a laboratory membrane",
    source="Geankoplis, Transport Processes and Separation Process Principles, example 13.10-1",
    status="from memory",
    tolerance=0.001,
    measure="absolute",
    table=TEXTBOOK,
)
def laboratory_rejection() -> ArrayLike:
    """One minus permeate salt over feed salt."""
    t, got = textbook()
    return absolute(got[2], t["rejection"])


@check(
    "Simulator: osmotic pressure of sodium chloride to 70 g/L, 5 to 45 °C",
    source="Pitzer model by PHREEQC",
    status="computed",
    tolerance=0.003,
    table="osmotic_pressure_nacl.csv",
)
def osmotic_pressure() -> ArrayLike:
    """The simulator has a law of its own."""
    t, law = columns("osmotic_pressure_nacl.csv"), WaterLaw()
    got = law.osmotic_bar(t["C_mg_L"], law.osmotic_factor(t["T_degC"])) * 100.0
    return relative(got, t["pitzer_kPa"])


@check(
    "Simulator: density of water",
    source="IAPWS-95",
    status="computed",
    tolerance=1e-4,
    table="water_density_viscosity.csv",
)
def density() -> ArrayLike:
    """The simulator has a law of its own."""
    t = columns("water_density_viscosity.csv")
    return relative(WaterLaw().density_kg_m3(t["T_degC"]), t["density_kg_m3"])


@check(
    "Simulator: viscosity of water",
    source="IAPWS R12-08",
    status="computed",
    tolerance=3.5e-3,
    table="water_density_viscosity.csv",
)
def viscosity() -> ArrayLike:
    """The simulator has a law of its own."""
    t = columns("water_density_viscosity.csv")
    return relative(WaterLaw().viscosity_mpa_s(t["T_degC"]), t["viscosity_mPa_s"])


def _conductivity(highest_mg_l: float) -> ArrayLike:
    t = columns("conductivity_nacl_25C.csv")
    usable = t["C_mg_L"] <= highest_mg_l
    got = NACL.conductivity_us_cm(t["C_mg_L"], np.asarray(25.0))
    return relative(got[usable], t["kappa25_uS_cm"][usable])


@check(
    "Simulator: conductivity of sodium chloride to 5.8 g/L",
    source="Robinson and Stokes",
    status="from memory",
    tolerance=0.005,
    table="conductivity_nacl_25C.csv",
)
def conductivity() -> ArrayLike:
    """At 25 °C."""
    return _conductivity(5845.0)


@check(
    "Simulator: conductivity of sodium chloride to 30 g/L",
    source="Robinson and Stokes",
    status="from memory",
    tolerance=0.01,
    table="conductivity_nacl_25C.csv",
)
def conductivity_of_brine() -> ArrayLike:
    """At 25 °C; no brine of its sodium-chloride plants passes 30 g/L."""
    return _conductivity(30000.0)


@check(
    "Simulator: conductivity by temperature, 5 to 45 °C",
    source="limiting conductivities of Robinson and Stokes",
    status="from memory",
    tolerance=0.005,
    table="conductivity_nacl_limiting_temperature.csv",
)
def conductivity_by_temperature() -> ArrayLike:
    """Over that at 25 °C."""
    t = columns("conductivity_nacl_limiting_temperature.csv")
    usable = t["T_degC"] >= 5.0
    got = conductivity_temperature_ratio(t["T_degC"])
    return relative(got[usable], t["ratio_to_25C"][usable])
