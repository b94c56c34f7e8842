"""Which way nozzles on a mounting line may face: words to azimuths, and the sides that `in` and `out` mean.

`in` and `out` are the two sides of a closed line's ring; on the site's boundary `in` is into the site; along
a wall `in` is towards it and `out` away from it. Elsewhere only left, right (of the direction of drawing) and
azimuths have a meaning. `all` stands for both sides, the open one first: `in` alone on the boundary, else
`out` and `in`, else `left` and `right`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, Polygon
from shapely.geometry.polygon import orient

from geometry.chainage import BoolArray, FloatArray, stretch_azimuths_deg, stretch_index, vertex_chainages_m
from geometry.site import MountingLine, Obstacle

ALONG_M = 0.5
"""A line within this distance of a boundary or wall lies along it."""


@dataclass(frozen=True, eq=False)
class Sides:
    """`in_left` per straight stretch: `in` is left of the drawing direction. None where it has no meaning."""

    on_boundary: bool
    in_left: BoolArray | None


def sides(line: MountingLine, boundary: Polygon, obstacles: Sequence[Obstacle]) -> Sides:
    """What `in` and `out` mean on each straight stretch of a line."""
    if shapely.within(line.line, shapely.buffer(boundary.boundary, ALONG_M)):
        return Sides(True, _inside_left(line.line, [boundary]))
    if line.closed:
        ring_ccw = bool(shapely.is_ccw(shapely.LinearRing(line.line)))
        return Sides(False, np.full(len(line.ground_m) - 1, ring_ccw))
    walls = [obstacle.polygon for obstacle in obstacles]
    reach = shapely.union_all([shapely.buffer(wall.boundary, ALONG_M) for wall in walls])
    along_wall = bool(walls) and bool(shapely.within(line.line, reach))
    return Sides(False, _inside_left(line.line, walls) if along_wall else None)


def preferences(facings: Sequence[str | float], of: Sides) -> tuple[str | float, ...]:
    """The facings to try, in order, with `all` put as the two sides that it stands for."""
    if of.on_boundary:
        both: tuple[str, ...] = ("in",)
    else:
        both = ("left", "right") if of.in_left is None else ("out", "in")
    expanded = [one for facing in facings for one in (both if facing == "all" else (facing,))]
    return tuple(dict.fromkeys(expanded))


def facing_azimuths_deg(line: LineString, of: Sides, facing: str | float, chainage_m: FloatArray) -> FloatArray:
    """Azimuth [M] of a facing at each chainage, degrees clockwise from north in [0, 360)."""
    if not isinstance(facing, str):
        return np.full(len(chainage_m), float(facing) % 360.0)
    stretch = stretch_index(line, chainage_m)
    left = _to_left(facing, of)[stretch] if facing in ("in", "out") else facing == "left"
    azimuths: FloatArray = (stretch_azimuths_deg(line)[stretch] + np.where(left, -90.0, 90.0)) % 360.0
    return azimuths


def faces_outward(line: LineString, of: Sides, facing: str | float) -> bool:
    """Whether a facing of a line on the boundary points out of the site on any of its stretches."""
    if facing == "all" or of.in_left is None:
        return False
    starts = vertex_chainages_m(line)[:-1]
    inward = facing_azimuths_deg(line, of, "in", starts)
    asked = facing_azimuths_deg(line, of, facing, starts)
    return bool(np.any(np.cos(np.radians(asked - inward)) < -1e-9))


def _to_left(facing: str, of: Sides) -> BoolArray:
    assert of.in_left is not None, "readers refuse `in` and `out` where they have no meaning"
    return of.in_left if facing == "in" else ~of.in_left


def _inside_left(line: LineString, polygons: Sequence[Polygon]) -> BoolArray:
    """Per stretch of `line`: whether the inside of the polygon that it lies along is on its left.

    Rings are turned so that their inside is on their left; the stretch is compared with the most nearly
    parallel edge within reach of its middle, or with the nearest edge.
    """
    starts, ends = polygon_edges(polygons)
    edges = shapely.linestrings(np.stack([starts, ends], axis=1))
    xy = shapely.get_coordinates(line)
    direction = np.diff(xy, axis=0)
    middles = shapely.points((xy[:-1] + xy[1:]) / 2.0)
    left = np.zeros(len(direction), dtype=bool)
    for i, middle in enumerate(middles):
        distance = shapely.distance(middle, edges)
        cosine = (ends - starts) @ direction[i] / np.hypot(*(ends - starts).T)
        near = distance <= max(ALONG_M, float(distance.min()))
        left[i] = cosine[np.argmax(np.where(near, np.abs(cosine), -1.0))] > 0.0
    return left


def polygon_edges(polygons: Sequence[Polygon]) -> tuple[FloatArray, FloatArray]:
    """Starts and ends [E, 2] of all edges, turned so that the polygon's inside is on their left."""
    turned = [orient(polygon) for polygon in polygons]
    rings = [shapely.get_coordinates(ring) for polygon in turned for ring in shapely.get_rings(polygon)]
    return np.concatenate([ring[:-1] for ring in rings]), np.concatenate([ring[1:] for ring in rings])
