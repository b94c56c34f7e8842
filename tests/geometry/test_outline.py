"""Footprints drawn by the level of a map, against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString, box

from geometry.errors import ArgumentError
from geometry.footprint import Reach, footprints
from geometry.outline import Outline, laid_out, level_region
from geometry.positions import candidate_positions
from geometry.site import MountingLine, Obstacle, Site, Zone

CELL_M = 0.1
LINE = MountingLine("Wire", LineString([(20, 50), (80, 50)]), (0.0, 0.0), 2.4, ("left", "right"), (0.0, 30.0))
FIELD = Site("field", box(0, 0, 100, 100), (Zone("Lawn", box(0, 0, 100, 100)),), (), (), (LINE,), (), ())


def around() -> tuple[np.ndarray, np.ndarray]:
    """Distance from the middle, and east of it, of the cells of a square of 12 m."""
    axis = (np.arange(120) + 0.5) * CELL_M - 6.0
    east, north = np.meshgrid(axis, axis)
    return np.hypot(east, north), east


def test_the_level_of_a_cone_is_a_circle_and_of_a_crater_a_ring() -> None:
    """Closed forms: 10 - r >= 7 for r <= 3; r between 2 and 4."""
    far, _ = around()
    circle = level_region(10.0 - far, -6.0, -6.0, CELL_M, 7.0)
    assert circle.area == pytest.approx(math.pi * 9.0, rel=5e-3)
    ring = level_region(1.0 - np.abs(far - 3.0), -6.0, -6.0, CELL_M, 0.0)
    assert ring.area == pytest.approx(math.pi * (16.0 - 4.0), rel=5e-3) and not ring.contains(shapely.Point(0, 0))
    assert level_region(10.0 - far, -6.0, -6.0, CELL_M, 20.0).is_empty


def test_east_is_east() -> None:
    _, east = around()
    half = level_region(east, -6.0, -6.0, CELL_M, 2.0)
    assert half.bounds == pytest.approx((2.0, -5.95, 5.95, 5.95), abs=1e-6)


def test_resting_places_are_judged_by_their_own_part() -> None:
    hedge = Zone("Hedge", box(0, 0, 50, 100), kind="resting")
    site = replace(FIELD, zones=(hedge, *FIELD.zones))
    outline = Outline(2.4, shapely.Point(0, 0).buffer(2.0), shapely.Point(0, 0).buffer(4.0))
    at = np.array([[50.0, 50.0], [80.0, 50.0], [20.0, 50.0]])
    middle, east, west = laid_out((outline,), site, at, np.full(3, 2.4))
    assert middle.area == pytest.approx((outline.ground.area + outline.resting.area) / 2.0)
    assert (east.area, west.area) == pytest.approx((outline.ground.area, outline.resting.area))


def test_footprints_by_outlines_face_and_tilt_nowhere_and_are_cut_by_walls() -> None:
    ground = box(-1, -1, 5, 1)
    reach = Reach(6.0, 360.0, (Outline(2.4, ground, ground),))
    at = candidate_positions(FIELD, 10.0)
    found = footprints(FIELD, at, reach, 0.0)
    assert found.position.tolist() == list(range(len(at)))  # one of each place: all slots are alike
    assert shapely.area(found.polygons) == pytest.approx(12.0)
    wall = replace(FIELD, obstacles=(Obstacle("Wall", box(22, 40, 23, 60), height_m=5.0),))
    first = footprints(wall, at, reach, 0.0).polygons[0]
    assert first.area == pytest.approx(6.0, abs=0.05) and first.bounds[2] <= 22.001


def test_an_outline_may_be_made_wider_and_must_be_known() -> None:
    ground = box(-1, -1, 5, 1)
    outline = Outline(2.4, ground, ground)
    assert outline.radius_m == pytest.approx(math.hypot(5.0, 1.0))
    assert Reach(6.0, 360.0, (outline,)).scaled(1.3).outlines[0].ground.area == pytest.approx(12.0 * 1.69)
    with pytest.raises(ArgumentError, match="no outline is drawn for nozzles 3 m above ground"):
        laid_out((outline,), FIELD, np.zeros((1, 2)), np.array([3.0]))
