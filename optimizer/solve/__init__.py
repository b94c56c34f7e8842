"""One verb: an instance solved to a verified, priced design.

Placement for coverage, run splits for the positions placed, verification by the full nonlinear state, repair and
refill; the best verified design is kept. Nothing here knows of files or screens.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from hydraulics.units import show, show_both
from optimizer.design import Design
from optimizer.errors import NoDesign, SolverError
from optimizer.instance import Candidates, Instance
from optimizer.progress import Progress, Report, Stop, relative_gap
from optimizer.runs.plan import RunPlan
from optimizer.solve.arranged import arrangements, bound_of
from optimizer.solve.calmed import NO_LIMITS, Calm, drift_cost, drift_points
from optimizer.solve.clock import Clock
from optimizer.solve.conflict import resolved
from optimizer.solve.held import held
from optimizer.solve.looped import looped
from optimizer.solve.narrowed import slimmed
from optimizer.solve.posed import near_points, placement_problem
from optimizer.solve.priced import Priced, priced
from optimizer.solve.rounds import Kept
from optimizer.solve.trade.frontier import Point
from optimizer.solve.trade.traded import Joint, Traded, traded
from optimizer.solve.trial import Feeder, Trial
from optimizer.solve.worked import Task, Worked, work_out

BOUND_TOLERANCE = 1e-6  # relative, of rounding in a bound
NO_LOOP = "closed loops were tried on every circuit: none lowers the cost"
LOOPS_AND_TOLERANCES = "no closed loops are tried where tolerances are stated: yields are sampled on trees"
LOOPS_AND_STEPS = (
    "what binds, what steps of relief buy and what is saved against work by hand is told of the tubing before loops "
    "were closed; bounds of its cost are left out"
)


@dataclass(frozen=True)
class SolveSettings:
    """Relative gap at which a placement is good enough, seconds for the whole solve (None: no limit), seed, points of
    the frontier of cost against coverage, and of coverage against drift (0: none)."""

    gap: float = 0.005
    time_limit_s: float | None = None
    seed: int = 0
    frontier: int = 0
    drift_frontier: int = 0


@dataclass(frozen=True)
class Solved:
    """A design with all that is reported of it; values and bounds in weighted m² of the cell model.

    design: the trial's, held to the rules of protection; cost_gap: share of the installed cost above its bound;
    cost_gap_tubing: likewise of tubing and ground work alone.
    """

    trial: Trial
    design: Design
    priced: Priced
    value: float
    bound: float
    gap: float
    gap_at_count: float
    cost_bound: float | None
    cost_bound_class: str | None
    cost_gap: float | None
    cost_gap_tubing: float | None
    model_area_m2: float
    zone_area_m2: float
    coverable_area_m2: float
    time_limit_hit: bool
    reason: str | None
    rounds: tuple[str, ...]
    notes: tuple[str, ...]
    seconds: dict[str, float]
    joint: Joint
    frontier: tuple[Point, ...]
    calm: Calm = NO_LIMITS

    @property
    def tubing_m(self) -> float:
        """All tubing."""
        return sum(length for _, length in self.priced.counted.tubing_m)


def solve(instance: Instance, settings: SolveSettings, report: Report, stop: Stop) -> Solved:
    """The best verified design of an instance over the pump units that its option allows: the highest covered value,
    but where another within the gap costs less. Where cost counts, the option's budget or least coverage decides.

    An unverified design comes back only where none verifies, with its reason. Raises NoDesign, with the rule that
    makes it so and what would resolve it, where there is no design at all, and SolverLimit where stop or time limit
    came before the first.
    """
    try:
        return _solve(instance, settings, report, stop)
    except NoDesign as refusal:
        raise resolved(instance, refusal) from refusal


def _solve(instance: Instance, settings: SolveSettings, report: Report, stop: Stop) -> Solved:
    clock = Clock(stop, settings.time_limit_s)
    found = arrangements(instance)
    with clock.stage("bound"):
        report(Progress("bound"))
        base = placement_problem(instance)
        bound = bound_of(instance, base, found, clock.stopped)
    task = Task(Feeder(instance, report, clock.stopped), base, settings.gap, settings.seed, clock)
    points = 0 if instance.candidates.dosed else settings.frontier  # its search knows no dosage
    answer = traded(task, work_out(task, found), points)
    with clock.stage("tubing"):
        answer = _slimmed(answer, clock.stopped)
    with clock.stage("drift"):
        calm = _calm(instance, answer.worked[0].outcome.kept, settings, clock)
    solved = _solved(instance, answer, len(found), bound, clock)
    if instance.option.loops:
        with clock.stage("loops"):
            solved = _with_loops(instance, solved, clock.stopped)
        solved = replace(solved, seconds=dict(clock.seconds))
    return replace(solved, calm=calm)


def _slimmed(answer: Traded, stop: Stop) -> Traded:
    """The answer with the tubing of the best as narrow as the full calculation allows."""
    first, *others = answer.worked
    kept = first.outcome.kept
    trial = slimmed(kept.trial, stop)
    if trial is kept.trial:
        return answer
    cost = priced(trial.layout, trial.design)
    told = f"then tubing made narrower where the full calculation allows it: {first.cost - cost.price:.2f} saved"
    outcome = replace(first.outcome, kept=replace(kept, trial=trial), rounds=(*first.outcome.rounds, told))
    return replace(answer, worked=[replace(first, outcome=outcome, priced=cost), *others])


def _with_loops(instance: Instance, solved: Solved, stop: Stop) -> Solved:
    """The same nozzles with the loops that save something. Bounds of cost are those of trees and no longer hold; the
    trial, from which steps of relief are reckoned, stays the tree."""
    if instance.scenario.tolerances is not None:
        return replace(solved, notes=(*solved.notes, LOOPS_AND_TOLERANCES))
    found = looped(solved.trial, stop)
    if not found.words:
        return replace(solved, notes=(*solved.notes, NO_LOOP))
    return replace(
        solved,
        design=held(found.trial),
        priced=priced(found.trial.layout, found.trial.design),
        cost_bound=None,
        cost_bound_class=None,
        cost_gap=None,
        cost_gap_tubing=None,
        joint=replace(solved.joint, cost_bound=None),
        notes=(*solved.notes, *found.words, LOOPS_AND_STEPS),
    )


def _calm(instance: Instance, kept: Kept, settings: SolveSettings, clock: Clock) -> Calm:
    """What limits of drift cost in coverage, and coverage against drift where points are asked for."""
    chosen, stop = kept.trial.layout.chosen, clock.stopped
    cost = drift_cost(kept.problem, chosen, kept.value, settings.gap, stop) if kept.problem.drifts else None
    return Calm(cost, drift_points(instance, kept.problem, chosen, settings.drift_frontier, stop))


def _solved(instance: Instance, answer: Traded, allowed: int, bound: float, clock: Clock) -> Solved:
    worked, outcome = answer.worked, answer.worked[0].outcome
    kept = outcome.kept
    made, design = kept.trial.layout, held(kept.trial)
    cost = worked[0].priced
    found = instance.candidates
    bound = min(bound, instance.most_value, answer.joint.value_bound or np.inf)
    at_count = min(bound, kept.bound_at_count)  # a search cut short may know no better than the bound of all
    return Solved(
        trial=kept.trial,
        design=design,
        priced=cost,
        value=kept.value,
        bound=bound,
        gap=_gap(kept.value, bound),
        gap_at_count=_gap(kept.value, at_count),
        **cost_figures(cost, made.plan),
        model_area_m2=_model_area_m2(found, made.chosen),
        zone_area_m2=found.zone_area_m2,
        coverable_area_m2=found.coverable_area_m2,
        time_limit_hit=clock.limit_hit or kept.time_limit_hit,
        reason=None if design.verification.verified else fault_words(design),
        rounds=outcome.rounds,
        notes=(*_notes(instance, kept), *_units_note(worked, allowed)),
        seconds=dict(clock.seconds),
        joint=answer.joint,
        frontier=answer.frontier,
    )


def cost_figures(cost: Priced, plan: RunPlan) -> dict[str, Any]:
    """What no layout of a class costs less than, and the shares of the cost above it; None where nothing is known."""
    known = bool(plan.bound_class)
    return {
        "cost_bound": cost.fixed + plan.cost_bound if known else None,
        "cost_bound_class": f"{plan.bound_class}; without fittings" if known else None,
        "cost_gap": 1.0 - (cost.fixed + plan.cost_bound) / cost.installed if known and cost.installed > 0 else None,
        "cost_gap_tubing": 1.0 - plan.cost_bound / plan.cost if known and plan.cost > 0 else None,
    }


def _model_area_m2(found: Candidates, chosen: tuple[int, ...]) -> float:
    if found.dosed:
        return float(found.cells.area_m2 @ found.counted(chosen))
    hits = found.cells.incidence[:, list(chosen)].sum(axis=1)
    return float(found.cells.area_m2[np.asarray(hits).ravel() > 0].sum())


def _gap(value: float, bound: float) -> float:
    """Share of the bound that may be missing. Raises SolverError where the value beats its bound: one is wrong."""
    if value > bound * (1 + BOUND_TOLERANCE):
        raise SolverError(f"{value} weighted m² are covered, above the bound of {bound}: a defect of the bound")
    return relative_gap(min(value, bound), bound)


def _notes(instance: Instance, kept: Kept) -> tuple[str, ...]:
    """What a designer must know beside the figures: what was dropped or left out, and what is only assumed."""
    wind = instance.scenario.climate.wind
    return (
        *filter(None, [kept.note]),
        *_reducer_notes(kept.trial.design),
        *(f"{n} positions left out: {reason}" for reason, n in instance.candidates.left_out),
        *(f"no position is near enough to {point}" for point, near in near_points(instance) if not near),
        f"{_footprint_words(instance)}; wind: {wind}; covered areas hold for these, and none is a claim of efficacy",
        *_summed_words(instance, kept),
    )


def _summed_words(instance: Instance, kept: Kept) -> tuple[str, ...]:
    """What counts by summed dosage, beside the ground that one nozzle alone gives enough."""
    if not instance.candidates.dosed:
        return ()
    counts = _model_area_m2(instance.candidates, kept.trial.layout.chosen)
    return (
        f"by the summed dosage of all nozzles {show_both(counts, 'area')} of the zones count, each place by its share "
        "of what is enough, once in full; the covered area is what single nozzles give enough",
    )


def _footprint_words(instance: Instance) -> str:
    """What a footprint is, and how well that is known."""
    nozzle, rules = instance.nozzle, instance.scenario.rules
    if instance.option.footprint == "reach":
        error_m = nozzle.reach_error_m
        fitted = "" if error_m is None else f" by cards, ± {show(2.0 * error_m, 'length', 'metric', 2)}"
        return f"reach of {nozzle.name}, {show_both(nozzle.reach_m, 'length')}, is {nozzle.reach_source}{fitted}"
    least_m = rules.deposit_least_m
    resting = f", in zones of resting places a deposit of {show(least_m, 'rate', 'metric')}" if least_m else ""
    return (
        "ground counts as covered where the dosage of one cycle of one nozzle is "
        f"{1e6 * (rules.dosage_least_s or 0.0):g} mL·s/m³ or more{resting}; drops of {nozzle.name} are "
        f"{nozzle.spectrum_source}"
    )


def _units_note(worked: list[Worked], allowed: int) -> tuple[str, ...]:
    """Which pump units were worked out, where the option leaves a choice."""
    if allowed == 1:
        return ()
    others = "; ".join(one.words for one in worked[1:]) or "no other was worth it"
    return (f"pump units chosen among {allowed} arrangements: {worked[0].words}; worked out besides: {others}",)


def _reducer_notes(design: Design) -> tuple[str, ...]:
    """What each pressure reducer holds, in one sentence."""
    held = [
        f"{link.reducer} at the start of {link.id} holds {show_both(link.reducer_pa, 'pressure')}"
        for link in design.links
        if link.reducer_pa is not None
    ]
    return (f"pressure reducers: {'; '.join(held)}",) if held else ()


def notes_after(solved: Solved, design: Design) -> tuple[str, ...]:
    """The notes of an answer whose nozzles are fed by another design, with what its reducers hold."""
    stale = _reducer_notes(solved.design)
    return (*_reducer_notes(design), *(note for note in solved.notes if note not in stale))


def fault_words(design: Design) -> str:
    """What keeps a design from being verified, by kind of fault."""
    proof = design.verification
    named_faults = (
        ("below the band", proof.low_faults),
        ("above the band", proof.high_faults),
        ("beyond the pump", proof.pump_faults),
        ("against run rules", proof.run_faults),
        ("against rules of protection", proof.protection_faults),
        ("drift", proof.drift_faults),
        ("beyond the tubing's rating", proof.tubing_faults),
    )
    return "; ".join(f"{words}: {', '.join(found)}" for words, found in named_faults if found)
