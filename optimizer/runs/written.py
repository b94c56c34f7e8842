"""Forests written down as plans, and plans read back as forests."""

from __future__ import annotations

from optimizer.runs.forest import Forest
from optimizer.runs.plan import CircuitPlan, PieceUse, RunPlan
from optimizer.runs.prepared import Prepared
from optimizer.runs.sizing import SizedUnit, Sizer


def plan_of(prepared: Prepared, forest: Forest, sizes: tuple[int, ...]) -> RunPlan:
    """The plan of a forest that can be fed, sized exactly at least cost with the given sizes; no bound
    yet."""
    sizer = Sizer(prepared, sizes)
    circuits, tubing_cost = [], 0.0
    for c, circuit in enumerate(prepared.problem.circuits):
        sized = sizer.sized(circuit.pump, forest.flags[c], forest.served[c])
        uses = _uses(prepared, sized)
        served = [prepared.nozzle[p] for p in _points(prepared, sized) if forest.served[c][p]]
        circuits.append(CircuitPlan(c, circuit.pump, circuit.group, tuple(served), uses))
        length = prepared.problem.layout.length_m
        tubing_cost += sum(
            float(length[use.piece]) * prepared.problem.tubing[use.tubing].cost_per_m for use in uses
        )
    return RunPlan(tuple(circuits), tubing_cost, forest.trench_cost(), 0.0, "", "search")


def _points(prepared: Prepared, sized: list[SizedUnit]) -> list[int]:
    """Points in the order of the pieces that lead to them."""
    ways = prepared.segments.ways
    return [p for s in sized for p in ways[s.unit.way].points[1 : s.unit.pieces + 1]]


def _uses(prepared: Prepared, sized: list[SizedUnit]) -> tuple[PieceUse, ...]:
    segments, runs = prepared.segments, _runs(sized)
    uses = []
    for s, run in zip(sized, runs, strict=True):
        way = segments.ways[s.unit.way]
        for i in range(s.unit.pieces):
            start, end = segments.point[way.points[i]], segments.point[way.points[i + 1]]
            uses.append(PieceUse(segments.piece[way.pieces[i]], start, end, s.size, run, s.minor_k[i]))
    return tuple(uses)


def _runs(sized: list[SizedUnit]) -> list[int]:
    """Run of each unit: 0 up to the first branching, 1, 2, ... for what each branch there feeds."""
    kids: dict[int, list[int]] = {}
    for u, s in enumerate(sized):
        kids.setdefault(s.unit.parent, []).append(u)
    at = -1
    while len(kids.get(at, [])) == 1:
        at = kids[at][0]
    branch = {u: n for n, u in enumerate(kids.get(at, []), start=1)}
    runs: list[int] = []
    for u, s in enumerate(sized):
        parent = s.unit.parent
        runs.append(branch.get(u, runs[parent] if parent >= 0 else 0))
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
