"""The run rules that a finished plan breaks, from the plan alone: a second judgement beside the search's."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from hydraulics.units import show_both
from optimizer.runs.plan import CircuitPlan, RunPlan
from optimizer.runs.problem import RunProblem

TOLERANCE = 1e-9  # relative: a run exactly as long as the rule allows keeps it


@dataclass(frozen=True)
class RunFault:
    """A run rule that a plan breaks: run_longest, run_nozzles or balance; words: run or circuit, value, limit,
    mend."""

    rule: str
    words: str

    def __str__(self) -> str:
        return self.words


def run_fault(problem: RunProblem, plan: RunPlan) -> RunFault | None:
    """The first run rule that the plan breaks; None if it keeps them all."""
    for circuit in plan.circuits:
        for fault in (*_long(problem, circuit), *_crowded(problem, circuit)):
            return fault
    return next(_uneven(problem, plan), None)


def _long(problem: RunProblem, circuit: CircuitPlan) -> Iterator[RunFault]:
    metres = {problem.outlet_point(circuit.pump): 0.0}
    for use in circuit.pieces:
        metres[use.to_point] = metres[use.from_point] + float(problem.layout.length_m[use.piece])
        if metres[use.to_point] > problem.longest_run_m * (1 + TOLERANCE):
            end = max(metres[use.to_point], _furthest(problem, circuit, metres[use.to_point], use.to_point))
            yield RunFault(
                "run_longest",
                f"run {use.run} of circuit {circuit.circuit + 1} is {show_both(end, 'length')} long, "
                f"{show_both(problem.longest_run_m, 'length')} is the most: raise it, place the pump nearer, draw a "
                "shorter tubing link, or give up the nozzles at its end",
            )


def _furthest(problem: RunProblem, circuit: CircuitPlan, start_m: float, start: int) -> float:
    """Metres to the furthest end that is fed through a point."""
    metres = {start: start_m}
    for use in circuit.pieces:
        if use.from_point in metres:
            metres[use.to_point] = metres[use.from_point] + float(problem.layout.length_m[use.piece])
    return max(metres.values())


def _crowded(problem: RunProblem, circuit: CircuitPlan) -> Iterator[RunFault]:
    most = problem.run_nozzles_most
    if most is None:
        return
    run_at = {use.to_point: use.run for use in circuit.pieces}
    on_run = Counter(run_at[int(problem.layout.nozzle_point[k])] for k in circuit.served)
    for run, count in sorted(on_run.items()):
        if count > most:
            yield RunFault(
                "run_nozzles",
                f"run {run} of circuit {circuit.circuit + 1} has {count} nozzles, {most} are the most: raise it, add a "
                "circuit, draw another tubing link near the pump, or feed fewer nozzles",
            )


def _uneven(problem: RunProblem, plan: RunPlan) -> Iterator[RunFault]:
    if problem.balance is None:
        return
    for pump, unit in enumerate(problem.pumps):
        flows = problem.safe_flow_m3_s(pump)
        load = {c.circuit: float(sum(flows[list(c.served)])) for c in plan.circuits if c.pump == pump}
        least, greatest = min(load, key=load.__getitem__), max(load, key=load.__getitem__)
        if load[least] < (1.0 - problem.balance) * load[greatest] * (1 - TOLERANCE):
            yield RunFault(
                "balance",
                f"circuit {least + 1} of pump {unit.name} takes {show_both(load[least], 'flow')}, circuit "
                f"{greatest + 1} {show_both(load[greatest], 'flow')}: more than {100 * problem.balance:g} % apart; "
                "allow more, give the pump fewer circuits, or draw tubing links that let them share nozzles",
            )
