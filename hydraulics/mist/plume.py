"""The tilted Gaussian plume of one class of drops, by its age: Ermak (1977), Atmos. Environ. 11, 231 (memory).

With the speed of settling W equal to that of deposition, and a constant vertical diffusivity K, the share of the drops
per metre of height z, t seconds after they left a nozzle at height h, is

    c = (4 pi K t)^(-1/2) (exp(-(z - h + W t)^2 / 4 K t) + exp(W h / K) exp(-(z + h + W t)^2 / 4 K t))
        - W / 2 K exp(W h / K) erfc((z + h + W t) / (4 K t)^(1/2))

which solves c_t = K c_zz + W c_z with K c_z = 0 at the ground, so that W c(0) reaches it in a second. Age is distance
downwind over the mean speed of the wind between ground and nozzle. A form in which the ground swallows every path that
touches it (W_dep infinite) lets far too little drift and is not used.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hydraulics.mist.wind import VON_KARMAN, Wind, friction_velocity_m_s, speed_at_m_s

Floats = NDArray[np.float64]
FIRST_SPREAD_M = 0.3  # of the cloud at the nozzle
_LEAST_AGE_S = 1e-9
LOW_MOUNT_M, ROUGH_M, FAST_M_S = 2.4, 0.1, 1.0
FASTEST_KNOWN_M_S, TOLD_AT_M = 3.0, 10.0  # winds at that height
LEAST_BIAS_SHARE = 0.12
_BIAS_SHARE = (LEAST_BIAS_SHARE, 0.19, 0.26)  # a step more for each that makes the plume miss more


def diffusivity_m2_s(height_m: float, friction_m_s: float) -> float:
    """Vertical diffusivity that stands for the layer that the mist passes: 0.4 u* z at the nozzle's height.

    The share beyond 20 and 50 m is then nearest to that of a random walk through the log profile (tests).
    """
    return VON_KARMAN * friction_m_s * height_m


def spread_m(age_s: ArrayLike, friction_m_s: float) -> Floats:
    """Standard deviation across the wind: sigma^2 = 0.3^2 + (s t)^2 / (1 + t / 20 s), s = max(1.9 u*, 0.1 m/s), after
    Taylor (1921) with the turbulence of neutral air; same shape."""
    age = np.asarray(age_s, dtype=np.float64)
    speed_m_s = max(1.9 * friction_m_s, 0.1)
    return np.asarray(np.sqrt(FIRST_SPREAD_M**2 + (speed_m_s * age) ** 2 / (1 + age / 20)), dtype=np.float64)


def share_above(age_s: ArrayLike, height_m: float, fall_m_s: ArrayLike, diffusivity_m2_s: float,
                level_m: float = 0.0) -> Floats:
    """Share of the drops that is airborne above a level: the integral of c from there up; broadcast shape.

    At level 0 it is all that has not reached the ground. Without overflow: exp() erfc() is taken as erfcx().
    """
    from scipy.special import erfc, erfcx

    t, fall = _aged(age_s, fall_m_s)
    width = np.sqrt(4 * diffusivity_m2_s * t)
    direct = (level_m - height_m + fall * t) / width
    image = (level_m + height_m + fall * t) / width
    scaled = erfcx(image)
    weight = np.exp(fall * height_m / diffusivity_m2_s - image**2)
    loss = fall * width / (2 * diffusivity_m2_s) * (1 / math.sqrt(math.pi) - image * scaled)
    return np.asarray(erfc(direct) / 2 + weight * (scaled / 2 - loss), dtype=np.float64)


def ground_rate_per_s(age_s: ArrayLike, height_m: float, fall_m_s: ArrayLike, diffusivity_m2_s: float) -> Floats:
    """Share of the drops that reaches the ground in a second, W c(0); broadcast shape."""
    from scipy.special import erfcx

    t, fall = _aged(age_s, fall_m_s)
    width = np.sqrt(4 * diffusivity_m2_s * t)
    gauss = np.exp(-(((fall * t - height_m) / width) ** 2))
    there = 2 / (math.sqrt(math.pi) * width) - fall / (2 * diffusivity_m2_s) * erfcx((height_m + fall * t) / width)
    return np.asarray(fall * gauss * there, dtype=np.float64)


def _aged(age_s: ArrayLike, fall_m_s: ArrayLike) -> tuple[Floats, Floats]:
    age = np.maximum(np.asarray(age_s, dtype=np.float64), _LEAST_AGE_S)
    return np.asarray(age, dtype=np.float64), np.asarray(fall_m_s, dtype=np.float64)


def bias_share(lowest_m: float, wind: Wind) -> float:
    """Share of the mist by which the plume may tell too little to drift: by the height of the lowest nozzle, the ground
    and the fastest wind.

    It knows nothing of the faster wind above the nozzle. Against drops that walk at random through the log profile it
    missed at most 0.115 of the mist beyond any distance up to 200 m with mounts from 2.4 m over roughness up to 0.1 m,
    0.17 with either lower mounts (1.5 m) or rougher ground (0.3 m), 0.20 with both, in winds up to 3 m/s at 10 m; in
    winds up to 1 m/s a step less (tests; drops that keep their water). Winds above FASTEST_KNOWN_M_S were not tried.
    """
    more = (lowest_m < LOW_MOUNT_M) + (wind.roughness_m > ROUGH_M)
    fast = fastest_m_s(wind) > FAST_M_S * (1 + 1e-9)
    return _BIAS_SHARE[more if fast else max(more - 1, 0)]


def fastest_m_s(wind: Wind) -> float:
    """The fastest wind of a rose, 10 m above the ground."""
    speed = max(state.speed_m_s for state in wind.states)
    friction = friction_velocity_m_s(speed, wind.reference_height_m, wind.roughness_m)
    return speed_at_m_s(TOLD_AT_M, friction, wind.roughness_m)
