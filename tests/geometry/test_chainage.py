"""Places, directions and stretches along lines; expected values by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geometry.chainage import (
    merged_stretches,
    places_at,
    stretch_azimuths_deg,
    stretch_index,
    stretches_inside,
    within_stretches,
)
from geometry.site import Stretch

ELBOW = shapely.LineString([(0, 0), (3, 4), (3, 10)])


def test_places_and_ground_are_linear_between_vertices() -> None:
    x, y, ground = places_at(ELBOW, [0.0, 1.0, 1.6], [0.0, 2.5, 5.0, 8.0, 11.0])
    np.testing.assert_allclose(x, [0, 1.5, 3, 3, 3])
    np.testing.assert_allclose(y, [0, 2, 4, 7, 10])
    np.testing.assert_allclose(ground, [0, 0.5, 1.0, 1.3, 1.6])


def test_a_vertex_belongs_to_the_stretch_that_starts_there() -> None:
    np.testing.assert_array_equal(stretch_index(ELBOW, [0.0, 4.9, 5.0, 11.0]), [0, 0, 1, 1])


@pytest.mark.parametrize(
    ("to", "azimuth"), [((0, 1), 0.0), ((1, 1), 45.0), ((1, 0), 90.0), ((0, -1), 180.0), ((-1, 0), 270.0)]
)
def test_azimuths_run_clockwise_from_north(to: tuple[float, float], azimuth: float) -> None:
    assert stretch_azimuths_deg(shapely.LineString([(0, 0), to]))[0] == pytest.approx(azimuth)


def test_ends_of_a_stretch_are_not_within_it() -> None:
    at = np.array([1.0, 1.5, 2.0, 3.0])
    np.testing.assert_array_equal(within_stretches(at, [Stretch(1, 2), Stretch(2, 2.5)]), [False, True, False, False])


def test_a_line_through_a_polygon_with_a_hole_runs_inside_it_twice() -> None:
    ring = shapely.box(2, -1, 8, 1).difference(shapely.box(4, -0.5, 5, 0.5))
    inside = stretches_inside(shapely.LineString([(0, 0), (10, 0)]), ring, "pond")
    assert inside == (Stretch(2, 4, "pond"), Stretch(5, 8, "pond"))


def test_a_line_along_the_edge_of_a_polygon_is_outside_it() -> None:
    assert stretches_inside(shapely.LineString([(0, 0), (10, 0)]), shapely.box(2, 0, 8, 5)) == ()


def test_touching_stretches_are_joined() -> None:
    joined = merged_stretches([Stretch(4, 6, "b"), Stretch(1, 2, "a"), Stretch(2, 3, "c"), Stretch(5, 5.5, "d")])
    assert joined == (Stretch(1, 3, "a"), Stretch(4, 6, "b"))
