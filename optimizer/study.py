"""A study: the options of a scenario, each answered by an alternative, side by side."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from math import isfinite
from typing import Any, Literal

from optimizer.appraisal.appraise import appraise
from optimizer.appraisal.decided import Contender, Decision, decision
from optimizer.appraisal.explain import Explanation, explain
from optimizer.appraisal.figures import Appraisal
from optimizer.appraisal.frontier_points import FrontierPoint, frontier_points
from optimizer.appraisal.misted import MistAccount, misted
from optimizer.appraisal.operation import Operation, operation, operation_notes
from optimizer.appraisal.ranking import Placing, ReachRanking, reach_ranking
from optimizer.appraisal.running import Running, running
from optimizer.appraisal.uncovered import Ground, ground
from optimizer.appraisal.yield_words import yield_words
from optimizer.brief import CoverageBy, FootprintBy, Option
from optimizer.costs import CostLine, total
from optimizer.design import Design
from optimizer.errors import NoDesign, SolverError, SolverLimit
from optimizer.executors import Job, run_jobs
from optimizer.instance import Candidates, candidates, instance
from optimizer.progress import Progress, Report, Stop, named, relative_gap
from optimizer.protection_table import Row, protection_notes, protection_rows
from optimizer.scenario import Scenario
from optimizer.solve import Solved, SolveSettings
from optimizer.solve.secured import secured
from optimizer.upkeep import Upkeep
from optimizer.yields import FieldYield

Status = Literal["verified", "unverified", "no_design", "stopped", "defect"]


@dataclass(frozen=True)
class Alternative:
    """The answer to one option. Figures are None where there is no design; `reason` then says why.

    `pump_count`, `circuit_count` (of all pumps), `pump_types` and `pump_sites` (one entry a unit, in their order) are
    the design's own; without one the counts are what the option fixes, None where it leaves a range. `status` is
    "defect" where this program contradicts itself.

    `objective_value`, `objective_bound` and `model_covered_area_m2` are of the cell model (the first two weighted
    by priority); all other areas are exact. `gap` is against the bound at the most nozzles that any in-band design
    can feed, `gap_at_count` against the bound at the count used (at the circuits' limits where there are several
    schedule groups). `reserve` is the share of the fullest circuit's
    rated capacity that stays unused. `joint_bound`: weighted m² that no design within the budget covers, or the least
    price that any design of the least coverage has; `joint_gap` against it; None where cost does not count.
    `costs_that_count` are what the option reckons with; `upkeep` and `operation` are None without a service,
    `field_yield` where the scenario states no tolerances.
    """

    option: str
    title: str
    status: Status
    reason: str | None
    pump_count: int | None
    circuit_count: int | None
    objective: str
    pump_types: tuple[str, ...] | None = None
    pump_sites: tuple[str, ...] | None = None
    nozzle_count: int | None = None
    covered_area_m2: float | None = None
    zone_area_m2: float | None = None
    coverable_area_m2: float | None = None
    model_covered_area_m2: float | None = None
    objective_value: float | None = None
    objective_bound: float | None = None
    gap: float | None = None
    gap_at_count: float | None = None
    cost_bound: float | None = None
    cost_bound_class: str | None = None
    cost_gap: float | None = None
    cost_gap_tubing: float | None = None
    joint_bound: float | None = None
    joint_gap: float | None = None
    installed_cost: float | None = None
    tubing_m: float | None = None
    min_pressure_pa: float | None = None
    max_pressure_pa: float | None = None
    flow_m3_s: float | None = None
    reserve: float | None = None
    verified: bool = False
    time_limit_hit: bool = False
    seconds: dict[str, float] = field(default_factory=dict)
    rounds: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    design: Design | None = None
    quantities: tuple[CostLine, ...] = ()
    costs_that_count: tuple[CostLine, ...] = ()
    upkeep: Upkeep | None = None
    operation: Operation | None = None
    protection: tuple[Row, ...] = ()
    appraisal: Appraisal | None = None
    explanation: Explanation | None = None
    running: Running | None = None
    frontier: tuple[FrontierPoint, ...] = ()
    mist: MistAccount | None = None
    field_yield: FieldYield | None = None

    @property
    def price(self) -> float | None:
        """The cost that the option reckons with."""
        return None if self.design is None else total(self.costs_that_count)

    @property
    def service_cost(self) -> float | None:
        """Cost of service over all its seasons."""
        return self.upkeep.cost if self.upkeep else None

    @property
    def litres_a_day(self) -> float | None:
        """Mist of all units on a day of the season."""
        return self.upkeep.litres_a_day if self.upkeep else None

    @property
    def days_between_refills(self) -> float | None:
        """Days that the unit that empties first lasts; None too where nothing is used."""
        return self.upkeep.days_between_refills if self.upkeep and isfinite(self.upkeep.days_between_refills) else None


@dataclass(frozen=True)
class Study:
    """All alternatives of a scenario, in the order of its options; money in `currency`.

    ranking: of the verified alternatives if the reach were another; decision: what decides between them; None where
    there are not two.
    """

    scenario: str
    title: str
    currency: str
    seed: int
    alternatives: tuple[Alternative, ...]
    ranking: ReachRanking | None = None
    decision: Decision | None = None


@dataclass(frozen=True)
class StudySettings:
    """What may be asked of a study: which options (None = all), relative gap, seconds an option, seed, processes,
    points of the frontiers of cost against coverage and of coverage against drift (0: none)."""

    options: tuple[str, ...] | None = None
    gap: float = 0.005
    time_limit_s: float | None = None
    seed: int = 0
    workers: int = 2
    frontier: int = 0
    drift_frontier: int = 0


def study(scenario: Scenario, settings: StudySettings, report: Report, stop: Stop) -> Study:
    """Answer every option asked for; an option without a design carries the reason.

    Options are solved independently, so the answer does not depend on the number of processes.
    """
    options = [o for o in scenario.options if settings.options is None or o.name in settings.options]
    kinds = sorted({(o.nozzle, o.footprint, o.coverage_by) for o in options})
    prepared = {kind: _prepare(scenario, *kind, report) for kind in kinds}
    jobs: list[Job[Alternative]] = [
        partial(_answer, scenario, o, prepared[o.nozzle, o.footprint, o.coverage_by], settings) for o in options
    ]
    answers = run_jobs(jobs, settings.workers, report, stop)
    currency = scenario.catalogue.currency
    heading = (scenario.name, scenario.title, currency, settings.seed)
    return Study(*heading, answers, _ranking(answers), decision(_contenders(answers), currency))


def _ranking(alternatives: Sequence[Alternative]) -> ReachRanking | None:
    return reach_ranking(
        [
            Placing(one.option, one.price, one.appraisal)
            for one in alternatives
            if one.verified and one.price is not None and one.appraisal is not None
        ]
    )


def _contenders(alternatives: Sequence[Alternative]) -> list[Contender]:
    return [
        Contender(one.option, one.objective_value, one.costs_that_count)
        for one in alternatives
        if one.verified and one.objective_value is not None
    ]


@dataclass(frozen=True)
class _Prepared:
    """What the options of one nozzle and kind of footprint share: its candidates and their ground, or why there are
    none; seconds taken."""

    found: tuple[Candidates, Ground] | NoDesign
    seconds: float


def _prepare(
    scenario: Scenario, nozzle: str, footprint: FootprintBy, coverage_by: CoverageBy, report: Report
) -> _Prepared:
    start = time.perf_counter()
    report(Progress("geometry"))
    try:
        candidate_set = candidates(scenario, scenario.catalogue.nozzle(nozzle), footprint, coverage_by)
        found: tuple[Candidates, Ground] | NoDesign = (candidate_set, ground(scenario, candidate_set))
    except NoDesign as error:
        found = error
    return _Prepared(found, time.perf_counter() - start)


def _answer(
    scenario: Scenario, option: Option, prepared: _Prepared, settings: StudySettings, report: Report, stop: Stop
) -> Alternative:
    """One option's alternative; NoDesign becomes its reason."""
    told = named(report, option=option.name)
    try:
        if isinstance(prepared.found, NoDesign):
            raise prepared.found
        candidate_set, known = prepared.found
        posed = instance(scenario, option, candidate_set)
        points = settings.frontier, settings.drift_frontier
        asked = SolveSettings(settings.gap, settings.time_limit_s, settings.seed, *points)
        answer = secured(posed, asked, told, stop)
    except NoDesign as error:
        told(Progress("no design", note=str(error)))
        return Alternative(**_asked(option), status="no_design", reason=str(error))
    except SolverLimit as error:
        told(Progress("no design", note=str(error)))
        return Alternative(**_asked(option), status="stopped", reason=str(error), time_limit_hit=not stop())
    except SolverError as error:
        told(Progress("defect", note=str(error)))
        return Alternative(**_asked(option), status="defect", reason=f"a defect of ours: {error}; please report it")
    solved, held = answer.solved, answer.field_yield
    told(Progress("appraisal", incumbent=solved.value, bound=solved.bound, gap=solved.gap))
    start = time.perf_counter()
    appraisal = appraise(posed, solved.design, known)
    told(Progress("explanation", incumbent=solved.value, bound=solved.bound, gap=solved.gap))
    appraised = time.perf_counter()
    late = solved.time_limit_hit  # then no time is taken to ask what more would buy
    explanation = explain(solved.trial, appraisal, settings.seed, told, lambda: late or stop())
    explained = time.perf_counter()
    seconds = {
        "geometry": prepared.seconds,
        **solved.seconds,
        "appraisal": appraised - start,
        "explanation": explained - appraised,
    }
    told(Progress("done", incumbent=solved.value, bound=solved.bound, gap=solved.gap))
    found = _alternative(scenario, option, solved, seconds)
    mist = misted(posed, solved.design, solved.calm)
    notes = (*([yield_words(held, solved.design.verification.verified)] if held else []), *found.notes)
    found = replace(found, appraisal=appraisal, explanation=explanation, mist=mist)
    return replace(found, field_yield=held, notes=notes)


def _asked(option: Option, design: Design | None = None) -> dict[str, Any]:
    """What was asked for, with the pump units of the design; without one what the option fixes of them."""
    pumps = option.pumps_most if option.pumps_least == option.pumps_most else None
    circuits = option.circuits_most if option.circuits_least == option.circuits_most else None
    asked = {"option": option.name, "title": option.title, "objective": option.objective}
    if design is None:
        return {**asked, "pump_count": pumps, "circuit_count": pumps and circuits and pumps * circuits}
    return {
        **asked,
        "pump_count": len(design.pumps),
        "circuit_count": sum(len(pump.circuits) for pump in design.pumps),
        "pump_types": tuple(pump.type for pump in design.pumps),
        "pump_sites": tuple(pump.site for pump in design.pumps),
    }


def _alternative(scenario: Scenario, option: Option, solved: Solved, seconds: dict[str, float]) -> Alternative:
    proof = solved.design.verification
    protection = protection_rows(scenario, solved.design)
    run = operation(scenario, solved.design, solved.priced.upkeep)
    capacity = {circuit: pump.capacity_m3_s for pump in solved.design.pumps for circuit in pump.circuits}
    unused = [1.0 - flow / capacity[circuit] for circuit, flow in proof.flow_m3_s.items()]
    return Alternative(
        **_asked(option, solved.design),
        status="verified" if proof.verified and solved.reason is None else "unverified",
        reason=solved.reason,
        nozzle_count=len(solved.design.nozzles),
        covered_area_m2=proof.covered_area_m2,
        zone_area_m2=solved.zone_area_m2,
        coverable_area_m2=solved.coverable_area_m2,
        model_covered_area_m2=solved.model_area_m2,
        objective_value=solved.value,
        objective_bound=solved.bound,
        gap=solved.gap,
        **_joint(option, solved),
        gap_at_count=solved.gap_at_count,
        cost_bound=solved.cost_bound,
        cost_bound_class=solved.cost_bound_class,
        cost_gap=solved.cost_gap,
        cost_gap_tubing=solved.cost_gap_tubing,
        installed_cost=solved.priced.installed,
        tubing_m=solved.tubing_m,
        min_pressure_pa=proof.min_pressure_pa,
        max_pressure_pa=proof.max_pressure_pa,
        flow_m3_s=sum(proof.flow_m3_s.values()),
        reserve=min(unused),
        verified=proof.verified and solved.reason is None,
        time_limit_hit=solved.time_limit_hit,
        seconds=seconds,
        rounds=solved.rounds,
        notes=(*operation_notes(run), *solved.notes, *protection_notes(scenario, option, protection)),
        design=solved.design,
        operation=run,
        protection=protection,
        running=running(solved.trial.layout.instance, solved.design),
        quantities=solved.priced.lines,
        costs_that_count=solved.priced.that_count,
        upkeep=solved.priced.upkeep,
        frontier=frontier_points(solved.frontier),
    )


def _joint(option: Option, solved: Solved) -> dict[str, Any]:
    """What no design can pass where cost counts, and the share of it that may be missing."""
    cheapest = option.objective == "cost"
    bound = solved.joint.cost_bound if cheapest else solved.joint.value_bound
    if bound is None:
        return {}
    return {"joint_bound": bound, "joint_gap": relative_gap(solved.priced.price if cheapest else solved.value, bound)}
