"""The run split of a design held against what is done by hand for the same nozzles, pumps and sites."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import chain

from optimizer.costs import CostLine, total, total_of
from optimizer.errors import NoDesign
from optimizer.runs.practice import by_hand
from optimizer.runs.problem import RunProblem
from optimizer.solve import fault_words
from optimizer.solve.assemble import Layout, assemble
from optimizer.solve.priced import priced
from optimizer.solve.supply import Supply, raised
from optimizer.solve.trial import Trial, fitting_limits, lowered, supply_of
from optimizer.verify import settled


@dataclass(frozen=True)
class ByHand:
    """The same nozzles fed by hand: nearest ways, one tubing size everywhere; see `runs.practice`.

    verified: by the full nonlinear check; reason: why it is not, or why there is none, all figures None then. tubing:
    name of the size; set_pressure_pa: of each pump; laid_cost: tubing, fittings and ground work; saving, saving_laid:
    shares by which the design is cheaper in all and in what is laid, below 0 where it is dearer.
    """

    verified: bool
    reason: str | None
    tubing: str | None = None
    tubing_m: float | None = None
    set_pressure_pa: tuple[float, ...] | None = None
    laid_cost: float | None = None
    saving_laid: float | None = None
    installed_cost: float | None = None
    saving: float | None = None


def held_against_hand(trial: Trial) -> ByHand:
    """A design's run split held against the one by hand, at its set pressures.

    Where that does not verify the set pressures are lowered as far as the band lets them, with reducers where these are
    on sale and needed, then raised a step, and so on; where none verifies the figures are those at the design's set
    pressures.
    """
    found = hand_trial(trial)
    return ByHand(False, str(found)) if isinstance(found, NoDesign) else _figures(trial, found)


def hand_trial(trial: Trial) -> Trial | NoDesign:
    """The run split by hand that `held_against_hand` speaks of, or why there is none."""
    tried: list[Trial] = []
    refusals: list[NoDesign] = []
    for problem in _problems(trial):
        try:
            found = _laid(trial.layout, problem)
        except NoDesign as refusal:
            refusals.append(refusal)
            continue
        tried.append(found)
        for one in (found, lowered(found)):
            if one.design.verification.verified:
                return one
    return tried[0] if tried else refusals[0]


def laid_cost(lines: tuple[CostLine, ...]) -> float:
    """What is laid: tubing, fittings and ground work."""
    return sum(total_of(lines, group) for group in ("tubing", "fittings", "ground"))


def _problems(trial: Trial) -> Iterator[RunProblem]:
    """The design's run problem at its set pressures and at every higher step; circuits may take as many nozzles as the
    capacity less its reserve feeds at the design's mean flow, no fewer than they do."""
    made = trial.layout
    rooms = chain.from_iterable(fitting_limits(trial))
    circuits = tuple(
        replace(circuit, nozzles_at_most=max(len(plan.served), room))
        for circuit, plan, room in zip(made.problem.circuits, made.plan.circuits, rooms, strict=True)
    )
    supply: Supply | None = supply_of(trial)
    while supply is not None:
        pumps = tuple(
            replace(pump, set_pressure_pa=set_pa)
            for pump, set_pa in zip(made.problem.pumps, supply.set_pa, strict=True)
        )
        yield replace(made.problem, pumps=pumps, circuits=circuits)
        supply = raised(made.instance, supply)


def _laid(made: Layout, problem: RunProblem) -> Trial:
    rules = made.instance.scenario.rules
    laid = replace(made, problem=problem, plan=by_hand(problem), reducers=())
    return Trial(laid, settled(assemble(laid), (rules.band_low_pa, rules.band_high_pa)))


def _figures(trial: Trial, hand: Trial) -> ByHand:
    own, lines = (priced(one.layout, one.design).lines for one in (trial, hand))
    made, proof = hand.layout, hand.design.verification
    uses = [use for circuit in made.plan.circuits for use in circuit.pieces]
    return ByHand(
        verified=proof.verified,
        reason=None if proof.verified else fault_words(hand.design),
        tubing=made.problem.tubing[uses[0].tubing].name,
        tubing_m=sum(float(made.problem.layout.length_m[use.piece]) for use in uses),
        set_pressure_pa=tuple(pump.set_pressure_pa for pump in made.problem.pumps),
        laid_cost=laid_cost(lines),
        saving_laid=_saving(laid_cost(own), laid_cost(lines)),
        installed_cost=total(lines),
        saving=_saving(total(own), total(lines)),
    )


def _saving(own: float, other: float) -> float | None:
    return 1.0 - own / other if other > 0.0 else None
