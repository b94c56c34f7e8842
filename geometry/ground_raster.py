"""A site as a raster of square cells: which lie inside the boundary, which in some shapes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.raster import Grid, incidence_at, spans

Mask = NDArray[np.bool_]
OFF = 0.381966
"""Share of a cell by which rasters begin beside round metres: what stands on these lies on no edge of a cell."""
FINEST_M = 0.5
MOST_CELLS = 400_000
FARTHEST_M = 200.0


@dataclass(frozen=True, eq=False)
class GroundRaster:
    """Cells in rows from south to north, columns from west to east: `inside` the boundary, and in each shape of
    `masks` [rows, columns], by their centres."""

    west_m: float
    south_m: float
    cell_m: float
    inside: Mask
    masks: tuple[Mask, ...]

    def centres_m(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """East and north of all centres, row by row, each [rows x columns]."""
        rows, columns = self.inside.shape
        row, column = np.divmod(np.arange(rows * columns), columns)
        return self.west_m + (column + 0.5) * self.cell_m, self.south_m + (row + 0.5) * self.cell_m


def cell_for(
    boundary: shapely.Geometry, margin_m: float = 0.0, most: int = MOST_CELLS, finest_m: float = FINEST_M
) -> float:
    """Side of a cell that makes no more than `most` of the box round a boundary, `finest_m` at least."""
    west, south, east, north = shapely.bounds(boundary)
    area_m2 = (east - west + 2.0 * margin_m) * (north - south + 2.0 * margin_m)
    return max(finest_m, float(np.sqrt(area_m2 / most)))


def ground_raster(
    boundary: shapely.Geometry, shapes: Sequence[shapely.Geometry], cell_m: float, margin_m: float = 0.0
) -> GroundRaster:
    """The raster of the box round a boundary and a margin, and round what shapes have within FARTHEST_M of it."""
    box = shapely.box(*shapely.bounds(boundary))
    near = shapely.intersection(list(shapes), box.buffer(FARTHEST_M, join_style="mitre"))
    extent = [box.buffer(margin_m, join_style="mitre"), *near]
    west, south, east, north = (float(edge) for edge in shapely.total_bounds(extent))
    west, south = west - OFF * cell_m, south - OFF * cell_m
    columns = int(np.ceil((east - west) / cell_m)) + 1
    rows = int(np.ceil((north - south) / cell_m)) + 1
    grid = Grid(west + 0.5 * cell_m, south + 0.5 * cell_m, cell_m, rows, columns)
    held = incidence_at(spans(grid, np.array([boundary, *shapes], dtype=object)), np.arange(rows * columns))
    inside, *masks = (np.asarray(column).reshape(rows, columns) for column in held.toarray().T)
    return GroundRaster(west, south, cell_m, inside, tuple(masks))
