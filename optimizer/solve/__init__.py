"""One verb: an instance solved to a verified, priced design.

Placement for coverage, run splits for the positions placed, verification by the full nonlinear state, repair and
refill; the best verified design is kept. Nothing here knows of files or screens.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np

from hydraulics.units import show_both
from optimizer.costs import CostLine, bill, total, total_of
from optimizer.design import Design
from optimizer.errors import NoDesign, SolverError, SolverLimit
from optimizer.instance import Candidates, Instance, Unit
from optimizer.placement.place import value_bound
from optimizer.placement.problem import PlacementProblem
from optimizer.progress import Progress, Report, Stop, relative_gap
from optimizer.solve.best import best_outcome
from optimizer.solve.explore import explore
from optimizer.solve.posed import most_per_circuit, near_points, placement_problem, shared_out, shares
from optimizer.solve.rounds import Kept, Outcome, Search
from optimizer.solve.takeoff import take_off
from optimizer.solve.trial import Effort, Feeder, Trial
from optimizer.solver import Limits

QUICK = (0.6, 100, 2)  # evaluations a nozzle, and at least, and flow factors of the trials that choose where to start
ROUND = (2.0, 400, 3)  # of those in the rounds
POLISH = (25.0, 1000, 1)  # of the last ones, which begin from the plan that the rounds kept
POLISH_SEEDS = 2
PLACEMENT_CHECKS = 200  # work limit of a placement, the same on every run
BOUND_TOLERANCE = 1e-6  # relative, of rounding in a bound
MODEL_CHECKS = 20  # work limit of each contracted run-split model


@dataclass(frozen=True)
class SolveSettings:
    """Relative gap at which a placement is good enough, seconds for the whole solve (None: no limit), seed."""

    gap: float = 0.005
    time_limit_s: float | None = None
    seed: int = 0


@dataclass(frozen=True)
class Solved:
    """A design with all that is reported of it; values and bounds in weighted m² of the cell model."""

    trial: Trial
    quantities: tuple[CostLine, ...]
    value: float
    bound: float
    gap: float
    gap_at_count: float
    cost_bound: float | None
    cost_bound_class: str | None
    model_area_m2: float
    zone_area_m2: float
    coverable_area_m2: float
    tubing_m: float
    time_limit_hit: bool
    reason: str | None
    rounds: tuple[str, ...]
    notes: tuple[str, ...]
    seconds: dict[str, float]

    @property
    def design(self) -> Design:
        """The settled design."""
        return self.trial.design

    @property
    def installed_cost(self) -> float:
        """Sum of the bill."""
        return total(self.quantities)


@dataclass
class _Clock:
    """Seconds by stage, and the stop that a time limit adds to the user's."""

    stop: Stop
    limit_s: float | None
    seconds: dict[str, float] = field(default_factory=dict)
    limit_hit: bool = False
    began: float = field(default_factory=time.perf_counter)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        start = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start

    def stopped(self) -> bool:
        if self.limit_s is not None and time.perf_counter() - self.began > self.limit_s:
            self.limit_hit = True
        return self.limit_hit or self.stop()


def solve(instance: Instance, settings: SolveSettings, report: Report, stop: Stop) -> Solved:
    """The best verified design of an instance over its pump types; more covered value first, then less cost.

    An unverified design comes back only where none verifies, with its reason. Raises NoDesign, with the rule that
    makes it so, where there is no design at all, and SolverLimit where stop or time limit came before the first.
    """
    clock = _Clock(stop, settings.time_limit_s)
    with clock.stage("bound"):
        report(Progress("bound"))
        base = placement_problem(instance)
        bound = _bound(instance, base, clock.stopped)
    solved: list[Solved] = []
    refusals: list[NoDesign] = []
    for pump in sorted(instance.pumps, key=lambda pump: -pump.delivery_m3_s):
        if solved and clock.stopped():
            break
        try:
            units = (Unit(pump, instance.option.circuits),) * instance.option.pumps
            solved.append(_with_units(instance, units, base, bound, settings, report, clock))
        except NoDesign as refusal:
            refusals.append(refusal)
    if not solved and clock.stopped():
        raise SolverLimit(f"Stopped before any design was known ({refusals[0]}); give it more time.")
    if not solved:
        raise refusals[0]
    return max(solved, key=lambda s: (s.design.verification.verified, s.value, -s.installed_cost))


def _bound(instance: Instance, base: PlacementProblem, stop: Stop) -> float:
    """V(N_max): what no design inside the band that serves every schedule group can pass, with whichever pump type; the
    largest feeds most nozzles. Raises NoDesign where no share of the circuits lets a placement be."""
    largest = Unit(max(instance.pumps, key=lambda pump: pump.delivery_m3_s), instance.option.circuits)
    units, groups = (largest,) * instance.option.pumps, len(instance.candidates.groups)
    most = [most_per_circuit(instance, unit.pump) for unit in units]
    bounds: list[float] = []
    refusals: list[NoDesign] = []
    for share in shares(units, most, groups):
        try:
            bounds.append(value_bound(shared_out(base, instance, share), stop))
        except NoDesign as refusal:
            refusals.append(refusal)
    if not bounds:
        raise refusals[0]
    return max(bounds)


def _with_units(
    instance: Instance,
    units: tuple[Unit, ...],
    base: PlacementProblem,
    bound: float,
    settings: SolveSettings,
    report: Report,
    clock: _Clock,
) -> Solved:
    feeder = Feeder(instance, report, clock.stopped)
    with clock.stage("explore"):
        starts = explore(feeder, units, base, Effort(*QUICK, settings.seed))
    with clock.stage("rounds"):
        search = Search(settings.gap, Limits(checks=PLACEMENT_CHECKS), Effort(*ROUND, settings.seed))
        outcome = best_outcome(feeder, starts, base, search)
    with clock.stage("tubing"):
        kept = _polished(feeder, outcome.kept, settings.seed)
    return _solved(instance, replace(outcome, kept=kept), bound, clock)


def _polished(feeder: Feeder, kept: Kept, seed: int) -> Kept:
    """The kept trial with cheaper tubing, found by longer searches and, at last, the contracted model, as long as it
    still verifies; its cost bounded from below."""
    if not kept.verified:
        return kept
    for number in range(1, POLISH_SEEDS + 1):
        model = Limits(gap=0.001, checks=MODEL_CHECKS) if number == POLISH_SEEDS else None
        try:
            trial = feeder.again(kept.trial, Effort(*POLISH, seed + number, model=model))
        except NoDesign:
            continue
        made, found = kept.trial.layout, trial.layout.plan
        if not trial.design.verification.verified or trial.cost >= kept.trial.cost:
            plan = replace(made.plan, cost_bound=found.cost_bound, bound_class=found.bound_class)
            trial = replace(kept.trial, layout=replace(made, plan=plan))
        kept = replace(kept, trial=trial)
    return kept


def _solved(instance: Instance, outcome: Outcome, bound: float, clock: _Clock) -> Solved:
    kept = outcome.kept
    made, design = kept.trial.layout, kept.trial.design
    counted = take_off(made)
    lines = bill(counted, instance.scenario.catalogue)
    found = instance.candidates
    preferred = instance.scenario.rules.preferred_gain_m2 * int(found.preferred.sum())
    bound = min(bound, float(found.cells.value.sum()) + preferred)
    at_count = min(bound, kept.bound_at_count)  # a search cut short may know no better than the bound of all
    fixed = sum(total_of(lines, group) for group in ("nozzles", "pump unit", "field valves", "site works"))
    return Solved(
        trial=kept.trial,
        quantities=lines,
        value=kept.value,
        bound=bound,
        gap=_gap(kept.value, bound),
        gap_at_count=_gap(kept.value, at_count),
        cost_bound=fixed + made.plan.cost_bound if made.plan.bound_class else None,
        cost_bound_class=f"{made.plan.bound_class}; without fittings" if made.plan.bound_class else None,
        model_area_m2=_model_area_m2(found, made.chosen),
        zone_area_m2=found.zone_area_m2,
        coverable_area_m2=found.coverable_area_m2,
        tubing_m=sum(length for _, length in counted.tubing_m),
        time_limit_hit=clock.limit_hit or kept.time_limit_hit,
        reason=None if kept.verified else fault_words(design),
        rounds=outcome.rounds,
        notes=_notes(instance, kept),
        seconds=dict(clock.seconds),
    )


def _model_area_m2(found: Candidates, chosen: tuple[int, ...]) -> float:
    hits = found.cells.incidence[:, list(chosen)].sum(axis=1)
    return float(found.cells.area_m2[np.asarray(hits).ravel() > 0].sum())


def _gap(value: float, bound: float) -> float:
    """Share of the bound that may be missing. Raises SolverError where the value beats its bound: one is wrong."""
    if value > bound * (1 + BOUND_TOLERANCE):
        raise SolverError(f"{value} weighted m² are covered, above the bound of {bound}: a defect of the bound")
    return relative_gap(min(value, bound), bound)


def _notes(instance: Instance, kept: Kept) -> tuple[str, ...]:
    """What a designer must know beside the figures: what was dropped or left out, and what is only assumed."""
    nozzle, wind = instance.nozzle, instance.scenario.climate.wind
    return (
        *filter(None, [kept.note]),
        *(f"{n} positions left out: {reason}" for reason, n in instance.candidates.left_out),
        *(f"no position is near enough to {point}" for point, near in near_points(instance) if not near),
        f"reach of {nozzle.name}, {show_both(nozzle.reach_m, 'length')}, is {nozzle.reach_source}; wind: {wind}; "
        "covered areas hold for these, and none is a claim of efficacy",
    )


def fault_words(design: Design) -> str:
    """What keeps a design from being verified, by kind of fault."""
    proof = design.verification
    named_faults = (
        ("below the band", proof.low_faults),
        ("above the band", proof.high_faults),
        ("beyond the pump", proof.pump_faults),
        ("against run rules", proof.run_faults),
    )
    return "; ".join(f"{words}: {', '.join(found)}" for words, found in named_faults if found)
