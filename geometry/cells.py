"""Coverage cells: zones as a grid of squares, for the placement model. The exact area is `coverage`'s."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from geometry.chainage import FloatArray, IntArray
from geometry.errors import ArgumentError
from geometry.site import Site


@dataclass(frozen=True, eq=False)
class Cells:
    """C cells: centre, area, the weight and the index of the zone that counts there.

    `need`: nozzles that must reach a cell before it counts; `zone_area_m2`: [Z, C] its area in every zone.
    """

    x_m: FloatArray
    y_m: FloatArray
    area_m2: FloatArray
    weight: FloatArray
    zone: IntArray
    need: IntArray
    zone_area_m2: FloatArray

    def __len__(self) -> int:
        return len(self.zone)


def coverage_cells(site: Site, size_m: float) -> Cells:
    """Squares of `size_m` whose centre lies in a zone and inside the boundary; each has its whole area.

    Where zones overlap the highest weight counts, once; at equal weights the zone first by name. The grid
    stands on the local origin. Raises ArgumentError for a size that is not above 0.
    """
    if not 0.0 < size_m < np.inf:
        raise ArgumentError(f"size_m: {size_m} m is no cell size; give one above 0 m")
    low = np.floor(np.min([zone.polygon.bounds[:2] for zone in site.zones], axis=0) / size_m)
    high = np.ceil(np.max([zone.polygon.bounds[2:] for zone in site.zones], axis=0) / size_m)
    columns, rows = (np.arange(a, b) * size_m + size_m / 2.0 for a, b in zip(low, high, strict=True))
    owner = np.full((len(rows), len(columns)), -1)
    within = np.zeros((len(site.zones), len(rows), len(columns)), dtype=bool)
    best_last = sorted(range(len(site.zones)), key=lambda z: (-site.zones[z].weight, site.zones[z].name))[::-1]
    for z in best_last:
        polygon = shapely.intersection(site.zones[z].polygon, site.boundary)
        x0, y0, x1, y1 = polygon.bounds
        across = slice(np.searchsorted(columns, x0), np.searchsorted(columns, x1, side="right"))
        up = slice(np.searchsorted(rows, y0), np.searchsorted(rows, y1, side="right"))
        shapely.prepare(polygon)
        inside = shapely.contains_xy(polygon, columns[None, across], rows[up, None])
        owner[up, across][inside] = z
        within[z, up, across] = inside
    row, column = np.nonzero(owner >= 0)
    zone = owner[row, column]
    weights = np.array([one.weight for one in site.zones])
    need = np.array([one.cover_by for one in site.zones])
    area_m2 = np.full(len(zone), size_m**2)
    return Cells(columns[column], rows[row], area_m2, weights[zone], zone, need[zone], within[:, row, column] * area_m2)
