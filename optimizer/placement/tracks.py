"""A problem taken apart by line, in the form the dynamic programme of `lines` runs over.

A *track* is a line's candidates in the order in which they are decided. An open line is one track. On a
closed line that must have a nozzle in some window, each candidate of that window gives one track: it comes
first and is taken, so that nothing needs to be known across the seam; the best of these tracks is the
line's best. A closed line without such a window is one track that forgets the windows across its seam: its
best is then an upper bound.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer.placement.problem import BoolArray, IntArray, PlacementProblem, Window


@dataclass(frozen=True, eq=False)
class Tracks:
    """R tracks of at most T candidates; places 0..P-1 are their candidates, track by track.

    order [P]: candidate at a place; start [R + 1]: first place of each track; line [R]: its line; first,
    last, cell [I]: the interval of places from which a cell is covered; intervals [C]: of each cell, most on
    any choice of tracks; usable [P]; room [P]: places before a place that are too close to it; least [R, T]:
    the predecessor's first possible step on the track (-1: none is needed); finish [R]: the last nozzle
    stands at this step or later (-1: none is needed).
    """

    order: IntArray
    start: IntArray
    line: IntArray
    first: IntArray
    last: IntArray
    cell: IntArray
    intervals: IntArray
    usable: BoolArray
    room: IntArray
    least: IntArray
    finish: IntArray


@dataclass(frozen=True)
class _Line:
    """A line's windows as (first index, count) of consecutive candidates, which may run past its end."""

    members: Window
    spacing: list[tuple[int, int]]
    needed: list[tuple[int, int]]

    @property
    def turns(self) -> list[int | None]:
        """Index of the candidate that each track of the line begins with and takes; None: with the first."""
        count = len(self.members)
        is_closed = any(first + size > count for first, size in self.spacing + self.needed)
        if not is_closed or not self.needed:
            return [None]
        first, size = min(self.needed, key=lambda span: (span[1], span[0]))
        return [(first + k) % count for k in range(size)]


def tracks_of(problem: PlacementProblem) -> Tracks:
    """Take the problem apart by line; a locked position is a window of its own that needs a nozzle."""
    lines = _lines(problem)
    turned = [(number, turn) for number, line in enumerate(lines) for turn in line.turns]
    orders = [_turned(lines[number].members, turn) for number, turn in turned]
    start = np.cumsum([0, *(len(order) for order in orders)]).astype(np.int64)
    usable, room = np.ones(start[-1], dtype=bool), np.zeros(start[-1], dtype=np.int64)
    least = np.full((len(turned), int(np.diff(start).max())), -1, dtype=np.int64)
    finish = np.full(len(turned), -1, dtype=np.int64)
    for track, (number, turn) in enumerate(turned):
        here = slice(start[track], start[track + 1])
        _keep_apart(lines[number], turn, usable[here], room[here])
        finish[track] = _need(lines[number], turn, least[track])
    order = np.concatenate(orders).astype(np.int64)
    line = np.array([number for number, _ in turned], dtype=np.int64)
    taken = np.array([turn is not None for _, turn in turned])
    first, last, cell = _intervals(problem, order, start, taken)
    intervals = _most_intervals(cell, line[_track_of(first, start)], _track_of(first, start), problem)
    return Tracks(order, start, line, first, last, cell, intervals, usable, room, least, finish)


def _lines(problem: PlacementProblem) -> list[_Line]:
    line = np.full(problem.candidates, -1, dtype=np.int64)
    index = np.zeros(problem.candidates, dtype=np.int64)
    for number, members in enumerate(problem.lines):
        line[list(members)] = number
        index[list(members)] = np.arange(len(members))
    lines = [_Line(members, [], []) for members in problem.lines]
    for window in problem.spacing:
        for number, span in _span(window, line, index, problem):
            lines[number].spacing.append(span)
    for window in (*problem.cover, *((j,) for j in problem.locked)):
        for number, span in _span(window, line, index, problem):
            lines[number].needed.append(span)
    return lines


def _span(
    window: Window, line: IntArray, index: IntArray, problem: PlacementProblem
) -> Iterator[tuple[int, tuple[int, int]]]:
    """Line and span of a window, nothing where its candidates are not consecutive on one line."""
    members = list(window)
    number = int(line[members[0]])
    if (line[members] != number).any():
        return
    count = len(problem.lines[number])
    places = np.sort(index[members])
    behind = np.flatnonzero(np.diff(places) > 1)
    if behind.size == 0:
        yield number, (int(places[0]), len(places))
    elif behind.size == 1 and places[0] == 0 and places[-1] == count - 1:
        yield number, (int(places[behind[0] + 1]), len(places))


def _turned(members: Window, turn: int | None) -> Window:
    return members[turn or 0 :] + members[: turn or 0]


def _keep_apart(line: _Line, turn: int | None, usable: BoolArray, room: IntArray) -> None:
    """Least spacing on a track; what is too close to a first nozzle that is taken cannot be used."""
    count = len(line.members)
    for first, size in line.spacing:
        low = (first - (turn or 0)) % count
        high = low + size - 1
        if high >= count and turn is not None:
            usable[low:] = False
            _widen(room, 0, high - count)
        elif high < count:
            _widen(room, low, high)


def _widen(room: IntArray, low: int, high: int) -> None:
    room[low : high + 1] = np.maximum(room[low : high + 1], np.arange(high - low + 1))


def _need(line: _Line, turn: int | None, least: IntArray) -> int:
    """Fill `least` of a track and return its `finish`; a window across the seam holds the nozzle taken there."""
    count = len(line.members)
    spans = [((first - (turn or 0)) % count, size) for first, size in line.needed]
    if turn is not None:
        spans.append((0, 1))
    inside = [(low, low + size) for low, size in spans if low + size <= count]
    for low, past in inside:
        least[past:] = np.maximum(least[past:], low)
    return max((low for low, _ in inside), default=-1)


def _intervals(
    problem: PlacementProblem, order: IntArray, start: IntArray, taken: BoolArray
) -> tuple[IntArray, IntArray, IntArray]:
    """First place, last place and cell of every maximal set of consecutive places that covers one cell.

    On a track whose first nozzle is taken, an interval at the end of a cell that also the first place covers
    is left out: the cell is hit there already.
    """
    by_place = problem.incidence[:, order].tocsr()
    by_place.sort_indices()
    places = by_place.indices.astype(np.int64)
    cells = np.repeat(np.arange(by_place.shape[0]), np.diff(by_place.indptr))
    track = _track_of(places, start)
    begins = np.diff(places, prepend=-2) != 1
    begins |= (np.diff(cells, prepend=-1) != 0) | (np.diff(track, prepend=-1) != 0)
    ends = np.append(begins[1:], True)[: len(begins)]
    first, last, cell = places[begins], places[ends], cells[begins].astype(np.int64)
    track = _track_of(first, start)
    key = cell * len(taken) + track
    at_start = key[first == start[track]]
    seam = taken[track] & (last == start[track + 1] - 1) & (first > start[track]) & np.isin(key, at_start)
    return first[~seam], last[~seam], cell[~seam]


def _track_of(places: IntArray, start: IntArray) -> IntArray:
    return (np.searchsorted(start, places, side="right") - 1).astype(np.int64)


def _most_intervals(cell: IntArray, line: IntArray, track: IntArray, problem: PlacementProblem) -> IntArray:
    """[C]: intervals of each cell, from each line those of the track that has most."""
    keys, counts = np.unique(cell * (track.max(initial=0) + 1) + track, return_counts=True)
    cells, tracks = np.divmod(keys, track.max(initial=0) + 1)
    line_of = np.zeros(track.max(initial=0) + 1, dtype=np.int64)
    line_of[track] = line
    pairs = cells * len(problem.lines) + line_of[tracks]
    order = np.lexsort((-counts, pairs))
    top = np.append(True, np.diff(pairs[order]) != 0) if len(order) else np.zeros(0, dtype=bool)
    weights = counts[order][top]
    return np.bincount(cells[order][top], weights=weights, minlength=len(problem.value)).astype(np.int64)
