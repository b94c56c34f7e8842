"""Forests written down as plans, and plans read back as forests."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.runs.flat import Flat
from optimizer.runs.forest import Forest, forest_of_state
from optimizer.runs.plan import CircuitPlan, PieceUse, RunPlan
from optimizer.runs.prepared import Prepared
from optimizer.runs.sizing import new_sizing, sized
from optimizer.runs.state import State
from optimizer.runs.trees import Tree, tree_of

EXACT_ROOM = 1 << 14  # labels of a list where sizes are read back: more than any list met


def plan_of(prepared: Prepared, flat: Flat, state: State, sizes: tuple[int, ...]) -> RunPlan:
    """The plan of a forest that can be fed, sized exactly at least cost with the given sizes; no bound yet."""
    forest = forest_of_state(prepared, state)
    work = new_sizing(flat, sizes, EXACT_ROOM, 1)
    circuits, tubing_cost = [], 0.0
    for c in range(len(prepared.problem.circuits)):
        size = np.zeros(len(flat.ends), dtype=np.int64)
        tubing_cost += sized(flat, state, c, work, size)
        circuits.append(circuit_plan(prepared, c, forest.flags[c], forest.served[c], size.tolist()))
    return RunPlan(tuple(circuits), tubing_cost, forest.trench_cost(), 0.0, "", "search")


def circuit_plan(
    prepared: Prepared, circuit: int, flags: bytes | bytearray, served: bytes | bytearray, size: Sequence[int]
) -> CircuitPlan:
    """A circuit's tree with a size for each piece; flags, size: by piece, served: by point."""
    given = prepared.problem.circuits[circuit]
    tree = tree_of(prepared, given.pump, flags, served)
    fed = tuple(prepared.nozzle[p] for p in _points(prepared, tree) if served[p])
    return CircuitPlan(circuit, given.pump, given.group, fed, _uses(prepared, tree, served, size))


def _points(prepared: Prepared, tree: Tree) -> list[int]:
    """Points in the order of the pieces that lead to them."""
    ways = prepared.segments.ways
    return [p for unit in tree.units for p in ways[unit.way].points[1 : unit.pieces + 1]]


def _uses(
    prepared: Prepared, tree: Tree, served: bytes | bytearray, size: Sequence[int]
) -> tuple[PieceUse, ...]:
    segments, uses = prepared.segments, []
    for u, (unit, run) in enumerate(zip(tree.units, _runs(tree), strict=True)):
        way, factors = segments.ways[unit.way], tree.minor_k(prepared, u, served)
        for i, e in enumerate(way.pieces[: unit.pieces]):
            start, end = segments.point[way.points[i]], segments.point[way.points[i + 1]]
            uses.append(PieceUse(segments.piece[e], start, end, size[e], run, factors[i]))
    return tuple(uses)


def _runs(tree: Tree) -> list[int]:
    """Run of each unit: 0 up to the first branching, 1, 2, ... for what each branch there feeds."""
    branches = tree.top
    while len(branches) == 1:
        branches = tree.kids[branches[0]]
    number = {u: n for n, u in enumerate(branches, start=1)}
    runs: list[int] = []
    for u, unit in enumerate(tree.units):
        runs.append(number.get(u, runs[unit.parent] if unit.parent >= 0 else 0))
    return runs


def forest_of(prepared: Prepared, plan: RunPlan) -> Forest:
    """The forest of a plan of the same layout, nozzles and circuits."""
    number = {e: i for i, e in enumerate(prepared.segments.piece)}
    forest = Forest(prepared)
    for circuit in plan.circuits:
        forest.lay(circuit.circuit, [number[use.piece] for use in circuit.pieces])
        for k in circuit.served:
            forest.give(k, circuit.circuit)
    return forest
