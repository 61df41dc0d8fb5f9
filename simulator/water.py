"""Properties of salt water as the simulated plant has them: its own laws, not those of the rules."""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]

ZERO_C_K = 273.15
GAS_CONSTANT = 8.314462618  # J/mol/K, CODATA 2018
NACL_G_MOL = 58.443
WATER_G_L = 997.0
SALT_PER_CHLORINITY = 1.80655 * 35.16504 / 35.0


@dataclass(frozen=True)
class WaterLaw:
    """The laws of one kind of water; the methods take and return arrays of any shape.

    The default is sodium chloride. A subclass with other laws makes another water. Salt is in mg for each
    liter at 25 degC.

    diffusivity_25c_m2_s : of the salt. particle_g_mol : mass of a mole of dissolved particles, so that sodium
    chloride has half of its own. room : water that a gram of salt takes the place of. [g/L per g/L]
    ion_size, slope, linear : of the osmotic coefficient, by the root of particles (`osmotic_bar`); the last two
    with their first and second change by temperature.
    """

    diffusivity_25c_m2_s: float = 1.61e-9
    particle_g_mol: float = NACL_G_MOL / 2.0
    room: float = 0.30
    ion_size: float = 2.2 / 2.0**0.5
    slope: tuple[float, float, float] = (
        0.3915 / 2.0**0.5,
        5.5e-4 / 2.0**0.5,
        3.4e-6 / 2.0**0.5,
    )
    linear: tuple[float, float, float] = (0.0599 / 2.0, 7.52e-4 / 2.0, -1.16e-5 / 2.0)

    def density_kg_m3(self, temperature_c: Floats, salt_mg_l: Floats | float = 0.0) -> Floats:
        """Density, here of pure water whatever its salt: brackish water is within 1 %. [kg/m3]

        Source: the usual rational form for air-free water, from memory; checked against
        tests/reference/water_density_viscosity.csv (IAPWS-95).
        """
        t = temperature_c
        return 1000.0 * (1.0 - (t + 288.9414) * (t - 3.9863) ** 2 / (508929.2 * (t + 68.12963)))

    def viscosity_mpa_s(self, temperature_c: Floats, salt_mg_l: Floats | float = 0.0) -> Floats:
        """Dynamic viscosity, here of pure water whatever its salt. [mPa.s]

        Source: Vogel's form exp(a + b/(T - c)); the three constants pass through 1.5182, 0.8900
        and 0.5958 mPa.s at 5, 25 and 45 degC (IAPWS R12-08).
        """
        return np.exp(VOGEL_A + VOGEL_B / (temperature_c + ZERO_C_K - VOGEL_C))

    def diffusivity_m2_s(self, temperature_c: Floats) -> Floats:
        """Diffusivity of the salt, scaled with absolute temperature over viscosity. [m2/s]"""
        mu_25 = self.viscosity_mpa_s(np.asarray(25.0))
        ratio = (temperature_c + ZERO_C_K) / (25.0 + ZERO_C_K)
        return self.diffusivity_25c_m2_s * ratio * mu_25 / self.viscosity_mpa_s(temperature_c)

    def osmotic_factor(self, temperature_c: Floats) -> Floats:
        """What `osmotic_bar` needs of the temperature, computed once, on a new first axis:

        R T times the water in a liter [bar per mol/kg], the Debye-Hueckel slope and the linear term.
        """
        d = temperature_c - 25.0
        scale = GAS_CONSTANT * (temperature_c + ZERO_C_K) * 1e-5 * WATER_G_L
        slope = self.slope[0] + d * (self.slope[1] + self.slope[2] * d)
        linear = self.linear[0] + d * (self.linear[1] + self.linear[2] * d)
        return np.stack([scale, slope, linear])

    def osmotic_bar(self, salt_mg_l: Floats, factor: Floats) -> Floats:
        """Osmotic pressure: van 't Hoff times an osmotic coefficient. [bar]

        The coefficient has a Debye-Hueckel term (for sodium chloride 0.3915 at 25 degC and its change with
        temperature: Pitzer's constants, from memory; here by the root of particles, so over the root of 2),
        an ion-size parameter and a linear term. These two are fitted to
        tests/reference/osmotic_pressure_nacl.csv (Pitzer model by PHREEQC), within 0.2 % of it.
        """
        scale, slope, linear = factor
        molality = salt_mg_l / (self.particle_g_mol * (WATER_G_L - self.room * 1e-3 * salt_mg_l))
        root = np.sqrt(molality)
        coefficient = 1.0 - slope * root / (1.0 + self.ion_size * root) + linear * molality
        return np.asarray(scale * coefficient * molality)

    def conductivity_us_cm(self, salt_mg_l: Floats, temperature_c: Floats) -> Floats:
        """Conductivity at a temperature. [uS/cm]

        Source: limiting law of Debye, Hueckel and Onsager for a 1:1 salt in water with an ion size of 0.415 nm
        in the denominator (Falkenhagen's form), from memory: at 25 degC 126.45 S cm2/mol less (60.2 + 0.2290
        times that) times the root of the concentration. The first part of the slope follows the fluidity of
        water, the second the limiting conductivity. Checked against tests/reference/conductivity_nacl_25C.csv.
        """
        mol_l = np.asarray(salt_mg_l, dtype=float) / (NACL_G_MOL * 1000.0)
        root = np.sqrt(mol_l)
        limiting = 126.45 * conductivity_temperature_ratio(temperature_c)
        slope = 60.2 * _fluidity(temperature_c) + 0.2290 * limiting
        molar = limiting - slope * root / (1.0 + 1.366 * root)
        return 1000.0 * mol_l * molar


@dataclass(frozen=True)
class SeawaterLaw(WaterLaw):
    """Sea salt of standard composition, from 1 to 70 g/L.

    31.40 g of it make a mole of particles (reference composition of TEOS-10). Its osmotic coefficient has the
    form of that of sodium chloride, fitted to gsw (TEOS-10) within 0.3 %; its diffusivity is that of the salt as
    a whole, common practice, no source.
    """

    diffusivity_25c_m2_s: float = 1.5e-9
    particle_g_mol: float = 31.4038
    room: float = 0.146
    ion_size: float = 2.011
    slope: tuple[float, float, float] = (0.4192, 1.4409e-3, 2.8132e-5)
    linear: tuple[float, float, float] = (0.0432, 3.314e-4, -2.87e-6)

    def density_kg_m3(self, temperature_c: Floats, salt_mg_l: Floats | float = 0.0) -> Floats:
        """Density; what the salt adds is fitted to gsw (TEOS-10) within 0.3 kg/m3. [kg/m3]"""
        g_l, d = np.asarray(salt_mg_l) / 1000.0, temperature_c - 25.0
        added = g_l * (0.745 - 4.0e-4 * g_l) * (1.0 - d * (2.0e-3 - 3.4e-5 * d))
        return np.asarray(super().density_kg_m3(temperature_c) + added)

    def viscosity_mpa_s(self, temperature_c: Floats, salt_mg_l: Floats | float = 0.0) -> Floats:
        """Dynamic viscosity. [mPa.s]

        Source: Millero's form of 1974, 1 + A Cl^0.5 + B Cl with the chlorinity of a liter, from memory, and a
        square term of our own beyond the sea's salinity. Checked against
        tests/reference/seawater_viscosity_density.csv (Sharqawy and others 2010).
        """
        t = temperature_c
        chlorinity = np.asarray(salt_mg_l) / 1000.0 / SALT_PER_CHLORINITY
        part = (1.0675e-4 + 5.185e-5 * t) * np.sqrt(chlorinity)
        part = part + (2.591e-3 + 3.300e-5 * t + 1.0e-5 * chlorinity) * chlorinity
        return np.asarray(super().viscosity_mpa_s(t) * (1.0 + part))

    def conductivity_us_cm(self, salt_mg_l: Floats, temperature_c: Floats) -> Floats:
        """Conductivity at a temperature. [uS/cm]

        Falkenhagen's form as for sodium chloride, with 58.0 g of sea salt to the equivalent, and a linear term;
        its four constants are fitted to gsw (PSS-78, run on beyond practical salinity 42) from 1 to 75 g/L and 3
        to 45 degC within 0.6 %.
        """
        mol_l = np.asarray(salt_mg_l, dtype=float) / 58.0e3
        root = np.sqrt(mol_l)
        slowed = 156.4 * root / (1.0 + 2.826 * root) + 8.51 * mol_l
        limiting = 129.03 * conductivity_temperature_ratio(temperature_c)
        return 1000.0 * mol_l * (limiting - slowed * _fluidity(temperature_c))


VOGEL_A = -3.345737
VOGEL_B = 455.0932
VOGEL_C = 157.2195


def conductivity_temperature_ratio(temperature_c: Floats) -> Floats:
    """Conductivity of dilute salt at a temperature over that at 25 degC, above 1 when warmer. [-]

    Source: Walden's rule with an exponent below one, (mu25/mu)^0.91; the exponent reproduces the
    limiting conductivities of Robinson and Stokes between 5 and 45 degC within 0.5 %.
    """
    return _fluidity(temperature_c) ** 0.91


def _fluidity(temperature_c: Floats) -> Floats:
    return NACL.viscosity_mpa_s(np.asarray(25.0)) / NACL.viscosity_mpa_s(temperature_c)


NACL = WaterLaw()
LAWS: dict[str, WaterLaw] = {"nacl": NACL, "seawater": SeawaterLaw()}
"""The waters that a scenario can be fed with, by the names that the plant file has for them.

Whatever the feed, permeate conducts as sodium chloride (`NACL`): membranes hold back the salts of calcium,
magnesium and sulfate ten times better than it, so little else comes through. What comes through a leak is
counted as if it did too: 5 % of its conductivity. The membrane itself sees one salt, with the osmotic pressure
of the feed's law on both sides.
"""


def transmitter_conductivity_us_cm(
    salt_mg_l: Floats, temperature_c: Floats, alpha_percent_k: float = 2.0, law: WaterLaw = NACL
) -> Floats:
    """What a transmitter with linear compensation shows for this water. [uS/cm "at 25 degC"]

    The water follows its own temperature law, the transmitter a straight line: away from 25 degC
    the two differ by some per cent, as in life.
    """
    at_temperature = law.conductivity_us_cm(salt_mg_l, temperature_c)
    return at_temperature / (1.0 + alpha_percent_k / 100.0 * (temperature_c - 25.0))
