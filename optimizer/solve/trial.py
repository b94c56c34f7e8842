"""One trial: chosen positions fed from a supply, repaired until every nozzle's real pressure stands in the band.

Head is reckoned with a flow factor: at 1 every nozzle takes its highest possible flow, which is safe on trees; real
flows are less, so smaller factors give cheaper tubing until the full nonlinear state says no.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor
from typing import TypeVar

from optimizer.design import Design
from optimizer.errors import NoDesign
from optimizer.instance import Instance, usable_m3_s
from optimizer.progress import Report, Stop
from optimizer.pump_type import PumpType
from optimizer.runs.plan import RunPlan
from optimizer.runs.problem import RunProblem
from optimizer.runs.split import split
from optimizer.solve.assemble import Layout, assemble, nozzle_names
from optimizer.solve.mains import main_of, mains_cost
from optimizer.solve.reduced import reduced
from optimizer.solve.supply import CircuitLimits, Supply, run_layout, run_problem, set_levels_pa
from optimizer.solver import Limits
from optimizer.verify import settled

Number = TypeVar("Number", int, float)

FIRST_FACTOR = 0.93
FACTOR_CLOSE = 0.01
WARM_SHARE = 0.3  # share of the evaluations that a further flow factor gets, begun from the plan before
COUNT_TOLERANCE = 1e-9


@dataclass(frozen=True)
class Effort:
    """Search that a run split gets: evaluations of the primal for each nozzle and at least, flow factors to try and
    the first of them, limits of the model if asked."""

    evaluations: float
    least: int
    factors: int
    seed: int
    factor: float = FIRST_FACTOR
    model: Limits | None = None


@dataclass(frozen=True)
class Trial:
    """A layout with its settled design, and what brought its nozzles down where some stood above the band."""

    layout: Layout
    design: Design
    mended: str = ""

    @property
    def cost(self) -> float:
        """Tubing and ground work, mains with their wire and boxes, pressure reducers."""
        made = self.layout
        mains = mains_cost(made.problem, made.instance.scenario.catalogue.equipment)
        return made.plan.cost + mains + sum(one.reducer.price for one in made.reducers)

    @property
    def factor(self) -> float:
        """The flow factor that the tubing was sized with."""
        return self.layout.problem.flow_factor

    @property
    def band_kept(self) -> bool:
        """No nozzle outside the band, whatever the pumps have to give."""
        proof = self.design.verification
        return not (proof.low_faults or proof.high_faults)

    @property
    def mean_flows_m3_s(self) -> tuple[float, ...]:
        """Mean real flow of a nozzle, by circuit; 0 for a circuit without nozzles."""
        flows = self.design.verification.flow_m3_s.values()
        served = [len(circuit.served) for circuit in self.layout.plan.circuits]
        return tuple(flow / count if count else 0.0 for flow, count in zip(flows, served, strict=True))


@dataclass(frozen=True)
class _Bracket:
    """Flow factors known to leave a nozzle below the band (bold) and known to pass or to be impossible (safe)."""

    bold: float
    safe: float = 1.0

    @property
    def middle(self) -> float:
        return (self.bold + self.safe) / 2

    @property
    def closed(self) -> bool:
        return self.safe - self.bold < FACTOR_CLOSE


@dataclass(frozen=True)
class Feeder:
    """What stays the same while trials are made: instance, search effort, messages."""

    instance: Instance
    report: Report
    stop: Stop

    def feed(self, supply: Supply, chosen: Sequence[int], limits: CircuitLimits, effort: Effort) -> Trial:
        """The cheapest trial found whose nozzles all stand in the band, else the one closest to it.

        Bisects the flow factor between one that leaves a nozzle below the band and one that tubing can still meet,
        from the least that a nozzle in the band may draw. Raises NoDesign where no factor gives a run split.
        """
        bare = run_problem(self.instance, supply, chosen, run_layout(self.instance, chosen, supply), limits, 1.0)
        bracket = _Bracket(least_factor(bare))
        factor = max(effort.factor, bracket.middle)
        trials: list[Trial] = []
        refusal: NoDesign | None = None
        for _ in range(effort.factors):
            problem = replace(bare, flow_factor=factor)
            try:
                trial = self._try(supply.pumps, chosen, problem, effort, trials[-1].layout.plan if trials else None)
            except NoDesign as error:
                if factor <= bracket.bold:
                    break
                refusal, bracket = error, replace(bracket, safe=factor)
                factor = bracket.middle if trials else bracket.bold  # the boldest tells at once whether any can
            else:
                trials.append(trial)
                bracket, factor = _narrowed(bracket, trial, refusal is not None)
            if bracket.closed or self.stop():
                break
        if not trials:
            assert refusal is not None
            raise refusal
        return min(trials, key=_rank)

    def again(self, trial: Trial, effort: Effort) -> Trial:
        """A new trial of the same nozzles, supply and flow factor, with another effort, from its own run plan.

        Raises NoDesign where none is found.
        """
        made = trial.layout
        return _reduced(self._try(made.pumps, made.chosen, made.problem, effort, made.plan))

    def _try(
        self,
        pumps: tuple[PumpType, ...],
        chosen: Sequence[int],
        problem: RunProblem,
        effort: Effort,
        start: RunPlan | None = None,
    ) -> Trial:
        evaluations = max(effort.least, effort.evaluations * len(chosen)) * (WARM_SHARE if start else 1.0)
        plan = split(
            problem,
            seed=effort.seed,
            evaluations=round(evaluations),
            limits=effort.model,
            start=start,
            report=self.report,
            stop=self.stop,
        )
        return self.trial(pumps, chosen, problem, plan)

    def trial(
        self, pumps: tuple[PumpType, ...], chosen: Sequence[int], problem: RunProblem, plan: RunPlan
    ) -> Trial:
        """The settled design of a run plan."""
        made = Layout(self.instance, pumps, tuple(chosen), problem, plan)
        return Trial(made, settled(assemble(made), _band_pa(self.instance)))


def _narrowed(bracket: _Bracket, trial: Trial, refused: bool) -> tuple[_Bracket, float]:
    """The bracket after a trial, and the factor to try next."""
    if not trial.design.verification.low_faults:  # narrower tubing helps against nozzles above the band as well
        tighter = replace(bracket, safe=trial.factor)
        careful = min(_real_share(trial), trial.factor - FACTOR_CLOSE) if trial.band_kept else 0.0
        return tighter, max(tighter.middle, careful)
    wider = replace(bracket, bold=trial.factor)
    untried = bracket.safe == 1.0 and not refused
    return wider, 1.0 if untried and trial.factor < 1.0 else wider.middle


def least_factor(problem: RunProblem) -> float:
    """No nozzle in the band draws less than at the band's low edge: that flow as a share of the safe one."""
    safe = max(float(problem.safe_flow_m3_s(pump).max()) for pump in range(len(problem.pumps)))
    return float(problem.curve.flow_m3_s(problem.band_low_pa)) / safe


def _rank(trial: Trial) -> tuple[int, float, float]:
    proof = trial.design.verification
    faults = len(proof.low_faults) + len(proof.high_faults) + len(proof.run_faults)
    return faults, trial.cost, trial.factor


def _band_pa(instance: Instance) -> tuple[float, float]:
    return instance.scenario.rules.band_low_pa, instance.scenario.rules.band_high_pa


def _real_share(trial: Trial) -> float:
    """Real flow as a share of the highest possible flow, over all nozzles."""
    problem = replace(trial.layout.problem, flow_factor=1.0)
    safe = sum(float(problem.safe_flow_m3_s(c.pump)[list(c.served)].sum()) for c in trial.layout.plan.circuits)
    return sum(trial.design.verification.flow_m3_s.values()) / safe


def lowered(trial: Trial) -> Trial:
    """The trial with each pump at the lowest set pressure that leaves no nozzle below the band; with reducers, if that
    leaves some above it and reducers can.

    Tubing comes in few sizes, so a layout often has head to spare; a lower set pressure turns it into capacity.
    """
    above = bool(trial.design.verification.high_faults)
    choices = trial.layout.problem.pumps
    levels = set_levels_pa(trial.layout.instance, trial.layout.pumps, [choice.site for choice in choices])
    for pump, allowed in enumerate(levels):
        for level in sorted((p for p in allowed if p < choices[pump].set_pressure_pa), reverse=True):
            lower = at_pressure(trial, pump, level)
            if lower.design.verification.low_faults:
                break
            trial = lower
    if above and not trial.design.verification.high_faults:
        return replace(trial, mended="a lower set pressure")
    return _reduced(trial)


def _reduced(trial: Trial) -> Trial:
    """The trial with reducers, where only these keep it in the band."""
    layout, design = reduced(trial.layout, trial.design)
    return trial if layout is trial.layout else Trial(layout, design, "pressure reducers")


def at_pressure(trial: Trial, pump: int, set_pa: float) -> Trial:
    """The trial with one pump set to another pressure."""
    made = trial.layout
    pumps = list(made.problem.pumps)
    pumps[pump] = replace(pumps[pump], set_pressure_pa=set_pa)
    made = replace(made, problem=replace(made.problem, pumps=tuple(pumps)))
    return Trial(made, settled(assemble(made), _band_pa(made.instance)))


def fitting_limits(trial: Trial) -> CircuitLimits:
    """Nozzles that each circuit can feed at its real mean flow, one at least: [pumps][circuits].

    A circuit that feeds none yet is reckoned with the greatest mean flow of the others.
    """
    made = trial.layout
    greatest = max(trial.mean_flows_m3_s)
    fits = [
        max(1, floor(usable / (mean or greatest) + COUNT_TOLERANCE))
        for usable, mean in zip(_usable_m3_s(made), trial.mean_flows_m3_s, strict=True)
    ]
    return by_pump(made, fits)


def served_limits(trial: Trial) -> CircuitLimits:
    """Nozzles that each circuit feeds, one at least: [pumps][circuits]."""
    return by_pump(trial.layout, [max(1, len(circuit.served)) for circuit in trial.layout.plan.circuits])


def by_pump(made: Layout, per_circuit: Iterable[Number]) -> tuple[tuple[Number, ...], ...]:
    """Values by circuit, put as [pumps][circuits]."""
    values = list(zip((circuit.pump for circuit in made.plan.circuits), per_circuit, strict=True))
    return tuple(tuple(v for p, v in values if p == pump) for pump in range(len(made.problem.pumps)))


def limits_of(trial: Trial) -> CircuitLimits:
    """Nozzles that each circuit was allowed to feed: [pumps][circuits]."""
    return by_pump(trial.layout, [circuit.nozzles_at_most for circuit in trial.layout.problem.circuits])


def supply_of(trial: Trial) -> Supply:
    """What feeds a trial, at its set pressures."""
    made, pumps = trial.layout, trial.layout.problem.pumps
    groups = by_pump(made, [circuit.group for circuit in made.problem.circuits])
    mains = tuple(main_of(made.problem, pump) for pump in range(len(pumps)))
    pressures = tuple(p.set_pressure_pa for p in pumps)
    return Supply(made.pumps, tuple(p.site for p in pumps), groups, pressures, mains if any(mains) else ())


def kept_pressures_pa(trial: Trial) -> dict[int, float]:
    """Pressure of each position of a trial; none where one stands outside the band."""
    names, chosen = nozzle_names(trial.layout.plan), trial.layout.chosen
    at = {name: chosen[k] for k, name in names.items()}
    return {at[nozzle.id]: nozzle.pressure_pa for nozzle in trial.design.nozzles} if trial.band_kept else {}


def surplus(trial: Trial) -> int:
    """Nozzles that must go before every circuit stands within its usable capacity."""
    flows = trial.design.verification.flow_m3_s.values()
    return sum(
        max(0, ceil((flow - usable) / mean - COUNT_TOLERANCE))
        for usable, flow, mean in zip(_usable_m3_s(trial.layout), flows, trial.mean_flows_m3_s, strict=True)
        if mean > 0
    )


def _usable_m3_s(made: Layout) -> list[float]:
    """What the nozzles of each circuit may draw."""
    rules = made.instance.scenario.rules
    return [
        usable_m3_s(rules, made.pumps[circuit.pump], made.problem.pumps[circuit.pump].set_pressure_pa)
        for circuit in made.plan.circuits
    ]
