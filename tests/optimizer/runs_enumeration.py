"""Least cost of small run splits by trying everything: the reference of the search and of the contracted model.

Written from the statement of the problem, sharing with the program only the laws of hydraulics: every set of pieces
that is a tree from the pump, every share of nozzles among circuits, every size for every stretch between junctions.
Fittings' losses must be zero in the problem.
"""

from __future__ import annotations

import itertools
import math
from functools import cache

import numpy as np

from hydraulics.fittings import minor_loss_pa
from hydraulics.friction import GRAVITY_M_S2, pressure_gradient_pa_m
from optimizer.runs.problem import RunProblem


def least_cost(problem: RunProblem) -> float:
    """Tubing and ground work of the cheapest split, inf where there is none."""
    assert not any((problem.k.tee_run, problem.k.tee_branch, problem.k.elbow, problem.k.entrance))
    return min(
        _least_with(problem, sizes)
        for sizes in itertools.combinations(range(len(problem.tubing)), problem.sizes_at_most)
    )


def _least_with(problem: RunProblem, sizes: tuple[int, ...]) -> float:
    fed = [_circuit_costs(problem, c, sizes) for c in range(len(problem.circuits))]
    everyone = (1 << problem.nozzles) - 1
    partial: dict[tuple[int, frozenset[int]], float] = {(0, frozenset()): 0.0}
    for costs in fed:
        following: dict[tuple[int, frozenset[int]], float] = {}
        for (taken, dug), cost in partial.items():
            for (own, own_dug), own_cost in costs.items():
                if not taken & own:
                    key = (taken | own, dug | own_dug)
                    following[key] = min(following.get(key, math.inf), cost + own_cost)
        partial = following
    trench = problem.layout.trench_cost
    return min(
        (cost + sum(float(trench[e]) for e in dug) for (taken, dug), cost in partial.items() if taken == everyone),
        default=math.inf,
    )


def _circuit_costs(
    problem: RunProblem, c: int, sizes: tuple[int, ...]
) -> dict[tuple[int, frozenset[int]], float]:
    """Least tubing cost of circuit c by (nozzles fed as bits, pieces with ground work used)."""
    circuit, layout = problem.circuits[c], problem.layout
    root = problem.pump_point(circuit.pump)
    nozzle_at = {int(p): k for k, p in enumerate(layout.nozzle_point)}
    costs: dict[tuple[int, frozenset[int]], float] = {(0, frozenset()): 0.0}
    for pieces in _trees(problem, root):
        parent = _parents(problem, root, pieces)
        inner = {a for a, _ in parent.values()}
        leaves = [p for p in parent if p not in inner]
        if not all(p in nozzle_at for p in leaves):
            continue
        free = [p for p in parent if p in nozzle_at and p in inner]
        for chosen in itertools.product((0, 1), repeat=len(free)):
            points = {*leaves, *(p for p, take in zip(free, chosen, strict=True) if take)}
            own = [nozzle_at[p] for p in points]
            if len(own) > circuit.nozzles_at_most or any(problem.group[k] != circuit.group for k in own):
                continue
            cost = _sized(problem, c, parent, points, sizes)
            key = (sum(1 << k for k in own), frozenset(e for e in pieces if layout.trench_cost[e] > 0))
            costs[key] = min(costs.get(key, math.inf), cost)
    return costs


@cache
def _subsets(count: int) -> list[tuple[int, ...]]:
    return [s for n in range(1, count + 1) for s in itertools.combinations(range(count), n)]


def _trees(problem: RunProblem, root: int) -> list[tuple[int, ...]]:
    return [s for s in _subsets(problem.layout.pieces) if len(_parents(problem, root, s)) == len(s)]


def _parents(problem: RunProblem, root: int, pieces: tuple[int, ...]) -> dict[int, tuple[int, int]]:
    """(parent point, piece) of each point in the order of the water; fewer points than pieces where it is no tree."""
    tail, head = problem.layout.tail, problem.layout.head
    found: dict[int, tuple[int, int]] = {}
    reached, left = {root}, list(pieces)
    while True:
        e = next((e for e in left if (tail[e] in reached) != (head[e] in reached)), None)
        if e is None:
            return found if not left else {}
        a, b = int(tail[e]), int(head[e])
        if b in reached:
            a, b = b, a
        found[b] = (a, e)
        reached.add(b)
        left.remove(e)


def _sized(
    problem: RunProblem, c: int, parent: dict[int, tuple[int, int]], points: set[int], sizes: tuple[int, ...]
) -> float:
    """Least tubing cost of a tree that feeds the nozzles at the points: every size for every stretch."""
    layout, pump = problem.layout, problem.pumps[problem.circuits[c].pump]
    flow = {p: float(problem.safe_flow_m3_s(problem.circuits[c].pump)[k]) for k, p in enumerate(layout.nozzle_point)}
    through = {p: flow[p] if p in points else 0.0 for p in parent}
    for p in reversed(list(parent)):
        if parent[p][0] in through:
            through[parent[p][0]] += through[p]
    total = sum(flow[p] for p in points)
    start = pump.set_pressure_pa - float(
        minor_loss_pa(pump.fixed_k, total, pump.fixed_bore_m, problem.water.density_kg_m3)
    )
    drop = {
        p: [
            float(layout.length_m[e])
            * float(pressure_gradient_pa_m(through[p], t.bore_m, t.roughness_m, problem.water))
            + problem.water.density_kg_m3 * GRAVITY_M_S2 * float(layout.z_m[p] - layout.z_m[a])
            for t in problem.tubing
        ]
        for p, (a, e) in parent.items()
    }
    unit = _stretches(problem, parent)
    best = math.inf
    for choice in itertools.product(sizes, repeat=len(set(unit.values()))):
        pressure = {problem.pump_point(problem.circuits[c].pump): start}
        for p, (a, _) in parent.items():
            pressure[p] = pressure[a] - drop[p][choice[unit[p]]]
        if all(pressure[p] >= problem.band_low_pa for p in points):
            cost = sum(
                float(layout.length_m[e]) * problem.tubing[choice[unit[p]]].cost_per_m for p, (_, e) in parent.items()
            )
            best = min(best, cost)
    return best


def _stretches(problem: RunProblem, parent: dict[int, tuple[int, int]]) -> dict[int, int]:
    """Number of the stretch between junctions that leads to each point; it goes on through points of two pieces."""
    layout = problem.layout
    degree = np.bincount(np.concatenate([layout.tail, layout.head]), minlength=layout.points)
    sites = set(map(int, layout.site_point))
    unit: dict[int, int] = {}
    for p, (a, e) in parent.items():
        goes_on = a in parent and degree[a] == 2 and a not in sites
        goes_on = goes_on and (layout.trench_cost[e] > 0) == (layout.trench_cost[parent[a][1]] > 0)
        unit[p] = unit[a] if goes_on else len(set(unit.values()))
    return unit
