"""The contracted model against enumeration, and its lines against the curves they replace."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyomo.common.collections import ComponentMap

from hydraulics.water import Water
from optimizer.progress import never, silent
from optimizer.runs.budget import budget_pressures_pa
from optimizer.runs.contracted import CLASS, contracted
from optimizer.runs.cuts import violated_cuts
from optimizer.runs.lines import above, below
from optimizer.runs.model import build, make_integral, tube_values
from optimizer.runs.prepared import prepare
from optimizer.runs.problem import LossFactors, RunProblem
from optimizer.runs.proven import cut_bound, forest_of_values, prove, size_sets
from optimizer.runs.split import split
from optimizer.runs.written import forest_of
from optimizer.solver import Limits, Relaxation, relaxation_bound, solve
from tests.benchmarks.cost_bound.__main__ import tally
from tests.optimizer.runs_enumeration import least_cost
from tests.optimizer.runs_low_flow import SHAPES, tiny
from tests.optimizer.runs_low_flow import least_cost as least_cost_at_low_flow
from tests.optimizer.runs_sites import estate, problem_of
from tests.optimizer.test_runs_split import CASES, check_plan, small

SYRUP = Water(20.0, 1000.0, 1.6e-3)  # invented: keeps the flow laminar, so that losses are linear
CURVES = st.lists(st.floats(0.0, 100.0), min_size=1, max_size=40).map(np.array)


@given(CURVES, st.integers(1, 6))
def test_lines_lie_above_and_below_any_curve(curve: np.ndarray, most: int) -> None:
    at = np.arange(len(curve))
    over = np.max([slope * at + value for slope, value in above(curve, most)], axis=0)
    under = np.max([slope * at + value for slope, value in below(curve, most)], axis=0)
    assert (over >= curve - 1e-9).all() and (under <= curve + 1e-9).all()


@given(st.integers(1, 30), st.floats(1.0, 2.0))
def test_lines_meet_a_convex_curve_at_both_ends(last: int, power: float) -> None:
    curve = np.arange(last + 1.0) ** power
    for lines in (above(curve, 6), below(curve, 6)):
        for i in (0, last):
            assert max(slope * i + value for slope, value in lines) == pytest.approx(curve[i], abs=1e-9)


def level(problem: RunProblem) -> RunProblem:
    """The problem on level ground with thick water and nothing lost in the pump unit: there the model is exact."""
    layout = problem.layout
    flat = replace(layout, z_m=np.zeros(layout.points))
    pumps = tuple(replace(pump, fixed_k=0.0) for pump in problem.pumps)
    wider = tuple(replace(tube, bore_m=1.4 * tube.bore_m) for tube in problem.tubing)
    return replace(problem, layout=flat, pumps=pumps, tubing=wider, water=SYRUP)


def safe_optimum(problem: RunProblem) -> float:
    """Least cost of the safe model over all sets of sizes."""
    prepared = prepare(problem)
    outcomes = [solve(build(contracted(prepared, sizes, safe=True))) for sizes in size_sets(prepared)]
    return min(math.inf if found.incumbent is None else found.incumbent for found in outcomes)


def optimistic_bound(problem: RunProblem) -> float:
    """Optimum of the optimistic model over all sets of sizes."""
    prepared = prepare(problem)
    return min(solve(build(contracted(prepared, sizes, safe=False))).bound for sizes in size_sets(prepared))


@pytest.mark.parametrize("seed", range(4))
def test_where_losses_are_linear_the_safe_model_finds_what_enumeration_finds(seed: int) -> None:
    """Reference: tests/optimizer/runs_enumeration.py. One circuit: the class then holds every tree."""
    problem = level(small(seed, *CASES["one pump"]))
    known = least_cost(problem)
    assert math.isfinite(known)
    assert safe_optimum(problem) == pytest.approx(known, rel=1e-6)


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", range(2))
def test_bound_and_safe_model_enclose_the_least_cost(case: str, seed: int) -> None:
    """Reference: enumeration. Optimistic data bound the cost of all designs of the class, safe data can be built."""
    problem = small(seed, *CASES[case])
    known = least_cost(problem)
    prepared = prepare(problem)
    assert optimistic_bound(problem) <= known * (1 + 1e-9)
    plan = split(problem, evaluations=300)
    proof = prove(prepared, forest_of(prepared, plan), plan, Limits(), silent, never)
    assert 0.0 < proof.bound <= known * (1 + 1e-9)
    assert known * (1 - 1e-9) <= safe_optimum(problem) < math.inf


@pytest.mark.parametrize("shape", SHAPES)
def test_no_bound_passes_the_cheapest_split_at_the_least_flows(shape: str) -> None:
    """Reference: tests/optimizer/runs_low_flow.py, every tree, share and size of 60 tiny sites of each shape."""
    found = tally(shape, range(60))
    assert found.violated == ()
    assert found.fed >= 30 and found.mean_gap < 0.25


@pytest.mark.parametrize("seed", range(12))
def test_for_one_circuit_the_bound_of_the_whole_model_is_the_least_cost(seed: int) -> None:
    """Reference: the same enumeration. Where fittings lose nothing and flow is laminar nothing is left out."""
    problem = replace(tiny(seed, SHAPES["one pump"]), k=LossFactors(0.0, 0.0, 0.0, 0.0))
    known = least_cost_at_low_flow(problem)
    if math.isfinite(known):
        assert optimistic_bound(problem) == pytest.approx(known, rel=1e-6)


@pytest.mark.parametrize("case", CASES)
def test_cuts_cut_off_no_design(case: str) -> None:
    """Reference: the model's own optimum, which enumeration encloses; every design keeps every cut."""
    problem = small(3, *CASES[case])
    prepared = prepare(problem)
    for sizes in size_sets(prepared):
        model = build(contracted(prepared, sizes, safe=False), relaxed=True)
        plain = relaxation_bound(model)
        cut = cut_bound(model, Relaxation(model), math.inf, silent)
        whole = solve(build(contracted(prepared, sizes, safe=False))).bound
        assert plain * (1 - 1e-9) <= cut <= whole * (1 + 1e-9)
        make_integral(model)
        assert math.isinf(whole) or solve(model).bound == pytest.approx(whole, rel=1e-6)


def test_cuts_raise_the_bound_of_a_larger_relaxation() -> None:
    c, spots = estate(9, across=2, down=1)
    prepared = prepare(problem_of(c, spots, [(0, 0, len(spots.line))]))
    model = build(contracted(prepared, (1, 2), safe=False), relaxed=True)
    plain = relaxation_bound(model)
    assert cut_bound(model, Relaxation(model), math.inf, silent) > 1.05 * plain


def test_no_cut_is_found_in_a_tree() -> None:
    problem = small(0, *CASES["one pump"])
    data = contracted(prepare(problem), (1, 2), safe=False)
    model = build(data)
    outcome = solve(model)
    assert violated_cuts(data, tube_values(model, outcome.values)) == []
    nothing = violated_cuts(data, tube_values(model, ComponentMap()))
    assert nothing and all(cut.reached is None for cut in nothing)


def test_circuits_too_small_for_a_part_must_enter_it_together() -> None:
    """Three nozzles beyond one link, circuits of two and one: one tube may feed them all by the relaxation's lights,
    two must enter."""
    problem = small(1, *CASES["two circuits"])
    data = contracted(prepare(problem), (1, 2), safe=False)
    model = build(data, relaxed=True)
    cuts = violated_cuts(data, tube_values(model, ComponentMap()))
    assert {cut.tubes for cut in cuts} == {1, 2}


def test_a_solution_reads_back_as_a_forest_of_its_cost() -> None:
    problem = small(2, *CASES["two pumps"])
    prepared = prepare(problem)
    model = build(contracted(prepared, (1, 2), safe=True))
    outcome = solve(model)
    forest = forest_of_values(model, outcome.values)
    assert sorted(forest.owner) == [0, 0, 0, 1, 1]
    plan = split(problem, evaluations=50)
    assert outcome.incumbent is not None and outcome.incumbent >= plan.cost - 1e-6


def test_split_with_the_model_states_bound_class_and_status() -> None:
    c, spots = estate(9, across=1, down=1, pitch_m=8.0)
    problem = problem_of(c, spots, [(0, 0, len(spots.line))])
    plan = split(problem, evaluations=300, limits=Limits(gap=1e-4, nodes=200))
    check_plan(problem, plan)
    assert plan.bound_class == CLASS
    assert plan.status in ("optimal", "gap", "limit")
    assert 0.5 * plan.cost < plan.cost_bound <= plan.cost * (1 + 1e-9)
    assert budget_pressures_pa(problem, plan).min() >= problem.band_low_pa - 1.0


def test_a_stopped_proof_keeps_the_search_s_plan() -> None:
    problem = small(1, *CASES["one pump"])
    plan = split(problem, evaluations=100, limits=Limits(), stop=lambda: True)
    check_plan(problem, plan)
    assert plan.status in ("search", "stopped", "optimal")  # presolve may finish before it can be stopped
    assert plan.cost_bound <= plan.cost * (1 + 1e-9)
