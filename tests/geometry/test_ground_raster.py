"""Sites as rasters: areas against shapely's, and places on round metres on no edge of a cell."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geometry.ground_raster import cell_for, ground_raster

BOUNDARY = shapely.Polygon([(0, 0), (40, 0), (40, 25), (12, 30), (0, 20)])
POND = shapely.Point(20, 10).buffer(6.0)


def test_areas_are_those_of_the_shapes() -> None:
    raster = ground_raster(BOUNDARY, [POND], 0.25)
    assert raster.inside.sum() * 0.25**2 == pytest.approx(BOUNDARY.area, rel=5e-3)
    assert raster.masks[0].sum() * 0.25**2 == pytest.approx(POND.area, rel=5e-3)
    x_m, y_m = raster.centres_m()
    held = shapely.contains_xy(POND, x_m, y_m)
    assert np.array_equal(held, raster.masks[0].ravel())


def test_rows_run_north_and_columns_east_with_a_margin_all_round() -> None:
    raster = ground_raster(BOUNDARY, [], 0.5, margin_m=5.0)
    rows, columns = np.nonzero(raster.inside)
    assert raster.west_m < -5.0 and raster.west_m + raster.inside.shape[1] * 0.5 > 45.0
    assert raster.west_m + (columns.min() + 0.5) * 0.5 == pytest.approx(0.0, abs=0.5)
    assert raster.south_m + (rows.max() + 0.5) * 0.5 == pytest.approx(30.0, abs=0.5)


def test_round_metres_lie_on_no_edge() -> None:
    for cell in (0.5, 1.0):
        raster = ground_raster(BOUNDARY, [], cell)
        off = (np.arange(0.0, 40.0, 0.5) - raster.west_m) / cell % 1.0
        assert float(np.minimum(off, 1.0 - off).min()) > 0.1


def test_cells_grow_with_the_site() -> None:
    assert cell_for(BOUNDARY) == 0.5
    wide = shapely.box(0, 0, 2000, 1000)
    assert cell_for(wide, most=20_000) == pytest.approx(10.0)
    assert cell_for(wide, 500.0, most=20_000) == pytest.approx(np.sqrt(3000.0 * 2000.0 / 20_000))
