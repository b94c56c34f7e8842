"""The contracted model at work: a bound from optimistic data, and the search's answer improved with safe
data."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from optimizer.errors import SolverError, SolverLimit
from optimizer.progress import Progress, Report, Stop, relative_gap
from optimizer.runs.contracted import Contracted, contracted
from optimizer.runs.cuts import violated_cuts
from optimizer.runs.forest import Forest
from optimizer.runs.model import add_cuts, build, start_values, tube_values, whole
from optimizer.runs.plan import RunPlan
from optimizer.runs.prepared import Prepared
from optimizer.runs.trees import tree_of
from optimizer.solver import Limits, Relaxation, Relaxed, solve

TUBES_MOST = 500  # choices of tubes beyond which branch and bound on the safe model adds too little for its time
CUT_ROUNDS = 40
CUT_GAIN = 3e-4  # a round that adds less than this share of the bound is idle
FIRST_EFFORT = 200  # interrupt checks of a first turn of branch and bound
MORE_EFFORT = 3
STEP = 0.5  # share of the way from a bound to the cost that is known, at which a turn aims
TRACE = 1e-9
IDLE_ROUNDS = 3  # idle rounds one after the other that end the cutting


@dataclass(frozen=True)
class Proof:
    """bound: no verified design of the class costs less, 0 where none was reached; forest: what the safe
    model found, None where nothing; status: of the safe model, "search" where it found nothing.
    """

    bound: float
    forest: Forest | None
    status: str


def prove(prepared: Prepared, forest: Forest, plan: RunPlan, limits: Limits, report: Report, stop: Stop) -> Proof:
    """Bound the cost from below, and look for a better forest than the one given, that of the plan, which must feed
    every nozzle.

    limits: of branch and bound, over all its solves. On the safe model it is left out where that is too large for it
    to help, or the forest is not of its class: without a start it finds nothing as good.
    """
    bound = cost_bound(prepared, plan.cost, limits, report, stop)
    used_sizes = {use.tubing for circuit in plan.circuits for use in circuit.pieces}
    careful = contracted(prepared, sorted(used_sizes), safe=True)
    used = _used(careful, forest)
    if used is None or careful.tubes > TUBES_MOST:
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


def size_sets(prepared: Prepared) -> list[tuple[int, ...]]:
    """The largest sets of tubing sizes that the problem allows."""
    count = len(prepared.problem.tubing)
    return list(combinations(range(count), max(1, min(prepared.problem.sizes_at_most, count))))


@dataclass
class _Set:
    """The optimistic model of one set of sizes, and the bound that it has reached; effort: interrupt checks that its
    next turn of branch and bound takes; done: no work would raise the bound."""

    model: Any
    relaxation: Relaxation
    bound: float = 0.0
    effort: int = FIRST_EFFORT
    done: bool = False


def cost_bound(prepared: Prepared, known: float, limits: Limits, report: Report, stop: Stop) -> float:
    """What no verified design of the class undercuts; known: cost of one. 0 where a stop came too soon.

    Each set of sizes is bounded by itself, and no further than the cost that is known: first by its relaxation with
    cuts, then by branch and bound, again and again the set of the least bound. A turn shows that nothing costs less
    than its aim, which is far less work than to find what costs least; one that does not end gets more work the next
    time. limits: of branch and bound, all turns together. Where HiGHS breaks down what is proven so far stays.
    """
    sets: list[_Set] = []

    def told(progress: Progress) -> None:
        reached = min(known, *(one.bound for one in sets)) if len(sets) == len(choices) else None
        gap = None if reached is None else relative_gap(known, reached)
        report(replace(progress, incumbent=known, bound=reached, gap=gap))

    choices = size_sets(prepared)
    for sizes in choices:
        model = build(contracted(prepared, sizes, safe=False), relaxed=True)
        one = _Set(model, Relaxation(model, known=known, stage="cost bound", stop=stop))
        one.bound = cut_bound(model, one.relaxation, known, told)
        sets.append(one)
    left = math.inf if limits.checks is None else limits.checks
    enough = known * (1.0 - limits.gap)
    while left > 0 and not stop():
        one = min(sets, key=lambda one: one.bound)
        if one.done or one.bound >= enough:
            break
        turn = replace(limits, checks=int(min(left, one.effort)))
        aim = min(enough, one.bound + STEP * (known - one.bound)) if one.bound > 0.0 else enough
        try:
            found = one.relaxation.branch(whole(one.model), aim, turn, told)
        except SolverError:
            break
        one.bound, one.done = max(one.bound, found.bound), found.optimum
        if found.bound < aim:
            one.effort *= MORE_EFFORT
        left -= max(1, found.checks)
        told(Progress("cost bound"))
    return max(0.0, min(known, *(one.bound for one in sets)))


def cut_bound(model: Any, relaxation: Relaxation, known: float, report: Report) -> float:
    """Optimum of the relaxation after rounds of cuts, which stay in it; -inf where a stop came before the first. Ends
    beyond a cost that is known, and where HiGHS breaks down."""
    best, idle = -math.inf, 0
    for _ in range(CUT_ROUNDS):
        try:
            found = relaxation.solve()
        except SolverError:
            return best
        if found is None:
            return best
        idle = 0 if found.value - best > CUT_GAIN * abs(found.value) else idle + 1
        best = max(best, found.value)
        report(Progress("cost bound", bound=best, note=f"{len(model.connect)} cuts"))
        if best > known or math.isinf(best):
            return best
        bar(model, relaxation, found, known)
        if idle == IDLE_ROUNDS:
            return best
        cuts = violated_cuts(model.data, tube_values(model, found.values))
        if not cuts:
            return best
        rows = add_cuts(model, cuts)
        if rows is None:
            return math.inf
        relaxation.add(rows)
    return best


def bar(model: Any, relaxation: Relaxation, found: Relaxed, known: float) -> None:
    """Bar each tube whose reduced cost alone lifts the relaxation beyond the cost that is known."""
    for variable in whole(model):
        if found.values[variable] < TRACE and found.reduced[variable] > known - found.value:
            relaxation.narrow(variable, 0.0, 0.0)


def _used(data: Contracted, forest: Forest) -> tuple[set[int], set[int]] | None:
    """Passes and stubs of a forest in safe data, None where it is not of their class."""
    prepared = data.prepared
    pass_of = {(p.layer, p.way, p.nozzles): a for a, p in enumerate(data.passes)}
    stub_of = {(t.layer, t.way, t.pieces): i for i, t in enumerate(data.stubs)}
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
    """The forest that a solution of a safe model describes."""
    data: Contracted = model.data
    prepared = data.prepared
    ways, nozzle = prepared.segments.ways, prepared.nozzle
    forest = Forest(prepared)
    laid = sorted({a for a, d in model.X if values.get(model.X[a, d], 0.0) > 0.5})
    ended = sorted({t for t, d in model.W if values.get(model.W[t, d], 0.0) > 0.5})
    tubes = [(data.passes[a].layer, ways[data.passes[a].way], None, data.passes[a].nozzles) for a in laid]
    for circuit, way, pieces, nozzles in [
        *tubes,
        *((s.layer, ways[s.way], s.pieces, s.nozzles) for s in (data.stubs[t] for t in ended)),
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
