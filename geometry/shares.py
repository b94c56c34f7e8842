"""Who has which part of the zones: exact areas that add up, for lists of what is covered and what is not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import Geometry

from geometry.chainage import FloatArray
from geometry.coverage import Polygons
from geometry.sight import Shapes
from geometry.site import MountingLine, Zone

ARC_SEGMENTS = 16
"""Edges of a quarter circle in a buffer: its area is 0.2 % short of the true one."""


def own_parts(zones: Sequence[Zone]) -> Shapes:
    """The part [Z] of each zone that counts as its own, so that areas of zones add up to the area of their union.

    As in the cells, ground in several zones belongs to the one of highest weight, of equal ones the first by name.
    """
    parts = np.full(len(zones), shapely.Polygon(), dtype=object)
    taken: Geometry = shapely.Polygon()
    for z in sorted(range(len(zones)), key=lambda z: (-zones[z].weight, zones[z].name)):
        parts[z] = shapely.difference(zones[z].polygon, taken)
        taken = shapely.union(taken, zones[z].polygon)
    return parts


def region_of(polygons: Polygons) -> Geometry:
    """The union of polygons."""
    return shapely.union_all(np.asarray(polygons, dtype=object))


def shared_out(parts: Shapes, regions: Sequence[Geometry]) -> FloatArray:
    """Exact m² [P, R + 1] of each part in each region; ground in several regions is the first one's.

    The last column is what no region has, so that each row adds up to the area of its part.
    """
    shares = np.zeros((len(parts), len(regions) + 1))
    left = parts.copy()
    for r, region in enumerate(regions):
        rest = shapely.difference(left, region)
        shares[:, r] = shapely.area(left) - shapely.area(rest)
        left = rest
    shares[:, -1] = shapely.area(left)
    return np.maximum(shares, 0.0) + 0.0  # rounding of nothing


def within(parts: Shapes, region: Geometry) -> Shapes:
    """The parts [P], cut to a region."""
    cut: Shapes = shapely.intersection(parts, region)
    return cut


def beyond(parts: Shapes, region: Geometry) -> Shapes:
    """The parts [P] without a region."""
    cut: Shapes = shapely.difference(parts, region)
    return cut


def near_lines(lines: Sequence[MountingLine], radius_m: float) -> Geometry:
    """All ground within `radius_m` of a mounting line."""
    return shapely.union_all([shapely.buffer(line.line, radius_m, quad_segs=ARC_SEGMENTS) for line in lines])


def zone_shares_m2(polygons: Polygons, zones: Sequence[Zone]) -> FloatArray:
    """Exact m² [Z] that polygons cover of each zone's own part; their sum is the area covered of all zones."""
    return shared_out(own_parts(zones), [region_of(polygons)])[:, 0]
