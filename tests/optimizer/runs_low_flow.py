"""Least cost of tiny run splits at the least real flows: the reference of the cost bound.

Written from the statement of the class, sharing with the program only the laws of hydraulics. In a verified design
every nozzle stands at or above the band's low edge, so it draws q(band low) at least and every loss is at least that
of these flows: the cheapest split at these flows costs no more than the cheapest verified design. Tried are all trees
from the pump, all shares of nozzles among circuits, and for each part of a segment between junctions that a tree feeds
from one end every size; fittings as drawn: entrance, elbow, tee run, tee branch.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from hydraulics.fittings import minor_loss_pa
from hydraulics.friction import GRAVITY_M_S2, pressure_gradient_pa_m
from optimizer.runs.layout import layout
from optimizer.runs.problem import Circuit, LossFactors, PumpChoice, RunProblem, Tubing
from tests.optimizer.runs_sites import CURVE, GROUNDS, WATER, CorridorArrays

Parents = dict[int, tuple[int, int]]  # (parent point, piece) of each point, in the order of the water
Costs = dict[tuple[int, frozenset[int]], float]  # by nozzles fed (bits) and pieces with ground work


def least_cost(problem: RunProblem) -> float:
    """Tubing and ground work of the cheapest split at the least flows, inf where there is none."""
    sets = itertools.combinations(range(len(problem.tubing)), problem.sizes_at_most)
    trees: dict[int, list[tuple[tuple[int, ...], Parents]]] = {}
    for circuit in problem.circuits:
        root = problem.pump_point(circuit.pump)
        if root not in trees:
            trees[root] = list(_trees(problem, root))
    return min(_least_with(problem, sizes, trees) for sizes in sets)


def _least_with(
    problem: RunProblem, sizes: tuple[int, ...], trees: dict[int, list[tuple[tuple[int, ...], Parents]]]
) -> float:
    partial: Costs = {(0, frozenset()): 0.0}
    known: dict[Circuit, Costs] = {}
    for circuit in problem.circuits:
        if circuit not in known:
            known[circuit] = _circuit_costs(problem, circuit, sizes, trees[problem.pump_point(circuit.pump)])
        following: Costs = {}
        for (taken, dug), cost in partial.items():
            for (own, own_dug), own_cost in known[circuit].items():
                if not taken & own:
                    key = (taken | own, dug | own_dug)
                    following[key] = min(following.get(key, math.inf), cost + own_cost)
        partial = following
    everyone = (1 << problem.nozzles) - 1
    trench = problem.layout.trench_cost
    totals = [cost + sum(float(trench[e]) for e in dug) for (taken, dug), cost in partial.items() if taken == everyone]
    return min(totals, default=math.inf)


def _trees(problem: RunProblem, root: int) -> Iterator[tuple[tuple[int, ...], Parents]]:
    count = problem.layout.pieces
    for size in range(1, min(count, problem.layout.points - 1) + 1):
        for pieces in itertools.combinations(range(count), size):
            found = _parents(problem, root, pieces)
            if len(found) == size:
                yield pieces, found


def _parents(problem: RunProblem, root: int, pieces: tuple[int, ...]) -> Parents:
    """All points that the pieces reach from the root, none where they are no tree."""
    tail, head = problem.layout.tail, problem.layout.head
    found: Parents = {}
    reached, left = {root}, list(pieces)
    while left:
        e = next((e for e in left if (int(tail[e]) in reached) != (int(head[e]) in reached)), None)
        if e is None:
            return {}
        a, b = int(tail[e]), int(head[e])
        if b in reached:
            a, b = b, a
        found[b] = (a, e)
        reached.add(b)
        left.remove(e)
    return found


def _circuit_costs(
    problem: RunProblem, circuit: Circuit, sizes: tuple[int, ...], trees: list[tuple[tuple[int, ...], Parents]]
) -> Costs:
    trench = problem.layout.trench_cost
    nozzle_at = {int(p): k for k, p in enumerate(problem.layout.nozzle_point)}
    costs: Costs = {(0, frozenset()): 0.0}
    for pieces, parent in trees:
        inner = {a for a, _ in parent.values()}
        leaves = [p for p in parent if p not in inner]
        if any(p not in nozzle_at for p in leaves):
            continue
        free = [p for p in parent if p in nozzle_at and p in inner]
        for chosen in itertools.product((False, True), repeat=len(free)):
            points = [*leaves, *itertools.compress(free, chosen)]
            own = [nozzle_at[p] for p in points]
            if len(own) > circuit.nozzles_at_most or any(problem.group[k] != circuit.group for k in own):
                continue
            key = (sum(1 << k for k in own), frozenset(e for e in pieces if trench[e] > 0))
            cost = _sized(problem, circuit, parent, set(points), sizes)
            costs[key] = min(costs.get(key, math.inf), cost)
    return costs


def _sized(
    problem: RunProblem, circuit: Circuit, parent: Parents, points: set[int], sizes: tuple[int, ...]
) -> float:
    """Least tubing cost of a tree that feeds the nozzles at the points, inf where no choice of sizes feeds them."""
    layout, water, pump = problem.layout, problem.water, problem.pumps[circuit.pump]
    root, density = problem.pump_point(circuit.pump), problem.water.density_kg_m3
    flow = float(problem.curve.flow_m3_s(problem.band_low_pa))
    through = {p: float(p in points) for p in parent}
    for p in reversed(list(parent)):
        if parent[p][0] in through:
            through[parent[p][0]] += through[p]
    unit, factor = _stretches(problem, parent), _factors(problem, root, parent, points)
    choices = np.array(list(itertools.product(range(len(sizes)), repeat=len(set(unit.values())))))
    total = flow * len(points)
    lost = float(minor_loss_pa(pump.fixed_k, total, pump.fixed_bore_m, density))
    pressure = {root: np.full(len(choices), pump.set_pressure_pa - lost)}
    cost = np.zeros(len(choices))
    keeps = np.ones(len(choices), dtype=bool)
    for p, (a, e) in parent.items():
        length, rise = float(layout.length_m[e]), float(layout.z_m[p] - layout.z_m[a])
        loss, price = [], []
        for t in (problem.tubing[d] for d in sizes):
            friction = float(pressure_gradient_pa_m(flow * through[p], t.bore_m, t.roughness_m, water))
            loss.append(friction * length + float(minor_loss_pa(factor[p], flow * through[p], t.bore_m, density)))
            price.append(t.cost_per_m * length)
        at = choices[:, unit[p]]
        pressure[p] = pressure[a] - np.array(loss)[at] - density * GRAVITY_M_S2 * rise
        cost += np.array(price)[at]
        if p in points:
            keeps &= pressure[p] >= problem.band_low_pa
    return float(cost[keeps].min()) if keeps.any() else math.inf


def _stretches(problem: RunProblem, parent: Parents) -> dict[int, int]:
    """Number of the part of a segment that leads to each point: it goes on where just two pieces meet."""
    layout = problem.layout
    degree = np.bincount(np.concatenate([layout.tail, layout.head]), minlength=layout.points)
    sites = set(map(int, layout.site_point))
    unit: dict[int, int] = {}
    for p, (a, e) in parent.items():
        goes_on = a in parent and degree[a] == 2 and a not in sites
        goes_on = goes_on and (layout.trench_cost[e] > 0) == (layout.trench_cost[parent[a][1]] > 0)
        unit[p] = unit[a] if goes_on else len(set(unit.values()))
    return unit


def _factors(problem: RunProblem, root: int, parent: Parents, points: set[int]) -> dict[int, float]:
    """Loss factor of the tube that leads to each point: the fitting at its start, an elbow under a last nozzle."""
    layout, k = problem.layout, problem.k
    kids: dict[int, int] = {}
    for a, _ in parent.values():
        kids[a] = kids.get(a, 0) + 1

    def heading(a: int, e: int) -> float:
        along = float(layout.azimuth_deg[e])
        return along if int(layout.tail[e]) == a else along + 180.0

    found = {}
    for p, (a, e) in parent.items():
        last = k.elbow if p not in kids else 0.0
        if a == root:
            found[p] = k.entrance + last
            continue
        turn = abs((heading(a, e) - heading(*parent[a]) + 180.0) % 360.0 - 180.0)
        turn = 90.0 if math.isnan(turn) else turn
        if kids[a] + (a in points) > 1:
            found[p] = last + (k.tee_run if turn < 45.0 else k.tee_branch)
        else:
            found[p] = last + (k.elbow if turn > 30.0 else 0.0)
    return found


@dataclass(frozen=True)
class Shape:
    """What a tiny case is asked to be: circuits as (pump, group), sites of the pumps, schedule groups."""

    circuits: tuple[tuple[int, int], ...]
    sites: tuple[int, ...]
    groups: int = 1


SHAPES = {
    "one pump": Shape(((0, 0),), (0,)),
    "two pumps": Shape(((0, 0), (1, 0)), (0, 1)),
    "two circuits": Shape(((0, 0), (0, 0)), (0,)),
    "two groups": Shape(((0, 0), (0, 1)), (0,), 2),
    "two groups, three circuits": Shape(((0, 0), (0, 1), (1, 0)), (0, 1), 2),
}
FINE = (  # invented; so narrow that a few nozzles on long lines need the wider sizes
    Tubing("fine", 0.0019, 1.5e-6, 1.0),
    Tubing("small", 0.0024, 1.5e-6, 1.6),
    Tubing("middle", 0.0031, 1.5e-6, 2.7),
)


def tiny(seed: int, shape: Shape) -> RunProblem:
    """Two pump sites linked to a bent line with a chord of link; three to five nozzles; heights, slack and turns drawn.

    One nozzle in three cases stands on a junction.
    """
    draw = np.random.default_rng([seed, 4])
    c = CorridorArrays()
    turn = float(draw.choice([10.0, 37.0, 80.0]))  # straight on, an elbow but a straight tee, a branch
    at, heading, corners = (0.0, 0.0), 0.0, []
    for _ in range(4):
        corners.append(c.node(*at, float(draw.uniform(0, 4))))
        step = float(draw.uniform(20, 50))
        at = at[0] + step * math.cos(heading), at[1] + step * math.sin(heading)
        heading += math.radians(turn)
    sites = [c.node(-15, -10, 1.0), c.node(c.x_m[corners[2]] + 10, -15, 2.0)]
    start = 0.0
    for a, b in itertools.pairwise(corners):
        edge = c.edge(a, b, line=0, from_m=start)
        start += c.plan_m[edge]
        c.to_m[edge] = start
    c.edge(sites[0], corners[0], link=0, ground="lawn")
    c.edge(sites[1], corners[2], link=1, ground="lawn")
    if draw.random() < 0.7:
        c.edge(corners[0], corners[2], link=2, ground="paving", sleeve_cost=20.0)
    c.site_node.extend(sites)
    count = int(draw.integers(3, 5))
    chainages = sorted(map(float, draw.uniform(2, start - 2, count)))
    if draw.random() < 1 / 3:
        chainages[-1] = start
    group = [int(g) for g in draw.integers(shape.groups, size=count)]
    where = layout(c, [0] * count, chainages, GROUNDS)  # type: ignore[arg-type]
    set_pa = 13e5 + float(draw.uniform(0.6e5, 4e5))
    mates = {g: [i for i, (_, group) in enumerate(shape.circuits) if group == g] for g in range(shape.groups)}
    circuits = []
    for pump, g in shape.circuits:
        need = math.ceil(group.count(g) / len(mates[g]))
        circuits.append(Circuit(pump, g, int(draw.integers(need, count + 1))))
    return RunProblem(
        layout=where,
        group=tuple(group),
        tubing=FINE[: int(draw.integers(2, 4))],
        sizes_at_most=int(draw.integers(1, 3)),
        pumps=tuple(PumpChoice(f"invented {s}", s, set_pa, 4.0, 0.0108) for s in shape.sites),
        circuits=tuple(circuits),
        curve=CURVE,
        water=WATER,
        band_low_pa=13e5,
        k=LossFactors() if draw.random() < 0.7 else LossFactors(6.0, 18.0, 9.0, 5.0),
    )
