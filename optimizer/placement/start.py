"""Good placements fast: repair of any choice, greedy filling, and swaps of one nozzle, or one pattern, at a time."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from optimizer.placement.even import EvenLine
from optimizer.placement.problem import Window
from optimizer.placement.repair import (
    bridge,
    calm,
    join_rows,
    meet_floors,
    part,
    pattern_gains,
    put,
    serve,
    settle,
    thin,
)
from optimizer.placement.selection import Cover, Selection

GAIN_TOLERANCE = 1e-9  # of the total value: smaller improvements are rounding
PITCH_ROUNDS = 5
PITCHES_TRIED = 3


def improved(cover: Cover, chosen: Iterable[int]) -> Selection | None:
    """A legal selection near `chosen`, filled greedily and improved by swaps; None where repair fails."""
    selection = repaired(cover, chosen)
    if selection is None:
        return None
    fill(selection)
    filled, value = selection.members(), selection.value
    swap(selection)
    for _ in range(PITCH_ROUNDS):
        if not repitch(selection):
            break
        swap(selection)
    if not cover.counts_at_once:
        swap(selection, truly=True)
    if selection.value < value:  # credit has misled, as it may where two nozzles make a cell count
        selection.become(filled)
    return selection


def repaired(cover: Cover, chosen: Iterable[int]) -> Selection | None:
    """Locked positions in, barred and conflicts out, patterns even, continuous lines and floors served, rows legal,
    no more nozzles, and no more drift, than limits allow."""
    problem = cover.problem
    selection = Selection(cover, set(chosen).union(problem.locked).difference(problem.barred))
    for step in (settle, part, serve, meet_floors, join_rows, thin, calm):
        step(selection)
    return selection if selection.is_legal() else None


def fill(selection: Selection) -> None:
    """Add the nozzle of greatest gain as long as one may be added and gains; then chains that join rows."""
    least = _least(selection)
    while True:
        gain = np.where(selection.addable(), selection.gain, -np.inf)
        best = int(gain.argmax())
        if gain[best] > least:
            selection.add(best)
        elif not _join_one(selection, least):
            return


def _least(selection: Selection) -> float:
    return GAIN_TOLERANCE * float(selection.problem.value.sum())


def _join_one(selection: Selection, least: float) -> bool:
    """Bridge one gap between rows where that gains."""
    if not selection.cover.row_lines or (selection.problem.limits and selection.reached().all()):
        return False
    for number, first, last in selection.rows.wide_gaps(selection.chosen):
        before = selection.members()
        if (credit := bridge(selection, number, first, last)) is not None:
            if credit > least:
                return True
            selection.become(before)
    return False


def swap(selection: Selection, rounds: int = 50, *, truly: bool = False) -> None:
    """Move single nozzles to where they gain most credit, truly: value, round after round, until none gains."""
    least = _least(selection)
    fixed = selection.cover.locked | selection.cover.in_pattern
    for _ in range(rounds):
        moved = False
        for candidate in np.flatnonzero(selection.chosen & ~fixed).tolist():
            moved |= _move(selection, candidate, least, truly)
        if not moved:
            return


def _move(selection: Selection, candidate: int, least: float, truly: bool) -> bool:
    """Move one nozzle to the best place free without it; False where it stays."""
    windows = selection.cover.windows(candidate)
    joins = not selection.rows.loose[candidate]
    lacking = np.flatnonzero(selection.floors_broken_without(candidate))
    selection.remove(candidate)
    allowed = selection.addable()
    unserved = windows[selection.served[windows] == 0]
    if unserved.size:
        allowed &= selection.serving(unserved)
    if joins:
        allowed &= selection.rows.gap_of(candidate, selection.chosen)
    for floor in lacking:
        short = selection.cover.floor_least[floor] - selection.floor_m2[floor]
        allowed &= selection.floor_gain(int(floor), credit=False) >= short
    gains = selection.value_gain() if truly else selection.gain
    best = int(np.where(allowed, gains, -np.inf).argmax())
    if not allowed[best] or gains[best] <= gains[candidate] + least:
        best = candidate
    selection.add(best)
    return best != candidate


def repitch(selection: Selection) -> bool:
    """Give each line of even pitch the pattern that gains most; False where all keep theirs.

    Where limits are reached a pattern pays for every nozzle what the least valuable nozzle elsewhere is worth.
    """
    moved = False
    for line in selection.cover.even_lines:
        moved |= _repitch(selection, line)
    return moved


def _repitch(selection: Selection, line: EvenLine) -> bool:
    before, value = selection.members(), selection.value
    for choice in _promising(selection, line):
        put(selection, line, choice)
        thin(selection)
        fill(selection)
        if selection.is_legal() and selection.value > value + _least(selection):
            return True
        selection.become(before)
    return False


def _promising(selection: Selection, line: EvenLine) -> list[Window]:
    """The patterns, or none, that gain more than the one that stands, the best few first."""
    standing, choices = line.standing(selection.chosen), line.choices()
    price = _price(selection)
    put(selection, line, ())
    scores = pattern_gains(selection, line) - price * np.array([len(choice) for choice in choices])
    open_to = [not (selection.crowd[list(choice)] > 0).any() for choice in choices]
    put(selection, line, standing)
    now = scores[choices.index(standing)] + _least(selection)
    order = [int(i) for i in np.argsort(-scores, kind="stable") if open_to[i] and scores[i] > now]
    return [choices[i] for i in order[:PITCHES_TRIED]]


def _price(selection: Selection) -> float:
    """Least credit of a nozzle that may go, where some limit is reached, else 0."""
    if not selection.reached().any():
        return 0.0
    loose = np.flatnonzero(selection.chosen & ~selection.cover.locked).tolist()
    return min((selection.loss(j) for j in loose if selection.removable(j)), default=0.0)
