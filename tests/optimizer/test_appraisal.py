"""Appraisals: closed forms, hand-made lines, and areas that add up, on invented sites."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import cast

import numpy as np
import pytest
import scipy.sparse as sp
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, box

from geometry.site import KeepOut, MountingLine, Obstacle, Site, Stretch, Zone
from optimizer.appraisal.appraise import appraise, at_equal_count, covered_m2, fed_positions, rival
from optimizer.appraisal.figures import Rival
from optimizer.appraisal.gaps import CHOSEN, FREE_STRETCH, NO_CANDIDATE, gaps
from optimizer.appraisal.reach import reach_cases
from optimizer.appraisal.rivals import greedy, last_nozzle_m2, next_nozzle_m2, nozzles_saved
from optimizer.appraisal.uncovered import DRIFTING, PRESSURE, SPACING, ground, uncovered
from optimizer.design import Design, Nozzle, Pump
from optimizer.instance import Instance, candidates, instance
from optimizer.placement.problem import Floor, Limit
from optimizer.placement.selection import Cover, Selection
from optimizer.placement.windows import line_orders
from optimizer.scenario import Scenario, read_scenario
from tests.optimizer.placement_cases import best_value, coverage_problem, placements, random_problem, value_of

SCENARIOS = Path(__file__).resolve().parents[2] / "scenarios"


@pytest.fixture(scope="module")
def first_look() -> Scenario:
    return read_scenario(SCENARIOS / "first_look")


@pytest.fixture(scope="module")
def posed(first_look: Scenario) -> Instance:
    option = first_look.options[0]
    return instance(first_look, option, candidates(first_look, first_look.nozzle_of(option)))


def wire(*, free: tuple[Stretch, ...] = (), ring: bool = False) -> Site:
    """A site of one line, 40 m long: straight or round a square."""
    points = [(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)] if ring else [(0, 0), (40, 0)]
    line = MountingLine("Wire", LineString(points), (0.0,) * len(points), 3.0, no_nozzles=free)
    return Site("plot", box(-9, -9, 60, 60), (Zone("Lawn", box(-9, -9, 60, 60)),), (), (), (line,), (), ())


def gaps_at(site: Site, places: list[float], chosen: list[float]) -> list[tuple[float, float, str, str]]:
    found = gaps(
        site, np.zeros(len(places), dtype=np.int64), np.array(places), [places.index(s) for s in chosen], greatest_m=6.0
    )
    assert all(gap.length_m == gap.to_m - gap.from_m and gap.line == "Wire" for gap in found)
    return [(gap.from_m, gap.to_m, gap.reason, gap.detail) for gap in found]


EVERY_2 = [float(s) for s in range(0, 41, 2)]


def test_a_gap_of_the_greatest_spacing_is_none() -> None:
    assert gaps_at(wire(), EVERY_2, [2.0, 8, 14, 20, 26, 32, 38]) == []


def test_gaps_between_nozzles_and_to_the_ends_are_told() -> None:
    assert gaps_at(wire(), EVERY_2, [8.0, 14, 28, 34]) == [(0, 8, CHOSEN, ""), (14, 28, CHOSEN, "")]


def test_a_line_without_nozzles_is_one_gap() -> None:
    assert gaps_at(wire(), EVERY_2, []) == [(0, 40, CHOSEN, "")]


def test_a_gap_that_no_choice_could_close_says_why() -> None:
    door = Stretch(10, 20, "door")
    places = [s for s in EVERY_2 if not 10 < s < 20 and not 28 < s < 36]
    chosen = [4.0, 10, 20, 26, 28, 36]
    assert gaps_at(wire(free=(door,)), places, chosen) == [(10, 20, FREE_STRETCH, "door"), (28, 36, NO_CANDIDATE, "")]


def test_a_closed_line_has_its_gap_across_the_seam() -> None:
    places = EVERY_2[:-1]
    assert gaps_at(wire(ring=True), places, [4.0, 10, 16, 22, 28, 32]) == [(32, 44, CHOSEN, "")]
    assert gaps_at(wire(ring=True), places, [20.0]) == [(20, 60, CHOSEN, "")]
    seam = Stretch(36, 40, "gate")
    free = [s for s in places if 2 <= s < 34]
    assert gaps_at(wire(ring=True, free=(seam,)), free, [4.0, 8, 14, 20, 26, 32]) == [(32, 44, FREE_STRETCH, "gate")]


def row_of_cells(values: list[float], most: int) -> Cover:
    """One candidate a cell, no spacing: what is best is known by head."""
    count = len(values)
    at, line = np.arange(count, dtype=float), np.zeros(count, dtype=np.int64)
    incidence = sp.csr_array(np.eye(count, dtype=bool))
    return Cover(coverage_problem(np.array(values), incidence, line_orders(line, at), most))


def test_nozzles_saved_are_those_that_as_much_coverage_does_not_need() -> None:
    cover = row_of_cells([9.0, 8, 7, 6, 5, 4, 3, 2, 1], 5)
    assert nozzles_saved(cover, range(5), value_m2=35.0) == 0
    assert nozzles_saved(cover, range(5), value_m2=30.0) == 1
    assert nozzles_saved(cover, range(5), value_m2=24.5) == 1
    assert nozzles_saved(cover, range(5), value_m2=24.0) == 2
    assert nozzles_saved(cover, range(5), value_m2=36.0) == 0


def test_one_nozzle_more_and_one_less() -> None:
    placed = Selection(row_of_cells([9.0, 8, 7, 6], 4), [1, 2])
    assert next_nozzle_m2(placed) == 9.0 and last_nozzle_m2(placed) == 7.0
    full = Selection(row_of_cells([9.0, 8], 2), [0, 1])
    assert next_nozzle_m2(full) == 0.0
    assert last_nozzle_m2(Selection(row_of_cells([9.0], 1), [])) is None


def test_a_cell_that_needs_two_nozzles_is_worth_nothing_to_the_first_and_all_to_the_second() -> None:
    twice = replace(row_of_cells([9.0, 8], 2).problem, incidence=sp.csr_array(np.ones((2, 2), dtype=bool)))
    cover = Cover(replace(twice, need=np.array([2, 1])))
    assert next_nozzle_m2(Selection(cover, [])) == 8.0
    assert next_nozzle_m2(Selection(cover, [0])) == 9.0
    assert last_nozzle_m2(Selection(cover, [0, 1])) == 9.0


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), rule=st.sampled_from(("continuous", "locked", "facings", "rows", "need", "floors")))
def test_as_many_nozzles_fewer_can_cover_what_is_asked(seed: int, rule: str) -> None:
    """Source: the best of every placement of so many nozzles, by enumeration."""
    problem = replace(random_problem(seed, rule), limits=())
    placed = max(placements(problem), key=lambda chosen: value_of(problem, chosen), default=None)
    if placed is not None:
        asked = 0.8 * value_of(problem, placed)
        saved = nozzles_saved(Cover(problem), placed, asked)
        fewer = Limit(tuple(range(problem.candidates)), len(placed) - saved)
        best = best_value(replace(problem, limits=(fewer,)))
        assert saved >= 0 and best is not None and best >= asked - 1e-9


def test_rivals_need_not_give_a_zone_its_least_coverage() -> None:
    problem = row_of_cells([9.0, 8, 7], 3).problem
    floored = replace(problem, floors=(Floor("lawn", np.array([0.0, 0, 7]), 7.0),))
    assert greedy(Cover(floored)) == (0, 1, 2)
    assert greedy(Cover(at_equal_count(floored, np.zeros(3, dtype=np.int64), [1, 2]))) == (0, 1)


def test_a_design_covers_no_share_more_than_a_rival_that_covers_nothing() -> None:
    assert rival([3], (0.0, 0.0), (9.0, 18.0)) == Rival(1, 0.0, 0.0, None, None)
    assert rival([3], (6.0, 9.0), (9.0, 18.0)) == Rival(1, 6.0, 9.0, 0.5, 1.0)


def test_weighted_area_that_needs_two_nozzles_counts_once_two_reach_it(posed: Instance) -> None:
    """Source: shapely's areas of the footprints, and by hand: one nozzle alone gives none, one twice its own."""
    found = posed.candidates
    exact = covered_m2(posed, [0])
    every = replace(found.cells, need=np.full_like(found.cells.need, 2))
    twice = replace(posed, candidates=replace(found, cells=every))
    assert covered_m2(twice, [0]) == (exact[0], 0.0)
    near = next(j for j in range(1, found.count) if found.polygons[0].intersection(found.polygons[j]).area > 1.0)
    plain, weighted = covered_m2(twice, [0, near])
    assert plain == pytest.approx(covered_m2(posed, [0, near])[0])
    both = covered_m2(posed, [0])[1] + covered_m2(posed, [near])[1] - covered_m2(posed, [0, near])[1]
    assert weighted == pytest.approx(both, rel=0.1)


def test_greedy_takes_what_gains_most() -> None:
    assert greedy(row_of_cells([3.0, 9, 1, 7], 2)) == (1, 3)


def test_one_nozzle_in_an_open_field_covers_the_square_of_the_factor(posed: Instance) -> None:
    """Closed form: the area of a circle, 0.49 and 1.69 of it."""
    field = box(-100, -100, 200, 200)
    site = replace(posed.scenario.site, boundary=field, zones=(Zone("Lawn", field),), obstacles=(), keep_outs=())
    open_field = replace(posed, scenario=replace(posed.scenario, site=site))
    short, said, long = reach_cases(open_field, [0])
    assert [case.factor for case in (short, said, long)] == [0.7, 1.0, 1.3]
    share = posed.nozzle.spray_angle_deg / 360.0
    assert said.covered_area_m2 == pytest.approx(np.pi * posed.nozzle.reach_m**2 * share)
    assert short.covered_area_m2 / said.covered_area_m2 == pytest.approx(0.49)
    assert long.covered_area_m2 / said.covered_area_m2 == pytest.approx(1.69)
    assert long.by_zone_m2 == {"Lawn": long.covered_area_m2} and long.nozzles_in_keep_outs == 0


@pytest.mark.parametrize(("top_m", "forbids", "count"), [(9.0, "", 0), (0.0, "mist", 1), (9.0, "mist", 0)])
def test_only_mist_that_keep_outs_forbid_counts_as_in_them(
    posed: Instance, top_m: float, forbids: str, count: int
) -> None:
    """A nozzle deep inside a shed is at fault, yet its mist enters no keep-out; Source: by hand."""
    field, around = box(-100, -100, 200, 200), box(-90, -90, 190, 190)
    sheds = (Obstacle("shed", around, top_m),) if top_m else ()
    ponds = (KeepOut("pond", around, frozenset({forbids})),) if forbids else ()
    site = replace(posed.scenario.site, boundary=field, obstacles=sheds, keep_outs=ponds)
    said = reach_cases(replace(posed, scenario=replace(posed.scenario, site=site)), [0])[1]
    assert said.nozzles_in_keep_outs == count


@pytest.mark.parametrize("every", [1, 3, 1000])
def test_what_is_covered_and_every_cause_add_up_to_each_zone(posed: Instance, every: int) -> None:
    """Source: the areas of the zones as drawn, by shapely."""
    scenario, found = posed.scenario, posed.candidates
    known = ground(scenario, found)
    chosen = list(range(0, found.count, every))
    by_count, fed = np.arange(found.count) % 2 == 0, np.arange(found.count) % 5 > 0
    listed = uncovered(known, found, chosen, by_count, by_count | (np.arange(found.count) % 7 == 0), fed)
    assert [zone.zone for zone in listed] == [zone.name for zone in scenario.site.zones]
    for zone in listed:
        assert zone.area_m2 == pytest.approx(sum(cause.area_m2 for cause in zone.causes), abs=1e-4)
    assert sum(zone.zone_area_m2 for zone in listed) == pytest.approx(found.zone_area_m2)
    left = sum(cause.area_m2 for zone in listed for cause in zone.causes)
    (as_chosen,) = (case for case in reach_cases(posed, chosen) if case.factor == 1.0)
    assert left == pytest.approx(found.zone_area_m2 - as_chosen.covered_area_m2)
    if every == 1:
        assert left == pytest.approx(found.zone_area_m2 - found.coverable_area_m2)


def test_ground_before_positions_that_no_pump_can_feed_is_beyond_its_pressure(posed: Instance) -> None:
    """Source: the uncovered area that candidates reach, which is all that rules and count could explain."""
    found = posed.candidates
    known, none = ground(posed.scenario, found), np.zeros(found.count, dtype=bool)
    causes = [cause for zone in uncovered(known, found, [], none, none, none) for cause in zone.causes]
    assert sum(one.area_m2 for one in causes if one.cause == PRESSURE) == pytest.approx(found.coverable_area_m2)
    causes = [cause for zone in uncovered(known, found, [], none, none, ~none) for cause in zone.causes]
    assert sum(one.area_m2 for one in causes if one.cause == SPACING) == pytest.approx(found.coverable_area_m2)
    causes = [cause for zone in uncovered(known, found, [], none, ~none, ~none) for cause in zone.causes]
    assert sum(one.area_m2 for one in causes if one.cause == DRIFTING) == pytest.approx(found.coverable_area_m2)


@pytest.mark.parametrize(("share", "fed"), [(0.5, False), (4.0, True)])
def test_a_nozzle_more_must_be_fed(posed: Instance, share: float, fed: bool) -> None:
    """By hand: at half the band's low edge, on level ground, nothing gets enough; at four times it everything does."""
    set_pa, site, found = share * posed.scenario.rules.band_low_pa, posed.scenario.site, posed.candidates
    pump = Pump("P1", posed.pumps[0].name, site.pump_sites[0].name, "N1", set_pa, 9e6, 1e-4, 0.1, ())
    at = (float(found.chainage_m[0]), 2.0, float(found.azimuth_deg[0]), float(found.tilt_deg[0]))
    nozzle = Nozzle("N1", "N1", "C1", "R1", site.lines[found.line[0]].name, *at, set_pa, 1e-6, {})
    design = cast(Design, type("Stub", (), {"pumps": (pump,), "nozzles": (nozzle,)}))
    assert (fed_positions(posed, design) == fed).all()
    one = appraise(posed, design, ground(posed.scenario, found))
    assert (one.next_nozzle_m2 > 0.0) == fed
    assert any(cause.cause == PRESSURE for zone in one.uncovered for cause in zone.causes) != fed
