"""Sizing on a fixed tree: labels by brute force, sizes against enumeration, fittings counted by hand."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hydraulics.friction import pressure_gradient_pa_m
from optimizer.runs.budget import budget_pressures_pa
from optimizer.runs.plan import CircuitPlan, RunPlan
from optimizer.runs.prepared import FLOW_UNIT_M3_S, prepare
from optimizer.runs.problem import LossFactors, RunProblem
from optimizer.runs.segments import contract
from optimizer.runs.sizing import Sizer, joined, pareto
from optimizer.runs.split import split
from optimizer.runs.written import forest_of, plan_of
from tests.optimizer.runs_sites import CorridorArrays, Spots, estate, problem_of
from tests.optimizer.test_runs_split import NARROW, ring

LABELS = st.lists(st.tuples(st.integers(0, 30).map(float), st.integers(0, 30).map(float)), min_size=1, max_size=8)


def cheapest(labels: list[tuple[float, float]], pressure: float) -> float:
    return min((cost for need, cost in labels if need <= pressure), default=math.inf)


@given(LABELS)
def test_pareto_keeps_what_any_pressure_would_buy(labels: list[tuple[float, float]]) -> None:
    kept = pareto(labels, 0.0, math.inf)
    assert list(kept) == sorted(kept) and len({c for _, c in kept}) == len(kept)
    assert all(cheapest(list(kept), p) == cheapest(labels, p) for p in range(32))


@given(LABELS)
def test_a_grid_never_makes_a_need_smaller_nor_a_cost_less(labels: list[tuple[float, float]]) -> None:
    kept = list(pareto(labels, 4.0, math.inf))
    for p in range(40):
        assert cheapest(labels, p) <= cheapest(kept, p) <= cheapest(labels, p - 4.0)


@given(LABELS, LABELS)
def test_joined_branches_need_the_greater_pressure_and_both_costs(
    one: list[tuple[float, float]], two: list[tuple[float, float]]
) -> None:
    a, b = pareto(one, 0.0, math.inf), pareto(two, 0.0, math.inf)
    both = list(joined(a, b))
    assert all(cheapest(both, p) == cheapest(one, p) + cheapest(two, p) for p in range(32))


@settings(max_examples=30)
@given(st.floats(1e-4, 1.0), st.integers(0, 2))
def test_friction_table_lies_on_or_just_above_the_law(share: float, size: int) -> None:
    """The law itself is checked against published values elsewhere."""
    c, spots = ring(0)
    prepared = prepare(problem_of(c, spots, [(0, 0, 5)], tubing=NARROW))
    flow = int(share * sum(prepared.flow[0]))
    tube = NARROW[size]
    law = float(
        pressure_gradient_pa_m(flow * FLOW_UNIT_M3_S, tube.bore_m, tube.roughness_m, prepared.problem.water)
    )
    assert law <= prepared.sizes[size].friction_pa_m(flow) <= law * 1.0001 + 1e-3


def cost_of(problem: RunProblem, plan: RunPlan) -> float:
    uses = [use for c in plan.circuits for use in c.pieces]
    return sum(float(problem.layout.length_m[u.piece]) * problem.tubing[u.tubing].cost_per_m for u in uses)


@pytest.mark.parametrize("seed", range(6))
def test_sizes_cost_what_enumeration_of_sizes_finds(seed: int) -> None:
    """Every size for every stretch between junctions, fittings included, judged by budget_pressures_pa."""
    c, spots = ring(seed)
    problem = problem_of(c, spots, [(0, 0, 5)], band_low_pa=12.4e5, tubing=NARROW)
    plan = split(problem, evaluations=60)
    (circuit,) = plan.circuits
    prepared = prepare(problem)
    segments = contract(problem.layout)
    number = {e: i for i, e in enumerate(segments.piece)}
    flags = forest_of(prepared, plan).flags[0]

    def stretch(piece: int) -> tuple[int, int]:
        """Segment, and how much of it is fed before the piece: parts fed from either end differ."""
        way = next(w for w in segments.ways if w.forward and w.low <= number[piece] < w.high)
        return way.segment, sum(not flags[e] for e in range(way.low, number[piece]))

    stretches = sorted({stretch(use.piece) for use in circuit.pieces})
    best = math.inf
    for sizes in itertools.product(range(3), repeat=len(stretches)):
        if len(set(sizes)) > problem.sizes_at_most:
            continue
        size = dict(zip(stretches, sizes, strict=True))
        uses = tuple(replace(use, tubing=size[stretch(use.piece)]) for use in circuit.pieces)
        trial = replace(plan, circuits=(replace(circuit, pieces=uses),))
        if budget_pressures_pa(problem, trial).min() >= problem.band_low_pa:
            best = min(best, cost_of(problem, trial))
    found = min(
        cost for short, cost in (
            Sizer(prepared, sizes).least(0, flags, forest_of(prepared, plan).served[0])
            for sizes in itertools.combinations(range(3), 2)
        ) if short == 0.0
    )  # fmt: skip
    assert found == pytest.approx(best, rel=1e-9)
    assert plan.tubing_cost == pytest.approx(best, rel=1e-9)


def test_a_tree_that_cannot_be_fed_says_how_much_is_short() -> None:
    c, spots = ring(1)
    problem = problem_of(c, spots, [(0, 0, 5)], band_low_pa=12.4e5, tubing=NARROW[2:], sizes_at_most=1)
    plan = split(problem, evaluations=60)
    forest = forest_of(prepare(problem), plan)
    most = float(budget_pressures_pa(problem, plan).min())
    harder = replace(problem, band_low_pa=most + 5000.0)
    short, _ = Sizer(prepare(harder), (0,)).least(0, forest.flags[0], forest.served[0])
    assert short == pytest.approx(5000.0, abs=150.0)  # friction tables lie up to 1e-5 above the law


def test_plans_survive_writing_down_and_reading_back() -> None:
    c, spots = estate(8, across=2, down=2)
    problem = problem_of(c, spots, [(0, 0, len(spots.line))])
    plan = split(problem, evaluations=100)
    sizes = tuple(sorted({u.tubing for u in plan.circuits[0].pieces}))
    again = plan_of(prepare(problem), forest_of(prepare(problem), plan), sizes)
    assert again == plan


K = LossFactors(tee_run=1.0, tee_branch=10.0, elbow=100.0, entrance=1000.0)


def factors(c: CorridorArrays, spots: Spots) -> dict[tuple[int, int], float]:
    """minor_k by (from, to) of the only possible tree of one circuit."""
    problem = problem_of(c, spots, [(0, 0, len(spots.line))], k=K)
    plan = split(replace(problem, k=LossFactors(0.0, 0.0, 0.0, 0.0)), evaluations=20)
    circuit: CircuitPlan = plan_of(prepare(problem), forest_of(prepare(problem), plan), (3,)).circuits[0]
    return {(u.from_point, u.to_point): u.minor_k for u in circuit.pieces}


def test_fittings_by_hand() -> None:
    """North from the pump to a junction; on straight to the north, off to the east and round a corner to the south.

    East: nozzles 8 (on the way) and 9 (last). North: a bend, then nozzle 7 and the end of the line beyond it unused.
    """
    c = CorridorArrays()
    pump, junction, bend, north, east, corner, south = (
        c.node(0, 0), c.node(0, 20), c.node(0, 30), c.node(20, 30), c.node(30, 20), c.node(30, 19), c.node(30, 0),
    )  # fmt: skip
    c.edge(pump, junction, link=0, ground="lawn")
    c.edge(junction, bend, line=0, from_m=0.0, to_m=10.0)
    c.edge(bend, north, line=0, from_m=10.0, to_m=30.0)
    c.edge(junction, east, line=1, from_m=0.0, to_m=30.0)
    c.edge(east, corner, line=1, from_m=30.0, to_m=31.0)
    c.edge(corner, south, line=1, from_m=31.0, to_m=50.0)
    c.site_node.append(pump)
    spots = Spots([0, 1, 1], [20.0, 10.0, 45.0], [0, 0, 0])
    n, mid, last = 7, 8, 9
    found = factors(c, spots)
    assert found == {
        (pump, junction): 1000.0,  # entrance
        (junction, bend): 1.0,  # straight on through the tee
        (bend, n): 100.0 + 100.0,  # the bend; elbow under the last nozzle
        (junction, mid): 10.0,  # turns off
        (mid, east): 1.0,  # on through the nozzle's tee
        (east, corner): 100.0,  # a corner without branching
        (corner, last): 100.0,  # straight on; elbow under the last nozzle
    }
    assert np.isclose(sum(found.values()), 1412.0)
