"""Facings as azimuths; expected ones by hand (north 0, east 90)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely

from geometry.facing import faces_outward, facing_azimuths_deg, preferences, sides
from geometry.site import Obstacle
from tests.geometry.drawn_sites import box_ring, line

LOT = shapely.box(0, 0, 60, 40)
HOUSE = Obstacle("house", shapely.box(30, 15, 45, 25), 6.0)
FAR = shapely.box(-500, -500, 500, 500)


def azimuth(points: Any, facing: str | float, at: float, boundary: Any = FAR, obstacles: Any = ()) -> float:
    one = line("a", points)
    of = sides(one, boundary, obstacles)
    return float(facing_azimuths_deg(one.line, of, facing, np.array([at]))[0])


def test_left_and_right_of_the_direction_of_drawing() -> None:
    assert azimuth([(0, 0), (10, 0)], "left", 5) == pytest.approx(0)
    assert azimuth([(0, 0), (10, 0)], "right", 5) == pytest.approx(180)
    assert azimuth([(0, 0), (10, 0), (10, 10)], "left", 10) == pytest.approx(270)
    assert azimuth([(0, 0), (10, 0)], 33.0, 5) == pytest.approx(33)


@pytest.mark.parametrize("ring", [box_ring(30, 15, 45, 25), box_ring(30, 15, 45, 25)[::-1]])
def test_in_and_out_of_a_ring_do_not_hang_on_its_direction(ring: Any) -> None:
    south = 7.5 if ring[1] == [45, 15] else 42.5
    assert azimuth(ring, "out", south) == pytest.approx(180)
    assert azimuth(ring, "in", south) == pytest.approx(0)


@pytest.mark.parametrize("points", [[(0, 0), (60, 0), (60, 40)], [(60, 40), (60, 0), (0, 0)]])
def test_in_from_the_boundary_is_into_the_site(points: Any) -> None:
    south, east = (30, 80) if points[0] == (0, 0) else (70, 20)
    assert azimuth(points, "in", south, LOT) == pytest.approx(0)
    assert azimuth(points, "in", east, LOT) == pytest.approx(270)


def test_a_fence_somewhat_inside_the_boundary_lies_on_it() -> None:
    assert azimuth([(1, 0.4), (20, 0.4)], "in", 5, LOT) == pytest.approx(0)


def test_in_from_the_edge_of_a_courtyard_is_into_the_site() -> None:
    ring = LOT.difference(shapely.box(20, 10, 30, 20))
    assert azimuth([(20, 10), (30, 10)], "in", 5, ring) == pytest.approx(180)


@pytest.mark.parametrize("points", [[(31, 15), (44, 15)], [(44, 14.7), (31, 14.7)], [(31, 15.3), (44, 15.3)]])
def test_out_from_a_wall_is_away_from_it(points: Any) -> None:
    assert azimuth(points, "out", 5, LOT, [HOUSE]) == pytest.approx(180)
    assert azimuth(points, "in", 5, LOT, [HOUSE]) == pytest.approx(0)


def test_all_means_both_sides_but_only_inward_on_the_boundary() -> None:
    fence, eaves = line("a", [(0, 0), (60, 0)]), line("b", box_ring(30, 15, 45, 25))
    pole = line("c", [(5, 5), (9, 5)])
    assert preferences(("all",), sides(fence, LOT, [HOUSE])) == ("in",)
    assert preferences(("all",), sides(eaves, LOT, [HOUSE])) == ("out", "in")
    assert preferences(("right", "all"), sides(pole, LOT, [HOUSE])) == ("right", "left")


@pytest.mark.parametrize(
    ("facing", "outward"),
    [
        ("in", False),
        ("all", False),
        ("out", True),
        ("left", False),
        ("right", True),
        (180.0, True),
        (45.0, False),
    ],
)
def test_facings_that_leave_the_site(facing: str | float, outward: bool) -> None:
    fence = line("a", [(0, 0), (60, 0)])
    assert faces_outward(fence.line, sides(fence, LOT, []), facing) is outward
