"""A trial's trees carried over to other positions: what its tubing still leads to after some nozzles went, and to new
ones that stand along it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

import numpy as np

from optimizer.placement.problem import FloatArray
from optimizer.runs.layout import Layout as Ground
from optimizer.runs.plan import CircuitPlan, PieceUse, RunPlan
from optimizer.runs.problem import RunProblem
from optimizer.solve.assemble import Layout

TOUCH_M = 1e-4  # of a piece that may lie beside the ways, for rounding


Ways = dict[int, list[tuple[float, float]]]  # stretches of each corridor edge, by hydraulic length along it


def ways_of(made: Layout) -> list[Ways]:
    """What each circuit's tubing lies along; stubs left out."""
    start, end = spans(made.problem.layout)
    edge = made.problem.layout.edge
    found: list[Ways] = []
    for plan in made.plan.circuits:
        own: Ways = defaultdict(list)
        for piece in sorted({use.piece for use in plan.pieces if edge[use.piece] >= 0}):
            own[int(edge[piece])].append((float(start[piece]), float(end[piece])))
        found.append(own)
    return found


def carried(made: Layout, ways: Sequence[Ways], chosen: Sequence[int], problem: RunProblem) -> RunPlan | None:
    """A plan to start a run split from: trees along ways, on the pieces of another problem with the same circuits.

    made: the layout whose circuits keep their nozzles; chosen: candidates of the problem's nozzles. Sizes and costs are
    left open. None where the ways do not lead to every nozzle.
    """
    laid = [laid_pieces(own, problem.layout) for own in ways]
    owner = _owners(made, chosen, problem, laid)
    if owner is None:
        return None
    circuits = []
    for index, plan in enumerate(made.plan.circuits):
        served = tuple(k for k, c in enumerate(owner) if c == index)
        uses = _tree(problem, plan.pump, [*laid[index], *_stubs(problem, served)], served)
        if uses is None:
            return None
        circuits.append(CircuitPlan(plan.circuit, plan.pump, plan.group, served, uses))
    return RunPlan(tuple(circuits), 0.0, 0.0, 0.0, "", "search")


def laid_pieces(ways: Ways, ground: Ground) -> list[int]:
    """Pieces of a cut of the corridors that lie wholly along ways; stubs left out."""
    start, end = spans(ground)
    laid = []
    for piece, edge in enumerate(ground.edge.tolist()):
        a, b = float(start[piece]), float(end[piece])
        along = sum(max(0.0, min(b, d) - max(a, c)) for c, d in ways.get(edge, ()))
        if edge >= 0 and edge in ways and along >= b - a - TOUCH_M:
            laid.append(piece)
    return laid


def spans(ground: Ground) -> tuple[FloatArray, FloatArray]:
    """[E]: hydraulic length of a piece's edge before the piece and after it; pieces of an edge follow each other."""
    end, so_far = np.zeros(ground.pieces), defaultdict[int, float](float)
    for piece, edge in enumerate(ground.edge.tolist()):
        so_far[edge] += float(ground.length_m[piece])
        end[piece] = so_far[edge]
    return end - ground.length_m, end


def _owners(
    made: Layout, chosen: Sequence[int], problem: RunProblem, laid: Sequence[Sequence[int]]
) -> list[int] | None:
    """Circuit of each nozzle: its own, or for a new one the first along whose tubing it stands and that has room."""
    before = {made.chosen[k]: c for c, plan in enumerate(made.plan.circuits) for k in plan.served}
    owner = [before.get(j, -1) for j in chosen]
    room = [circuit.nozzles_at_most - owner.count(c) for c, circuit in enumerate(problem.circuits)]
    touched = [touched_points(problem.layout, pieces) for pieces in laid]
    stubs = np.flatnonzero(problem.layout.edge < 0)
    stub_from = {int(problem.layout.head[e]): int(problem.layout.tail[e]) for e in stubs}
    for k in (k for k, c in enumerate(owner) if c < 0):
        point = int(problem.layout.nozzle_point[k])
        spots = {point, stub_from.get(point, point)}
        fit = [
            c
            for c, circuit in enumerate(problem.circuits)
            if circuit.group == problem.group[k] and room[c] > 0 and spots & touched[c]
        ]
        if not fit:
            return None
        owner[k] = fit[0]
        room[fit[0]] -= 1
    return owner


def touched_points(ground: Ground, pieces: Sequence[int]) -> set[int]:
    """Points at the ends of pieces."""
    return {int(p) for e in pieces for p in (ground.tail[e], ground.head[e])}


def _stubs(problem: RunProblem, served: Sequence[int]) -> Iterator[int]:
    ground = problem.layout
    points = {int(ground.nozzle_point[k]) for k in served}
    return (int(e) for e in np.flatnonzero(ground.edge < 0) if int(ground.head[e]) in points)


def _tree(
    problem: RunProblem, pump: int, pieces: Sequence[int], served: Sequence[int]
) -> tuple[PieceUse, ...] | None:
    """The pieces that lead from the outlet to the nozzles, parents first; None where they do not."""
    ground = problem.layout
    near: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for e in pieces:
        a, b = int(ground.tail[e]), int(ground.head[e])
        near[a].append((e, b))
        near[b].append((e, a))
    root = problem.outlet_point(pump)
    led: dict[int, tuple[int, int]] = {root: (-1, -1)}
    order = [root]
    for point in order:
        for e, onward in near[point]:
            if onward not in led:
                led[onward] = (e, point)
                order.append(onward)
    needed: set[int] = set()
    for k in served:
        point = int(ground.nozzle_point[k])
        if point not in led:
            return None
        while point != root and point not in needed:
            needed.add(point)
            point = led[point][1]
    return tuple(PieceUse(led[p][0], led[p][1], p, 0, 0, 0.0) for p in order if p in needed)
