"""Properties of salt water as the simulated plant has them: its own laws, not those of the rules."""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]

ZERO_C_K = 273.15
GAS_CONSTANT = 8.314462618  # J/mol/K, CODATA 2018
NACL_G_MOL = 58.443


@dataclass(frozen=True)
class WaterLaw:
    """The laws of one kind of water; the methods take and return arrays of any shape.

    The default is sodium chloride. A subclass with other laws makes another water.
    """

    diffusivity_25c_m2_s: float = 1.61e-9

    def density_kg_m3(self, temperature_c: Floats) -> Floats:
        """Density of pure water. [kg/m3]

        Source: the usual rational form for air-free water, from memory; checked against
        tests/reference/water_density_viscosity.csv (IAPWS-95).
        """
        t = temperature_c
        return 1000.0 * (1.0 - (t + 288.9414) * (t - 3.9863) ** 2 / (508929.2 * (t + 68.12963)))

    def viscosity_mpa_s(self, temperature_c: Floats) -> Floats:
        """Dynamic viscosity of pure water. [mPa.s]

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

        2 R T times the water in a liter [bar per mol/kg], the Debye-Hueckel slope and the linear term.
        """
        d = temperature_c - 25.0
        scale = 2.0 * GAS_CONSTANT * (temperature_c + ZERO_C_K) * 1e-5
        slope = 0.3915 + d * (5.5e-4 + 3.4e-6 * d)
        linear = 0.0599 + d * (7.52e-4 - 1.16e-5 * d)
        return np.stack([scale * 997.0, slope, linear])

    def osmotic_bar(self, salt_mg_l: Floats, factor: Floats) -> Floats:
        """Osmotic pressure: van 't Hoff times an osmotic coefficient. [bar]

        The coefficient has a Debye-Hueckel term (0.3915 at 25 degC and its change with temperature:
        Pitzer's constants, from memory), an ion-size parameter and a linear term. These two are fitted to
        tests/reference/osmotic_pressure_nacl.csv (Pitzer model by PHREEQC), within 0.2 % of it.
        """
        scale, slope, linear = factor
        # Water in a liter of solution: 997 g less the room that the salt takes.
        molality = salt_mg_l / (NACL_G_MOL * (997.0 - 0.30e-3 * salt_mg_l))
        root = np.sqrt(molality)
        coefficient = 1.0 - slope * root / (1.0 + 2.2 * root) + linear * molality
        return np.asarray(scale * coefficient * molality)


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
    law = WaterLaw()
    return law.viscosity_mpa_s(np.asarray(25.0)) / law.viscosity_mpa_s(temperature_c)


def conductivity_us_cm(salt_mg_l: Floats, temperature_c: Floats) -> Floats:
    """Conductivity of a sodium chloride solution at a temperature. [uS/cm]

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


def transmitter_conductivity_us_cm(
    salt_mg_l: Floats, temperature_c: Floats, alpha_percent_k: float = 2.0
) -> Floats:
    """What a transmitter with linear compensation shows for this water. [uS/cm "at 25 degC"]

    The water follows its own temperature law, the transmitter a straight line: away from 25 degC
    the two differ by some per cent, as in life.
    """
    at_temperature = conductivity_us_cm(salt_mg_l, temperature_c)
    return at_temperature / (1.0 + alpha_percent_k / 100.0 * (temperature_c - 25.0))
