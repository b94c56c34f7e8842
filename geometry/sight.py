"""What obstacles hide: shadows cast from a nozzle, in plan.

An obstacle hides what lies behind it from every nozzle below its top. Only edges that face the nozzle cast:
every ray into an obstacle enters through one of them, so their shadows cover the obstacle itself as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from geometry.chainage import BoolArray, FloatArray
from geometry.facing import ALONG_M, polygon_edges

SKIN_M = 1e-4
"""A nozzle on a wall looks from this far in front of it: above rounding, and 0.005 % of a 4 m half disc."""

Shapes = NDArray[np.object_]


@dataclass(frozen=True, eq=False)
class Blockers:
    """The union of obstacles that stand higher than a nozzle, and the skin just outside it."""

    union: BaseGeometry
    skin: BaseGeometry
    starts: FloatArray
    ends: FloatArray
    edges: shapely.STRtree


def blockers(polygons: Sequence[Polygon]) -> Blockers:
    """Obstacles ready for `eyes` and `shadows`; at least one polygon."""
    union = shapely.union_all(list(polygons))
    starts, ends = polygon_edges([part for part in shapely.get_parts(union) if part.geom_type == "Polygon"])
    edges = shapely.STRtree(shapely.linestrings(np.stack([starts, ends], axis=1)))
    return Blockers(union, shapely.buffer(union, SKIN_M, join_style="mitre"), starts, ends, edges)


def eyes(block: Blockers, xy: FloatArray, azimuth_deg: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Where nozzles at `xy` [M, 2] look from, and which of them stand deep inside an obstacle.

    A nozzle drawn on a wall or up to 0.5 m inside it is put just in front: on the face that its azimuth
    leaves through, else on the nearest face.
    """
    seen, deep = xy.copy(), np.zeros(len(xy), dtype=bool)
    for i in np.flatnonzero(shapely.covers(block.skin, shapely.points(xy))):
        point = shapely.Point(xy[i])
        faces = shapely.boundary(block.skin)
        depth = float(shapely.distance(point, faces))
        deep[i] = depth > ALONG_M + SKIN_M
        ahead = _exit(faces, xy[i], float(azimuth_deg[i])) if depth > 3.0 * SKIN_M else None
        nearest = shapely.get_coordinates(shapely.shortest_line(faces, point))[0]
        seen[i] = nearest if ahead is None else ahead
    return seen, deep


def _exit(faces: BaseGeometry, start: FloatArray, azimuth_deg: float) -> FloatArray | None:
    """Where a ray leaves through `faces` within reach of a wall's thickness, None where it does not."""
    angle = np.radians(azimuth_deg)
    end = start + ALONG_M * np.array([np.sin(angle), np.cos(angle)])
    crossings = shapely.get_coordinates(shapely.intersection(shapely.LineString([start, end]), faces))
    if not len(crossings):
        return None
    nearest: FloatArray = crossings[np.argmin(np.hypot(*(crossings - start).T))]
    return nearest


def shadows(block: Blockers, eye: FloatArray, radius_m: FloatArray) -> Shapes:
    """The region [M] hidden from each eye [M, 2] within its radius [M], empty where nothing is hidden.

    Each edge that faces the eye hides a pentagon: the edge, its ends thrown out along their rays, and a point
    on the bisector so that the far side stays outside the radius even where the edge spans nearly half the
    horizon.
    """
    owner, edge = block.edges.query(shapely.points(eye), predicate="dwithin", distance=radius_m)
    a, b, at = block.starts[edge], block.ends[edge], eye[owner]
    # The inside of an obstacle is left of its edges, so that the eye must be on the right.
    along, to_eye = b - a, at - a
    facing = along[:, 0] * to_eye[:, 1] - along[:, 1] * to_eye[:, 0] < -1e-9 * np.hypot(*along.T)
    owner, a, b, at = owner[facing], a[facing], b[facing], at[facing]
    return _united(_thrown(owner, a, b, at, radius_m), owner, len(eye))


def _thrown(owner: NDArray[np.intp], a: FloatArray, b: FloatArray, at: FloatArray, radius_m: FloatArray) -> Shapes:
    to_a, to_b = a - at, b - at
    far_a, far_b = np.hypot(*to_a.T), np.hypot(*to_b.T)
    # One throw for all edges of an eye: neighbours then share the thrown vertex exactly and leave no slit.
    throw = radius_m.copy()
    np.maximum.at(throw, owner, np.maximum(far_a, far_b))
    distance = 2.0 * throw[owner][:, None]
    unit_a, unit_b = to_a / far_a[:, None], to_b / far_b[:, None]
    middle = unit_a + unit_b
    middle /= np.hypot(*middle.T)[:, None]
    corners = [a, b, at + distance * unit_b, at + distance * middle, at + distance * unit_a]
    pentagons: Shapes = shapely.polygons(np.stack(corners, axis=1))
    return pentagons


def _united(pieces: Shapes, owner: NDArray[np.intp], count: int) -> Shapes:
    """The union of pieces per owner; owners come in order, as a tree query gives them."""
    united = np.full(count, shapely.Polygon(), dtype=object)
    for first, last in zip(*_groups(owner), strict=True):
        united[owner[first]] = shapely.union_all(pieces[first:last])
    return united


def _groups(owner: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    _, first = np.unique(owner, return_index=True)
    return first, np.append(first, len(owner))[1:]
