"""The best rounds of all starts, and what can be won back afterwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from optimizer.errors import NoDesign
from optimizer.placement.place import value_bound
from optimizer.placement.problem import PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.solve.exchange import won_back
from optimizer.solve.explore import Start, net_value
from optimizer.solve.placing import Search
from optimizer.solve.rounds import Kept, Outcome, better, run_rounds
from optimizer.solve.trial import Feeder

CLAIM = 1.1  # times the value reached, from which on another start is tried too
CLOSE = 0.015  # share of the best score within which a start that claims more is tried too


def best_outcome(feeder: Feeder, starts: Sequence[Start], base: PlacementProblem, search: Search) -> Outcome:
    """The best rounds of the starts, best first, with what single nozzles win back and a bound over all positions.

    base: the placement with every position. Raises NoDesign, the best start's, where none ends at all.
    """
    outcome = _more_claimed(feeder, starts, _best(feeder, starts, search), search)
    return _bounded(feeder, _won_back(feeder, outcome, base, search), base)


def _best(feeder: Feeder, starts: Sequence[Start], search: Search) -> Outcome:
    """The best rounds: of the first start that ends verified, and of those that claim much more."""
    best: Outcome | None = None
    refusals: list[NoDesign] = []
    for start in starts:
        if best is not None and (feeder.stop() or (best.kept.verified and start.claimed <= CLAIM * best.kept.value)):
            continue
        try:
            found = run_rounds(feeder, start, search)
        except NoDesign as refusal:
            refusals.append(refusal)
            continue
        best = found if best is None or better(found.kept, best.kept) else best
    if best is None:
        raise refusals[0]
    return best


def _more_claimed(feeder: Feeder, starts: Sequence[Start], best: Outcome, search: Search) -> Outcome:
    """The best rounds, or those of a start that scores as well and claims more, where worth it by value and cost."""
    start = close_claim(starts)
    if start is None or not best.kept.verified or feeder.stop():
        return best
    try:
        found = run_rounds(feeder, start, search)
    except NoDesign:
        return best
    worth = _net(feeder, found.kept) > _net(feeder, best.kept)
    return found if worth and better(found.kept, best.kept) else best


def close_claim(starts: Sequence[Start]) -> Start | None:
    """The best of the starts that claim more than the first and score hardly less; None where none does.

    Hardly less: by the share CLOSE, and by what one nozzle covers on average, for quick trials tell counts no finer.
    """
    first = starts[0]
    one = first.claimed / max(1, sum(sum(of_pump) for of_pump in first.limits))
    least = first.score[1] - min(CLOSE * abs(first.score[1]), one)
    near = (start for start in starts if start.score[0] == first.score[0] and start.score[1] >= least)
    return next((start for start in near if start.claimed > first.claimed), None)


def _net(feeder: Feeder, kept: Kept) -> float:
    return net_value(feeder.instance, kept.value, kept.trial.cost)


def _won_back(feeder: Feeder, outcome: Outcome, base: PlacementProblem, search: Search) -> Outcome:
    """The outcome after single nozzles moved or were added, where its rounds left positions out; each gains more than
    the gap."""
    kept = outcome.kept
    if not kept.verified or kept.problem.barred == base.barred:
        return outcome
    every = replace(kept.problem, barred=base.barred)
    trial = won_back(feeder, every, kept.trial, search.gap * kept.value, search.effort.seed)
    if trial is kept.trial:
        return outcome
    value = Selection(Cover(every), trial.layout.chosen).value
    told = f"then single nozzles moved or added: {value:.1f} weighted m² covered, verified"
    note = kept.note and f"{kept.note}, before single nozzles moved or were added"
    return Outcome(replace(kept, trial=trial, value=value, note=note), (*outcome.rounds, told))


def _bounded(feeder: Feeder, outcome: Outcome, base: PlacementProblem) -> Outcome:
    """The outcome, its bound that of as many nozzles at any positions, also those that its placement had to do without
    or that only some of its pumps can serve."""
    kept = outcome.kept
    limits = kept.problem.limits[: len(feeder.instance.candidates.groups)]
    if kept.problem.barred == base.barred and kept.problem.limits == limits:
        return outcome
    bound = value_bound(replace(kept.problem, barred=base.barred, limits=limits), feeder.stop)
    return replace(outcome, kept=replace(kept, bound_at_count=max(bound, kept.value)))
