"""The placement problem as arrays: what covers what, what may not stand together, how many may stand.

What must live here: the frozen problem, its windows of spacing, and what makes it impossible before any search.
What may not: Pyomo, HiGHS, polygons.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from optimizer.errors import NoDesign

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]
Window: TypeAlias = tuple[int, ...]

TOLERANCE_M = 1e-6  # a spacing equal to the least or greatest is allowed, whatever the rounding of chainages


@dataclass(frozen=True, eq=False)
class PlacementProblem:
    """C merged cells, J candidate positions.

    value [C]: weighted m² of a merged cell; incidence bool [C, J]: candidate covers cell;
    lines: candidates of each mounting line in order of chainage, every candidate on one line;
    spacing: windows in which at most one is chosen; cover: windows in which at least one is chosen (continuous
    lines); locked: candidates that are chosen; group [J]: schedule group 0..groups-1 of a candidate;
    circuits: of all pumps together, each serves one group; per_circuit: nozzles one circuit serves at most;
    names: how messages name the candidates, () for their numbers.
    """

    value: FloatArray
    incidence: sp.csr_array
    lines: tuple[Window, ...]
    spacing: tuple[Window, ...]
    cover: tuple[Window, ...]
    locked: tuple[int, ...]
    group: IntArray
    groups: int
    circuits: int
    per_circuit: int
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if sorted(j for members in self.lines for j in members) != list(range(self.candidates)):
            raise ValueError(f"lines must hold each of the {self.candidates} candidates exactly once")

    @property
    def candidates(self) -> int:
        return int(self.incidence.shape[1])

    @property
    def nozzles_at_most(self) -> int:
        return self.circuits * self.per_circuit

    def name(self, candidate: int) -> str:
        return self.names[candidate] if self.names else f"position {candidate}"

    def circuits_for(self, in_group: IntArray) -> IntArray:
        """Circuits [groups] that so many nozzles of each group need; one each at least."""
        return np.maximum(1, -(-in_group // self.per_circuit)).astype(np.int64)


def line_orders(line: IntArray, chainage_m: FloatArray) -> tuple[Window, ...]:
    """Candidates of each line in order of chainage; lines in order of their number."""
    return tuple(
        tuple(int(j) for j in members[np.argsort(chainage_m[members], kind="stable")])
        for members in (np.flatnonzero(line == number) for number in np.unique(line))
    )


def spacing_windows(
    line: IntArray, chainage_m: FloatArray, closed_length_m: Mapping[int, float], least_m: float
) -> tuple[Window, ...]:
    """Maximal sets of two or more candidates of one line that all lie closer than `least_m` to one another.

    line [J], chainage_m [J]; closed_length_m: length of each line that closes on itself. Two candidates are too
    close if and only if some window holds both.
    """
    windows: set[Window] = set()
    for members in line_orders(line, chainage_m):
        length = closed_length_m.get(int(line[members[0]]), math.inf)
        spans = _spans(chainage_m[list(members)], length, least_m - 2.0 * TOLERANCE_M)
        windows |= {_turn(members, span) for span in _largest(spans) if span[1] > span[0]}
    return tuple(sorted(windows))


def cover_windows(
    line: IntArray,
    chainage_m: FloatArray,
    closed_length_m: Mapping[int, float],
    greatest_m: Mapping[int, float],
    free_m: Mapping[int, Sequence[tuple[float, float]]],
) -> tuple[Window, ...]:
    """Minimal sets of candidates of which one must be chosen so that no gap on a continuous line is too long.

    greatest_m: greatest spacing of each continuous line; free_m: its stretches (from, to) where no nozzle can
    stand. A gap without candidates that is longer than the greatest spacing ends a row where a free stretch lies
    in it; where none does, the window is empty and the line cannot be served. At each end of a row (also of the
    line) a nozzle stands within the greatest spacing of the end.
    """
    windows: set[Window] = set()
    for members in line_orders(line, chainage_m):
        number = int(line[members[0]])
        if number in greatest_m:
            length = closed_length_m.get(number, math.inf)
            reach_m = greatest_m[number] + TOLERANCE_M
            s = chainage_m[list(members)]
            windows |= _cover_of_line(members, s, length, reach_m, free_m.get(number, ()))
    return tuple(sorted(windows))


def _cover_of_line(
    members: Window, s: FloatArray, length: float, reach: float, free: Sequence[tuple[float, float]]
) -> set[Window]:
    """Windows of one continuous line, which gaps longer than reach cut into rows."""
    bare = False
    if math.isfinite(length):
        after = np.append(s[1:], s[0] + length)
        gaps = np.flatnonzero(after - s > reach)
        if gaps.size == 0:
            spans = [(i + 1, last) for i, (_, last) in enumerate(_spans(s, length, reach))]
            return {_turn(members, span) for span in _smallest(spans)}
        last_gap = int(gaps[-1])  # opened behind it, the closed line is an open one
        bare = not _has_free(s[last_gap], after[last_gap], length, free)
        members = members[last_gap + 1 :] + members[: last_gap + 1]
        s = np.concatenate([s[last_gap + 1 :], s[: last_gap + 1] + length])
    gaps = np.flatnonzero(np.diff(s) > reach)
    bare = bare or any(not _has_free(s[i], s[i + 1], length, free) for i in gaps)
    windows: set[Window] = {()} if bare else set()
    for row in np.split(np.arange(len(s)), gaps + 1):
        windows |= _cover_of_row(tuple(members[i] for i in row), s[row], reach)
    return windows


def _cover_of_row(row: Window, s: FloatArray, reach: float) -> set[Window]:
    """Windows of an open row: within reach of its start, behind every candidate, within reach of its end."""
    last = len(s) - 1
    spans = _spans(s, math.inf, reach)
    start = int(np.searchsorted(s, s[-1] - reach, side="left"))
    inner = [(i + 1, end) for i, end in spans if end < last]
    return {_turn(row, span) for span in _smallest([(0, spans[0][1]), *inner, (start, last)])}


def _has_free(start: float, end: float, length: float, free: Sequence[tuple[float, float]]) -> bool:
    shifts = (0.0, length) if math.isfinite(length) else (0.0,)
    return any(a + d < end and b + d > start for a, b in free for d in shifts)


def _spans(s: FloatArray, length: float, reach: float) -> list[tuple[int, int]]:
    """(i, last index within `reach` after i), counting on past the seam of a closed line, at most once round."""
    laps = np.concatenate([s, s + length]) if math.isfinite(length) else s
    last = np.searchsorted(laps, s + reach, side="right") - 1
    return [(i, min(int(b), i + len(s) - 1)) for i, b in enumerate(last)]


def _largest(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans that no other holds; starts rise by one and ends never fall: the one rival is the span before."""
    seam = spans[-1][1] - len(spans)
    ends = [seam, *(end for _, end in spans)]
    return [span for span, rival in zip(spans, ends, strict=False) if span[1] > rival]


def _smallest(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans that hold no other."""
    return [(a, b) for a, b in spans if not any((c, d) != (a, b) and a <= c and d <= b for c, d in spans)]


def _turn(members: Window, span: tuple[int, int]) -> Window:
    """Members first..last of a span, which may run past the seam, as a sorted set."""
    first, last = span
    return tuple(sorted({members[i % len(members)] for i in range(first, last + 1)}))


def require_possible(problem: PlacementProblem) -> None:
    """Raise NoDesign, in words a designer can act on, where the rules contradict each other at sight."""
    _require_something(problem)
    if problem.groups > problem.circuits:
        raise NoDesign(
            "circuits",
            f"{problem.groups} schedule groups need at least {problem.groups} circuits, one each; the option has "
            f"{problem.circuits}: give it more circuits or pumps, or put the zones into fewer schedules",
        )
    locked = set(problem.locked)
    for window in problem.spacing:
        close = sorted(locked.intersection(window))
        if len(close) > 1:
            first, second = (problem.name(j) for j in close[:2])
            raise NoDesign(
                "spacing_least_m",
                f"locked {first} and {second} stand closer than the least spacing: unlock or move one",
            )
    _require_room(problem)
    if () in problem.cover:
        raise NoDesign(
            "spacing_greatest_m",
            "a continuous line has a gap without candidate positions that is longer than its greatest spacing: "
            "declare the gap free of nozzles, use a smaller step or a greater spacing",
        )


def _require_something(problem: PlacementProblem) -> None:
    if problem.candidates == 0:
        raise NoDesign("step_m", "no candidate position is left on any mounting line: check lines and keep-outs")
    if problem.value.size == 0 or problem.incidence.nnz == 0:
        raise NoDesign("reach", "no candidate position covers any part of a zone: bring lines nearer to the zones")
    if problem.per_circuit < 1:
        raise NoDesign("reserve", "a circuit serves not even one nozzle: choose a larger pump or a smaller reserve")


def _require_room(problem: PlacementProblem) -> None:
    in_group = np.bincount(problem.group[list(problem.locked)], minlength=problem.groups)
    needed = int(problem.circuits_for(in_group).sum())
    if needed > problem.circuits:
        raise NoDesign(
            "reserve",
            f"{len(problem.locked)} locked positions need {needed} circuits of {problem.per_circuit} nozzles; the "
            f"option has {problem.circuits}: unlock some or use a larger pump",
        )
