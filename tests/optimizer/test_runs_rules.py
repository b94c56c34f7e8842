"""Run rules inside the search: plans keep them, refusals name them, and the judgement beside the search is by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from optimizer.errors import NoDesign
from optimizer.runs.budget import budget_pressures_pa
from optimizer.runs.faults import run_fault
from optimizer.runs.plan import RunPlan
from optimizer.runs.problem import RunProblem
from optimizer.runs.split import split
from tests.optimizer.runs_estates import estate
from tests.optimizer.runs_sites import CorridorArrays, Spots, problem_of


def lengths_m(problem: RunProblem, plan: RunPlan) -> list[float]:
    """Metres from the root to the end of every tube, by the definition."""
    found = []
    for c in plan.circuits:
        metres = {problem.outlet_point(c.pump): 0.0}
        for use in c.pieces:
            metres[use.to_point] = metres[use.from_point] + float(problem.layout.length_m[use.piece])
        found += metres.values()
    return found


def run_counts(problem: RunProblem, plan: RunPlan) -> list[int]:
    counts = []
    for c in plan.circuits:
        run_at = {use.to_point: use.run for use in c.pieces}
        runs = [run_at[int(problem.layout.nozzle_point[k])] for k in c.served]
        counts += [runs.count(run) for run in set(runs)]
    return counts


@pytest.mark.parametrize("seed", range(3))
def test_a_shorter_longest_run_is_kept_at_a_cost(seed: int) -> None:
    free = estate(60, 1, seed)
    plan = split(free, seed=seed, evaluations=4000)
    longest = max(lengths_m(free, plan))
    tight = replace(free, longest_run_m=0.93 * longest)
    assert (broken := run_fault(tight, plan)) is not None and broken.rule == "run_longest"
    try:
        kept = split(tight, seed=seed, evaluations=8000)
    except NoDesign as refusal:
        assert refusal.rule == "run_longest"
    else:
        assert max(lengths_m(tight, kept)) <= tight.longest_run_m + 1e-9
        assert run_fault(tight, kept) is None
        assert budget_pressures_pa(tight, kept).min() >= tight.band_low_pa


def test_a_pump_too_far_away_is_refused_by_the_longest_run() -> None:
    with pytest.raises(NoDesign, match="run_longest") as caught:
        split(replace(estate(40, 1, 1), longest_run_m=30.0), evaluations=500)
    assert "30.0 m (98.4 ft) is the most" in str(caught.value)


def test_the_most_nozzles_of_a_run_hold() -> None:
    free = estate(60, 1, 2)
    plan = split(free, evaluations=4000)
    fewer = replace(free, run_nozzles_most=max(run_counts(free, plan)) - 2)
    try:
        kept = split(fewer, evaluations=8000)
    except NoDesign as refusal:
        assert refusal.rule == "run_nozzles"
    else:
        assert max(run_counts(fewer, kept)) <= fewer.run_nozzles_most
        assert run_fault(fewer, kept) is None


@pytest.mark.parametrize("seed", range(3))
def test_circuits_of_a_pump_are_balanced(seed: int) -> None:
    problem = replace(estate(60, 1, seed, circuits=2, spare=0.6), balance=0.1)
    plan = split(problem, seed=seed, evaluations=4000)
    flows = problem.safe_flow_m3_s(0)
    loads = [float(sum(flows[list(c.served)])) for c in plan.circuits]
    assert min(loads) >= 0.9 * max(loads)
    assert run_fault(problem, plan) is None


def test_run_faults_by_hand() -> None:
    """20 m of link to the middle of a line of three nozzles: runs of 30 m and one of 2 nozzles, 30 m the furthest."""
    c = CorridorArrays()
    pump, west, middle, east = c.node(0, 0), c.node(-10, 20), c.node(0, 20), c.node(10, 20)
    c.edge(pump, middle, link=0, ground="lawn", allowance=0.0)
    c.edge(west, middle, line=0, from_m=0.0, to_m=10.0, allowance=0.0)
    c.edge(middle, east, line=0, from_m=10.0, to_m=20.0, allowance=0.0)
    c.site_node.append(pump)
    spots = Spots([0, 0, 0], [0.0, 15.0, 20.0], [0, 0, 0])
    problem = problem_of(c, spots, [(0, 0, 3)])
    plan = split(problem, evaluations=50)

    def rule(**limits: float) -> str | None:
        fault = run_fault(replace(problem, **limits), plan)
        return None if fault is None else fault.rule

    assert (rule(longest_run_m=30.0), rule(longest_run_m=29.9)) == (None, "run_longest")
    assert (rule(run_nozzles_most=2), rule(run_nozzles_most=1)) == (None, "run_nozzles")
    two = replace(problem, circuits=(problem.circuits[0], problem.circuits[0]), balance=0.5)
    halves = split(two, evaluations=300)
    assert sorted(len(c.served) for c in halves.circuits) == [1, 2]
    assert run_fault(replace(two, balance=0.45), halves).rule == "balance"


@pytest.mark.parametrize("seed", range(2))
def test_a_start_is_never_made_worse_and_seeds_repeat(seed: int) -> None:
    problem = estate(70, 2, seed)
    good = split(problem, seed=seed, evaluations=6000)
    again = split(problem, seed=seed + 7, evaluations=5, start=good)
    assert again.cost <= good.cost + 1e-6
    assert split(problem, seed=seed, evaluations=6000) == good
    assert budget_pressures_pa(problem, good).min() >= problem.band_low_pa
