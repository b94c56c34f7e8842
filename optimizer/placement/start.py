"""Good placements fast: repair of any choice, greedy filling, and swaps of one nozzle at a time."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from optimizer.placement.selection import Cover, Selection

GAIN_TOLERANCE = 1e-9  # of the total value: smaller improvements are rounding


def improved(cover: Cover, chosen: Iterable[int]) -> Selection | None:
    """A legal selection near `chosen`, filled greedily and improved by swaps; None where repair fails."""
    selection = repaired(cover, chosen)
    if selection is None:
        return None
    fill(selection)
    swap(selection)
    return selection


def repaired(cover: Cover, chosen: Iterable[int]) -> Selection | None:
    """Locked positions in, barred and conflicts out, continuous lines served, no more nozzles than limits allow."""
    locked = set(cover.problem.locked)
    selection = Selection(cover, locked.union(chosen).difference(cover.problem.barred))
    _part(selection, locked)
    _serve(selection)
    _thin(selection, locked)
    return selection if selection.is_legal() else None


def _part(selection: Selection, locked: set[int]) -> None:
    """Remove the less valuable of nozzles that stand too close."""
    while (crowded := np.flatnonzero(selection.chosen & (selection.crowd > 0))).size:
        loose = [int(j) for j in crowded if int(j) not in locked]
        if not loose:
            return
        selection.remove(min(loose, key=lambda j: (selection.removable(j) < 1, selection.loss(j), j)))


def _serve(selection: Selection) -> None:
    """Add the most valuable nozzle to each window of a continuous line that has none."""
    for window in range(len(selection.served)):
        if selection.served[window] == 0:
            free = ~selection.chosen & ~selection.cover.barred & (selection.crowd == 0)
            allowed = selection.serving(np.array([window])) & free
            if allowed.any():
                selection.add(int(np.where(allowed, selection.gain, -np.inf).argmax()))


def _thin(selection: Selection, locked: set[int]) -> None:
    """Remove the least valuable nozzles of limits that are passed until all are kept."""
    while not selection.within_capacity():
        over = np.flatnonzero(selection.in_limit > selection.cover.most)
        members = {j for number in over for j in selection.problem.limits[number].members if selection.chosen[j]}
        loose = [j for j in sorted(members - locked) if selection.removable(j)]
        if not loose:
            return
        selection.remove(min(loose, key=lambda j: (selection.loss(j), j)))


def fill(selection: Selection) -> None:
    """Add the nozzle of greatest gain as long as one may be added and gains."""
    least = GAIN_TOLERANCE * float(selection.problem.value.sum())
    while True:
        gain = np.where(selection.addable(), selection.gain, -np.inf)
        best = int(gain.argmax())
        if gain[best] <= least:
            return
        selection.add(best)


def swap(selection: Selection, rounds: int = 50) -> None:
    """Move single nozzles to where they gain most, round after round, until none gains."""
    least = GAIN_TOLERANCE * float(selection.problem.value.sum())
    movable = set(selection.members()) - set(selection.problem.locked)
    for _ in range(rounds):
        moved = False
        for candidate in sorted(movable & set(selection.members())):
            moved |= _move(selection, candidate, least)
        movable = set(selection.members()) - set(selection.problem.locked)
        if not moved:
            return


def _move(selection: Selection, candidate: int, least: float) -> bool:
    """Move one nozzle to the best place free without it; False where it stays."""
    windows = selection.cover.windows(candidate)
    selection.remove(candidate)
    allowed = selection.addable()
    unserved = windows[selection.served[windows] == 0]
    if unserved.size:
        allowed &= selection.serving(unserved)
    gain = np.where(allowed, selection.gain, -np.inf)
    best = int(gain.argmax())
    if gain[best] <= selection.gain[candidate] + least:
        best = candidate
    selection.add(best)
    return best != candidate
