"""What rules of protection ask of nozzles and their mist: distances in plan from features, heights above the ground."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.chainage import FloatArray
from geometry.positions import Positions
from geometry.sight import Shapes
from geometry.site import BOUNDARY, Clearance, Site

MIST_REASON = "mist would come within"
"""How every reason begins that a keep-out gives for the mist of a nozzle."""
TOUCH_M = 1e-9
_WORDS = {"air_intake": "air intake", "neighbour": "neighbour's ground", "bloom": "plants in bloom"}


def standing_faults(site: Site, positions: Positions) -> list[str]:
    """Why no nozzle may stand at each of M positions, whichever way it faces; "" where it may."""
    faults = [""] * len(positions)
    for limit in site.heights:
        off = (limit.height_m - positions.height_m) * (1.0 if limit.least else -1.0)
        word = "least" if limit.least else "greatest"
        for i in np.flatnonzero(off > TOUCH_M):
            height = f"{positions.height_m[i]:g} m above the ground"
            faults[i] = faults[i] or f"{height}, the {word} height is {limit.height_m:g} m ({limit.source})"
    points = shapely.points(positions.x_m, positions.y_m)
    for clearance in site.clearances:
        if not clearance.of_mist:
            _note(faults, site, clearance, points, "within")
    return faults


def mist_faults(site: Site, footprints: Shapes) -> list[str]:
    """Why each of M footprints may not be, "" where it may: its mist would come too near."""
    faults = [""] * len(footprints)
    for clearance in site.clearances:
        if clearance.of_mist:
            _note(faults, site, clearance, footprints, MIST_REASON)
    return faults


def nearest_m(site: Site, kind: str, shapes: Shapes) -> FloatArray:
    """Distance [M] of points or footprints from the nearest feature of a kind, inf where the site has none."""
    found = [_distance_m(site, kind, shape, shapes) for _, shape in _features(site, kind)]
    return np.asarray(np.min(np.array([*found, np.full(len(shapes), np.inf)]), axis=0), dtype=np.float64)


def kind_words(kind: str) -> str:
    """A kind as sentences name it."""
    return _WORDS.get(kind, kind)


def _note(faults: list[str], site: Site, clearance: Clearance, shapes: Shapes, how: str) -> None:
    for name, shape in _features(site, clearance.kind):
        near = _distance_m(site, clearance.kind, shape, shapes) < clearance.distance_m - TOUCH_M
        what = f"the {BOUNDARY}" if clearance.kind == BOUNDARY else f'{kind_words(clearance.kind)} "{name}"'
        for i in np.flatnonzero(near):
            faults[i] = faults[i] or f"{how} {clearance.distance_m:g} m of {what} ({clearance.source})"


def _features(site: Site, kind: str) -> Iterator[tuple[str, Any]]:
    """Name and shape of every feature of a kind."""
    if kind == BOUNDARY:
        yield BOUNDARY, site.boundary.exterior
    yield from ((one.name, one.polygon) for one in site.keep_outs if one.kind == kind)


def _distance_m(site: Site, kind: str, shape: Any, shapes: NDArray[Any]) -> FloatArray:
    """From a feature; beyond the boundary there is no distance from it."""
    away = np.asarray(shapely.distance(shapes, shape), dtype=np.float64)
    if kind == BOUNDARY:
        shapely.prepare(site.boundary)
        return np.asarray(np.where(shapely.intersects(site.boundary, shapes), away, 0.0), dtype=np.float64)
    return away
