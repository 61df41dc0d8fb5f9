"""The simulator's seawater against TEOS-10, and its vessels in seawater against a stiff solution of the equations."""

from functools import cache

import gsw
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from simulator.vessels import StageShape, Surroundings
from simulator.water import LAWS
from tests.reference.checks import absolute, check, relative
from tests.reference.tables import columns
from tests.simulator_kit import even, settled

SEA = LAWS["seawater"]
ABSOLUTE_OVER_PRACTICAL = 35.16504 / 35.0  # g/kg, reference composition
WARM = np.linspace(5.0, 40.0, 36)


def salinity_g_kg(salt_mg_l: ArrayLike) -> NDArray[np.float64]:
    """Absolute salinity of seawater of which a liter at 25 °C holds so much salt."""
    salt = np.asarray(salt_mg_l, dtype=float)
    s = salt / 1000.0
    for _ in range(30):
        s = salt / gsw.rho_t_exact(s, 25.0, 0.0)
    return np.asarray(s)


def osmotic_bar(salinity: ArrayLike, temperature_c: ArrayLike) -> NDArray[np.float64]:
    """Pressure at which the water of seawater has the chemical potential of pure water, by Newton's rule."""
    s, t = np.broadcast_arrays(np.asarray(salinity, dtype=float), np.asarray(temperature_c, float))
    pure = gsw.chem_potential_water_t_exact(np.zeros_like(s), t, 0.0)
    dbar = np.zeros_like(s)
    for _ in range(4):
        here = gsw.chem_potential_water_t_exact(s, t, dbar)
        slope = gsw.chem_potential_water_t_exact(s, t, dbar + 1.0) - here
        dbar = dbar + (pure - here) / slope
    return np.asarray(dbar / 10.0)


def grid(highest_mg_l: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Salt from 1 g/L and temperature from 5 to 40 °C."""
    salt, warm = np.meshgrid(np.geomspace(1000.0, highest_mg_l, 60), WARM)
    return salt, warm


@check(
    "Simulator: osmotic pressure of seawater on a grid, 1 to 70 g/L, 5 to 40 °C",
    source="gsw, TEOS-10: pressure at which water has the chemical potential of pure water",
    status="computed",
    tolerance=0.004,
)
def osmotic_pressure() -> ArrayLike:
    """The simulator has a law of its own."""
    salt, warm = grid(70000.0)
    got = SEA.osmotic_bar(salt, SEA.osmotic_factor(warm))
    return relative(got, osmotic_bar(salinity_g_kg(salt), warm))


@check(
    "Simulator: osmotic pressure of seawater",
    source="TEOS-10 by gsw",
    status="computed",
    tolerance=0.005,
    table="osmotic_pressure_seawater.csv",
)
def osmotic_pressure_table() -> ArrayLike:
    """Salt of a liter at 25 °C from the salinity of the table."""
    t = columns("osmotic_pressure_seawater.csv")
    usable = (t["T_degC"] >= 5.0) & (t["T_degC"] <= 40.0) & (t["C_mg_L"] <= 72000.0)
    salt = t["S_g_kg"] * gsw.rho_t_exact(t["S_g_kg"], 25.0, 0.0)
    got = SEA.osmotic_bar(salt, SEA.osmotic_factor(t["T_degC"])) * 100.0
    return relative(got[usable], t["teos10_kPa"][usable])


@check(
    "Simulator: conductivity of seawater on a grid, 1 to 70 g/L, 5 to 40 °C",
    source="gsw, PSS-78, run on beyond practical salinity 42",
    status="computed",
    tolerance=0.006,
)
def conductivity() -> ArrayLike:
    """The simulator has a law of its own; above 42 no measurement stands behind gsw."""
    salt, warm = grid(70000.0)
    practical = salinity_g_kg(salt) / ABSOLUTE_OVER_PRACTICAL
    return relative(
        SEA.conductivity_us_cm(salt, warm), 1000.0 * gsw.C_from_SP(practical, warm, 0.0)
    )


@check(
    "Simulator: conductivity of seawater",
    source="PSS-78 by gsw",
    status="computed",
    tolerance=0.006,
    table="conductivity_seawater.csv",
)
def conductivity_table() -> ArrayLike:
    """From practical salinity 1 to 42."""
    t = columns("conductivity_seawater.csv")
    salt = t["SA_g_kg"] * gsw.rho_t_exact(t["SA_g_kg"], 25.0, 0.0)
    return relative(SEA.conductivity_us_cm(salt, t["T_degC"]), 1000.0 * t["kappa_mS_cm"])


@check(
    "Simulator: density of seawater on a grid, 1 to 70 g/L, 5 to 40 °C",
    source="gsw, TEOS-10",
    status="computed",
    tolerance=0.5,
    measure="absolute",
    unit="kg/m3",
)
def density() -> ArrayLike:
    """The simulator has a law of its own."""
    salt, warm = grid(70000.0)
    return absolute(SEA.density_kg_m3(warm, salt), gsw.rho_t_exact(salinity_g_kg(salt), warm, 0.0))


@check(
    "Simulator: viscosity of seawater",
    source="Sharqawy, Lienhard and Zubair (2010) eq. 22",
    status="computed",
    tolerance=0.02,
    table="seawater_viscosity_density.csv",
)
def viscosity() -> ArrayLike:
    """Millero's form of 1974; the two claim 1.5 % themselves."""
    t = columns("seawater_viscosity_density.csv")
    usable = (t["T_degC"] >= 5.0) & (t["T_degC"] <= 40.0) & (t["S_g_kg"] <= 70.0)
    salt = t["S_g_kg"] * gsw.rho_t_exact(t["S_g_kg"], 25.0, 0.0)
    return relative(SEA.viscosity_mpa_s(t["T_degC"], salt)[usable], t["viscosity_mPa_s"][usable])


AREA_M2, LENGTH_M, ELEMENTS, SPACER_M, POROSITY = 37.2, 1.016, 7, 0.71e-3, 0.89
CONDITIONS = {
    # Feed m3/h, salt mg/L, feed bar, °C, A L/m2/h/bar and B L/m2/h at that temperature.
    "sea of 38 g/L": (9.0, 38000.0, 60.0, 25.0, 1.1, 0.06),
    "cold sea of 35 g/L": (8.5, 35000.0, 64.0, 12.0, 0.75, 0.035),
    "warm gulf of 42 g/L": (9.5, 42000.0, 64.0, 33.0, 1.35, 0.09),
}


class Channel:
    """The equations of one vessel, with the density, viscosity and osmotic pressure of each place along it.

    Viscosity of Sharqawy and others (2010); Sherwood number and friction of Schock and Miquel (1987, from memory).
    """

    def __init__(self, warm: float, water: float, salt: float):
        self.warm, self.water, self.salt = warm, water, salt
        self.grid = np.linspace(0.0, 140.0, 1401)
        self.density = gsw.rho_t_exact(self.grid, warm, 0.0)
        self.mg_l = self.grid * gsw.rho_t_exact(self.grid, 25.0, 0.0)
        self.osmotic = osmotic_bar(np.maximum(self.grid, 1e-9), warm)
        a = 1.541 + 1.998e-2 * warm - 9.52e-5 * warm**2
        b = 7.974 - 7.561e-2 * warm + 4.724e-4 * warm**2
        s = self.grid / 1000.0
        pure = 4.2844e-5 + 1.0 / (0.157 * (warm + 64.993) ** 2 - 91.296)
        self.viscosity = pure * (1.0 + a * s + b * s * s)
        pure_25 = 4.2844e-5 + 1.0 / (0.157 * (25.0 + 64.993) ** 2 - 91.296)
        self.diffusivity = 1.5e-9 * (warm + 273.15) / 298.15 * pure_25 / pure

    def of(self, table: NDArray[np.float64], mg_l: float) -> float:
        """A property at a salt content."""
        return float(np.interp(mg_l, self.mg_l, table))

    def local(self, flow: float, load: float, bar: float) -> tuple[float, float, float]:
        """Flux [L/m2/h], salt of the permeate made here [mg/L], friction [bar/m]."""
        bulk = load / flow
        mu, rho = self.of(self.viscosity, bulk), self.of(self.density, bulk)
        hydraulic = 4.0 * POROSITY / (2.0 / SPACER_M + (1.0 - POROSITY) * 8.0 / SPACER_M)
        section = AREA_M2 / (2.0 * LENGTH_M) * SPACER_M * POROSITY
        speed = flow / 3600.0 / section
        reynolds = rho * speed * hydraulic / mu
        schmidt = mu / rho / self.diffusivity
        transfer = 0.065 * reynolds**0.875 * schmidt**0.25 * self.diffusivity / hydraulic * 3.6e6
        drop = 6.23 * reynolds**-0.3 * rho * speed**2 / (2.0 * hydraulic) * 1e-5

        def passed(flux: float) -> float:
            film = np.exp(flux / transfer)
            return float(self.salt * film * bulk / (flux + self.salt * film))

        def off(flux: float) -> float:
            inside = passed(flux)
            wall = inside + (bulk - inside) * np.exp(flux / transfer)
            osmotic = self.of(self.osmotic, wall) - self.of(self.osmotic, inside)
            return float(self.water * (bar - osmotic) - flux)

        flux = float(brentq(off, 1e-4, 150.0, xtol=1e-10))
        return flux, passed(flux), drop


@cache
def profiles(slices: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Permeate, its salt, drop, brine and its salt after every element: ours, and the stiff solution's."""
    got, expected = [], []
    for flow, salt, bar, warm, a, b in CONDITIONS.values():
        channel = Channel(warm, a, b)

        def along(_: float, y: NDArray[np.float64], channel: Channel = channel) -> list[float]:
            flux, inside, drop = channel.local(y[0], y[1], y[2])
            made = flux * AREA_M2 / LENGTH_M / 1000.0
            return [-made, -made * inside, -drop]

        ends = np.arange(ELEMENTS + 1) * LENGTH_M
        found = solve_ivp(
            along, (0.0, ends[-1]), [flow, flow * salt, bar], "Radau", ends, rtol=1e-7, atol=1e-8
        )
        assert found.success, found.message
        expected.append(element_rows(*found.y))

        shape = StageShape(1, ELEMENTS * slices, AREA_M2 / slices, LENGTH_M / slices)
        middle = 0.5 * (salt + found.y[1, -1] / found.y[0, -1])
        ours = settled(
            shape,
            even(shape, np.array(a), np.array(b), 1.0),
            Surroundings(np.array([[warm]]), 0.0, 0.0, SEA, np.array([[middle]])),
            flow=np.array([[flow]]),
            salt=np.array([[salt]]),
            pressure=np.array([[bar]]),
            back=np.array([[0.0]]),
        )
        made = ours.flux[:, 0, 0] * shape.area_m2 / 1000.0
        steps = (made, made * ours.local_salt[:, 0, 0], ours.element_drop_bar[:, 0, 0])
        q, load, drop = (np.concatenate([[0.0], np.cumsum(step)])[::slices] for step in steps)
        got.append(element_rows(flow - q, flow * salt - load, bar - drop))
    return np.array(got), np.array(expected)


def element_rows(
    flow: NDArray[np.float64], load: NDArray[np.float64], bar: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Rows of each element from the brine at the ends of all of them."""
    made, carried = -np.diff(flow), -np.diff(load)
    return np.column_stack([made, carried / made, -np.diff(bar), flow[1:], load[1:] / flow[1:]])


STIFF = (
    "the same equations with TEOS-10 and local density and viscosity, stiff solution (scipy, Radau)"
)


@check(
    "Simulator: elements along a seawater vessel, one slice each",
    source=STIFF,
    status="computed",
    tolerance=0.03,
)
def coarse_seawater_vessel() -> ArrayLike:
    """Permeate, its salt, drop, brine and its salt of seven elements, at 12, 25 and 33 °C."""
    return relative(*profiles(1))


@check(
    "Simulator: elements along a seawater vessel but their drop, twenty slices each",
    source=STIFF,
    status="computed",
    tolerance=0.012,
)
def fine_seawater_vessel() -> ArrayLike:
    """What is left is the laws of water."""
    got, expected = profiles(20)
    others = [0, 1, 3, 4]
    return relative(got[..., others], expected[..., others])


@check(
    "Simulator: pressure drop of elements along a seawater vessel, twenty slices each",
    source=STIFF,
    status="computed",
    tolerance=0.022,
)
def fine_seawater_drop() -> ArrayLike:
    """We take one density and viscosity for the whole vessel: too much at its feed end, too little at its tail."""
    got, expected = profiles(20)
    return relative(got[..., 2], expected[..., 2])


@check(
    "Simulator: a seawater vessel as a whole, one slice for each element",
    source=STIFF,
    status="computed",
    tolerance=0.004,
)
def whole_seawater_vessel() -> ArrayLike:
    """Permeate, salt that it carries, and pressure drop."""
    got, expected = (np.stack([p[..., 0], p[..., 0] * p[..., 1], p[..., 2]]) for p in profiles(1))
    return relative(got.sum(axis=-1), expected.sum(axis=-1))
