"""Where field valves stand: a handful of junctions screened by a sum of lengths, the best of them tried in full.

The circuits of a unit then share a main from the pump to a box; each one's trees begin there. A box at the pump, no
main at all, is always among the choices.
"""

from __future__ import annotations

from dataclasses import replace

from hydraulics.units import show_both
from optimizer.errors import NoDesign
from optimizer.progress import Progress
from optimizer.solve.boxes import screened
from optimizer.solve.mains import Main
from optimizer.solve.supply import Supply
from optimizer.solve.trial import Effort, Feeder, Trial, limits_of, lowered, supply_of

FINALISTS = 2  # that get the effort of a round
QUICK = (0.6, 100, 2)  # evaluations a nozzle, and at least, and flow factors of the trial of a box


def with_field_valves(feeder: Feeder, trial: Trial, effort: Effort) -> Trial:
    """A verified trial with the valves of its circuits in the field where that costs less, pump by pump; where the
    option asks for it."""
    if feeder.instance.option.zone_valves != "field" or not trial.design.verification.verified:
        return trial
    for unit, groups in enumerate(supply_of(trial).groups):
        if len(groups) > 1:
            trial = _unit_in_field(feeder, trial, unit, effort)
    return trial


def field_words(trial: Trial, before: float) -> str:
    """What the valves in the field save, in words, against a cost of tubing and ground work before."""
    problem = trial.layout.problem
    lengths = [
        (choice.name, sum(float(problem.layout.length_m[part.piece]) for part in choice.main))
        for choice in problem.pumps
        if choice.main
    ]
    mains = " and ".join(f"of {name} behind a main of {show_both(length, 'length')}" for name, length in lengths)
    return f"then valves in the field, {mains}: tubing and ground work cost {trial.cost:.0f} instead of {before:.0f}"


def _unit_in_field(feeder: Feeder, trial: Trial, unit: int, effort: Effort) -> Trial:
    """The cheapest of a verified trial and those with the unit's valves at one of the boxes screened."""
    supply, made = supply_of(trial), trial.layout
    own = [made.chosen[k] for circuit in made.plan.circuits if circuit.pump == unit for k in circuit.served]
    if not own:
        return trial
    sizes = sorted({use.tubing for circuit in made.plan.circuits for use in circuit.pieces})
    mains = [Main(edges, size) for edges in screened(feeder.instance, supply, unit, own) for size in sizes]
    quick = Effort(*QUICK, effort.seed, trial.factor)
    tried = [(_fed(feeder, trial, _placed(supply, unit, main), quick), main) for main in mains]
    ranked = sorted(((found.cost, number) for number, (found, _) in enumerate(tried) if found is not None))
    for _, number in ranked[:FINALISTS]:
        full = _fed(feeder, trial, _placed(supply, unit, tried[number][1]), replace(effort, factor=trial.factor))
        best = [found for found in (full, tried[number][0], trial) if found is not None]
        trial = min(best, key=lambda one: one.cost)
    return trial


def _placed(supply: Supply, unit: int, main: Main) -> Supply:
    trunks = list(supply.trunks)
    trunks[unit] = main
    return replace(supply, mains=tuple(trunks))


def _fed(feeder: Feeder, trial: Trial, supply: Supply, effort: Effort) -> Trial | None:
    """The same nozzles from another supply; None where that does not verify."""
    try:
        found = lowered(feeder.feed(supply, trial.layout.chosen, limits_of(trial), effort))
    except NoDesign:
        return None
    if not found.design.verification.verified:
        return None
    feeder.report(Progress("field valves", note=f"cost {found.cost:.0f}, at the pump {trial.cost:.0f}"))
    return found
