"""Run splits by hand: against a site worked by hand, shortest ways by relaxation, every size tried, full hydraulics."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hydraulics.fittings import minor_loss_pa
from hydraulics.friction import GRAVITY_M_S2, pressure_gradient_pa_m
from optimizer.errors import NoDesign
from optimizer.runs.plan import RunPlan
from optimizer.runs.practice import by_hand
from optimizer.runs.problem import LossFactors, RunProblem, Tubing
from optimizer.runs.split import split
from tests.optimizer.runs_sites import TUBING, CorridorArrays, Spots, estate, problem_of
from tests.optimizer.test_runs_split import ESTATES, check_plan, real_pressures_pa

K = LossFactors(0.6, 1.8, 0.9, 0.5)


def fork() -> tuple[CorridorArrays, Spots]:
    """Pump, 20 m of lawn north to a junction; a line of 30 m east with nozzles at 10, 20 and 30 m, one of 12 m west
    with a nozzle at its end; a paved shortcut of 40 m from the pump to the east end that nobody wants."""
    c = CorridorArrays()
    pump, junction = c.node(0, 0), c.node(0, 20)
    east, west = c.node(30, 20), c.node(-12, 20)
    c.edge(pump, junction, link=0, ground="lawn", allowance=0.0)
    c.edge(junction, east, line=0, from_m=0.0, to_m=30.0, allowance=0.0)
    c.edge(junction, west, line=1, from_m=0.0, to_m=12.0, allowance=0.0)
    c.edge(pump, east, link=1, ground="paving", allowance=0.0)
    c.site_node.append(pump)
    return c, Spots([0, 0, 0, 1], [10.0, 20.0, 30.0, 12.0], [0] * 4)


def test_a_fork_costs_what_is_reckoned_by_hand() -> None:
    """By metres the east end is nearer over the paving (36.1 m) than by the lawn (50 m): 36.1 m of paved trench at 28
    and less tubing cost more than 10 m of tubing saved, so the way by money is taken: one trench of 20 m at 6.5, tubing
    20 + 30 + 12 m at 2."""
    plan = by_hand(problem_of(*fork(), [(0, 0, 4)]))
    assert plan.trench_cost == pytest.approx(20 * 6.5)
    assert plan.tubing_cost == pytest.approx((20 + 30 + 12) * 2.0)
    assert (plan.status, plan.cost_bound) == ("by hand", 0.0)


def test_fittings_and_runs_of_the_fork_are_those_of_the_rules() -> None:
    """Entrance at the pump; at the junction both ways turn by 90 deg: tee branches; tee runs past nozzles; an elbow
    under the last nozzle of each run. Runs begin at the junction."""
    (circuit,) = by_hand(problem_of(*fork(), [(0, 0, 4)])).circuits
    found = {use.to_point: (use.run, use.minor_k) for use in circuit.pieces}
    at = problem_of(*fork(), [(0, 0, 4)]).layout.nozzle_point.tolist()
    assert found[1] == (0, 0.5)
    runs = {found[at[0]][0], found[at[3]][0]}
    assert runs == {1, 2}
    assert [round(found[p][1], 9) for p in at] == [1.8, 0.6, 0.6 + 0.9, 1.8 + 0.9]


def head_needed_pa(problem: RunProblem, plan: RunPlan, tube: Tubing) -> float:
    """What the pump must give for the worst nozzle to stand at the band's low edge, with one tube everywhere: each
    nozzle's way added up piece by piece, a calculation of its own."""
    layout, water, need = problem.layout, problem.water, -math.inf
    for circuit in plan.circuits:
        flow = problem.safe_flow_m3_s(circuit.pump)
        into = {use.to_point: use for use in circuit.pieces}
        at = {int(layout.nozzle_point[k]): float(flow[k]) for k in circuit.served}

        def way(point: int, into: dict = into) -> list:  # type: ignore[type-arg]
            return [] if point not in into else [into[point], *way(into[point].from_point)]

        ways = {p: way(p) for p in at}
        carried: dict[int, float] = {}
        for p, uses in ways.items():
            for use in uses:
                carried[use.to_point] = carried.get(use.to_point, 0.0) + at[p]
        pump = problem.pumps[circuit.pump]
        unit = float(minor_loss_pa(pump.fixed_k, sum(at.values()), pump.fixed_bore_m, water.density_kg_m3))
        root = problem.pump_point(circuit.pump)
        for p, uses in ways.items():
            lost = sum(
                float(layout.length_m[u.piece])
                * float(pressure_gradient_pa_m(carried[u.to_point], tube.bore_m, tube.roughness_m, water))
                + float(minor_loss_pa(u.minor_k, carried[u.to_point], tube.bore_m, water.density_kg_m3))
                for u in uses
            )
            rise = water.density_kg_m3 * GRAVITY_M_S2 * float(layout.z_m[p] - layout.z_m[root])
            need = max(need, problem.band_low_pa + lost + rise + unit)
    return need


def shortest(problem: RunProblem, pump: int, weight: np.ndarray) -> np.ndarray:
    """Weight of the shortest way from a pump to every point, relaxed until nothing gets shorter (Bellman and Ford)."""
    layout = problem.layout
    far = np.full(layout.points, np.inf)
    far[problem.pump_point(pump)] = 0.0
    while True:
        before = far.copy()
        for e, (a, b) in enumerate(zip(layout.tail, layout.head, strict=True)):
            far[a] = min(far[a], far[b] + weight[e])
            far[b] = min(far[b], far[a] + weight[e])
        if (far == before).all():
            return far


def way_weights(problem: RunProblem, plan: RunPlan, weight: np.ndarray) -> np.ndarray:
    """Weight of each nozzle's way in a plan."""
    found = np.full(problem.nozzles, np.nan)
    for circuit in plan.circuits:
        at = {problem.pump_point(circuit.pump): 0.0}
        for use in circuit.pieces:
            at[use.to_point] = at[use.from_point] + weight[use.piece]
        for k in circuit.served:
            found[k] = at[int(problem.layout.nozzle_point[k])]
    return found


@pytest.mark.parametrize("case", ESTATES)
@pytest.mark.parametrize("seed", (5, 6))
def test_estates_are_fed_by_nearest_ways_in_the_smallest_size_that_does(case: str, seed: int) -> None:
    """Full to the last nozzle: every rule of a plan kept, nearest ways, one size, the next smaller one not enough, and
    the full nonlinear state above the band's low edge."""
    circuits, sites = ESTATES[case]
    c, spots = estate(seed, across=3, down=2, pitch_m=5.0)
    problem = problem_of(c, spots, circuits(len(spots.line)), sites=sites, tubing=TUBING[::-1])
    plan = by_hand(replace(problem, flow_factor=0.9))  # which it does not go by
    check_plan(problem, plan)
    length = problem.layout.length_m
    by_weight = [length, length * 2.0 + problem.layout.trench_cost]
    gone = [way_weights(problem, plan, weight) for weight in by_weight]
    pump_of = np.empty(problem.nozzles, dtype=int)
    for circuit in plan.circuits:
        pump_of[list(circuit.served)] = circuit.pump
    nearest = [
        np.array([shortest(problem, p, weight) for p in range(len(sites))])[pump_of, problem.layout.nozzle_point]
        for weight in by_weight
    ]
    assert any(np.allclose(way, near) for way, near in zip(gone, nearest, strict=True))
    (size,) = {use.tubing for circuit in plan.circuits for use in circuit.pieces}
    enough = [head_needed_pa(problem, plan, tube) <= problem.pumps[0].set_pressure_pa for tube in problem.tubing]
    assert size == max(i for i, does in enumerate(enough) if does)  # sizes stand widest first
    assert real_pressures_pa(problem, plan).min() >= problem.band_low_pa


def test_each_nozzle_is_fed_by_its_nearest_pump_where_both_have_room() -> None:
    c, spots = estate(7, across=3, down=2)
    n = len(spots.line)
    problem = problem_of(c, spots, [(0, 0, n), (1, 0, n)], sites=(0, 1))
    plan = by_hand(problem)
    length = problem.layout.length_m
    for weight in (length, length * 2.0 + problem.layout.trench_cost):
        far = np.array([shortest(problem, p, weight)[problem.layout.nozzle_point] for p in (0, 1)])
        if np.allclose(way_weights(problem, plan, weight), far.min(axis=0)):
            return
    raise AssertionError("neither by metres nor by money is every way the nearest pump's")


def test_circuits_of_a_pump_share_evenly_and_keep_schedule_groups() -> None:
    c, spots = estate(3, across=3, down=2, pitch_m=6.0, groups=2)
    many = [spots.group.count(g) for g in (0, 1)]
    problem = problem_of(c, spots, [(0, 0, many[0]), (0, 1, many[1]), (0, 1, many[1])])
    plan = by_hand(problem)
    check_plan(problem, plan)
    counts = [len(circuit.served) for circuit in plan.circuits]
    assert counts == [many[0], -(-many[1] // 2), many[1] // 2]


def test_a_search_is_no_dearer_than_by_hand() -> None:
    c, spots = estate(4, across=3, down=2)
    problem = problem_of(c, spots, [(0, 0, len(spots.line))])
    assert split(problem, evaluations=400).cost < by_hand(problem).cost


def refusal(problem: RunProblem) -> NoDesign:
    with pytest.raises(NoDesign) as caught:
        by_hand(problem)
    return caught.value


def test_refusals_by_hand_name_the_rule() -> None:
    full = problem_of(*fork(), [(0, 0, 4)])
    few = refusal(problem_of(*fork(), [(0, 0, 3)]))
    assert few.rule == "capacity" and "by hand no pump that has room reaches nozzle 3 at (-12.0, 20.0) m" in str(few)
    fine = refusal(replace(full, tubing=(Tubing("hair", 0.0008, 1.5e-6, 1.0),)))
    assert fine.rule == "band" and "with hair everywhere" in str(fine)


def test_no_nozzles_no_tubing_by_hand() -> None:
    c, _ = fork()
    plan = by_hand(problem_of(c, Spots([], [], []), [(0, 0, 5)]))
    assert (plan.cost, plan.circuits[0].served, plan.circuits[0].pieces) == (0.0, (), ())
