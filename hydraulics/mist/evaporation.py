"""How long a free drop lasts: the d^2 law at the wet-bulb temperature.

A free drop is one end of what happens, no evaporation the other: inside a dense plume the air is moister than around
it, and the truth lies between the two. What does not evaporate (concentrate, its carrier) stays as a smaller drop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hydraulics.errors import RangeError
from hydraulics.mist.air import GAS_J_MOL_K, STANDARD_PA, WATER_KG_MOL, Air, saturation_pa
from hydraulics.mist.settling import DROP_KG_M3, terminal_m_s
from hydraulics.units import ZERO_C_K

Floats = NDArray[np.float64]
_STEPS = 200  # of a drop's path while it shrinks


@dataclass(frozen=True)
class Evaporation:
    """d^2 falls by rate_m2_s; residue_share of the volume sprayed does not evaporate (above 0, at most 1)."""

    rate_m2_s: float
    residue_share: float

    def __post_init__(self) -> None:
        if not self.rate_m2_s >= 0:
            raise RangeError(f"evaporation at {self.rate_m2_s:g} m2/s: give at least 0")
        if not 0 < self.residue_share <= 1:
            raise RangeError(f"residue: a share of {self.residue_share:g} of the mist; give one above 0 and at most 1")


NO_EVAPORATION = Evaporation(0.0, 1.0)


def free_drop(air: Air, residue_share: float) -> Evaporation:
    """Evaporation of a lone drop at rest: d(d^2)/dt = -8 D (vapour at the wet bulb's saturation - vapour of the air)
    / density of water; Langmuir (1918). Ventilation by the fall is left out (+10 % at 50 um).

    D, the diffusivity of vapour: 2.11e-5 (T / 273.15 K)^1.94 at 1 atm, Pruppacher and Klett, eq. 13-3 (memory).
    """
    wet_c = air.wet_bulb_c
    film_k = (air.temperature_c + wet_c) / 2 + ZERO_C_K
    diffusivity_m2_s = 2.11e-5 * (film_k / ZERO_C_K) ** 1.94 * STANDARD_PA / air.absolute_pa
    excess_kg_m3 = WATER_KG_MOL / GAS_J_MOL_K * (
        saturation_pa(wet_c) / (wet_c + ZERO_C_K) - air.vapour_pa / air.temperature_k)
    return Evaporation(max(8 * diffusivity_m2_s * excess_kg_m3 / DROP_KG_M3, 0.0), residue_share)


def life_s(diameter_m: ArrayLike, evaporation: Evaporation) -> Floats:
    """Time until only the residue is left; infinite without evaporation; same shape."""
    shed_m2 = np.asarray(diameter_m, dtype=np.float64) ** 2 * (1 - evaporation.residue_share ** (2 / 3))
    if evaporation.rate_m2_s == 0:
        return np.full_like(shed_m2, np.inf)
    return np.asarray(shed_m2 / evaporation.rate_m2_s, dtype=np.float64)


def liquid_share(age_s: ArrayLike, diameter_m: ArrayLike, evaporation: Evaporation) -> Floats:
    """Share of a drop's first volume that is still liquid at an age: (1 - rate age / d^2)^(3/2), and at least the
    residue; broadcast shape."""
    age, d = np.asarray(age_s, dtype=np.float64), np.asarray(diameter_m, dtype=np.float64)
    left = np.maximum(1 - evaporation.rate_m2_s * age / d**2, 0.0)
    return np.asarray(np.maximum(left**1.5, evaporation.residue_share), dtype=np.float64)


def fall_time_s(diameter_m: ArrayLike, height_m: float, air: Air, evaporation: Evaporation = NO_EVAPORATION,
                density_kg_m3: float = DROP_KG_M3) -> Floats:
    """Time from a height to the ground while the drop shrinks to its residue and that falls on; same shape (1-D).

    The path is summed by the trapezoid rule in equal steps of age; the drop is always at its terminal velocity.
    """
    d = np.atleast_1d(np.asarray(diameter_m, dtype=np.float64))
    full = terminal_m_s(d, air, density_kg_m3)
    if evaporation.rate_m2_s == 0 or evaporation.residue_share == 1:
        return np.asarray(height_m / full, dtype=np.float64)
    life = life_s(d, evaporation)
    ages = np.linspace(0.0, 1.0, _STEPS + 1)[:, None] * life
    speeds = terminal_m_s(d * liquid_share(ages, d, evaporation) ** (1 / 3), air, density_kg_m3)
    depths = np.vstack([np.zeros_like(d), np.cumsum((speeds[1:] + speeds[:-1]) / 2 * (life / _STEPS), axis=0)])
    times = [np.interp(height_m, depths[:, k], ages[:, k]) for k in range(d.size)]
    beyond = life + (height_m - depths[-1]) / speeds[-1]
    return np.where(depths[-1] >= height_m, np.asarray(times), beyond)
