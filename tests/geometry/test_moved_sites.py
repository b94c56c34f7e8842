"""Metamorphic: turning, shifting, mirroring, reversing or reordering a drawing changes no footprint and no area."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.coverage import covered_area_m2
from geometry.footprint import Reach, footprints
from geometry.geojson import read_site
from geometry.positions import candidate_positions
from geometry.site import Site
from tests.geometry.drawn_sites import box_ring, drawn, sound_features, text

Move = Callable[[np.ndarray], np.ndarray]


def garden() -> Site:
    hedge = drawn("obstacle", "Polygon", [box_ring(12, 4, 13, 9)], name="hedge", height_m=2.5)
    return read_site(text([*sound_features(), hedge]))


def moved(site: Site, move: Move) -> Site:
    def all_of(items: Any, field: str) -> tuple[Any, ...]:
        return tuple(replace(one, **{field: shapely.transform(getattr(one, field), move)}) for one in items)

    return replace(
        site,
        boundary=shapely.transform(site.boundary, move),
        zones=all_of(site.zones, "polygon"),
        keep_outs=all_of(site.keep_outs, "polygon"),
        obstacles=all_of(site.obstacles, "polygon"),
        lines=all_of(site.lines, "line"),
    )


def areas(site: Site, angle: float = 360.0, step_m: float = 1.0) -> tuple[np.ndarray, float]:
    """Footprint area of every position (0 where dropped), sorted within no line, and the area covered."""
    positions = candidate_positions(site, step_m)
    found = footprints(site, positions, Reach(4.5, angle), 1.0)
    own = np.zeros(len(positions))
    own[found.position] = shapely.area(found.polygons)
    return own, covered_area_m2(found.polygons, site.zones)


def turned(degrees: float, shift: tuple[float, float], mirror: bool) -> Move:
    angle = np.radians(degrees)
    matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    flip = np.array([-1.0 if mirror else 1.0, 1.0])
    return lambda xy: (xy * flip) @ matrix.T + np.array(shift)


@settings(max_examples=30, deadline=None)
@given(
    degrees=st.integers(0, 3600).map(lambda tenths: tenths / 10),
    east=st.integers(-500, 500_000),
    north=st.integers(-500, 5_000_000),
    mirror=st.booleans(),
    angle=st.sampled_from([360.0, 130.0]),
)
def test_turned_shifted_and_mirrored(degrees: float, east: float, north: float, mirror: bool, angle: float) -> None:
    plain, covered = areas(garden(), angle)
    own, also_covered = areas(moved(garden(), turned(degrees, (east, north), mirror)), angle)
    np.testing.assert_allclose(own, plain, atol=3e-3)
    assert also_covered == pytest.approx(covered, rel=1e-4)


def test_lines_drawn_the_other_way() -> None:
    site = garden()
    back = replace(site, lines=tuple(replace(one, line=shapely.reverse(one.line)) for one in site.lines))
    plain, covered = areas(site)
    own, also_covered = areas(back)
    np.testing.assert_allclose(np.sort(own), np.sort(plain), atol=3e-3)
    assert also_covered == pytest.approx(covered, rel=1e-4)


def test_the_order_of_features_does_not_matter() -> None:
    site = garden()
    other = replace(site, obstacles=site.obstacles[::-1], lines=site.lines[::-1], zones=site.zones[::-1])
    plain, covered = areas(site)
    own, also_covered = areas(other)
    np.testing.assert_allclose(np.sort(own), np.sort(plain), atol=1e-9)
    assert also_covered == pytest.approx(covered, rel=1e-12)


def test_a_higher_nozzle_never_sees_less() -> None:
    low, high = (replace(garden(), lines=tuple(replace(one, height_m=h) for one in garden().lines)) for h in (2, 7))
    assert np.all(areas(high)[0] >= areas(low)[0] - 1e-9)
