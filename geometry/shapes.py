"""A GeoJSON geometry as arrays of the file's own coordinates, or every fault in it with its path.

Edge code: rings must be closed, polygons and lines must not cross themselves, numbers must be finite.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
import shapely

from geometry.chainage import FloatArray
from geometry.errors import Fault
from geometry.site_file import did_you_mean, shown

Rings = tuple[FloatArray, ...]
"""Arrays [n, 3] of x, y, z: a polygon's rings, outer one first; one array for a line or a point."""

_LARGEST = 1e7
_HEIGHT_LIMITS_M = (-500.0, 9000.0)
_INVALID = {
    "Self-intersection": "crosses itself",
    "Ring Self-intersection": "touches itself",
    "Hole lies outside shell": "has a hole that lies outside it",
    "Holes are nested": "has a hole inside another",
    "Interior is disconnected": "falls into parts",
    "Too few points in geometry component": "has fewer than three corners",
}


def read_shape(raw: object, kind: str, path: str) -> Rings | list[Fault]:
    """The arrays of a geometry of type `kind` (Point, LineString or Polygon), or its faults."""
    if not isinstance(raw, dict):
        return [Fault(path, shown(raw), "is no geometry", f"draw a {kind}")]
    faults = [
        Fault(f"{path}.{key}", shown(raw[key]), "is no known key", did_you_mean(key, ("type", "coordinates")))
        for key in raw
        if key not in ("type", "coordinates", "bbox")
    ]
    if raw.get("type") != kind:
        mend = f"draw this role as a {kind}, one feature for each part"
        return [*faults, Fault(f"{path}.type", shown(raw.get("type")), f"is no {kind}", mend)]
    rings, found = _arrays(raw.get("coordinates"), kind, f"{path}.coordinates")
    faults += found
    if not faults and kind == "Polygon":
        faults += _polygon_faults(rings, path)
    if not faults and kind == "LineString":
        faults += _line_faults(rings[0], path)
    return faults or tuple(rings)


def _arrays(raw: object, kind: str, path: str) -> tuple[list[FloatArray], list[Fault]]:
    if kind == "Polygon":
        if not isinstance(raw, list) or not raw:
            return [], [Fault(path, shown(raw), "is no list of rings", "give the outer ring, then any holes")]
        parts = [_positions(ring, f"{path}[{i}]") for i, ring in enumerate(raw)]
    elif kind == "LineString":
        parts = [_positions(raw, path)]
    else:
        parts = [_positions([raw], path, single=True)]
    return [array for array, _ in parts], [fault for _, faults in parts for fault in faults]


def _positions(raw: object, path: str, single: bool = False) -> tuple[FloatArray, list[Fault]]:
    """One list of positions as [n, 3], repeated positions dropped; z is 0 where it is not given."""
    if not isinstance(raw, list):
        return np.zeros((0, 3)), [Fault(path, shown(raw), "is no list of positions", "give [x, y] pairs")]
    faults = [
        Fault(path if single else f"{path}[{i}]", shown(position), problem, "give 2 or 3 finite numbers")
        for i, position in enumerate(raw)
        if (problem := _position_problem(position))
    ]
    if faults:
        return np.zeros((0, 3)), faults
    # To 1e-12 of a degree or metre: no denormal numbers further on.
    array = np.round(np.array([[*position, 0.0][:3] for position in raw], dtype=float).reshape(-1, 3), 12)
    repeated = np.all(np.diff(array[:, :2], axis=0) == 0.0, axis=1)
    return array[np.concatenate([[True], ~repeated])[: len(array)]], []


def _position_problem(position: object) -> str:
    if not isinstance(position, list) or len(position) not in (2, 3):
        return "is no position"
    if any(isinstance(number, bool) or not isinstance(number, int | float) for number in position):
        return "holds something that is no number"
    if not all(math.isfinite(number) for number in position):
        return "holds a number that is not finite"
    if any(abs(number) > _LARGEST for number in position):
        return "holds a number that is no coordinate"
    low, high = _HEIGHT_LIMITS_M
    if len(position) == 3 and not low <= position[2] <= high:
        return f"has a ground elevation beyond {low:g} to {high:g} m"
    return ""


def _polygon_faults(rings: Sequence[FloatArray], path: str) -> list[Fault]:
    faults = []
    for i, ring in enumerate(rings):
        place = f"{path}.coordinates[{i}]"
        if len(ring) and not np.array_equal(ring[0, :2], ring[-1, :2]):
            ends = f"{point_text(ring[0])} to {point_text(ring[-1])}"
            mend = "repeat its first position as its last"
            faults.append(Fault(place, ends, "is a ring that is not closed", mend))
        elif len(ring) < 4:
            faults.append(Fault(place, f"{len(ring)} positions", "is no ring", "give at least three corners"))
    if faults:
        return faults
    polygon = shapely.Polygon(rings[0][:, :2], [ring[:, :2] for ring in rings[1:]])
    reason = str(shapely.is_valid_reason(polygon))
    if reason == "Valid Geometry":
        return []
    kind, x, y = re.fullmatch(r"(.*)\[(\S+) (\S+)\]", reason).groups()  # type: ignore[union-attr]
    problem = f"{_INVALID.get(kind, kind.lower())} at {point_text((float(x), float(y)))}"
    return [Fault(path, "", problem, "redraw it as one plain outline with its holes inside")]


def _line_faults(line: FloatArray, path: str) -> list[Fault]:
    if len(line) < 2:
        return [Fault(path, "", "is a line without length", "give at least two different positions")]
    if np.array_equal(line[0, :2], line[-1, :2]) and line[0, 2] != line[-1, 2]:
        ends = f"{line[0, 2]:g} and {line[-1, 2]:g} m"
        return [Fault(path, ends, "closes at two ground elevations", "give both ends the same one")]
    if shapely.is_simple(shapely.LineString(line[:, :2])):
        return []
    problem = f"crosses or touches itself at {point_text(_meeting(line[:, :2]))}"
    return [Fault(path, "", problem, "divide it there into lines of their own")]


def _meeting(xy: FloatArray) -> FloatArray:
    """The first place where two straight stretches of a line meet, other than a vertex that they share."""
    parts = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    first, second = shapely.STRtree(parts).query(parts, predicate="intersects")
    for i, j in sorted(zip(first.tolist(), second.tolist(), strict=True)):
        shared = shapely.intersection(parts[i], parts[j])
        neighbours = j - i == 1 or (i == 0 and j == len(parts) - 1 and np.array_equal(xy[0], xy[-1]))
        if i < j and not (neighbours and shared.geom_type == "Point"):
            return np.asarray(shapely.get_coordinates(shared)[0])
    first_vertex: FloatArray = xy[0]
    return first_vertex


def point_text(point: Sequence[float] | FloatArray) -> str:
    """A point as it is shown in a message."""
    return f"({point[0]:.9g}, {point[1]:.9g})"
