"""Ground that the mist of one nozzle reaches as a level of a map says: outlines, the same for all nozzles of a height.

An outline is drawn about the foot of a nozzle, whichever way it faces. Zones of resting places may be judged by another
map than all other ground, so that it has two parts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import contourpy
import numpy as np
import shapely
from shapely.affinity import scale, translate

from geometry.chainage import FloatArray
from geometry.errors import ArgumentError
from geometry.sight import Shapes
from geometry.site import Site

RESTING = "resting"
SMOOTH_M = 0.01
"""Corners of a contour that stand out less from a straight line are left out."""


@dataclass(frozen=True, eq=False)
class Outline:
    """What a nozzle `height_m` above ground reaches, about (0, 0): in zones of resting places, and on other ground."""

    height_m: float
    ground: shapely.Geometry
    resting: shapely.Geometry

    @property
    def radius_m(self) -> float:
        """To the furthest corner."""
        corners = shapely.get_coordinates([self.ground, self.resting])
        return float(np.hypot(*corners.T).max(initial=0.0))

    def scaled(self, factor: float) -> Outline:
        """So many times as wide."""
        ground, resting = (scale(part, factor, factor, origin=(0, 0)) for part in (self.ground, self.resting))
        return Outline(self.height_m, ground, resting)


def level_region(values: FloatArray, west_m: float, south_m: float, cell_m: float, least: float) -> shapely.Geometry:
    """Where a map is at least `least`, by straight lines between the centres of its cells [rows, columns]; row 0 is the
    southernmost. Empty where it is nowhere."""
    rows, columns = values.shape
    x, y = west_m + (np.arange(columns) + 0.5) * cell_m, south_m + (np.arange(rows) + 0.5) * cell_m
    drawn = contourpy.contour_generator(x, y, values, fill_type=contourpy.FillType.OuterOffset)
    points, offsets = drawn.filled(least, np.inf)[:2]
    parts = []
    for ring, starts in zip(points, offsets, strict=True):
        if ring is not None and starts is not None:
            rings = [ring[a:b] for a, b in pairwise(starts)]
            parts.append(shapely.Polygon(rings[0], rings[1:]))
    return shapely.simplify(shapely.make_valid(shapely.union_all(parts)), SMOOTH_M)


def laid_out(outlines: Sequence[Outline], site: Site, xy: FloatArray, height_m: FloatArray) -> Shapes:
    """The outlines [M] of nozzles that stand at xy [M, 2], height_m [M] above ground.

    Raises ArgumentError where there is no outline of a height.
    """
    resting = shapely.union_all([zone.polygon for zone in site.zones if zone.kind == RESTING])
    shapes = np.full(len(xy), shapely.Polygon(), dtype=object)
    known = {round(one.height_m, 2): one for one in outlines}
    for m, ((x, y), height) in enumerate(zip(xy, height_m, strict=True)):
        one = known.get(round(float(height), 2))
        if one is None:
            raise ArgumentError(f"height_m: no outline is drawn for nozzles {height:g} m above ground; draw one")
        shape = translate(one.ground, x, y)
        if one.resting is not one.ground and shapely.intersects(resting, translate(one.resting, x, y).envelope):
            parts = shapely.difference(shape, resting), shapely.intersection(translate(one.resting, x, y), resting)
            shape = shapely.union_all(parts)
        elif one.resting is not one.ground:
            shape = shapely.difference(shape, resting)
        shapes[m] = shape
    return shapes
