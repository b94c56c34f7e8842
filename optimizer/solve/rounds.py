"""Rounds of placing, feeding, verifying and refilling, for one pump type; the best verified trial is kept.

A round places as many nozzles as the circuits could feed at the real flows of the round before, so that the pumps are
used up to their reserve; head is always reckoned with flows that verification has to confirm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from optimizer.errors import NoDesign
from optimizer.instance import Instance
from optimizer.placement.place import Placement, place
from optimizer.placement.problem import PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.progress import named
from optimizer.solve.assemble import nozzle_names
from optimizer.solve.explore import Start
from optimizer.solve.supply import Supply, group_choices, set_levels_pa
from optimizer.solve.trial import CircuitLimits, Effort, Feeder, Trial, fitting_limits, lowered, surplus
from optimizer.solver import Limits

MOST_ROUNDS = 3
MOST_REPAIRS = 8
VALUE_TIE = 1e-9


@dataclass(frozen=True)
class Kept:
    """A trial with what the placement model says of it: weighted m² covered, and bound at the count asked for."""

    trial: Trial
    value: float
    bound_at_count: float
    time_limit_hit: bool

    @property
    def verified(self) -> bool:
        """The full nonlinear state confirms it."""
        return self.trial.design.verification.verified


@dataclass(frozen=True)
class Outcome:
    """The best trial of all rounds, a sentence on each round, and what a designer must know."""

    kept: Kept
    rounds: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Search:
    """Gap at which a placement is good enough, its work limits, and the effort of a run split."""

    gap: float
    limits: Limits
    effort: Effort


def run_rounds(feeder: Feeder, start: Start, base: PlacementProblem, search: Search) -> Outcome:
    """Place, feed, verify and refill, at most three times.

    Raises NoDesign where not even the first round can be fed.
    """
    best: Kept | None = None
    told: list[str] = []
    notes: list[str] = []
    per_circuit, supply = start.per_circuit, start.supply
    for number in range(1, MOST_ROUNDS + 1):
        problem = replace(base, per_circuit=per_circuit)
        placement = place(
            problem, gap=search.gap, limits=search.limits, report=named(feeder.report, stage="placement"), stop=feeder.stop
        )
        chosen = worthwhile(problem, placement.chosen, feeder.instance.scenario.rules.least_gain_m2)
        supply = _matched(feeder.instance, supply, placement.group_circuits)
        trial = _repaired(feeder, supply, problem, chosen, search.effort, notes)
        kept = _kept(problem, placement, trial)
        told.append(_sentence(number, kept))
        best = kept if best is None or _better(kept, best) else best
        more = min(n for limits_of_pump in fitting_limits(trial) for n in limits_of_pump if n)
        if feeder.stop() or not kept.verified or more <= per_circuit or len(chosen) < problem.nozzles_at_most:
            break
        per_circuit, supply = more, replace(supply, set_pa=_set_pressures(trial))
    assert best is not None
    return Outcome(best, tuple(told), tuple(dict.fromkeys(notes)))


def worthwhile(problem: PlacementProblem, chosen: Sequence[int], least_gain_m2: float) -> tuple[int, ...]:
    """The chosen without those that cover less than least_gain_m2 alone, the least first; locked ones and those that
    a continuous line needs stay."""
    selection = Selection(Cover(problem), chosen)
    while (spare := _least(selection)) is not None:
        if selection.loss(spare) >= max(least_gain_m2, VALUE_TIE):
            break
        selection.remove(spare)
    return selection.members()


def _least(selection: Selection) -> int | None:
    """The chosen candidate that is missed least, of those that may go."""
    locked = set(selection.problem.locked)
    loose = [j for j in selection.members() if j not in locked and selection.removable(j)]
    return min(loose, key=lambda j: (selection.loss(j), j), default=None)


def _repaired(
    feeder: Feeder,
    supply: Supply,
    problem: PlacementProblem,
    chosen: Sequence[int],
    effort: Effort,
    notes: list[str],
) -> Trial:
    """A trial that keeps band and capacity, if repairs reach one.

    Too much flow: the least valuable nozzles go. Band not kept: the set pressure rises a step, then nozzles that stand
    below the band go.
    """
    limits = _even_limits(supply, problem.per_circuit)
    left = tuple(chosen)
    trial: Trial | None = None
    for _ in range(MOST_REPAIRS):
        try:
            trial = feeder.feed(supply, left, limits, effort)
        except NoDesign as refusal:
            raised = _raised(feeder.instance, supply)
            if raised is None and refusal.rule == "band":
                left = _without_least(problem, left, max(1, len(left) // 10), notes, "to keep the band")
            elif raised is None:
                raise
            supply = raised or supply
            continue
        if not trial.band_kept:
            raised = _raised(feeder.instance, supply)
            if raised is None:
                low = _low_candidates(trial)
                left = tuple(j for j in left if j not in low)
                notes.append(f"{len(low)} nozzles dropped: tubing cannot keep them in the band")
            supply = raised or supply
            continue
        trial = lowered(trial)
        over = surplus(trial)
        if not over or feeder.stop():
            return trial
        limits = fitting_limits(trial)
        supply = replace(supply, set_pa=_set_pressures(trial))
        left = _without_least(problem, left, over, notes, "to stay within the pump's capacity less its reserve")
    if trial is None:
        raise NoDesign("band", "No run split keeps the nozzles in the band, even with few of them; see the set range.")
    return trial


def _matched(instance: Instance, supply: Supply, group_circuits: Sequence[int]) -> Supply:
    """The supply with as many circuits of each schedule group as the placement asks for."""
    groups = sorted(group for of_pump in supply.groups for group in of_pump)
    asked = sorted(group for group, count in enumerate(group_circuits) for _ in range(count))
    return supply if groups == asked else replace(supply, groups=next(group_choices(instance, group_circuits)))


def _even_limits(supply: Supply, per_circuit: int) -> CircuitLimits:
    return tuple(tuple(per_circuit for _ in groups) for groups in supply.groups)


def _set_pressures(trial: Trial) -> tuple[float, ...]:
    return tuple(pump.set_pressure_pa for pump in trial.layout.problem.pumps)


def _raised(instance: Instance, supply: Supply) -> Supply | None:
    """The supply one set step higher where it may be; None where every pump stands at its top."""
    levels = set_levels_pa(instance, supply.pump, supply.sites)
    higher = tuple(
        min((p for p in allowed if p > now), default=now)
        for allowed, now in zip(levels, supply.set_pa, strict=True)
    )
    return replace(supply, set_pa=higher) if higher != supply.set_pa else None


def _without_least(
    problem: PlacementProblem, chosen: tuple[int, ...], count: int, notes: list[str], why: str
) -> tuple[int, ...]:
    """The chosen without the `count` least valuable that may go."""
    selection = Selection(Cover(problem), chosen)
    for _ in range(count):
        spare = _least(selection)
        if spare is None:
            raise NoDesign("locked", f"No nozzle can be dropped {why}: all are locked or needed by a continuous line.")
        selection.remove(spare)
    notes.append(f"{count} of the least valuable nozzles dropped {why}")
    return selection.members()


def _low_candidates(trial: Trial) -> set[int]:
    """Candidates whose nozzles stand outside the band."""
    proof = trial.design.verification
    outside = {*proof.low_faults, *proof.high_faults}
    names = nozzle_names(trial.layout.plan)
    return {trial.layout.chosen[k] for k, name in names.items() if name in outside}


def _kept(problem: PlacementProblem, placement: Placement, trial: Trial) -> Kept:
    value = Selection(Cover(problem), trial.layout.chosen).value
    return Kept(trial, value, placement.bound, placement.time_limit_hit)


def _better(one: Kept, other: Kept) -> bool:
    """Verified first, then more value, then less cost."""
    if one.verified != other.verified:
        return one.verified
    if abs(one.value - other.value) > VALUE_TIE * max(one.value, other.value):
        return one.value > other.value
    return one.trial.cost < other.trial.cost


def _sentence(number: int, kept: Kept) -> str:
    trial, proof = kept.trial, kept.trial.design.verification
    pressures = ", ".join(f"{p / 1e5:.2f}" for p in _set_pressures(trial))
    faults = [
        f"{len(found)} {name}"
        for name, found in (
            ("below the band", proof.low_faults),
            ("above the band", proof.high_faults),
            ("pump faults", proof.pump_faults),
        )
        if found
    ]
    state = "verified" if kept.verified else "not verified: " + ", ".join(faults)
    return (
        f"round {number}: {len(trial.layout.chosen)} nozzles, set pressure {pressures} bar, flow factor "
        f"{trial.factor:.3f}, {kept.value:.1f} weighted m2 covered, {state}"
    )
