"""Cells, incidence, merging and exact areas, against closed forms, Monte Carlo points and plain loops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.cells import coverage_cells
from geometry.coverage import covered_area_m2, incidence, merge_cells, zone_area_m2, zone_touch
from geometry.errors import ArgumentError
from geometry.footprint import Reach, footprints, reach_shapes
from geometry.positions import candidate_positions
from geometry.site import Zone
from tests.geometry.drawn_sites import line, site

LAWN = Zone("lawn", shapely.box(0, 0, 10, 6), 1.0)
TERRACE = Zone("terrace", shapely.box(8, 0, 12, 6), 3.0)


def discs(centres: list[tuple[float, float]], radius: float) -> np.ndarray:
    xy = np.array(centres, dtype=float)
    return reach_shapes(xy, np.zeros(len(xy)), np.full(len(xy), radius), 360.0)


def test_a_point_in_two_zones_counts_once_with_the_highest_weight() -> None:
    cells = coverage_cells(site(zones=[LAWN, TERRACE]), 0.5)
    assert len(cells) * cells.part_m2 == pytest.approx(72.0)
    assert cells.value.sum() == pytest.approx(48 * 1 + 24 * 3)
    np.testing.assert_array_equal(cells.ground.zone[cells.kind], cells.x_m > 8)


def test_equal_weights_go_to_the_zone_first_by_name() -> None:
    twins = [Zone("b", shapely.box(0, 0, 2, 1)), Zone("a", shapely.box(1, 0, 3, 1))]
    cells = coverage_cells(site(zones=twins), 0.5)
    np.testing.assert_array_equal(cells.ground.zone[cells.kind], cells.x_m > 1)


def test_cells_stay_inside_the_boundary_and_out_of_holes() -> None:
    ring = Zone("ring", shapely.box(0, 0, 10, 10).difference(shapely.box(4, 4, 6, 6)))
    cells = coverage_cells(site(zones=[ring], boundary=shapely.box(0, 0, 5, 10)), 0.5)
    assert len(cells) * cells.part_m2 == pytest.approx(5 * 10 - 1 * 2)


@given(size=st.sampled_from([0.25, 0.5, 1.0]), turn=st.floats(0, 90))
@settings(max_examples=20, deadline=None)
def test_cells_approach_the_area_of_any_zone(size: float, turn: float) -> None:
    """A grid misses at most the cells along the edge: perimeter x size x sqrt(2)."""
    polygon = shapely.affinity.rotate(shapely.box(0, 0, 20, 15), turn)
    cells = coverage_cells(site(zones=[Zone("z", polygon)]), size)
    assert abs(len(cells) * cells.part_m2 - polygon.area) <= polygon.length * size * np.sqrt(2)


@pytest.mark.parametrize("size", [0.0, -1.0, float("nan"), float("inf")])
def test_a_cell_of_no_size_is_named(size: float) -> None:
    with pytest.raises(ArgumentError, match="size_m"):
        coverage_cells(site(zones=[LAWN]), size)


@given(centres=st.lists(st.tuples(st.floats(0, 12), st.floats(0, 6)), min_size=1, max_size=6))
@settings(max_examples=30, deadline=None)
def test_incidence_is_distance_to_the_centre(centres: list[tuple[float, float]]) -> None:
    """Plain distances; the ring within 0.3 % of the radius, where disc and polygon differ, is left out."""
    cells = coverage_cells(site(zones=[LAWN, TERRACE]), 0.5)
    matrix = incidence(cells, discs(centres, 2.0)).toarray()
    off = np.hypot(cells.x_m[:, None] - np.array(centres)[:, 0], cells.y_m[:, None] - np.array(centres)[:, 1])
    clear = np.abs(off - 2.0) > 0.006
    np.testing.assert_array_equal(matrix[clear], (off < 2.0)[clear])


@given(centres=st.lists(st.tuples(st.floats(-3, 15), st.floats(-3, 9)), min_size=1, max_size=6))
@settings(max_examples=30, deadline=None)
def test_merging_keeps_what_any_choice_covers(centres: list[tuple[float, float]]) -> None:
    """For every subset of footprints the value covered is that of the unmerged cells (enumeration)."""
    cells = coverage_cells(site(zones=[LAWN, TERRACE]), 0.5)
    matrix = incidence(cells, discs(centres, 2.0))
    merged = merge_cells(cells, discs(centres, 2.0))
    dense, groups = matrix.toarray(), merged.incidence.toarray()
    assert len({row.tobytes() for row in groups}) == len(groups)
    for bits in range(2 ** len(centres)):
        chosen = np.array([bool(bits >> j & 1) for j in range(len(centres))])
        covered, grouped = (dense & chosen).any(axis=1), (groups & chosen).any(axis=1)
        assert merged.value[grouped].sum() == pytest.approx(cells.value[covered].sum())
        assert merged.area_m2[grouped].sum() == pytest.approx(covered.sum() * cells.part_m2)
        assert merged.count[grouped].sum() == covered.sum()


def test_ground_of_another_need_is_a_group_of_its_own() -> None:
    """A disc of 2 m on the edge between a zone that counts at once and one that two nozzles must reach."""
    zones = [Zone("once", shapely.box(0, 0, 5, 6)), Zone("twice", shapely.box(5, 0, 10, 6), 2.0, cover_by=2)]
    merged = merge_cells(coverage_cells(site(zones=zones), 0.5), discs([(5, 3)], 2.0))
    assert merged.need.tolist() == [1, 2]
    np.testing.assert_allclose(merged.area_m2, 2 * np.pi, rtol=0.01)
    np.testing.assert_allclose(merged.value, merged.area_m2 * [1.0, 2.0])
    np.testing.assert_allclose(merged.zone_area_m2, np.diag(merged.area_m2))


def test_the_heavier_zone_says_how_many_nozzles_its_ground_needs() -> None:
    under = Zone("under", shapely.box(0, 0, 10, 6), 1.0, cover_by=2)
    cells = coverage_cells(site(zones=[under, TERRACE]), 0.5)
    need = cells.ground.need[cells.kind]
    np.testing.assert_array_equal(need, np.where(cells.x_m > 8, 1, 2))


@given(centres=st.lists(st.tuples(st.floats(-1, 13), st.floats(-1, 7)), min_size=1, max_size=5))
@settings(max_examples=25, deadline=None)
def test_each_zone_has_its_own_area_of_what_is_covered(centres: list[tuple[float, float]]) -> None:
    """GEOS's areas of the union of the discs in each zone; ground in both zones counts in each."""
    zones, shapes = [LAWN, TERRACE], discs(centres, 2.0)
    merged = merge_cells(coverage_cells(site(zones=zones), 0.5), shapes)
    for own, zone in zip(merged.zone_area_m2, zones, strict=True):
        exact = shapely.intersection(shapely.union_all(shapes), zone.polygon).area
        assert own.sum() == pytest.approx(exact, abs=0.02 * len(centres) + 0.01 * exact)


def test_cells_are_counted_whole() -> None:
    assert coverage_cells(site(zones=[LAWN]), 0.5).cell_count == 20 * 12
    assert coverage_cells(site(zones=[Zone("strip", shapely.box(0, 0, 10.05, 6))]), 0.5).cell_count == 20 * 12
    assert coverage_cells(site(zones=[Zone("strip", shapely.box(0, 0, 10.15, 6))]), 0.5).cell_count == 21 * 12


@pytest.mark.parametrize("turn", [0.0, 17.0])
def test_a_choice_made_on_cells_of_half_a_metre_covers_what_they_say(turn: float) -> None:
    """Greedy picks the half discs that cover most cells, so whatever the cells overstate: GEOS's union within 0.3 %.

    Three fences of 60 m, two of them 6 m apart, in one field; the centres of 0.5 m squares alone are 0.7 and 1.7 % off.
    """
    fences = [[(0, 0), (60, 0)], [(0, 20), (60, 20)], [(60, 26), (0, 26)]]
    field = shapely.affinity.rotate(shapely.box(-5, 0, 65, 40), turn, origin=(0, 0))
    lines = [
        line(f"f{k}", shapely.get_coordinates(shapely.affinity.rotate(shapely.LineString(xy), turn, origin=(0, 0))))
        for k, xy in enumerate(fences)
    ]
    here = site([replace(one, facings=("left",)) for one in lines], zones=[Zone("field", field)])
    polygons = footprints(here, candidate_positions(here, 0.5), Reach(4.5, 180.0), 0.0).polygons
    merged = merge_cells(coverage_cells(here, 0.5), polygons)
    chosen, covered = [], np.zeros(len(merged.value), dtype=bool)
    for _ in range(18):
        gain = merged.incidence.T @ np.where(covered, 0.0, merged.value)
        chosen.append(int(np.argmax(gain)))
        covered |= merged.incidence[:, [chosen[-1]]].toarray()[:, 0]
    exact = covered_area_m2(polygons[chosen], here.zones)
    assert merged.area_m2[covered].sum() == pytest.approx(exact, rel=0.003)


@pytest.mark.parametrize("apart", [0.5, 2.0, 3.5])
def test_two_discs_cover_their_areas_less_the_lens(apart: float) -> None:
    """Lens of two equal circles: 2 r^2 acos(d/2r) - d/2 sqrt(4 r^2 - d^2) (Weisstein, MathWorld; from memory)."""
    r = 2.0
    lens = 2 * r**2 * np.arccos(apart / (2 * r)) - apart / 2 * np.sqrt(4 * r**2 - apart**2)
    around = [Zone("z", shapely.box(-50, -50, 50, 50))]
    covered = covered_area_m2(discs([(0, 0), (apart, 0)], r), around)
    # Each polygon strays from its circle by 0.08 % of the radius at most, the lens by its perimeter times that.
    assert covered == pytest.approx(2 * np.pi * r**2 - lens, abs=0.02)


def test_area_within_a_zone_with_a_hole() -> None:
    ring = Zone("ring", shapely.box(-9, -9, 9, 9).difference(shapely.box(-1, -1, 1, 1)))
    assert covered_area_m2(discs([(0, 0)], 3.0), [ring]) == pytest.approx(9 * np.pi - 4)


@given(centres=st.lists(st.tuples(st.floats(-3, 15), st.floats(-3, 9)), min_size=1, max_size=8))
@settings(max_examples=15, deadline=None)
def test_covered_area_is_that_of_random_points(centres: list[tuple[float, float]]) -> None:
    """Monte Carlo, 40,000 points over 18 x 12 m by plain distances: within 5 standard deviations."""
    holed = Zone("holed", shapely.box(0, 0, 10, 6).difference(shapely.box(3, 2, 5, 4)))
    points = np.random.default_rng(3).uniform((-3, -3), (15, 9), (40_000, 2))
    x, y = points.T
    off = np.hypot(x[:, None] - np.array(centres)[:, 0], y[:, None] - np.array(centres)[:, 1])
    in_holed = (x > 0) & (x < 10) & (y > 0) & (y < 6) & ~((x > 3) & (x < 5) & (y > 2) & (y < 4))
    in_terrace = (x > 8) & (x < 12) & (y > 0) & (y < 6)
    share = np.mean((off < 2.0).any(axis=1) & (in_holed | in_terrace))
    deviation = 18 * 12 * np.sqrt(max(share * (1 - share), 1e-4) / len(points))
    assert covered_area_m2(discs(centres, 2.0), [holed, TERRACE]) == pytest.approx(18 * 12 * share, abs=5 * deviation)


def test_ground_of_two_zones_counts_once() -> None:
    assert zone_area_m2([LAWN, TERRACE]) == pytest.approx(72.0)


def test_touching_a_zone_means_covering_some_of_it() -> None:
    polygons = [shapely.box(-5, 0, 0, 6), shapely.box(-5, 0, 0.1, 6), shapely.box(9, 1, 11, 2)]
    touch = zone_touch(polygons, [LAWN, TERRACE])
    np.testing.assert_array_equal(touch, [[False, False], [True, False], [True, True]])


def test_nothing_chosen_covers_nothing() -> None:
    cells = coverage_cells(site(zones=[LAWN]), 0.5)
    assert covered_area_m2([], [LAWN]) == 0.0
    assert merge_cells(cells, []).value.shape == (0,)
