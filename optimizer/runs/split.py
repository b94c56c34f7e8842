"""One verb: a run problem split into circuits, trees and tubing sizes.

First forests, a race of sets of sizes, an exact sizing, and on request the contracted model, which improves
the answer and bounds it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hydraulics.units import show_both
from optimizer.errors import NoDesign, Unfed
from optimizer.progress import Progress, Report, Stop, never, silent
from optimizer.runs.budget import budget_pressures_pa
from optimizer.runs.compiled import is_compiled
from optimizer.runs.contracted import CLASS
from optimizer.runs.distances import distances, price
from optimizer.runs.faults import run_fault
from optimizer.runs.flat import Flat, flat
from optimizer.runs.forest import forest_of_state, state_of
from optimizer.runs.plan import RunPlan
from optimizer.runs.prepared import Prepared, prepare
from optimizer.runs.problem import RunProblem
from optimizer.runs.proven import prove
from optimizer.runs.race import Found, Race, Watch
from optimizer.runs.start import nozzle_place, starts
from optimizer.runs.state import empty_state
from optimizer.runs.written import forest_of, plan_of
from optimizer.solver import Limits


def split(
    problem: RunProblem,
    *,
    seed: int = 0,
    evaluations: int = 20_000,
    limits: Limits | None = None,
    start: RunPlan | None = None,
    report: Report = silent,
    stop: Stop = never,
) -> RunPlan:
    """The cheapest run split found: every nozzle fed by one circuit of its group, its need of pressure met.

    evaluations: sized forests to look at, the only limit of the search; limits: of the contracted model,
    None to leave it out; start: a plan of the same layout, nozzles and circuits to start from as well: the
    answer costs no more than it where it keeps the rules. The same arguments give the same plan unless
    `stop` fires or limits hold seconds. Raises NoDesign where a nozzle cannot be reached, the circuits have
    too little room, or no forest was found that keeps every nozzle above the band's low edge and the run
    rules.
    """
    prepared = prepare(problem)
    both = distances(prepared, price(prepared, True)), distances(prepared, price(prepared, False))
    arrays = flat(prepared, both)
    sets = list(problem.size_sets)
    if not problem.nozzles:
        return plan_of(prepared, arrays, empty_state(arrays), sets[0])
    if not is_compiled():
        report(Progress("compile", note="the first search on this machine compiles its inner loops, about a minute"))
    given = [] if start is None else [state_of(arrays, forest_of(prepared, start))]
    race = Race(arrays, sets, _watch(report, stop))
    states = [*given, *starts(prepared, arrays, both)]
    best = race.run(states, seed, evaluations)
    if best.fault > 0.0 and not stop():
        best = min(race.run([best.state, *states], seed + 500, evaluations), best, key=lambda found: found.order)
    best = race.exact([best.state, *given])
    if best.fault > 0.0:
        raise _refusal(prepared, arrays, best)
    plan = plan_of(prepared, arrays, best.state, best.sizes)
    return plan if limits is None else _proven(prepared, arrays, race, best, plan, limits, report, stop)


def _watch(report: Report, stop: Stop) -> Watch:
    def watch(done: int, best: Found) -> bool:
        note = f"{done} run splits looked at"
        report(Progress("run splits", incumbent=None if best.fault > 0.0 else best.cost, note=note))
        return not stop()

    return watch


def _proven(
    prepared: Prepared,
    arrays: Flat,
    race: Race,
    best: Found,
    plan: RunPlan,
    limits: Limits,
    report: Report,
    stop: Stop,
) -> RunPlan:
    """The plan, or a cheaper one that the contracted model found, with the bound and status of that
    model."""
    proof = prove(prepared, forest_of_state(prepared, best.state), plan, limits, report, stop)
    if proof.forest is not None:
        found = race.exact([state_of(arrays, proof.forest)])
        if found.fault <= 0.0:
            plan = min(plan, plan_of(prepared, arrays, found.state, found.sizes), key=lambda p: p.cost)
    return replace(
        plan, cost_bound=proof.bound, bound_class=CLASS if proof.bound > 0.0 else "", status=proof.status
    )


def _refusal(prepared: Prepared, arrays: Flat, best: Found) -> NoDesign:
    """Why even the best forest found breaks a rule: pressure in the widest tubing first, then the run rules."""
    problem = prepared.problem
    widest = max(range(len(problem.tubing)), key=lambda i: problem.tubing[i].bore_m)
    plan = plan_of(prepared, arrays, best.state, (widest,))
    pressures = budget_pressures_pa(problem, plan)
    worst = int(np.nanargmin(pressures))
    broken = run_fault(problem, plan)
    if broken is not None and pressures[worst] >= problem.band_low_pa:
        return NoDesign(broken.rule, str(broken))
    return Unfed(
        "band",
        f"no run split was found: {nozzle_place(prepared, worst)} gets "
        f"{show_both(float(pressures[worst]), 'pressure')} of the "
        f"{show_both(problem.band_low_pa, 'pressure')} it needs even with the widest tubing "
        f"({problem.tubing[widest].name}): "
        "raise the set pressure, offer wider tubing, place the pump nearer, or feed fewer nozzles",
        worst,
    )
