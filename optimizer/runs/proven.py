"""The contracted model at work: a bound from optimistic data, and the search's answer improved with safe
data."""

from __future__ import annotations

import math
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from optimizer.errors import SolverLimit
from optimizer.progress import Progress, Report, Stop
from optimizer.runs.contracted import Contracted, contracted
from optimizer.runs.cuts import violated_cuts
from optimizer.runs.forest import Forest
from optimizer.runs.model import build, connect, make_integral, start_values
from optimizer.runs.prepared import Prepared
from optimizer.runs.trees import tree_of
from optimizer.solver import Limits, solve

TUBES_MOST = 1000  # 0-1 variables beyond which branch and bound adds too little for its time
CUT_ROUNDS = 30
CUT_WORK = 12_000  # rounds of cuts times 0-1 variables, at most: a relaxation of 5,000 takes seconds
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
    """Bound the cost from below, and look for a better forest than the one given, which must feed every
    nozzle.

    limits: of each of the two branch-and-bound solves. They are left out on models too large for them to
    help, the safe one also where the forest is not of its class: without a start it finds nothing as
    good.
    """
    bound = _bound(contracted(prepared, safe=False), forest, limits, report, stop)
    careful = contracted(prepared, safe=True)
    used = _used(careful, forest)
    if used is None or _tubes(careful) > TUBES_MOST:
        return Proof(bound, None, "search")
    model = build(careful)
    start = start_values(model, *used, forest.owner)
    try:
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
    if _tubes(data) <= TUBES_MOST:
        make_integral(model)
        used = _used(data, forest)
        start = None if used is None else start_values(model, *used, forest.owner)
        with suppress(SolverLimit):
            outcome = solve(model, limits=limits, start=start, stage="cost bound", report=report, stop=stop)
            bound = max(bound, outcome.bound)
    return max(0.0, bound) if math.isfinite(bound) else 0.0


def relaxation_with_cuts(model: Any, report: Report, stop: Stop) -> float:
    """Optimum of the relaxation after rounds of cuts, which stay in the model; -inf where none was
    reached."""
    best, idle = -math.inf, 0
    for _ in range(max(1, min(CUT_ROUNDS, CUT_WORK // _tubes(model.data)))):
        try:
            outcome = solve(model, stage="cost bound", stop=stop)
        except SolverLimit:  # stopped
            return best
        if outcome.status != "optimal" or outcome.incumbent is None:  # a stop leaves a value that bounds nothing
            return best
        idle = 0 if outcome.incumbent - best > CUT_GAIN * abs(outcome.incumbent) else idle + 1
        best = outcome.incumbent
        report(Progress("cost bound", bound=best, note=f"{len(model.connect)} connectivity cuts"))
        cuts = violated_cuts(model.data, laid_values(model, outcome.values))
        if not cuts or idle == IDLE_ROUNDS:
            break
        for cut in cuts:
            model.connect.add(connect(model, cut))
    return best


def laid_values(model: Any, values: Mapping[Any, float]) -> dict[int, float]:
    """Value of each pass in a solution, all sizes together."""
    sizes = range(len(model.data.prepared.sizes))
    return {a: sum(values[model.X[a, d]] for d in sizes) for a in range(len(model.data.passes))}


def _tubes(data: Contracted) -> int:
    """0-1 variables for tubes."""
    return (len(data.passes) + len(data.stubs)) * len(data.prepared.sizes)


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
