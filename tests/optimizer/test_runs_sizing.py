"""Sizing on a fixed tree: labels by brute force, sizes against enumeration, fittings counted by hand."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from hydraulics.friction import pressure_gradient_pa_m
from optimizer.runs.budget import budget_pressures_pa
from optimizer.runs.distances import Distances, distances, price
from optimizer.runs.flat import Flat, flat
from optimizer.runs.forest import state_of
from optimizer.runs.hung import hang
from optimizer.runs.labels import add, extended, joined
from optimizer.runs.plan import CircuitPlan, RunPlan
from optimizer.runs.prepared import FLOW_UNIT_M3_S, Prepared, prepare
from optimizer.runs.problem import LossFactors, RunProblem
from optimizer.runs.race import Race, Sizes
from optimizer.runs.rules import COLUMNS, COST, SHORT, circuit_row
from optimizer.runs.segments import contract
from optimizer.runs.sizing import Sizing, losses, new_sizing, supply_pa
from optimizer.runs.split import split
from optimizer.runs.start import starts
from optimizer.runs.state import State
from optimizer.runs.written import forest_of, plan_of
from tests.optimizer.runs_sites import CorridorArrays, Spots, estate, problem_of
from tests.optimizer.test_runs_split import NARROW, ring

Labels = list[tuple[float, float]]
LABELS = st.lists(st.tuples(st.integers(0, 30).map(float), st.integers(0, 30).map(float)), min_size=1, max_size=8)


def cheapest(labels: Labels, pressure: float) -> float:
    return min((cost for need, cost in labels if need <= pressure), default=math.inf)


def pareto(labels: Labels, grid: float = 0.0) -> Labels:
    """Labels in order of need, kept one by one as the kernel keeps them."""
    need, cost, count = np.zeros(40), np.zeros(40), 0
    for one, other in sorted(labels):
        count = add(need, cost, count, one, other, math.inf, grid)
    return [*zip(need[:count].tolist(), cost[:count].tolist(), strict=True)]


def columns(labels: Labels) -> tuple[np.ndarray, np.ndarray, int]:
    return np.array([n for n, _ in labels] or [0.0]), np.array([c for _, c in labels] or [0.0]), len(labels)


@settings(deadline=None)
@given(LABELS)
def test_labels_kept_are_what_any_pressure_would_buy(labels: Labels) -> None:
    kept = pareto(labels)
    assert kept == sorted(kept) and len({c for _, c in kept}) == len(kept)
    assert all(cheapest(kept, p) == cheapest(labels, p) for p in range(32))


@settings(deadline=None)
@given(LABELS)
def test_a_grid_never_makes_a_need_smaller_nor_a_cost_less(labels: Labels) -> None:
    kept = pareto(labels, 4.0)
    for p in range(40):
        assert cheapest(labels, p) <= cheapest(kept, p) <= cheapest(labels, p - 4.0)


@settings(deadline=None)
@given(LABELS, LABELS)
def test_joined_branches_need_the_greater_pressure_and_both_costs(one: Labels, two: Labels) -> None:
    need, cost = np.zeros(40), np.zeros(40)
    count = joined(*columns(pareto(one)), *columns(pareto(two)), need, cost, math.inf, 0.0)
    both = [*zip(need[:count].tolist(), cost[:count].tolist(), strict=True)]
    assert all(cheapest(both, p) == cheapest(one, p) + cheapest(two, p) for p in range(32))


@settings(deadline=None)
@given(LABELS, LABELS, st.integers(0, 20).map(float), st.integers(-9, 9).map(float), st.integers(0, 9).map(float))
def test_one_more_size_is_a_choice_more(old: Labels, below: Labels, inner: float, drop: float, price: float) -> None:
    """By definition: a label beyond becomes (max(inner, need + drop), cost + price)."""
    need, cost = np.zeros(40), np.zeros(40)
    count = extended(*columns(pareto(old)), *columns(pareto(below)), inner, drop, price, need, cost, math.inf, 0.0)
    kept = [*zip(need[:count].tolist(), cost[:count].tolist(), strict=True)]
    assert kept == sorted(kept)
    whole = [*old, *((max(inner, n + drop), c + price) for n, c in below)]
    assert all(cheapest(kept, p) == cheapest(whole, p) for p in range(42))


def arrays(problem: RunProblem) -> tuple[Prepared, Flat]:
    prepared = prepare(problem)
    return prepared, flat(prepared, both(prepared))


def both(prepared: Prepared) -> tuple[Distances, Distances]:
    return distances(prepared, price(prepared, True)), distances(prepared, price(prepared, False))


@settings(max_examples=30, deadline=None)
@given(st.floats(1e-4, 1.0), st.integers(0, 2))
def test_friction_table_lies_on_or_just_above_the_law(share: float, size: int) -> None:
    """The law itself is checked against published values elsewhere."""
    c, spots = ring(0)
    prepared, table = arrays(problem_of(c, spots, [(0, 0, 5)], tubing=NARROW))
    flow = int(share * sum(prepared.flow[0]))
    tube = NARROW[size]
    law = float(
        pressure_gradient_pa_m(flow * FLOW_UNIT_M3_S, tube.bore_m, tube.roughness_m, prepared.problem.water)
    )
    knot = int(flow * table.per_unit)
    low, high = table.gradient[size, knot : knot + 2]
    chord = low + (flow * table.per_unit - knot) * (high - low)
    assert law <= chord <= law * 1.0001 + 1e-3


def valued(table: Flat, state: State, sizes: Sizes) -> tuple[float, float]:
    """Pressure short and tubing cost of the first circuit."""
    row = np.zeros(COLUMNS)
    circuit_row(table, state, 0, new_sizing(table, sizes, 1 << 12, 1), row)
    return float(row[SHORT]), float(row[COST])


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
    prepared, table = arrays(problem)
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
    state = state_of(table, forest_of(prepared, plan))
    found = min(
        cost for short, cost in (valued(table, state, sizes) for sizes in itertools.combinations(range(3), 2))
        if short == 0.0
    )  # fmt: skip
    assert found == pytest.approx(best, rel=1e-9)
    assert plan.tubing_cost == pytest.approx(best, rel=1e-9)


def test_a_tree_that_cannot_be_fed_says_how_much_is_short() -> None:
    c, spots = ring(1)
    problem = problem_of(c, spots, [(0, 0, 5)], band_low_pa=12.4e5, tubing=NARROW[2:], sizes_at_most=1)
    plan = split(problem, evaluations=60)
    most = float(budget_pressures_pa(problem, plan).min())
    prepared, table = arrays(replace(problem, band_low_pa=most + 5000.0))
    short, _ = valued(table, state_of(table, forest_of(prepared, plan)), (0,))
    assert short == pytest.approx(5000.0, abs=150.0)  # friction tables lie up to 1e-5 above the law


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 3), st.floats(11.5e5, 13.5e5))
def test_labels_find_what_trying_every_size_of_every_unit_finds(seed: int, most: int, band_low_pa: float) -> None:
    """Second calculation: each unit's losses as they stand, every size for each of at most 9 units."""
    c, spots = estate(seed % 50, across=2, down=2, pitch_m=4.0)
    some = np.random.default_rng(seed).choice(len(spots.line), 5, replace=False)
    fewer = Spots(*([column[i] for i in sorted(some)] for column in (spots.line, spots.chainage_m, spots.group)))
    problem = problem_of(c, fewer, [(0, 0, 5)], band_low_pa=band_low_pa, tubing=NARROW)
    prepared, table = arrays(problem)
    sizes = tuple(range(most))
    race = Race(table, [sizes], lambda done, best: True)
    state = race.run([*starts(prepared, table, both(prepared))], seed, 50).state
    work = new_sizing(table, sizes, 1 << 12, 1)
    units = hang(table, state, 0, work.hung)
    assume(units <= 9)
    short, cost = valued(table, state, sizes)
    for u in range(units):
        losses(table, state, 0, work, u)
    best = least_of_all_sizes(table, state, work, units)
    assert cost == pytest.approx(best) if short == 0.0 else math.isinf(best)


def least_of_all_sizes(table: Flat, state: State, work: Sizing, units: int) -> float:
    hung, best = work.hung, math.inf
    flow = sum(int(hung.flow[u]) for u in range(units) if hung.parent[u] < 0)
    supply = supply_pa(table, 0, flow)
    for choice in itertools.product(range(len(work.sizes)), repeat=units):
        left, enough = [0.0] * units, True
        for u, d in enumerate(choice):
            start = supply if hung.parent[u] < 0 else left[hung.parent[u]]
            left[u] = start - work.drop[u, d]
            end = hung.end[u]
            own = end >= 0 and table.nozzle[end] >= 0 and state.owner[table.nozzle[end]] == 0
            enough &= work.inner[u, d] <= start and not (own and left[u] < table.limits[0])
        if enough:
            best = min(best, sum(work.price[u, d] for u, d in enumerate(choice)))
    return best


def test_plans_survive_writing_down_and_reading_back() -> None:
    c, spots = estate(8, across=2, down=2)
    problem = problem_of(c, spots, [(0, 0, len(spots.line))])
    plan = split(problem, evaluations=500)
    sizes = tuple(sorted({u.tubing for u in plan.circuits[0].pieces}))
    assert written(problem, plan, sizes) == plan


def written(problem: RunProblem, plan: RunPlan, sizes: Sizes) -> RunPlan:
    """The plan's forest written down anew with these sizes."""
    prepared, table = arrays(problem)
    return plan_of(prepared, table, state_of(table, forest_of(prepared, plan)), sizes)


K = LossFactors(tee_run=1.0, tee_branch=10.0, elbow=100.0, entrance=1000.0)


def factors(c: CorridorArrays, spots: Spots) -> dict[tuple[int, int], float]:
    """minor_k by (from, to) of the only possible tree of one circuit."""
    problem = problem_of(c, spots, [(0, 0, len(spots.line))], k=K)
    plan = split(replace(problem, k=LossFactors(0.0, 0.0, 0.0, 0.0)), evaluations=20)
    circuit: CircuitPlan = written(problem, plan, (3,)).circuits[0]
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
