"""Who covers what: sparse incidence of cells and footprints, merged cells, and the exact area covered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_array

from geometry.cells import Cells
from geometry.chainage import BoolArray, FloatArray, IntArray
from geometry.raster import Signatures, incidence_at, signatures, spans
from geometry.sight import Shapes
from geometry.site import Zone

Polygons = Shapes | Sequence[shapely.Geometry]

TOUCH_M2 = 1e-6
"""Overlaps of less than this are rounding."""


@dataclass(frozen=True, eq=False)
class MergedCells:
    """Groups [G] of cells with the same footprints and need: incidence [G, M], weighted m2, m2, number of parts.

    `need`: nozzles that must reach a group before it counts; `zone_area_m2`: [Z, G] its area in every zone of the
    site (dense), ground in several zones counted in each.
    """

    incidence: csr_array
    value: FloatArray
    area_m2: FloatArray
    count: IntArray
    need: IntArray
    zone_area_m2: FloatArray


def incidence(cells: Cells, polygons: Polygons) -> csr_array:
    """Boolean matrix [C, M]: the centre of the part of a cell lies in the footprint."""
    return incidence_at(spans(cells.grid, np.asarray(polygons, dtype=object)), cells.at)


def merge_cells(cells: Cells, polygons: Polygons) -> MergedCells:
    """Cells of one need in the same footprints as one group each, in order of first cell; uncovered ones dropped."""
    held = spans(cells.grid, np.asarray(polygons, dtype=object))
    marks = signatures(cells.grid, held)[cells.at]
    covered = np.flatnonzero(marks)
    kind = cells.kind[covered]
    first, group = _groups(marks[covered], cells.ground.need[kind])
    kinds = len(cells.ground.need)
    count = np.bincount(group * kinds + kind, minlength=len(first) * kinds).reshape(-1, kinds)
    area_m2 = count.astype(np.float64) * cells.part_m2
    return MergedCells(
        incidence=incidence_at(held, cells.at[covered[first]]),
        value=area_m2 @ cells.ground.weight,
        area_m2=area_m2 @ np.ones(kinds),
        count=count.sum(axis=1),
        need=cells.ground.need[kind[first]],
        zone_area_m2=cells.ground.zones.T.astype(float) @ area_m2.T,
    )


def _groups(marks: Signatures, need: IntArray) -> tuple[IntArray, IntArray]:
    """First member of each group of equal marks and needs, in order, and the group of each member."""
    _, first, group = np.unique(marks + need.astype(np.uint64), return_index=True, return_inverse=True)
    order = np.argsort(first)
    return first[order], np.argsort(order)[group]


def covered_area_m2(polygons: Polygons, zones: Sequence[Zone]) -> float:
    """Exact area of the union of footprints within the union of zones; what is covered twice counts once."""
    ground = shapely.union_all([zone.polygon for zone in zones])
    return float(shapely.area(shapely.intersection(shapely.union_all(np.asarray(polygons)), ground)))


def zone_area_m2(zones: Sequence[Zone]) -> float:
    """Exact area of the union of zones."""
    return float(shapely.area(shapely.union_all([zone.polygon for zone in zones])))


def zone_touch(polygons: Polygons, zones: Sequence[Zone]) -> BoolArray:
    """Whether each footprint covers some of each zone, [M, Z]."""
    shapes: NDArray[np.object_] = np.asarray(polygons, dtype=object)
    touch = np.zeros((len(shapes), len(zones)), dtype=bool)
    for z, zone in enumerate(zones):
        shapely.prepare(zone.polygon)
        near = np.flatnonzero(shapely.intersects(shapes, zone.polygon))
        touch[near, z] = shapely.area(shapely.intersection(shapes[near], zone.polygon)) > TOUCH_M2
    return touch
