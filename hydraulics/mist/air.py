"""Moist air: density, viscosity, mean free path, and the temperature that a wet drop takes in it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hydraulics.errors import RangeError
from hydraulics.units import ZERO_C_K

LOWEST_C, HIGHEST_C = -10.0, 60.0
LOWEST_PA, HIGHEST_PA = 5e4, 1.1e5
STANDARD_PA = 101325.0
GAS_J_MOL_K = 8.314462618  # CODATA 2018, exact
DRY_KG_MOL, WATER_KG_MOL = 0.0289647, 0.01801528


@dataclass(frozen=True)
class Air:
    """Air of one temperature, relative humidity (share of saturation, 0 to 1) and pressure.

    Raises RangeError naming each value outside -10 to 60 °C, 0 to 1, 50 to 110 kPa.
    """

    temperature_c: float
    humidity_share: float
    absolute_pa: float = STANDARD_PA

    def __post_init__(self) -> None:
        faults = [text for sound, text in (
            (LOWEST_C <= self.temperature_c <= HIGHEST_C,
             f"temperature {self.temperature_c:g} °C, give one from {LOWEST_C:g} to {HIGHEST_C:g} °C"),
            (0 <= self.humidity_share <= 1, f"relative humidity {self.humidity_share:g}, give a share from 0 to 1"),
            (LOWEST_PA <= self.absolute_pa <= HIGHEST_PA,
             f"pressure {self.absolute_pa:g} Pa, give one from {LOWEST_PA:g} to {HIGHEST_PA:g} Pa"),
        ) if not sound]
        if faults:
            raise RangeError(f"air: {'; '.join(faults)}")

    @property
    def temperature_k(self) -> float:
        return self.temperature_c + ZERO_C_K

    @property
    def vapour_pa(self) -> float:
        """Partial pressure of water vapour."""
        return self.humidity_share * saturation_pa(self.temperature_c)

    @property
    def density_kg_m3(self) -> float:
        """Ideal mixture of dry air and vapour."""
        kilograms_a_mole = DRY_KG_MOL - (DRY_KG_MOL - WATER_KG_MOL) * self.vapour_pa / self.absolute_pa
        return self.absolute_pa * kilograms_a_mole / (GAS_J_MOL_K * self.temperature_k)

    @property
    def viscosity_pa_s(self) -> float:
        """Sutherland's law with the constants of the U.S. Standard Atmosphere (1976), as of dry air (1 % off)."""
        return 1.458e-6 * self.temperature_k * math.sqrt(self.temperature_k) / (self.temperature_k + 110.4)

    @property
    def mean_free_path_m(self) -> float:
        """Kinetic theory: viscosity / pressure * sqrt(pi R T / 2 M); 0.066 um at 20 °C and 1 atm."""
        return self.viscosity_pa_s / self.absolute_pa * math.sqrt(
            math.pi * GAS_J_MOL_K * self.temperature_k / (2 * DRY_KG_MOL))

    @property
    def wet_bulb_c(self) -> float:
        """Temperature of a ventilated wet surface: the root of the psychrometer's equation, WMO-No. 8, annex 4.B
        (memory): vapour = saturation(t_w) - 6.53e-4 (1 + 0.000944 t_w) pressure (t - t_w)."""
        from scipy.optimize import brentq  # here: it is slow to load

        def excess_pa(wet_c: float) -> float:
            cooling_pa = 6.53e-4 * (1 + 9.44e-4 * wet_c) * self.absolute_pa * (self.temperature_c - wet_c)
            return saturation_pa(wet_c) - cooling_pa - self.vapour_pa

        return float(brentq(excess_pa, self.temperature_c - 45.0, self.temperature_c, xtol=1e-9))


def saturation_pa(temperature_c: float) -> float:
    """Vapour pressure over a plane of water, Buck (1981) with his coefficients of 1996 (memory)."""
    return 611.21 * math.exp((18.678 - temperature_c / 234.5) * temperature_c / (257.14 + temperature_c))
