"""Along a line: places, heights, directions and stretches by chainage (plan metres from the line's start)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import LineString, Polygon

from geometry.site import Stretch

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

NEAR_M = 1e-6
"""Places closer than this are one: above rounding at site coordinates, far below anything that is built."""


def vertex_chainages_m(line: LineString) -> FloatArray:
    """Chainage of every vertex, [V], starting with 0."""
    steps = np.diff(shapely.get_coordinates(line), axis=0)
    return np.concatenate([[0.0], np.cumsum(np.hypot(steps[:, 0], steps[:, 1]))])


def places_at(
    line: LineString, ground_m: Sequence[float] | FloatArray, chainage_m: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """x, y and ground elevation at chainages, each [M], linear between vertices."""
    at = vertex_chainages_m(line)
    x, y = shapely.get_coordinates(line).T
    places = np.asarray(chainage_m, dtype=float)
    return np.interp(places, at, x), np.interp(places, at, y), np.interp(places, at, ground_m)


def stretch_index(line: LineString, chainage_m: ArrayLike) -> IntArray:
    """Index [M] of the straight stretch at each chainage; at a vertex the one that starts there."""
    at = vertex_chainages_m(line)
    index = np.searchsorted(at, np.asarray(chainage_m, dtype=float) + NEAR_M, side="right") - 1
    return np.clip(index, 0, len(at) - 2)


def stretch_azimuths_deg(line: LineString) -> FloatArray:
    """Azimuth of travel of every straight stretch, [V - 1], degrees clockwise from north in [0, 360)."""
    dx, dy = np.diff(shapely.get_coordinates(line), axis=0).T
    azimuths: FloatArray = np.degrees(np.arctan2(dx, dy)) % 360.0
    return azimuths


def within_stretches(chainage_m: FloatArray, stretches: Sequence[Stretch]) -> BoolArray:
    """Whether each chainage [M] lies strictly inside one of the stretches; their ends do not."""
    inside = np.zeros(chainage_m.shape, dtype=bool)
    for stretch in stretches:
        inside |= (chainage_m > stretch.from_m + NEAR_M) & (chainage_m < stretch.to_m - NEAR_M)
    return inside


def stretches_inside(line: LineString, polygon: Polygon, reason: str = "") -> tuple[Stretch, ...]:
    """The stretches of `line` that run through the interior of `polygon`; along its edge is outside."""
    if not shapely.intersects(line, polygon):
        return ()
    at = vertex_chainages_m(line)
    cuts = np.unique(np.concatenate([at, _chainages_on(line, polygon.boundary)]))
    middles = (cuts[:-1] + cuts[1:]) / 2.0
    x, y, _ = places_at(line, np.zeros(len(at)), middles)
    inside = np.flatnonzero(strictly_inside(polygon, x, y) & (np.diff(cuts) > NEAR_M))
    return merged_stretches([Stretch(cuts[i], cuts[i + 1], reason) for i in inside])


def strictly_inside(polygon: Polygon, x: FloatArray, y: FloatArray) -> BoolArray:
    """Whether points [M] lie inside `polygon`, more than rounding away from its edge."""
    points = shapely.points(x, y)
    inside: BoolArray = shapely.contains_xy(polygon, x, y)
    inside[inside] = shapely.distance(points[inside], polygon.boundary) > NEAR_M
    return inside


def merged_stretches(stretches: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """Overlapping or touching stretches joined, in order of chainage; the first reason stays."""
    merged: list[Stretch] = []
    for stretch in sorted(stretches, key=lambda s: (s.from_m, s.to_m)):
        if merged and stretch.from_m <= merged[-1].to_m + NEAR_M:
            last = merged.pop()
            merged.append(Stretch(last.from_m, max(last.to_m, stretch.to_m), last.reason))
        else:
            merged.append(Stretch(float(stretch.from_m), float(stretch.to_m), stretch.reason))
    return tuple(merged)


def _chainages_on(line: LineString, edge: LineString) -> FloatArray:
    """Chainages at which each straight stretch of `line` meets `edge`."""
    xy = shapely.get_coordinates(line)
    at = vertex_chainages_m(line)
    stretches = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    meetings, owner = shapely.get_coordinates(shapely.intersection(stretches, edge), return_index=True)
    along = np.hypot(*(meetings - xy[owner]).T)
    places: FloatArray = np.minimum(at[owner] + along, at[-1])
    return places
