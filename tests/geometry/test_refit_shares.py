"""Footprints with another reach, and areas that add up, against closed forms and shapely's own areas."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, box, union_all

from geometry.footprint import Reach, footprints, refitted
from geometry.positions import candidate_positions
from geometry.shares import near_lines, own_parts, shared_out, zone_shares_m2
from geometry.site import KeepOut, MountingLine, Obstacle, Site, Zone

FIELD = Site("field", box(0, 0, 100, 100), (Zone("Lawn", box(0, 0, 100, 100)),), (), (), (), (), ())
CENTRE = np.array([[50.0, 50.0]])


def refit(site: Site, reach_m: float, setback_m: float = 0.0) -> tuple[Polygon, str]:
    level = np.zeros(1)
    (polygon,), (fault,) = refitted(site, CENTRE, level + 2.0, level, level, level + 2.0, Reach(reach_m), setback_m)
    return polygon, fault


@pytest.mark.parametrize("factor", [0.7, 1.0, 1.3])
def test_the_area_of_a_nozzle_in_an_open_field_goes_with_the_square_of_its_reach(factor: float) -> None:
    """Closed form: the area of a circle."""
    polygon, fault = refit(FIELD, 4.0 * factor)
    assert fault == "" and polygon.area == pytest.approx(math.pi * (4.0 * factor) ** 2)


def test_a_longer_reach_is_cut_by_walls_and_told_of_keep_outs() -> None:
    wall = Obstacle("Wall", box(53, 0, 54, 100), height_m=5.0)
    pond = KeepOut("Pond", box(40, 40, 45.5, 60), frozenset({"mist"}))
    site = replace(FIELD, obstacles=(wall,), keep_outs=(pond,))
    near, fault = refit(site, 4.0, 0.25)
    assert fault == "" and near.bounds[2] <= 53.001
    far, fault = refit(site, 5.2, 0.25)
    assert "Pond" in fault and far.area > near.area and far.bounds[2] <= 53.001


def test_the_same_reach_gives_the_footprints_that_were_placed() -> None:
    line = MountingLine("Eaves", LineString([(20, 30), (60, 30)]), (0.0, 0.0), 3.0, ("left",))
    site = replace(FIELD, lines=(line,), obstacles=(Obstacle("Hut", box(30, 32, 40, 40), 6.0),))
    at = candidate_positions(site, 2.0)
    placed = footprints(site, at, Reach(4.0, 180.0), 0.0)
    xy = np.column_stack([at.x_m, at.y_m])[placed.position]
    again, faults = refitted(
        site,
        xy,
        at.z_m[placed.position],
        placed.azimuth_deg,
        placed.tilt_deg,
        at.height_m[placed.position],
        Reach(4.0, 180.0),
        0.0,
    )
    assert not any(faults) and all(a.equals(b) for a, b in zip(again, placed.polygons, strict=True))


def test_ground_in_two_zones_belongs_to_the_one_of_higher_weight() -> None:
    zones = (Zone("Lawn", box(0, 0, 10, 10)), Zone("Terrace", box(5, 0, 15, 10), weight=3.0))
    assert [part.area for part in own_parts(zones)] == pytest.approx([50.0, 100.0])
    assert zone_shares_m2([box(0, 0, 7, 10)], zones).tolist() == pytest.approx([50.0, 20.0])


SQUARE = st.tuples(st.integers(0, 12), st.integers(0, 12), st.integers(1, 8), st.integers(1, 8)).map(
    lambda s: box(s[0], s[1], s[0] + s[2], s[1] + s[3])
)


@settings(max_examples=60, deadline=None)
@given(zones=st.lists(SQUARE, min_size=1, max_size=4), regions=st.lists(SQUARE, max_size=4))
def test_shares_add_up_to_each_part_and_to_the_union(zones: list[Polygon], regions: list[Polygon]) -> None:
    parts = own_parts([Zone(f"zone {k}", polygon, weight=1.0 + k % 2) for k, polygon in enumerate(zones)])
    shares = shared_out(parts, regions)
    assert (shares >= 0.0).all()
    assert shares.sum(axis=1) == pytest.approx([part.area for part in parts])
    assert shares.sum() == pytest.approx(union_all(zones).area)
    assert shares[:, :-1].sum() == pytest.approx(union_all(regions).intersection(union_all(zones)).area)


def test_ground_near_a_line_is_a_capsule() -> None:
    """Closed form: 2 r L + pi r^2; arcs are cut short by less than 0.2 %."""
    line = MountingLine("Wire", LineString([(0, 0), (30, 0)]), (0.0, 0.0), 3.0)
    assert near_lines([line], 4.0).area == pytest.approx(2 * 4 * 30 + math.pi * 16, rel=2e-3)
    assert near_lines([line], 4.0).contains(Point(15, 3.9))
