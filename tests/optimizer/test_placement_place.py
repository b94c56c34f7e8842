"""The placement against enumeration, against spopt's maximal covering, and by its properties."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import scipy.sparse as sp
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.errors import NoDesign
from optimizer.placement.place import place, value_bound
from optimizer.placement.problem import PlacementProblem, Row
from optimizer.placement.selection import Cover, Selection
from optimizer.placement.start import fill, improved, swap
from optimizer.placement.windows import cover_windows, line_orders, spacing_windows
from optimizer.progress import Progress
from optimizer.solver import Limits
from tests.optimizer.placement_cases import RULES, best_value, coverage_problem, is_legal, random_problem, value_of
from tests.optimizer.synthetic_site import SyntheticSite, synthetic_site

seeds = st.integers(0, 10**6)


def site_problem(
    site: SyntheticSite, nozzles: int, *, least: float = 1.8, greatest: dict[int, float] | None = None
) -> PlacementProblem:
    closed = site.closed_length_m
    return coverage_problem(
        site.value,
        site.incidence,
        line_orders(site.line, site.chainage_m),
        nozzles,
        spacing=spacing_windows(site.line, site.chainage_m, closed, least),
        cover=cover_windows(site.line, site.chainage_m, closed, greatest or {}, {}),
    )


@pytest.fixture(scope="module")
def garden() -> SyntheticSite:
    return synthetic_site(width_m=45, height_m=30, across=2, down=1, gardens=1, step_m=1.0, cell_m=0.5)


@pytest.mark.parametrize("rule", RULES)
@given(seed=seeds)
@settings(max_examples=30, deadline=None)
def test_small_problems_under_each_rule_equal_enumeration(rule: str, seed: int) -> None:
    assert_place_is_enumerated(random_problem(seed, rule))


@given(seeds, st.sets(st.sampled_from(RULES), min_size=2, max_size=5))
@settings(max_examples=80, deadline=None)
def test_small_problems_under_rules_together_equal_enumeration(seed: int, rules: set[str]) -> None:
    assert_place_is_enumerated(random_problem(seed, *sorted(rules)))


def assert_place_is_enumerated(problem: PlacementProblem) -> None:
    best = best_value(problem)
    if best is None or problem.incidence.nnz == 0:
        with pytest.raises(NoDesign):
            place(problem, gap=0.0)
        return
    answer = place(problem, gap=0.0)
    assert answer.status == "optimal"
    assert answer.value == pytest.approx(best)
    assert answer.value == pytest.approx(value_of(problem, answer.chosen))
    assert answer.bound >= best - 1e-9
    assert is_legal(problem, answer.chosen)
    assert Selection(Cover(problem), answer.chosen).is_legal()
    assert value_bound(problem) >= best - 1e-9


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_equal_to_spopts_maximal_covering() -> None:
    """spopt 0.7 (PySAL), locate.MCLP, solved by CBC where pulp brings it: no spacing, cells within a radius."""
    pulp = pytest.importorskip("pulp")
    locate = pytest.importorskip("spopt.locate")
    rng = np.random.default_rng(3)
    points, cells = rng.uniform(0, 30, (25, 2)), rng.uniform(0, 30, (120, 2))
    distance = np.hypot(*(cells[:, None, :] - points[None, :, :]).transpose(2, 0, 1))
    weights = rng.integers(1, 5, 120).astype(float)
    reference = locate.MCLP.from_cost_matrix(distance, weights, service_radius=5.0, p_facilities=6)
    cbc = pulp.PULP_CBC_CMD(msg=False)
    reference.solve(cbc if cbc.available() else pulp.HiGHS(msg=False))
    problem = coverage_problem(weights, sp.csr_array(distance <= 5.0), tuple((j,) for j in range(25)), 6)
    answer = place(problem, gap=0.0)
    assert answer.status == "optimal"
    assert answer.value == pytest.approx(pulp.value(reference.problem.objective))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_value_does_not_depend_on_the_order_of_candidates_lines_and_cells(garden: SyntheticSite, seed: int) -> None:
    problem = site_problem(garden, 14)
    rng = np.random.default_rng(seed)
    old = rng.permutation(problem.candidates)
    cells = rng.permutation(len(problem.value))
    new = np.argsort(old)

    def moved(windows: tuple[tuple[int, ...], ...]) -> tuple[tuple[int, ...], ...]:
        return tuple(tuple(int(new[j]) for j in window) for window in windows)

    shuffled = replace(
        problem,
        value=problem.value[cells],
        incidence=sp.csr_array(problem.incidence[:, old][cells]),
        lines=tuple(moved(problem.lines)[k] for k in rng.permutation(len(problem.lines))),
        spacing=tuple(moved(problem.spacing)[k] for k in rng.permutation(len(problem.spacing))),
    )
    here, there = place(problem, gap=0.01), place(shuffled, gap=0.01)
    assert there.value == pytest.approx(here.value, rel=1e-12)
    assert there.bound == pytest.approx(here.bound, rel=1e-9)
    assert sorted(int(old[j]) for j in there.chosen) == list(here.chosen)


def test_model_a_closes_what_prices_leave(garden: SyntheticSite) -> None:
    told: list[Progress] = []
    answer = place(site_problem(garden, 12), gap=1e-6, report=told.append)
    assert answer.gap <= 1e-6
    assert "nodes" in told[-1].note
    bounds = [p.bound for p in told if p.bound is not None]
    assert min(bounds) >= answer.value - 1e-6


def test_two_runs_are_the_same(garden: SyntheticSite) -> None:
    first, second = place(site_problem(garden, 12)), place(site_problem(garden, 12))
    assert (first.chosen, first.value, first.bound) == (second.chosen, second.value, second.bound)


@given(seeds)
@settings(max_examples=25, deadline=None)
def test_more_nozzles_or_candidates_never_worsen_an_optimum(seed: int) -> None:
    problem = random_problem(seed)
    if best_value(problem) is None or problem.incidence.nnz == 0:
        return
    value = place(problem, gap=0.0).value
    more = tuple(replace(limit, most=limit.most + 1) for limit in problem.limits)
    assert place(replace(problem, limits=more), gap=0.0).value >= value - 1e-9
    assert place(replace(problem, locked=()), gap=0.0).value >= value - 1e-9
    assert place(replace(problem, spacing=problem.spacing[1:]), gap=0.0).value >= value - 1e-9


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_gains_and_counts_stay_true_through_any_changes(seed: int) -> None:
    """The selection's running figures against their definitions, recomputed from the incidence."""
    problem = random_problem(seed, "continuous", "bonus", "limits")
    rng = np.random.default_rng(seed)
    selection = Selection(Cover(problem))
    for _ in range(12):
        j = int(rng.integers(problem.candidates))
        (selection.remove if selection.chosen[j] else selection.add)(j)
    members = selection.members()
    assert selection.value == pytest.approx(value_of(problem, members))
    for j in range(problem.candidates):
        if selection.chosen[j]:
            rest = tuple(k for k in members if k != j)
            assert selection.loss(j) == pytest.approx(selection.value - value_of(problem, rest))
        else:
            more = value_of(problem, (*members, j))
            assert selection.gain[j] == pytest.approx(more - selection.value, abs=1e-9)
        too_close = {k for w in problem.spacing if j in w for k in w if k != j}
        assert selection.crowd[j] == len(too_close.intersection(members))
    assert list(selection.served) == [len(set(w).intersection(members)) for w in problem.cover]


def test_swaps_improve_greedy_and_keep_the_rules(garden: SyntheticSite) -> None:
    cover = Cover(site_problem(garden, 14))
    selection = Selection(cover)
    fill(selection)
    greedy = selection.value
    swap(selection)
    assert selection.value >= greedy
    assert selection.is_legal()
    repaired = improved(cover, range(0, 60))
    assert repaired is not None and repaired.is_legal()


def test_locked_positions_stay_and_a_start_is_used(garden: SyntheticSite) -> None:
    problem = replace(site_problem(garden, 14), locked=(5, 40, 77))
    answer = place(problem)
    assert {5, 40, 77} <= set(answer.chosen)
    told: list[Progress] = []
    place(problem, start=answer.chosen, report=told.append)
    assert told[0].incumbent is not None and told[0].incumbent >= answer.value - 1e-9


def test_the_loss_of_a_nozzle_is_what_dropping_it_loses(garden: SyntheticSite) -> None:
    problem = site_problem(garden, 6)
    chosen = place(problem).chosen
    selection = Selection(Cover(problem), chosen)
    for j in chosen:
        rest = tuple(k for k in chosen if k != j)
        assert selection.loss(j) == pytest.approx(value_of(problem, chosen) - value_of(problem, rest))


def test_a_stop_keeps_the_best_so_far(garden: SyntheticSite) -> None:
    answer = place(site_problem(garden, 14), gap=0.0, stop=lambda: True)
    assert answer.status == "stopped"
    assert len(answer.chosen) == 14
    assert answer.bound >= answer.value


def test_a_time_limit_is_recorded(garden: SyntheticSite) -> None:
    answer = place(site_problem(garden, 14), gap=0.0, limits=Limits(seconds=1e-6))
    assert (answer.status, answer.time_limit_hit) == ("limit", True)


def test_reports_carry_a_rising_incumbent_and_the_gap_of_the_answer(garden: SyntheticSite) -> None:
    told: list[Progress] = []
    answer = place(site_problem(garden, 14), report=told.append)
    known = [p.incumbent for p in told if p.incumbent is not None]
    assert known == sorted(known)
    assert {p.stage for p in told} == {"placement"}
    assert answer.gap == pytest.approx((answer.bound - answer.value) / answer.bound)


def test_a_continuous_line_without_enough_nozzles_is_refused_in_words(garden: SyntheticSite) -> None:
    """Ring of 150 m at 5 m at most: 30 nozzles at least."""
    fence = int(garden.line[0])
    assert garden.closed_length_m[fence] == pytest.approx(150.0)
    with pytest.raises(NoDesign, match="need at least 30 nozzles; the circuits feed 14") as caught:
        place(site_problem(garden, 14, greatest={fence: 5.0}))
    assert caught.value.rule == "reserve"


def test_least_and_greatest_spacing_that_exclude_each_other_are_refused_in_words() -> None:
    """Candidates every 3 m, least 4 m, greatest 5 m: the next nozzle is too near or too far."""
    line, at = np.zeros(10, dtype=int), np.arange(0.0, 30.0, 3.0)
    problem = coverage_problem(
        np.ones(10),
        sp.csr_array(np.eye(10, dtype=bool)),
        line_orders(line, at),
        9,
        spacing=spacing_windows(line, at, {}, 4.0),
        cover=cover_windows(line, at, {}, {0: 5.0}, {}),
    )
    with pytest.raises(NoDesign, match="cannot be kept together") as caught:
        place(problem)
    assert caught.value.rule == "spacing_greatest_m"


EVEN = ((0, 3, 6, 9), (1, 4, 7), (0, 4, 8))
HALVES = tuple(0.5 * k for k in range(10))


@pytest.mark.parametrize(
    ("rules", "rule", "words"),
    [
        ({"even": (EVEN,), "locked": (3, 4)}, "even_pitch", "no even pitch holds the locked positions"),
        ({"even": (EVEN,), "cover": ((3,), (4,))}, "even_pitch", "no even pitch holds"),
        ({"rows": (Row(tuple(range(10)), HALVES, np.inf, 1.0, 3.0),), "locked": (0, 5), "barred": (2, 3)}, "row_gap",
         "nearer than row_gap, and no nozzle fits between"),
        ({"even": (EVEN,), "cover": ((4,), (5,)), "spacing": ((4, 5),)}, "spacing_greatest_m", "line ends and outside"),
    ],
)  # fmt: skip
def test_the_rule_that_lets_no_placement_be_is_named(rules: dict[str, Any], rule: str, words: str) -> None:
    """No pattern holds 3 and 4. Nozzles at 0 and 2.5 m in rows of 1 m at most, 3 m apart, need two between, the first
    at 0.5 or 1 m and the second at 1.5 or 2 m: without 1 and 1.5 m they stand 1.5 m apart."""
    problem = coverage_problem(np.ones(10), sp.csr_array(np.eye(10, dtype=bool)), (tuple(range(10)),), 9, **rules)
    with pytest.raises(NoDesign, match=words) as caught:
        place(problem)
    assert caught.value.rule == rule


@pytest.mark.parametrize("continuous", [False, True])
def test_gap_of_half_a_percent_on_a_site_of_1300_candidates(continuous: bool) -> None:
    """Size of the large demo at about half of saturation; work is counted, seconds are not."""
    site = synthetic_site(width_m=96, height_m=66, across=2, down=2, gardens=3, step_m=0.6, cell_m=0.25, reach_m=6.0)
    assert len(site.line) >= 1200 and site.raw_cells > 40_000
    greatest = {0: 6.0} if continuous else {}
    told: list[Progress] = []
    answer = place(site_problem(site, 75, greatest=greatest), gap=0.005, report=told.append)
    assert answer.status == "gap" and answer.gap <= 0.005
    bounds = [p.bound for p in told if p.bound is not None]
    assert bounds == sorted(bounds, reverse=True) and min(bounds) >= answer.value
