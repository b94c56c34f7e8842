"""The contracted model at work: a bound from optimistic data, and the search's answer improved with safe
data."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from optimizer.errors import SolverLimit
from optimizer.progress import Progress, Report, Stop
from optimizer.runs.contracted import Contracted, contracted
from optimizer.runs.cuts import violated_cuts
from optimizer.runs.forest import Forest
from optimizer.runs.model import build, connect, laid_values, make_integral, start_values
from optimizer.runs.prepared import Prepared
from optimizer.runs.trees import tree_of
from optimizer.solver import Limits, solve

CUT_ROUNDS = 30
CUT_GAIN = 1e-3  # a round that adds less than this share of the bound is idle
IDLE_ROUNDS = 2  # idle rounds one after the other that end the cutting


@dataclass(frozen=True)
class Proof:
    """bound: no verified design of the class costs less, 0 where none was reached; forest: what the safe
    model found, None where nothing; status: of the safe model, "search" where it found nothing.
    """

    bound: float
    forest: Forest | None
    status: str


def prove(prepared: Prepared, forest: Forest, limits: Limits, report: Report, stop: Stop) -> Proof:
    """Bound the cost from below, and look for a better forest from the one given. limits: of each of the
    two solves."""
    hopeful, careful = contracted(prepared, safe=False), contracted(prepared, safe=True)
    if not (_servable(hopeful) and _servable(careful)):
        return Proof(0.0, None, "search")
    bound = _bound(hopeful, forest, limits, report, stop)
    model = build(careful)
    try:
        start = _start(model, careful, forest)
        outcome = solve(model, limits=limits, start=start, stage="run splits", report=report, stop=stop)
    except SolverLimit:
        return Proof(bound, None, "search")
    if outcome.incumbent is None:
        return Proof(bound, None, "search")
    return Proof(bound, forest_of_values(model, outcome.values), outcome.status)


def _bound(data: Contracted, forest: Forest, limits: Limits, report: Report, stop: Stop) -> float:
    """The optimistic model's bound: of its relaxation with connectivity cuts, then of the model within
    the limits."""
    model = build(data, relaxed=True)
    bound = relaxation_with_cuts(model, report, stop)
    make_integral(model)
    try:
        start = _start(model, data, forest)
        outcome = solve(model, limits=limits, start=start, stage="cost bound", report=report, stop=stop)
        bound = max(bound, outcome.bound)
    except SolverLimit:
        pass
    return max(0.0, bound) if math.isfinite(bound) else 0.0


def relaxation_with_cuts(model: Any, report: Report, stop: Stop) -> float:
    """Optimum of the relaxation after rounds of cuts, which stay in the model."""
    best, idle = -math.inf, 0
    for _ in range(CUT_ROUNDS):
        outcome = solve(model, stage="cost bound", stop=stop)
        if outcome.incumbent is None:
            return -math.inf
        idle = 0 if outcome.incumbent - best > CUT_GAIN * abs(outcome.incumbent) else idle + 1
        best = outcome.incumbent
        report(Progress("cost bound", bound=best, note=f"{len(model.connect)} connectivity cuts"))
        cuts = violated_cuts(model.data, laid_values(model, outcome.values))
        if not cuts or idle == IDLE_ROUNDS:
            break
        for cut in cuts:
            model.connect.add(connect(model, cut))
    return best


def _start(model: Any, data: Contracted, forest: Forest) -> Any:
    used = _used(data, forest)
    return None if used is None else start_values(model, *used, forest.owner)


def _servable(data: Contracted) -> bool:
    """Whether every nozzle has a tube in the data that could feed it: else the class holds no design."""
    group = [circuit.group for circuit in data.prepared.problem.circuits]
    fed = {(p.way // 2, group[p.circuit]) for p in data.passes if p.nozzles}
    fed |= {(t.way // 2, group[t.circuit]) for t in data.stubs}
    may_feed = data.prepared.may_feed
    return data.shares.keys() <= fed and all(any(may[k] for may in may_feed) for k in data.at_junctions)


def _used(data: Contracted, forest: Forest) -> tuple[set[int], set[int]] | None:
    """Passes and stubs of a forest, None where it is not of the class."""
    prepared = data.prepared
    pass_of = {(p.circuit, p.way, p.nozzles): a for a, p in enumerate(data.passes)}
    stub_of = {(t.circuit, t.way, t.pieces): i for i, t in enumerate(data.stubs)}
    passes: set[int] = set()
    stubs: set[int] = set()
    for c, circuit in enumerate(prepared.problem.circuits):
        for unit in tree_of(prepared, circuit.pump, forest.flags[c], forest.served[c]).units:
            way = prepared.segments.ways[unit.way]
            fed = [p for p in way.points[1 : unit.pieces + 1] if p != way.end and forest.served[c][p]]
            if unit.pieces == len(way.pieces):
                found, kept = pass_of.get((c, unit.way, len(fed))), passes
            else:
                found, kept = stub_of.get((c, unit.way, unit.pieces)), stubs
                if found is not None and data.stubs[found].nozzles != len(fed):
                    return None
            if found is None:
                return None
            kept.add(found)
    return passes, stubs


def forest_of_values(model: Any, values: Mapping[Any, float]) -> Forest:
    """The forest that a solution describes."""
    data: Contracted = model.data
    prepared = data.prepared
    ways, nozzle = prepared.segments.ways, prepared.nozzle
    forest = Forest(prepared)
    laid = sorted({a for a, d in model.X if values.get(model.X[a, d], 0.0) > 0.5})
    ended = sorted({t for t, d in model.W if values.get(model.W[t, d], 0.0) > 0.5})
    tubes = [(data.passes[a].circuit, ways[data.passes[a].way], None, data.passes[a].nozzles) for a in laid]
    for circuit, way, pieces, nozzles in [
        *tubes,
        *((s.circuit, ways[s.way], s.pieces, s.nozzles) for s in (data.stubs[t] for t in ended)),
    ]:
        forest.lay(circuit, way.pieces[:pieces])
        group = prepared.problem.circuits[circuit].group
        own = [
            nozzle[p]
            for p in way.points[1:-1]
            if nozzle[p] >= 0 and prepared.problem.group[nozzle[p]] == group
        ]
        for k in own[:nozzles]:
            forest.give(k, circuit)
    for c, k in model.o:
        if values.get(model.o[c, k], 0.0) > 0.5:
            forest.give(k, c)
    return forest
