"""One verb: a run problem split into circuits, trees and tubing sizes.

First forests, a search over trees at the most promising sets of sizes, an exact sizing, and on request
the contracted model, which improves the answer and bounds it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from hydraulics.units import show_both
from optimizer.errors import Unfed
from optimizer.progress import Progress, Report, Stop, never, silent
from optimizer.runs.budget import budget_pressures_pa
from optimizer.runs.contracted import CLASS
from optimizer.runs.distances import Distances, distances, price
from optimizer.runs.forest import Forest
from optimizer.runs.plan import RunPlan
from optimizer.runs.prepared import Prepared, prepare
from optimizer.runs.problem import RunProblem
from optimizer.runs.proven import prove
from optimizer.runs.sizing import Sizer
from optimizer.runs.start import nozzle_place, starts
from optimizer.runs.topology import Value, rows_of, search, value_of
from optimizer.runs.written import forest_of, plan_of
from optimizer.solver import Limits

GRID_SHARE = 1 / 2000  # grid of pressure needs, as a share of set pressure less band
FINALISTS = 3  # first forests that are looked at with every set of sizes
SHORT_RUN = 400  # evaluations of a short search
SHORT_RUNS = 4  # short searches before the long one, at most
SHORT_SHARE = 0.4  # share of all evaluations that short searches get, at most


@dataclass(frozen=True)
class _Found:
    """A forest, the sizer with whose sizes it was valued, and the value."""

    value: Value
    sizer: Sizer
    forest: Forest


def split(
    problem: RunProblem,
    *,
    seed: int = 0,
    evaluations: int = 4000,
    limits: Limits | None = None,
    start: RunPlan | None = None,
    report: Report = silent,
    stop: Stop = never,
) -> RunPlan:
    """The cheapest run split found: every nozzle fed by one circuit of its group, its need of pressure met.

    evaluations: sized forests to look at, the only limit of the search; limits: of the contracted model,
    None to leave it out; start: a plan of the same layout, nozzles and circuits to start from as well.
    The same arguments give the same plan unless `stop` fires or limits hold seconds. Raises NoDesign
    where a nozzle cannot be reached, the circuits have too little room, or no tree was found that keeps
    every nozzle above the band's low edge.
    """
    prepared = prepare(problem)
    sizers = _sizers(prepared)
    if not problem.nozzles:
        return plan_of(prepared, Forest(prepared), sizers[0].sizes)
    both = distances(prepared, price(prepared, True)), distances(prepared, price(prepared, False))
    forests = [] if start is None else [forest_of(prepared, start)]
    forests += starts(prepared, both)
    found = _first_look(prepared, sizers, forests)
    best = _searched(found, sizers, both, seed, evaluations, report, stop)
    if best.value.short_pa > 0.0:
        best = _searched([best], sizers, both, seed + 1, evaluations, report, stop)
    if best.value.short_pa > 0.0:  # perhaps only by the search's grid, which rounds needs up
        best = _valued(Sizer(prepared, best.sizer.sizes), best.forest)
    if best.value.short_pa > 0.0:
        raise _short(prepared, best)
    plan = plan_of(prepared, best.forest, _best_sizes(prepared, sizers, best.forest))
    return plan if limits is None else _proven(prepared, sizers, best.forest, plan, limits, report, stop)


def _proven(
    prepared: Prepared,
    sizers: list[Sizer],
    forest: Forest,
    plan: RunPlan,
    limits: Limits,
    report: Report,
    stop: Stop,
) -> RunPlan:
    """The plan, or a cheaper one that the contracted model found, with the bound and status of that
    model."""
    proof = prove(prepared, forest, plan, limits, report, stop)
    if proof.forest is not None:
        sizes = _best_sizes(prepared, sizers, proof.forest)
        if _valued(Sizer(prepared, sizes), proof.forest).value.short_pa <= 0.0:
            plan = min(plan, plan_of(prepared, proof.forest, sizes), key=lambda p: p.cost)
    return replace(
        plan, cost_bound=proof.bound, bound_class=CLASS if proof.bound > 0.0 else "", status=proof.status
    )


def _sizers(prepared: Prepared) -> list[Sizer]:
    """A sizer for every largest set of sizes that the problem allows."""
    problem = prepared.problem
    count = len(problem.tubing)
    most = max(1, min(problem.sizes_at_most, count))
    span = max(p.set_pressure_pa for p in problem.pumps) - problem.band_low_pa
    return [Sizer(prepared, sizes, max(1.0, span * GRID_SHARE)) for sizes in combinations(range(count), most)]


def _best_sizes(prepared: Prepared, sizers: list[Sizer], forest: Forest) -> tuple[int, ...]:
    """The set of sizes that feeds a forest at least cost, without the search's grid."""
    exact = [_valued(Sizer(prepared, sizer.sizes), forest) for sizer in sizers]
    return min(exact, key=lambda f: f.value.order).sizer.sizes


def _first_look(prepared: Prepared, sizers: list[Sizer], forests: list[Forest]) -> list[_Found]:
    """The most promising forests, each with every set of sizes, best first.

    All are valued with all sizes on offer, which no set of sizes beats; only the best of them with every
    set.
    """
    problem = prepared.problem
    every = Sizer(prepared, range(len(problem.tubing)), sizers[0].grid_pa * 10)
    ranked = sorted(range(len(forests)), key=lambda i: _valued(every, forests[i]).value.order)
    found = [_valued(sizer, forests[i]) for i in ranked[:FINALISTS] for sizer in sizers]
    return sorted(found, key=lambda f: f.value.order)


def _valued(sizer: Sizer, forest: Forest) -> _Found:
    return _Found(value_of(forest, rows_of(sizer, forest)), sizer, forest)


def _searched(
    found: Sequence[_Found],
    sizers: list[Sizer],
    both: tuple[Distances, Distances],
    seed: int,
    evaluations: int,
    report: Report,
    stop: Stop,
) -> _Found:
    """Short searches from the best, then a long one from the best of those."""

    def run(start: _Found, seed: int, evaluations: int) -> _Found:
        def watch(done: int, best: Value) -> bool:
            note = f"{done} run splits looked at"
            report(Progress("run splits", incumbent=None if best.short_pa > 0.0 else best.cost, note=note))
            return not stop()

        forest, _ = search(start.forest, start.sizer, both, seed=seed, evaluations=evaluations, watch=watch)
        return min((_valued(sizer, forest) for sizer in sizers), key=lambda f: f.value.order)

    first = {f.sizer.sizes: f for f in reversed(found)}  # the best forest of every set of sizes
    ranked = sorted(first.values(), key=lambda f: f.value.order)
    runs = min(SHORT_RUNS, len(ranked), int(evaluations * SHORT_SHARE) // SHORT_RUN)
    tried = [run(ranked[i], seed + i, SHORT_RUN) for i in range(runs)]
    best = min([*tried, found[0]], key=lambda f: f.value.order)
    last = run(best, seed + runs, evaluations - runs * SHORT_RUN)
    return min(best, last, key=lambda f: f.value.order)


def _short(prepared: Prepared, best: _Found) -> Unfed:
    """The refusal that names the nozzle left with the least pressure in the widest tubing."""
    problem = prepared.problem
    widest = max(range(len(problem.tubing)), key=lambda i: problem.tubing[i].bore_m)
    plan = plan_of(prepared, best.forest, (widest,))
    pressures = budget_pressures_pa(problem, plan)
    worst = int(np.nanargmin(pressures))
    return Unfed(
        "band",
        f"{nozzle_place(prepared, worst)} gets {show_both(float(pressures[worst]), 'pressure')} of the "
        f"{show_both(problem.band_low_pa, 'pressure')} it needs even with the widest tubing "
        f"({problem.tubing[widest].name}): "
        "raise the set pressure, offer wider tubing, place the pump nearer, or feed fewer nozzles",
        worst,
    )
