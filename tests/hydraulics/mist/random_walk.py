"""A second calculation of the plume: drops that walk at random through the log profile, one by one.

Langevin equation of the neutral surface layer (Thomson 1987, memory): the standard deviation of the vertical wind is
1.25 u*, its time of memory that which gives 0.4 u* z as diffusivity. A drop at its present terminal velocity W that
meets the ground stays there with the chance that lets W c settle, else it is thrown back.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from hydraulics.mist.air import Air
from hydraulics.mist.evaporation import Evaporation, liquid_share
from hydraulics.mist.settling import terminal_m_s

Floats = NDArray[np.float64]


def landing_distance_m(
    diameter_m: Floats, height_m: float, friction_m_s: float, roughness_m: float, air: Air, evaporation: Evaporation,
    farthest_m: float, seed: int,
) -> Floats:
    """Distance downwind at which each drop lands, infinite beyond farthest_m; shape of diameter_m."""
    rng = np.random.default_rng(seed)
    gust = 1.25 * friction_m_s
    table_m = np.geomspace(1e-6, 5e-4, 400)
    table_m_s = terminal_m_s(table_m, air)
    x, z, age = np.zeros(diameter_m.size), np.full(diameter_m.size, height_m), np.zeros(diameter_m.size)
    w, landed = rng.normal(0, gust, diameter_m.size), np.full(diameter_m.size, np.inf)
    going = np.arange(diameter_m.size)
    while going.size:
        memory = 0.4 * friction_m_s * np.maximum(z[going], roughness_m) / gust**2
        step = np.minimum(0.1 * memory, 0.05)
        kept = np.exp(-step / memory)
        left = liquid_share(age[going], diameter_m[going], evaporation) ** (1 / 3)
        fall = np.interp(diameter_m[going] * left, table_m, table_m_s)
        w[going] = kept * w[going] + gust * np.sqrt(1 - kept**2) * rng.normal(size=going.size)
        z[going] += (w[going] - fall) * step
        x[going] += friction_m_s / 0.4 * np.log(np.maximum(z[going] / roughness_m, 1.0)) * step
        age[going] += step
        met = z[going] <= roughness_m
        stays = met & (rng.random(going.size) < fall / (gust / math.sqrt(2 * math.pi) + fall / 2))
        landed[going[stays]] = x[going[stays]]
        thrown = going[met & ~stays]
        z[thrown], w[thrown] = 2 * roughness_m - z[thrown], -w[thrown]
        going = going[~stays & (x[going] < farthest_m)]
    return landed
