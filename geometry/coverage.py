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
from geometry.sight import Shapes
from geometry.site import Zone

Polygons = Shapes | Sequence[shapely.Geometry]

TOUCH_M2 = 1e-6
"""Overlaps of less than this are rounding."""


@dataclass(frozen=True, eq=False)
class MergedCells:
    """Groups [G] of cells with the same footprints and need: incidence [G, M], weighted m2, m2, number.

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
    """Boolean matrix [C, M]: the centre of the cell lies in the footprint (its edge included)."""
    shapes = np.asarray(polygons, dtype=object)
    tree = shapely.STRtree(shapely.points(cells.x_m, cells.y_m))
    column, row = tree.query(shapes, predicate="intersects")
    matrix = csr_array((np.ones(len(row), dtype=bool), (row, column)), shape=(len(cells), len(shapes)))
    matrix.sort_indices()
    return matrix


def merge_cells(cells: Cells, matrix: csr_array) -> MergedCells:
    """Cells of one need with identical rows as one group each, in order of first cell; uncovered ones dropped."""
    first, group = _group_rows(matrix, cells.need)
    kept = group >= 0
    area_m2, members = cells.area_m2[kept], group[kept]
    return MergedCells(
        csr_array(matrix[first]),
        _sums(members, cells.weight[kept] * area_m2, len(first)),
        _sums(members, area_m2, len(first)),
        np.bincount(members, minlength=len(first)),
        cells.need[first],
        np.array([_sums(members, areas, len(first)) for areas in cells.zone_area_m2[:, kept]]),
    )


def _sums(group: IntArray, amounts: FloatArray, groups: int) -> FloatArray:
    return np.bincount(group, weights=amounts, minlength=groups).astype(float)


def _group_rows(matrix: csr_array, need: IntArray) -> tuple[IntArray, IntArray]:
    """First row of each group of identical rows of one need, and the group of each row (-1 where it is empty)."""
    ends, columns = matrix.indptr, matrix.indices
    known: dict[tuple[int, bytes], int] = {}
    first: list[int] = []
    group = np.full(len(ends) - 1, -1, dtype=np.intp)
    for row in np.flatnonzero(np.diff(ends)):
        key = (int(need[row]), columns[ends[row] : ends[row + 1]].tobytes())
        if key not in known:
            known[key] = len(first)
            first.append(int(row))
        group[row] = known[key]
    return np.array(first, dtype=np.intp), group


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
