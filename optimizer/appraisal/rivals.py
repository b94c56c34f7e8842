"""The same count of nozzles placed otherwise: as by hand, and greedily; and what one nozzle more or less is worth."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from optimizer.placement.selection import Cover, Selection
from optimizer.placement.start import fill, repaired, swap

MOVES_REGAIN = 0.9  # of the coverage asked for: with less than that, moves of single nozzles are not tried
SAVING_TOLERANCE = 1e-9  # relative: as much coverage, whatever the order in which it was added up


def greedy(cover: Cover) -> tuple[int, ...] | None:
    """Locked positions and what continuous lines need, then always the nozzle of greatest gain; None if no repair."""
    selection = repaired(cover, ())
    if selection is None:
        return None
    fill(selection)
    return selection.members()


def nozzles_saved(cover: Cover, chosen: Iterable[int], value_m2: float) -> int:
    """How many fewer nozzles of a choice, the others moved, are found to cover `value_m2` weighted still.

    A search, so that more may be possible: the least valuable go one by one, what is left is improved by swaps, and
    the fewest that are enough are found by bisection.
    """
    shrunk = _shrinking(cover, chosen, MOVES_REGAIN * value_m2)
    enough = value_m2 * (1.0 - SAVING_TOLERANCE)
    low, high = 0, len(shrunk) - 1
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if _moved_value(cover, shrunk[middle]) >= enough else (low, middle - 1)
    return low


def _shrinking(cover: Cover, chosen: Iterable[int], least_m2: float) -> list[tuple[int, ...]]:
    """The choice, and what is left of it after each least loss, as long as one may go and so much is covered."""
    selection = Selection(cover, chosen)
    shrunk = [selection.members()]
    while selection.value >= least_m2 and (last := _last(selection)) is not None:
        selection.remove(last[0])
        shrunk.append(selection.members())
    return shrunk


def _moved_value(cover: Cover, chosen: tuple[int, ...]) -> float:
    """Value of a choice, after moves of single nozzles where these are for the better."""
    selection = Selection(cover, chosen)
    before = selection.value
    swap(selection)
    return max(before, selection.value)


def next_nozzle_m2(placed: Selection) -> float:
    """Weighted m² that the best further nozzle adds, the others staying."""
    return float(np.max(placed.value_gain(), where=placed.addable(), initial=0.0))


def last_nozzle_m2(placed: Selection) -> float | None:
    """Weighted m² that go with the least valuable nozzle that may go; None where none may."""
    last = _last(placed)
    return None if last is None else last[1]


def _last(placed: Selection) -> tuple[int, float] | None:
    """The least valuable nozzle that may go, and the weighted m² that go with it."""
    problem = placed.problem
    losses = np.zeros(problem.candidates)
    losses[list(placed.members())] = [placed.value_loss(j) - problem.bonus[j] for j in placed.members()]
    loose = np.setdiff1d(np.flatnonzero(placed.chosen), problem.locked)
    ordered = loose[np.argsort(losses[loose], kind="stable")]
    return next(((int(j), float(losses[j])) for j in ordered if placed.removable(int(j))), None)
