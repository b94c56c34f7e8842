"""Run splits: against enumeration, against the full hydraulics, at full capacity, refused in words."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hydraulics.network import Link, Node, NozzleAt, tree_network
from hydraulics.pump import Pump
from hydraulics.steady_tree import solve_tree
from optimizer.errors import NoDesign
from optimizer.runs.budget import budget_pressures_pa
from optimizer.runs.plan import RunPlan
from optimizer.runs.problem import Circuit, LossFactors, RunProblem, Tubing
from optimizer.runs.split import split
from tests.optimizer.runs_enumeration import least_cost
from tests.optimizer.runs_sites import CorridorArrays, Spots, estate, problem_of

NO_LOSS = LossFactors(0.0, 0.0, 0.0, 0.0)
NARROW = (  # invented; so narrow that a few nozzles on long lines need the wider sizes
    Tubing("fine", 0.0018, 1.5e-6, 1.0),
    Tubing("small", 0.0023, 1.5e-6, 1.7),
    Tubing("middle", 0.0030, 1.5e-6, 2.9),
)


def ring(seed: int) -> tuple[CorridorArrays, Spots]:
    """Two pump sites, linked to a ring of line with a chord of link, 5 nozzles."""
    draw = np.random.default_rng(seed)
    c = CorridorArrays()
    at = [(0, 0), (60, 0), (60, 50), (0, 50)]
    corner = [c.node(x + draw.uniform(-9, 9), y + draw.uniform(-9, 9), draw.uniform(0, 6)) for x, y in at]
    sites = [c.node(-20, -10, 1.0), c.node(80, 60, 2.0)]
    start = 0.0
    for i in range(3):
        edge = c.edge(corner[i], corner[i + 1], line=0, from_m=start)
        start += c.plan_m[edge]
        c.to_m[edge] = start
    c.edge(sites[0], corner[0], link=0, ground="lawn")
    c.edge(sites[1], corner[2], link=1, ground="lawn")
    c.edge(corner[0], corner[2], link=2, ground="paving", sleeve_cost=20.0)
    c.site_node.extend(sites)
    chainages = sorted(float(s) for s in draw.uniform(3, start - 3, 5))
    return c, Spots([0] * 5, chainages, [0] * 5)


def small(seed: int, circuits: list[tuple[int, int, int]], sites: tuple[int, ...]) -> RunProblem:
    c, spots = ring(seed)
    return problem_of(c, spots, circuits, sites=sites, band_low_pa=13e5, tubing=NARROW, sizes_at_most=2, k=NO_LOSS)


CASES = {
    "one pump": ([(0, 0, 5)], (0,)),
    "two pumps": ([(0, 0, 3), (1, 0, 2)], (0, 1)),
    "two circuits": ([(0, 0, 3), (0, 0, 3)], (0,)),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", range(4))
def test_small_splits_cost_what_enumeration_finds(case: str, seed: int) -> None:
    """Reference: tests/optimizer/runs_enumeration.py tries every tree, share and sizing."""
    circuits, sites = CASES[case]
    problem = small(seed, circuits, sites)
    known = least_cost(problem)
    if math.isinf(known):
        with pytest.raises(NoDesign):
            split(problem, evaluations=1500)
    else:
        assert split(problem, evaluations=1500).cost == pytest.approx(known, rel=1e-9)


def test_sets_that_share_a_long_search_find_what_enumeration_finds() -> None:
    """Reference: tests/optimizer/runs_enumeration.py. So many evaluations that several sets of sizes search on."""
    problem = small(1, *CASES["two pumps"])
    assert len(problem.size_sets) > 1
    assert split(problem, evaluations=40_000).cost == pytest.approx(least_cost(problem), rel=1e-9)


def check_plan(problem: RunProblem, plan: RunPlan) -> None:
    """What every plan must keep: nozzles fed once, room and groups, trees from the pump, costs, the head budget."""
    layout = problem.layout
    assert sorted(k for c in plan.circuits for k in c.served) == list(range(problem.nozzles))
    tubing_cost, dug = 0.0, set()
    for c in plan.circuits:
        given = problem.circuits[c.circuit]
        assert (c.pump, c.group) == (given.pump, given.group)
        assert len(c.served) <= given.nozzles_at_most
        assert {problem.group[k] for k in c.served} <= {given.group}
        reached = {problem.pump_point(c.pump)}
        for use in c.pieces:
            assert {use.from_point, use.to_point} == {int(layout.tail[use.piece]), int(layout.head[use.piece])}
            assert use.from_point in reached and use.to_point not in reached
            reached.add(use.to_point)
            dug.add(use.piece)
            tubing_cost += float(layout.length_m[use.piece]) * problem.tubing[use.tubing].cost_per_m
        assert {int(layout.nozzle_point[k]) for k in c.served} <= reached
        leading = [use.to_point for use in c.pieces]
        order = [leading.index(int(layout.nozzle_point[k])) for k in c.served]
        assert order == sorted(order)
    assert plan.tubing_cost == pytest.approx(tubing_cost)
    assert plan.trench_cost == pytest.approx(sum(float(layout.trench_cost[e]) for e in dug))
    assert len({use.tubing for c in plan.circuits for use in c.pieces}) <= problem.sizes_at_most
    assert budget_pressures_pa(problem, plan).min() >= problem.band_low_pa - 1.0


def real_pressures_pa(problem: RunProblem, plan: RunPlan) -> np.ndarray:
    """Pressure of each nozzle by the full nonlinear steady state of its circuit (hydraulics.steady_tree)."""
    layout, pressures = problem.layout, np.full(problem.nozzles, np.nan)
    for c in plan.circuits:
        if not c.served:
            continue
        pump = problem.pumps[c.pump]
        root = problem.pump_point(c.pump)
        points = [root, *(use.to_point for use in c.pieces)]
        nodes = [Node("supply", float(layout.z_m[root])), *(Node(str(p), float(layout.z_m[p])) for p in points)]
        links = [Link("unit", "supply", str(root), 0.01, pump.fixed_bore_m, 1.5e-6, pump.fixed_k)]
        for n, use in enumerate(c.pieces):
            tube = problem.tubing[use.tubing]
            length = float(layout.length_m[use.piece])
            ends = str(use.from_point), str(use.to_point)
            links.append(Link(f"L{n}", *ends, length, tube.bore_m, tube.roughness_m, use.minor_k))
        nozzles = [NozzleAt(str(int(layout.nozzle_point[k])), problem.curve) for k in c.served]
        network = tree_network(nodes, links, nozzles, "supply")
        state = solve_tree(network, Pump(pump.set_pressure_pa, 1.0, 2 * pump.set_pressure_pa), problem.water)
        at = dict(zip(network.node_ids, state.pressure_pa, strict=True))
        for k in c.served:
            pressures[k] = at[str(int(layout.nozzle_point[k]))]
    return pressures


ESTATES = {  # circuits and pump sites, every one full to the last nozzle
    "one pump": (lambda n: [(0, 0, n)], (0,)),
    "two pumps": (lambda n: [(0, 0, n - n // 2), (1, 0, n // 2)], (0, 1)),
    "two circuits": (lambda n: [(0, 0, n - n // 2), (0, 0, n // 2)], (0,)),
    "two pumps with two circuits": (
        lambda n: [(0, 0, n - 3 * (n // 4)), (0, 0, n // 4), (1, 0, n // 4), (1, 0, n // 4)],
        (1, 2),
    ),
}


@pytest.mark.parametrize("case", ESTATES)
@pytest.mark.parametrize("seed", (5, 6))
def test_full_capacity_is_fed_and_real_pressures_stand_above_the_budget(case: str, seed: int) -> None:
    """The safe property of flow factor 1: with highest flows in the head budget no real nozzle stands lower."""
    circuits, sites = ESTATES[case]
    c, spots = estate(seed, across=3, down=2, pitch_m=5.0)
    problem = problem_of(c, spots, circuits(len(spots.line)), sites=sites)
    plan = split(problem, evaluations=400)
    check_plan(problem, plan)
    real, budget = real_pressures_pa(problem, plan), budget_pressures_pa(problem, plan)
    assert (real >= budget - 1.0).all()
    assert real.min() >= problem.band_low_pa


def test_schedule_groups_keep_to_their_circuits() -> None:
    c, spots = estate(3, across=3, down=2, pitch_m=6.0, groups=2)
    many = [spots.group.count(g) for g in (0, 1)]
    assert min(many) > 5
    problem = problem_of(c, spots, [(0, 0, many[0]), (0, 1, many[1])])
    check_plan(problem, split(problem, evaluations=300))


def test_same_arguments_same_plan_and_more_search_costs_no_more() -> None:
    c, spots = estate(4, across=2, down=2)
    problem = problem_of(c, spots, [(0, 0, len(spots.line))])
    plan = split(problem, seed=3, evaluations=300)
    assert split(problem, seed=3, evaluations=300) == plan
    again = split(problem, seed=3, evaluations=300, start=plan)
    check_plan(problem, again)
    assert again.cost <= plan.cost + 1e-9


def test_runs_are_numbered_from_the_first_branching() -> None:
    c, spots = estate(4, across=2, down=2)
    problem = problem_of(c, spots, [(0, 0, len(spots.line))])
    (circuit,) = split(problem, evaluations=200).circuits
    run_at = {problem.pump_point(0): 0}
    for use in circuit.pieces:
        branches = [other.from_point for other in circuit.pieces].count(use.from_point)
        if run_at[use.from_point] == 0 and branches == 1:
            assert use.run == 0
        elif run_at[use.from_point]:
            assert use.run == run_at[use.from_point]
        else:
            assert use.run > 0
        run_at[use.to_point] = use.run
    assert max(run_at.values()) >= 2


def test_no_nozzles_no_tubing() -> None:
    c, _ = estate(4, across=1, down=1)
    plan = split(problem_of(c, Spots([], [], []), [(0, 0, 5)]))
    assert (plan.cost, plan.circuits[0].served, plan.circuits[0].pieces) == (0.0, (), ())


def refusal(problem: RunProblem) -> NoDesign:
    with pytest.raises(NoDesign) as caught:
        split(problem, evaluations=200)
    return caught.value


def test_refusals_name_the_rule() -> None:
    c, spots = estate(4, across=1, down=1)
    n = len(spots.line)
    full = problem_of(c, spots, [(0, 0, n)])
    few = refusal(replace(full, circuits=(Circuit(0, 0, n - 2),)))
    assert few.rule == "capacity" and f"can take {n - 2} of {n} nozzles" in str(few)
    assert refusal(replace(full, circuits=(Circuit(0, 1, n),))).rule == "circuits"
    low = replace(full, pumps=(replace(full.pumps[0], set_pressure_pa=12.1e5),))
    assert refusal(low).rule == "band"
    narrow = refusal(replace(full, tubing=NARROW[:1]))
    assert narrow.rule == "band" and "even with the widest tubing (fine)" in str(narrow)


def test_a_nozzle_no_corridor_leads_to_is_named() -> None:
    c, spots = estate(4, across=1, down=1)
    a, b = c.node(500, 0), c.node(520, 0)
    c.edge(a, b, line=9, from_m=0.0, to_m=20.0)
    far = Spots([*spots.line, 9], [*spots.chainage_m, 5.0], [*spots.group, 0])
    found = refusal(problem_of(c, far, [(0, 0, len(far.line))]))
    assert found.rule == "reach" and "(505.0, 0.0) m" in str(found)


def test_circuits_on_one_corridor_pay_its_ground_once() -> None:
    """By hand: 20 m of link at 6.5, two tubes in it, 3 nozzles 10 m apart on a line that starts at its end."""
    c = CorridorArrays()
    pump, junction, end = c.node(0, 0), c.node(0, 20), c.node(30, 20)
    c.edge(pump, junction, link=0, ground="lawn", allowance=0.0)
    c.edge(junction, end, line=0, from_m=0.0, to_m=30.0, allowance=0.0)
    c.site_node.append(pump)
    spots = Spots([0, 0, 0], [10.0, 20.0, 30.0], [0, 0, 0])
    plan = split(problem_of(c, spots, [(0, 0, 2), (0, 0, 1)], sizes_at_most=1), evaluations=100)
    # two tubes of 20 m; on the line one circuit ends at its last nozzle, the other passes to the end
    assert plan.trench_cost == pytest.approx(20 * 6.5)
    assert plan.tubing_cost == pytest.approx(2.0 * (20 + 20 + 30 + 10))
