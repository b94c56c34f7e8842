"""Footprints of nozzles that stand and face somewhere already, with another reach than they were placed for."""

from __future__ import annotations

import numpy as np

from geometry.chainage import FloatArray
from geometry.footprint import Reach, _Aim, _judged, _require
from geometry.sight import Shapes
from geometry.site import Site


def refitted(
    site: Site,
    xy: FloatArray,
    z_m: FloatArray,
    azimuth_deg: FloatArray,
    tilt_deg: FloatArray,
    reach: Reach,
    setback_m: float,
) -> tuple[Shapes, tuple[str, ...]]:
    """Footprints [M] of nozzles at xy [M, 2] so aimed, cut by obstacles and the boundary, and why each is not legal.

    "" where it is legal. One that is not, for instance because it enters a keep-out's setback, has its footprint all
    the same. Raises ArgumentError for a reach or setback that is none.
    """
    _require(reach, setback_m)
    radius_m = reach.radius_m * np.cos(np.radians(tilt_deg))
    polygons, faults = _judged(site, _Aim(xy, z_m, azimuth_deg, radius_m, reach.spray_angle_deg), setback_m)
    return polygons, tuple(faults)
