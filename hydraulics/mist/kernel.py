"""Tables by distance downwind, all classes of drops summed, one for each height of nozzle and speed of wind.

Age is distance over the mean speed between ground and nozzle, the same for all classes, and so is the spread across the
wind: what depends on the class is summed once, here, and no loop over nozzles and places sees a class again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hydraulics.errors import RangeError
from hydraulics.mist import plume
from hydraulics.mist.air import Air
from hydraulics.mist.evaporation import NO_EVAPORATION, Evaporation, fall_time_s, liquid_share
from hydraulics.mist.spectrum import Classes
from hydraulics.mist.wind import Wind, friction_velocity_m_s, mean_speed_m_s

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
LAYER_TOP_M = 2.0
STEP_M = 0.25


@dataclass(frozen=True)
class Mist:
    """Drops as sprayed, the air they enter, and how they evaporate there."""

    drops: Classes
    air: Air
    evaporation: Evaporation = NO_EVAPORATION


class Stream(NamedTuple):
    """What carries the mist of one nozzle height in one wind."""

    height_m: float
    speed_m_s: float
    friction_m_s: float
    diffusivity_m2_s: float


class Tables(NamedTuple):
    """By group (G) and distance downwind (X, every step_m from 0), per m3 sprayed and integrated across the wind:

    airborne_s_m2: time-integrated volume in the layer over its height; ground_per_m: deposit a metre of distance;
    spread_m: standard deviation across the wind. Volumes are as sprayed: a drop counts in full though water left it.
    """

    step_m: float
    airborne_s_m2: Floats
    ground_per_m: Floats
    spread_m: Floats


class Groups(NamedTuple):
    """Streams (G) and which of them each nozzle is in under each wind (N, W)."""

    streams: tuple[Stream, ...]
    of: Ints


def stream(height_m: float, speed_m_s: float, wind: Wind) -> Stream:
    """The stream of a nozzle height and a speed told at the wind's reference height."""
    if not 0 < height_m < math.inf:
        raise RangeError(f"nozzle height {height_m:g} m: give one above 0")
    friction = friction_velocity_m_s(speed_m_s, wind.reference_height_m, wind.roughness_m)
    return Stream(height_m, mean_speed_m_s(height_m, friction, wind.roughness_m), friction,
                  plume.diffusivity_m2_s(height_m, friction))


def grouped(heights_m: Sequence[float] | Floats, wind: Wind) -> Groups:
    """One stream for each different height (to the centimetre) and speed of the rose."""
    heights, height_of = np.unique(np.round(np.asarray(heights_m, dtype=np.float64), 2), return_inverse=True)
    speeds, speed_of = np.unique([state.speed_m_s for state in wind.states], return_inverse=True)
    streams = tuple(stream(float(height), float(speed), wind) for height in heights for speed in speeds)
    of = height_of.reshape(-1, 1) * speeds.size + speed_of.reshape(1, -1)
    return Groups(streams, np.ascontiguousarray(of, dtype=np.int64))


def downwind(wind: Wind) -> Floats:
    """Unit vectors (W, 2), x east and y north, towards which each wind of the rose blows."""
    bearing = np.radians([state.from_deg for state in wind.states])
    return np.ascontiguousarray(np.column_stack([-np.sin(bearing), -np.cos(bearing)]), dtype=np.float64)


def tables(streams: Sequence[Stream], mist: Mist, far_m: float, top_m: float = LAYER_TOP_M,
           step_m: float = STEP_M) -> Tables:
    """Tables of all streams, at least to far_m downwind; top_m is the height of the layer that dosage is told for."""
    distance = np.arange(math.ceil(far_m / step_m) + 2) * step_m
    airborne, ground, spread = (np.empty((len(streams), distance.size)) for _ in range(3))
    for g, s in enumerate(streams):
        age, fall = distance / s.speed_m_s, _fall_m_s(s, mist)
        full, above = (plume.share_above(age, s.height_m, fall, s.diffusivity_m2_s, level) for level in (0.0, top_m))
        rate = plume.ground_rate_per_s(age, s.height_m, fall, s.diffusivity_m2_s)
        airborne[g] = mist.drops.share @ (full - above) / (top_m * s.speed_m_s)
        ground[g] = mist.drops.share @ rate / s.speed_m_s
        spread[g] = plume.spread_m(age, s.friction_m_s)
    return Tables(step_m, airborne, ground, spread)


class Fate(NamedTuple):
    """What becomes of the mist of one stream, by bins of distance (B): volume as sprayed and still liquid that comes
    down in each bin, then what is airborne at the last edge and what has evaporated in all bins."""

    sprayed: Floats
    liquid: Floats
    airborne_sprayed: float
    airborne_liquid: float
    evaporated: float


def fate(s: Stream, mist: Mist, edges_m: Floats) -> Fate:
    """Fate by bins between edges (B + 1, from 0), as shares of the volume sprayed.

    Airborne share S and liquid share m of each class are exact at the edges. A bin takes the mean of m times the loss
    of S to the ground, and the mean of S times the loss of m to the air: summed by parts, d(mS) = m dS + S dm, so that
    liquid down, liquid airborne and evaporated are each counted for themselves and still close to 1.
    """
    age = edges_m / s.speed_m_s
    airborne = plume.share_above(age, s.height_m, _fall_m_s(s, mist), s.diffusivity_m2_s)
    liquid = liquid_share(age, mist.drops.diameter_m[:, None], mist.evaporation)
    down, shed = -np.diff(airborne, axis=1), -np.diff(liquid, axis=1)
    mean_liquid, mean_airborne = ((a[:, 1:] + a[:, :-1]) / 2 for a in (liquid, airborne))
    share = mist.drops.share
    return Fate(share @ down, share @ (down * mean_liquid), float(share @ airborne[:, -1]),
                float(share @ (airborne[:, -1] * liquid[:, -1])), float(np.sum(share @ (shed * mean_airborne))))


def _fall_m_s(s: Stream, mist: Mist) -> Floats:
    """Height over the time of the fall, each class (K, 1)."""
    times = fall_time_s(mist.drops.diameter_m, s.height_m, mist.air, mist.evaporation)
    return np.asarray(s.height_m / times, dtype=np.float64)[:, None]
