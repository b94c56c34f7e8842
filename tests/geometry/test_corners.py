"""Outside corners of drawn lines, by hand: a house's own corners for mist outwards, none for mist inwards."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely

from geometry.corners import outside_corners_m
from geometry.facing import sides
from geometry.site import Obstacle
from tests.geometry.drawn_sites import box_ring, line

FAR = shapely.box(-500, -500, 500, 500)
L_SHAPE = [[0, 0], [10, 0], [10, 4], [4, 4], [4, 9], [0, 9], [0, 0]]
"""An L-shaped house: chainages 0, 10, 14, 20, 25, 29; the corner at 20 m (4, 4) is its inner one."""


def corners(points: Any, *facings: str | float, boundary: Any = FAR, obstacles: Any = ()) -> list[float]:
    one = line("a", points, facings=facings)
    return [round(float(at), 6) for at in outside_corners_m(one, sides(one, boundary, obstacles))]


def mirrored(points: Any) -> list[list[float]]:
    return [[-x, y] for x, y in points]


def test_a_house_has_its_corners_outside() -> None:
    assert corners(box_ring(30, 15, 45, 25), "out") == [0, 15, 25, 40]
    assert corners(box_ring(30, 15, 45, 25), "in") == []
    assert corners(L_SHAPE, "out") == [0, 10, 14, 25, 29]
    assert corners(L_SHAPE, "in") == [20]
    assert corners(L_SHAPE, "out", "in") == [0, 10, 14, 20, 25, 29]


@pytest.mark.parametrize(
    ("facing", "expected"), [("out", [0, 9, 13, 24, 28]), ("in", [18]), ("left", [18]), ("right", [0, 9, 13, 24, 28])]
)
def test_a_mirrored_house_drawn_backwards_has_the_same(facing: str, expected: list[float]) -> None:
    """It runs up first: chainages 0, 9, 13, 18, 24, 28, the inner corner at 18 m; its outside is right again."""
    assert corners(mirrored(L_SHAPE)[::-1], facing) == expected


def test_a_mirrored_line_has_its_corner_on_the_other_side() -> None:
    hook = [[0, 0], [5, 0], [5, 5]]
    assert corners(hook, "right") == [5] and corners(hook, "left") == []
    assert corners(mirrored(hook), "left") == [5] and corners(mirrored(hook), "right") == []
    assert corners(hook[::-1], "left") == [5] and corners(hook[::-1], "right") == []


def test_the_boundary_has_corners_where_it_juts_into_the_site() -> None:
    plot = shapely.Polygon(L_SHAPE)
    assert corners(L_SHAPE, "in", boundary=plot) == [20]
    assert corners(box_ring(0, 0, 60, 40), "all", boundary=shapely.box(0, 0, 60, 40)) == []


def test_along_walls_out_is_the_open_side() -> None:
    house = Obstacle("house", shapely.Polygon(L_SHAPE), 5.0)
    assert corners([[1, 0], [10, 0], [10, 4], [5, 4]], "out", obstacles=[house]) == [9, 13]


def test_where_either_side_may_be_faced_either_turn_counts() -> None:
    zigzag = [[0, 0], [5, 0], [5, 5], [10, 5]]
    assert corners(zigzag, "all") == [5, 10]
    assert corners(zigzag, "left") == [10]
    assert corners(zigzag, "right") == [5]


def test_an_azimuth_counts_on_the_side_that_it_points_to() -> None:
    """South is right of the stretch east; along the stretch north it is either side."""
    hook = [[0, 0], [5, 0], [5, 5]]
    assert corners(hook, 135.0) == [5]
    assert corners(hook, 315.0) == []
    assert corners(hook, 180.0) == [5]


@pytest.mark.parametrize(("turn_deg", "is_corner"), [(29.0, False), (30.0, True), (31.0, True), (-31.0, False)])
def test_a_slight_bend_is_no_corner(turn_deg: float, is_corner: bool) -> None:
    bend = np.radians(turn_deg)
    points = [[0, 0], [5, 0], [5 + 5 * np.cos(bend), 5 * np.sin(bend)]]
    assert bool(corners(points, "right")) is is_corner


def test_a_vertex_more_on_a_straight_wall_is_no_corner() -> None:
    assert corners([[0, 0], [7, 0], [10, 0], [10, 5]], "right") == [10]
    assert corners([[5, 0], [10, 0], [10, 4], [0, 4], [0, 0], [5, 0]], "out") == [5, 9, 19, 23]
