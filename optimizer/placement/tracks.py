"""A problem taken apart by strand, in the form the dynamic programme of `lines` runs over.

A *track* is a strand's candidates in the order in which they are decided. An open strand is one track. On a closed
one that must have a nozzle in some window, each candidate of that window gives one track: it comes first and is
taken, so that nothing needs to be known across the seam; the best of these tracks is the strand's best. A closed
strand without such a window is one track that forgets the windows across its seam: its best is then an upper bound.
A strand of even pitch has one track for each of its patterns, all of whose candidates are taken; the strands of one
line of even pitch are decided together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import scipy.sparse as sp

from optimizer.placement.problem import TOLERANCE_M, BoolArray, IntArray, PlacementProblem, Row, Window


@dataclass(frozen=True, eq=False)
class Tracks:
    """R tracks of at most T candidates; places 0..P-1 are their candidates, track by track.

    order [P]: candidate at a place; start [R + 1]: first place of each track; line [R]: what it decides, a strand or
    all strands of a line of even pitch, numbered from 0; first, last, cell [I]: the interval of places from which a
    cell is covered; intervals [C]: of each cell, most on any choice of tracks; usable [P]; room [P]: places before a
    place that are too close to it; bar_from, bar_to [P]: predecessors so many places back stand neither in the same
    row nor far enough behind it (none where from > to); least [R, T]: the predecessor's first possible step on the
    track (-1: none is needed); finish [R]: the last nozzle stands at this step or later (-1: none is needed);
    optional [R]: what the track decides may stay empty all the same; spacing, cover: numbers of the problem's windows
    that no track knows of.
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
    bar_from: IntArray
    bar_to: IntArray
    least: IntArray
    finish: IntArray
    optional: BoolArray
    spacing: tuple[int, ...]
    cover: tuple[int, ...]


@dataclass(frozen=True)
class _Line:
    """A strand's windows as (first index, count) of consecutive candidates, which may run past its end; patterns:
    the choices of an even pitch, None where any may be chosen, and even: the number of their line, else -1; row: where
    all of it is the strand's."""

    members: Window
    spacing: list[tuple[int, int]] = field(default_factory=list)
    needed: list[tuple[int, int]] = field(default_factory=list)
    patterns: tuple[Window, ...] | None = None
    even: int = -1
    row: Row | None = None

    @property
    def turns(self) -> list[int | None]:
        """Index of the candidate that each track of the strand begins with and takes; None: with the first."""
        count = len(self.members)
        is_closed = any(first + size > count for first, size in self.spacing + self.needed)
        if not is_closed or not self.needed:
            return [None]
        first, size = min(self.needed, key=lambda span: (span[1], span[0]))
        return [(first + k) % count for k in range(size)]

    def fits(self, pattern: Window) -> bool:
        """Whether a pattern has a nozzle in each window that needs one."""
        count = len(self.members)
        chosen = {self.members.index(j) for j in pattern}
        return all(any((first + k) % count in chosen for k in range(size)) for first, size in self.needed)


@dataclass(frozen=True)
class _Track:
    """One track of a strand: its candidates, where it was turned to, whether all its candidates are taken."""

    strand: int
    order: Window
    turn: int | None = None
    whole: bool = False


def tracks_of(problem: PlacementProblem) -> Tracks:
    """Take the problem apart by strand; a locked position is a window of its own that needs a nozzle."""
    lines, spacing, cover = _lines(problem)
    together = _decided_together(lines)
    made = [track for strands in together for number in strands for track in _tracks(number, lines[number])]
    start = np.cumsum([0, *(len(track.order) for track in made)]).astype(np.int64)
    usable, room = np.ones(start[-1], dtype=bool), np.zeros(start[-1], dtype=np.int64)
    bar_from, bar_to = np.ones(start[-1], dtype=np.int64), np.zeros(start[-1], dtype=np.int64)
    least = np.full((len(made), int(np.diff(start).max())), -1, dtype=np.int64)
    finish = np.full(len(made), -1, dtype=np.int64)
    for number, track in enumerate(made):
        here, line = slice(start[number], start[number + 1]), lines[track.strand]
        if track.whole:
            finish[number] = len(track.order) - 1
            least[number, : len(track.order)] = np.arange(len(track.order)) - 1
            continue
        _keep_apart(line, track.turn, usable[here], room[here])
        finish[number] = _need(line, track.turn, least[number])
        if line.row is not None:
            bar_from[here], bar_to[here] = _bars(line.row, track.turn)
    order = np.array([j for track in made for j in track.order], dtype=np.int64)
    usable &= ~np.isin(order, problem.barred)
    decides = {strand: number for number, strands in enumerate(together) for strand in strands}
    decided = np.array([decides[track.strand] for track in made], dtype=np.int64)
    taken = np.array([track.turn is not None for track in made])
    first, last, cell = _intervals(problem, order, start, taken)
    intervals = _most_intervals(cell, decided[_track_of(first, start)], _track_of(first, start), problem)
    bound_to = [any(lines[strand].needed for strand in together[line]) for line in decided]
    optional = np.array([track.whole and not needed for track, needed in zip(made, bound_to, strict=True)])
    return Tracks(
        order, start, decided, first, last, cell, intervals, usable, room, bar_from, bar_to, least, finish, optional,
        spacing, cover,
    )  # fmt: skip


def _decided_together(lines: list[_Line]) -> list[list[int]]:
    """The strands, those of one line of even pitch together, in order of their first."""
    groups: dict[tuple[int, int], list[int]] = {}
    for number, line in enumerate(lines):
        groups.setdefault((line.even, -1) if line.even >= 0 else (-1, number), []).append(number)
    return sorted(groups.values())


def _tracks(number: int, line: _Line) -> Iterator[_Track]:
    if line.patterns is None:
        yield from (_Track(number, _turned(line.members, turn), turn) for turn in line.turns)
        return
    legal = [pattern for pattern in line.patterns if line.fits(pattern)]
    yield from (_Track(number, tuple(j for j in line.members if j in set(pattern)), whole=True) for pattern in legal)
    if not legal:
        yield _Track(number, line.members)  # no pattern serves it alone: its choice is not known here, only bounded


def _lines(problem: PlacementProblem) -> tuple[list[_Line], tuple[int, ...], tuple[int, ...]]:
    """The strands, and the numbers of the windows, of spacing and of cover, that no strand holds."""
    line = np.full(problem.candidates, -1, dtype=np.int64)
    index = np.zeros(problem.candidates, dtype=np.int64)
    for number, members in enumerate(problem.lines):
        line[list(members)] = number
        index[list(members)] = np.arange(len(members))
    rows = {row.members: row for row in problem.rows}
    lines = [_line(problem, members, rows.get(members)) for members in problem.lines]
    spanned: dict[int, tuple[int, tuple[int, int]]] = {}
    for w, window in enumerate(problem.spacing):
        for number in np.unique(line[list(window)]):
            part = tuple(j for j in window if line[j] == number)
            for at, span in _span(part, line, index, problem):
                lines[at].spacing.append(span)
                if len(part) == len(window):
                    spanned[w] = at, span
    held = set()
    for k, window in enumerate((*problem.cover, *((j,) for j in problem.locked))):
        for at, span in _span(window, line, index, problem):
            lines[at].needed.append(span)
            held.add(k)
    crossing = {
        w for w, (at, (first, size)) in spanned.items()
        if first + size > len(lines[at].members) and lines[at].turns == [None] and lines[at].patterns is None
    }  # fmt: skip
    loose = tuple(w for w in range(len(problem.spacing)) if w not in spanned or w in crossing)
    return lines, loose, tuple(k for k in range(len(problem.cover)) if k not in held)


def _line(problem: PlacementProblem, members: Window, row: Row | None) -> _Line:
    """A strand without its windows; with patterns where all its open candidates stand in patterns of its own."""
    own = set(members)
    for number, patterns in enumerate(problem.even):
        found = tuple(pattern for pattern in patterns if own.issuperset(pattern))
        if found and own <= set(problem.barred).union(*found):
            return _Line(members, patterns=found, even=number, row=row)
    return _Line(members, row=row)


def _bars(row: Row, turn: int | None) -> tuple[IntArray, IntArray]:
    """Of each place: how many places back predecessors stand too far for its row and too near for the next one."""
    s = np.array(row.chainage_m)
    if turn is not None:
        s = np.concatenate([s[turn:], s[:turn] + row.length_m])
    here = np.arange(len(s))
    nearest = np.searchsorted(s, s - row.greatest_m - TOLERANCE_M, side="left")  # first that shares the row
    farthest = np.searchsorted(s, s - row.gap_m + TOLERANCE_M, side="right")  # first that is nearer than the gap
    return (here - nearest + 1).astype(np.int64), (here - farthest).astype(np.int64)


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
    is left out: the cell is hit there already. None where cells count by summed dosage.
    """
    hit_once = sp.csr_array(problem.incidence.shape, dtype=bool) if problem.dosed else problem.incidence
    by_place = hit_once[:, order].tocsr()
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
