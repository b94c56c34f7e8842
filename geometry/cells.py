"""Coverage cells: zones as a fine grid, for the placement model. The exact area is `coverage`'s."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geometry.chainage import BoolArray, FloatArray, IntArray
from geometry.errors import ArgumentError
from geometry.raster import Grid, incidence_at, signatures, spans
from geometry.site import Site, Zone

PARTS = 4
"""A cell is judged at PARTS x PARTS points. Its centre alone overstates what a good choice covers by 1 to 2 % at 0.5 m,
because the choice finds the cells whose centre is just inside a footprint; sixteen points by 0.1 to 0.25 %."""


@dataclass(frozen=True, eq=False)
class Ground:
    """K kinds of ground by the zones that hold it, `zones` [K, Z].

    `zone` [K] counts there, with `weight` [K]; `need` [K] nozzles must reach the ground before it counts.
    """

    zones: BoolArray
    zone: IntArray
    weight: FloatArray
    need: IntArray


@dataclass(frozen=True, eq=False)
class Cells:
    """C parts of cells: the number of each one's centre on the grid, ascending, and its kind of ground."""

    grid: Grid
    at: IntArray
    kind: IntArray
    ground: Ground
    cell_count: int

    def __len__(self) -> int:
        return len(self.at)

    @property
    def x_m(self) -> FloatArray:
        """East of the centres, [C]."""
        return self.grid.x_m + (self.at % self.grid.columns).astype(float) * self.grid.step_m

    @property
    def y_m(self) -> FloatArray:
        """North of the centres, [C]."""
        return self.grid.y_m + (self.at // self.grid.columns).astype(float) * self.grid.step_m

    @property
    def part_m2(self) -> float:
        """Area of each."""
        return self.grid.step_m**2

    @property
    def value(self) -> FloatArray:
        """Weighted square metres, [C]."""
        return self.ground.weight[self.kind] * self.part_m2


def coverage_cells(site: Site, size_m: float) -> Cells:
    """Squares of `size_m`, each in PARTS x PARTS parts; those whose centre lies in a zone and inside the boundary.

    Where zones overlap the highest weight counts, once; at equal weights the zone first by name. The grid stands on
    the local origin. Raises ArgumentError for a size that is not above 0.
    """
    if not 0.0 < size_m < np.inf:
        raise ArgumentError(f"size_m: {size_m} m is no cell size; give one above 0 m")
    inside = np.array([shapely.intersection(zone.polygon, site.boundary) for zone in site.zones], dtype=object)
    grid = _grid(shapely.total_bounds(inside), size_m)
    held = spans(grid, inside)
    marks = signatures(grid, held)
    at = np.flatnonzero(marks)
    _, first, kind = np.unique(marks[at], return_index=True, return_inverse=True)
    order = np.argsort(first)
    zones = incidence_at(held, at[first[order]]).toarray()
    ground = _ground(site.zones, zones)
    return Cells(grid, at, np.argsort(order)[kind], ground, _cell_count(grid, at))


def _grid(bounds: FloatArray, size_m: float) -> Grid:
    """The centres of the parts of all cells that meet the bounds."""
    low = np.floor(bounds[:2] / size_m)
    columns, rows = (np.ceil(bounds[2:] / size_m) - low).astype(int) * PARTS
    step_m = size_m / PARTS
    x_m, y_m = low * size_m + step_m / 2.0
    return Grid(float(x_m), float(y_m), step_m, int(rows), int(columns))


def _ground(zones: Sequence[Zone], held: BoolArray) -> Ground:
    best = sorted(range(len(zones)), key=lambda z: (-zones[z].weight, zones[z].name))
    zone = np.array(best, dtype=np.intp)[held[:, best].argmax(axis=1)]
    weight = np.array([one.weight for one in zones])
    need = np.array([one.cover_by for one in zones], dtype=np.intp)
    return Ground(held, zone, weight[zone], need[zone])


def _cell_count(grid: Grid, at: IntArray) -> int:
    row, column = at // grid.columns // PARTS, at % grid.columns // PARTS
    touched = np.zeros(grid.rows * grid.columns // PARTS**2, dtype=bool)
    touched[row * (grid.columns // PARTS) + column] = True
    return int(np.count_nonzero(touched))
