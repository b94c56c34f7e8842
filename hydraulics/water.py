"""Water at atmospheric pressure: density and viscosity by temperature.

At the pressures of misting the density is up to 0.1 % higher than at 1 atm; the difference is left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hydraulics.errors import RangeError
from hydraulics.units import ZERO_C_K

LOWEST_C, HIGHEST_C = 0.0, 60.0

# Kell (1975), J. Chem. Eng. Data 20, 97: numerator in powers of t; the one coefficient of the denominator.
_KELL = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
_KELL_BELOW = 16.879850e-3

# IAPWS R12-08: reference temperature, density, viscosity; table 1 (H_i); table 2 (H_ij by i, j).
_T_REF_K, _RHO_REF_KG_M3, _MU_REF_PA_S = 647.096, 322.0, 1e-6
_H0 = (1.67752, 2.20462, 0.6366564, -0.241605)
_H1 = {
    (0, 0): 5.20094e-1, (1, 0): 8.50895e-2, (2, 0): -1.08374, (3, 0): -2.89555e-1,
    (0, 1): 2.22531e-1, (1, 1): 9.99115e-1, (2, 1): 1.88797, (3, 1): 1.26613, (5, 1): 1.20573e-1,
    (0, 2): -2.81378e-1, (1, 2): -9.06851e-1, (2, 2): -7.72479e-1, (3, 2): -4.89837e-1, (4, 2): -2.57040e-1,
    (0, 3): 1.61913e-1, (1, 3): 2.57399e-1, (0, 4): -3.25372e-2, (3, 4): 6.98452e-2,
    (4, 5): 8.72102e-3, (3, 6): -4.35673e-3, (5, 6): -5.93264e-4,
}


@dataclass(frozen=True)
class Water:
    """Water of one temperature."""

    temperature_c: float
    density_kg_m3: float
    viscosity_pa_s: float


def water_at(temperature_c: float) -> Water:
    """Water at 1 atm and 0 to 60 °C; raises RangeError outside."""
    if not LOWEST_C <= temperature_c <= HIGHEST_C:
        raise RangeError(f"water temperature {temperature_c:g} °C: give one from "
                         f"{LOWEST_C:g} to {HIGHEST_C:g} °C")
    density = density_kg_m3(temperature_c)
    return Water(temperature_c, density, viscosity_pa_s(temperature_c + ZERO_C_K, density))


def density_kg_m3(temperature_c: float) -> float:
    """Density of water at 1 atm, Kell (1975); within 0.001 % of IAPWS-95 from 0 to 60 °C."""
    above = sum(a * temperature_c**i for i, a in enumerate(_KELL))
    return above / (1 + _KELL_BELOW * temperature_c)


def viscosity_pa_s(temperature_k: float, density_kg_m3: float) -> float:
    """Viscosity of water, IAPWS R12-08 equations 10 to 12; the critical enhancement is left at 1."""
    t, rho = temperature_k / _T_REF_K, density_kg_m3 / _RHO_REF_KG_M3
    dilute = 100 * math.sqrt(t) / sum(h / t**i for i, h in enumerate(_H0))
    dense = math.exp(rho * sum(h * (1 / t - 1) ** i * (rho - 1) ** j for (i, j), h in _H1.items()))
    return dilute * dense * _MU_REF_PA_S
