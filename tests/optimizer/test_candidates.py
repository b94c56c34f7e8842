"""Candidates of lines with several facings and tilts: against lines of one facing, and sets of cells by loops.

The yard's lawn is the triangle south of the way from (1, 1) to (19, 9); its wire runs along y = 5 from x = 2 to 18.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import csr_array

from geometry.cells import coverage_cells
from geometry.coverage import incidence
from optimizer.eligible import dominated
from optimizer.errors import NoDesign
from optimizer.instance import Candidates, candidates, inspection
from optimizer.scenario import read_scenario
from tests.optimizer.scenario_files import site_with, yard

WIRE = 2
NORTH, SOUTH = 0.0, 180.0
Choice = tuple[float, float, float]


def found(folder: Path, **properties: Any) -> Candidates:
    """Candidates of the yard with properties of its wire; facing left is north, right is south."""
    scenario = read_scenario(yard(folder, site=site_with(WIRE, **properties)))
    return candidates(scenario, scenario.nozzle_of(scenario.options[0]))


def choices(of: Candidates) -> list[Choice]:
    """Chainage, azimuth and tilt of each."""
    parts = zip(of.chainage_m, of.azimuth_deg, of.tilt_deg, strict=True)
    return [(round(float(s), 6), round(float(a), 6) % 360.0, float(t)) for s, a, t in parts]


def reached(folder: Path, of: Candidates) -> list[frozenset[int]]:
    """Cells of each footprint."""
    matrix = incidence(coverage_cells(read_scenario(yard(folder)).site, 0.5), of.polygons).toarray()
    return [frozenset(np.flatnonzero(column).tolist()) for column in matrix.T]


def test_a_line_of_one_facing_is_one_strand_with_a_candidate_a_place(tmp_path: Path) -> None:
    one = found(tmp_path, facing="right")
    assert one.place.tolist() == list(range(one.count))
    assert set(one.strand) == {0} and not one.preferred.any()


def test_both_facings_are_offered_less_those_that_reach_nothing_of_their_own(tmp_path: Path) -> None:
    north, south = found(tmp_path, facing="left"), found(tmp_path, facing="right")
    both = found(tmp_path, facing=["left", "right"])
    assert set(choices(both)) <= set(choices(north)) | set(choices(south))
    cells = dict(zip(choices(north) + choices(south), reached(tmp_path, north) + reached(tmp_path, south), strict=True))
    for choice, own in cells.items():
        other = cells.get((choice[0], (choice[1] + 180.0) % 360.0, 0.0), frozenset())
        needless = own < other or (own == other and choice[1] == SOUTH)
        assert (choice in choices(both)) is not needless
    assert len(choices(north)) < both.count < len(choices(north)) + len(choices(south)) + 1


def test_candidates_come_by_chainage_and_slot(tmp_path: Path) -> None:
    both = found(tmp_path, facing=["left", "right"])
    assert choices(both) == sorted(choices(both))
    assert sorted(set(both.place)) == list(range(max(both.place) + 1))
    for j in range(both.count):
        assert both.strand[j] == {NORTH: 0, SOUTH: 1}[choices(both)[j][1]]
        same = both.place == both.place[j]
        np.testing.assert_array_equal(same, np.isclose(both.chainage_m, both.chainage_m[j]))


def test_what_is_covered_is_what_both_lines_would_cover(tmp_path: Path) -> None:
    """The lawn within 3 m of the wire: the union of what either facing covers."""
    parts = [found(tmp_path, facing=facing) for facing in ("left", "right")]
    both = found(tmp_path, facing=["left", "right"])
    assert both.coverable_area_m2 == pytest.approx(sum(part.coverable_area_m2 for part in parts), rel=1e-3)


def test_a_tilt_that_only_shortens_the_reach_is_no_choice(tmp_path: Path) -> None:
    both = found(tmp_path, facing="right", tilt_deg=[0, 60])
    assert set(both.tilt_deg) == {0.0} and both.place.tolist() == list(range(both.count))


def test_positions_are_counted_once_whatever_their_facings(tmp_path: Path) -> None:
    """33 places every half metre; the lawn's edge is 3.25 and 3.05 m from the first two, 2.84 m from the third."""
    north, both = found(tmp_path, facing="left"), found(tmp_path, facing=["left", "right"])
    ((reason, lost),) = north.left_out
    assert reason == "its footprint meets no zone" and lost + north.count == 33
    assert both.left_out == (("its footprint meets no zone", 2),) and max(both.place) == 30
    assert inspection(read_scenario(tmp_path)).candidate_count == 31


@pytest.mark.parametrize(("chainage", "azimuth"), [(2.0, SOUTH), (8.0, NORTH)])
def test_a_lock_is_on_the_first_facing_that_mists_a_zone(chainage: float, azimuth: float, tmp_path: Path) -> None:
    both = found(tmp_path, facing=["left", "right"], locked_m=[chainage])
    (locked,) = np.flatnonzero(both.locked)
    assert choices(both)[locked][:2] == (chainage, azimuth)
    assert np.count_nonzero(both.place == both.place[locked]) == 1


def test_a_preference_is_for_the_place(tmp_path: Path) -> None:
    both = found(tmp_path, facing=["left", "right"], preferred_m=[10.2])
    assert [choice[:2] for choice, is_one in zip(choices(both), both.preferred, strict=True) if is_one] == [
        (10.2, NORTH),
        (10.2, SOUTH),
    ]


def test_a_locked_place_without_any_legal_facing_is_refused(tmp_path: Path) -> None:
    """A full pond over the wire's end: no facing is legal, and each reason is named once."""
    site = site_with(WIRE, facing=["left", "right"], locked_m=[0.0])
    ring = [[0, 0], [4, 0], [4, 8], [0, 8], [0, 0]]
    pond = {"role": "keep_out", "name": "Pond", "forbids": ["mist"], "setback_m": 0.5}
    site["features"].append(
        {"type": "Feature", "properties": pond, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    )
    scenario = read_scenario(yard(tmp_path, site=site))
    with pytest.raises(
        NoDesign, match=r"Wire at 0\.00 m cannot hold a nozzle: mist would come within 0\.5 m of keep-out"
    ):
        candidates(scenario, scenario.nozzle_of(scenario.options[0]))


@given(data=st.data())
def test_a_footprint_is_dominated_where_another_of_its_place_and_group_holds_its_cells(data: st.DataObject) -> None:
    """Against sets, pair by pair."""
    place = sorted(data.draw(st.lists(st.integers(0, 3), min_size=1, max_size=9)))
    count = len(place)
    group = data.draw(st.lists(st.integers(0, 1), min_size=count, max_size=count))
    sets = [data.draw(st.frozensets(st.integers(0, 4))) for _ in place]
    dense = np.array([[c in own for own in sets] for c in range(5)])
    expected = [
        any(
            place[k] == place[j]
            and (group[k] == group[j] or not sets[j])
            and (sets[j] < sets[k] or (sets[j] == sets[k] and k < j))
            for k in range(count)
        )
        for j in range(count)
    ]
    np.testing.assert_array_equal(dominated(csr_array(dense), np.array(place), np.array(group)), expected)
