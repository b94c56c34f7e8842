"""Winning back what rounds gave up: single nozzles of a verified design move to where they cover more, or are added.

Where pumps cannot keep a placement in the band, rounds leave positions out. Some may still be served in other company,
so moves are tried among all positions that the supply may serve.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from optimizer.errors import NoDesign
from optimizer.instance import Candidates
from optimizer.placement.problem import FloatArray, PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.solve.servable import highest_pressures_pa, servable
from optimizer.solve.supply import raised
from optimizer.solve.trial import Effort, Feeder, Trial, kept_pressures_pa, limits_of, lowered, supply_of

MOST_REFUSED = 6  # moves, until the search ends
MOVE = (0.6, 100, 2)  # evaluations a nozzle, and at least, and flow factors of the trial of a move

Chosen = tuple[int, ...]


def won_back(feeder: Feeder, base: PlacementProblem, trial: Trial, least_gain: float, seed: int) -> Trial:
    """The verified trial after moves that each cover at least least_gain weighted m² more and still verify.

    base: the placement with every position, for the count to keep to. A nozzle more gains also at least the rule
    `least_gain`. The move that gains most is tried first; none is tried that is no easier to feed than one refused
    before.
    """
    worth = max(least_gain, feeder.instance.scenario.rules.least_gain_m2)
    refused: list[Chosen] = []
    while len(refused) < MOST_REFUSED and not feeder.stop():
        supply = supply_of(trial)
        most = highest_pressures_pa(feeder.instance, supply).max(axis=0)
        problem = servable(feeder.instance, base, supply, kept_pressures_pa(trial))
        moves = exchanges(problem, trial.layout.chosen, least_gain, worth)
        easier = (m for m in moves if not any(_no_easier(feeder.instance.candidates, most, m, r) for r in refused))
        move = next(easier, None)
        if move is None:
            break
        moved = _fed(feeder, trial, move, Effort(*MOVE, seed, trial.factor))
        if moved is None:
            refused.append(move)
        else:
            trial = moved
    return trial


def exchanges(
    problem: PlacementProblem, chosen: Sequence[int], least_gain: float, least_of_one_more: float
) -> list[Chosen]:
    """Legal choices with one nozzle elsewhere that cover at least least_gain weighted m² more, and with one nozzle more
    that cover at least least_of_one_more; the most first."""
    selection = Selection(Cover(problem), chosen)
    found = [*_with_one(selection, least_of_one_more)]
    for nozzle in set(selection.members()) - set(problem.locked):
        selection.remove(nozzle)
        found += _with_one(selection, selection.value_gain()[nozzle] + least_gain)
        selection.add(nozzle)
    return [members for _, members in sorted((-value, members) for value, members in found)]


def _with_one(selection: Selection, least_gain: float) -> Iterator[tuple[float, Chosen]]:
    """Value and members of each legal choice with one nozzle more that gains as much."""
    for place in np.flatnonzero(selection.free() & (selection.value_gain() >= least_gain)):
        selection.add(int(place))
        if selection.is_legal():
            yield selection.value, selection.members()
        selection.remove(int(place))


def _fed(feeder: Feeder, trial: Trial, chosen: Chosen, effort: Effort) -> Trial | None:
    """Other positions fed as those of a trial, if need be a step higher in set pressure; None where none verifies."""
    supply = supply_of(trial)
    for tried in filter(None, (supply, raised(feeder.instance, supply))):
        try:
            found = lowered(feeder.feed(tried, chosen, limits_of(trial), effort))
        except NoDesign:
            continue
        if found.design.verification.verified:
            return found
    return None


def _no_easier(found: Candidates, most_pa: FloatArray, one: Chosen, other: Chosen) -> bool:
    """Whether every position of one choice, taken line by line, gets no more pressure than one of another as large."""
    ranks = [sorted((int(found.line[j]), float(most_pa[j])) for j in chosen) for chosen in (one, other)]
    return len(one) == len(other) and all(a[0] == b[0] and a[1] <= b[1] for a, b in zip(*ranks, strict=True))
