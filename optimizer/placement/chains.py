"""Lines with rows as chains from nozzle to nozzle: which nozzle may be next; and what covers a cell once only.

What must live here: pairs of neighbours, groups of places and patterns as plain numbers; what may not: Pyomo, prices.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from optimizer.placement.problem import TOLERANCE_M, FloatArray, IntArray, PlacementProblem, Row, Window


@dataclass(frozen=True)
class Chain:
    """The places 0..n-1 of a `Row`, one for each of its members.

    near: (place, next place) that are legal neighbours of which the first bears upon the second: by a rule, or by a
    cell that both cover; off [n]: place from which on a next nozzle has nothing to do with the one at each place,
    counted on past n - 1: over the seam of a closed line, past the end of an open one; groups: places, in order, that
    cover some cell.
    """

    members: Window
    is_closed: bool
    near: tuple[tuple[int, int], ...]
    off: tuple[int, ...]
    groups: tuple[Window, ...]

    def within(self, group: int) -> list[tuple[int, int]]:
        """Near neighbours of which both cover the cells of a group, the first of them first in its order."""
        rank = {place: k for k, place in enumerate(self.groups[group])}
        return [(i, k) for i, k in self.near if rank.get(i, len(rank)) < rank.get(k, -1)]

    def over_seam(self) -> tuple[list[tuple[int, int]], list[int]]:
        """Near neighbours with the seam of a closed line between them, places whose `off` lies over it."""
        return [(i, k) for i, k in self.near if k < i], [i for i, k in enumerate(self.off) if k >= len(self.members)]


@dataclass(frozen=True)
class Chains:
    """The lines with rows, and what covers each cell.

    groups [C]: (chain, group) whose places do; patterns [C]: (line of even pitch, pattern) of whose nozzles one does;
    alone [C]: candidates besides.
    """

    chains: tuple[Chain, ...]
    groups: tuple[tuple[tuple[int, int], ...], ...]
    patterns: tuple[tuple[tuple[int, int], ...], ...]
    alone: tuple[Window, ...]


def chains_of(problem: PlacementProblem) -> Chains:
    """The rows of a problem as chains, and what covers each cell.

    A single candidate of a chain is no group. A cell that two nozzles must reach, or that counts by summed dosage, has
    its candidates alone.
    """
    rows = [row for row in problem.rows if row.members]
    chain, place = _places(problem, rows)
    even = _holding(problem)
    known: list[dict[Window, int]] = [{} for _ in rows]
    groups, patterns, alone = [], [], []
    covered_by = np.split(problem.incidence.indices, problem.incidence.indptr[1:-1])
    for need, covering in zip(problem.need, covered_by, strict=True):
        once = need == 1 and not problem.dosed
        pitched = {j for j in covering.tolist() if j in even} if once else set()
        patterns.append(tuple(sorted(set().union(*(even[j] for j in pitched)))))
        rest = covering[[j not in pitched for j in covering.tolist()]] if pitched else covering
        on = np.where(once, chain[rest], -1)
        found, single = [], set(rest[on < 0].tolist())
        for r in np.unique(on[on >= 0]).tolist():
            here = rest[on == r]
            if len(here) == 1:
                single.add(int(here[0]))
            else:
                group = _in_order(place[here], rows[r])
                found.append((r, known[r].setdefault(group, len(known[r]))))
        groups.append(tuple(found))
        alone.append(tuple(sorted(single)))
    windows = _windows(problem, rows, chain, place)
    chains = tuple(_chain(row, tuple(known[r]), windows[r]) for r, row in enumerate(rows))
    return Chains(chains, tuple(groups), tuple(patterns), tuple(alone))


def near_by_place(
    chains: Iterable[Chain],
) -> tuple[dict[tuple[int, int], list[int]], dict[tuple[int, int], list[int]]]:
    """Of each (chain, place) the near neighbours before it, and those behind it."""
    before: dict[tuple[int, int], list[int]] = {}
    behind: dict[tuple[int, int], list[int]] = {}
    for r, chain in enumerate(chains):
        for place in range(len(chain.members)):
            before[r, place], behind[r, place] = [], []
        for i, k in chain.near:
            before[r, k].append(i)
            behind[r, i].append(k)
    return before, behind


def _holding(problem: PlacementProblem) -> dict[int, list[tuple[int, int]]]:
    """(line, pattern) of even pitch in which each candidate of one stands."""
    found: dict[int, list[tuple[int, int]]] = {}
    for line, patterns in enumerate(problem.even):
        for t, pattern in enumerate(patterns):
            for j in pattern:
                found.setdefault(j, []).append((line, t))
    return found


def _places(problem: PlacementProblem, rows: list[Row]) -> tuple[IntArray, IntArray]:
    """Of each candidate its chain, -1 where it is on none, and its place there."""
    chain, place = np.full((2, problem.candidates), -1, dtype=np.int64)
    for r, row in enumerate(rows):
        chain[list(row.members)] = r
        place[list(row.members)] = np.arange(len(row.members))
    return chain, place


def _windows(problem: PlacementProblem, rows: list[Row], chain: IntArray, place: IntArray) -> list[list[Window]]:
    """Of each chain the places that share a window of spacing."""
    found: list[list[Window]] = [[] for _ in rows]
    for window in problem.spacing:
        members = np.array(window, dtype=np.int64)
        for r in np.unique(chain[members]).tolist():
            if r >= 0:
                found[r].append(_in_order(place[members[chain[members] == r]], rows[r]))
    return found


def _in_order(places: IntArray, row: Row) -> Window:
    """Places of a line in order; on a closed one from behind the widest gap between them."""
    ordered = np.sort(places)
    if np.isfinite(row.length_m):
        gaps = np.diff(ordered, append=ordered[0] + len(row.members))
        ordered = np.roll(ordered, -1 - int(gaps.argmax()))
    return tuple(ordered.tolist())


def _chain(row: Row, groups: tuple[Window, ...], windows: list[Window]) -> Chain:
    count, is_closed = len(row.members), bool(np.isfinite(row.length_m))
    s, here = np.array(row.chainage_m), np.arange(count)
    ahead_m = s - s[:, None] + np.where(here < here[:, None], row.length_m, 0.0)
    span = _span(row, ahead_m, [*groups, *windows])
    legal = (ahead_m <= row.greatest_m + TOLERANCE_M) | (ahead_m >= row.gap_m - TOLERANCE_M)
    for window in windows:
        legal[np.ix_(window, window)] = False
    near = []
    for i, ahead in enumerate(span.tolist()):
        near += [(i, k % count) for k in range(i + 1, i + ahead + 1) if legal[i, k % count]]
    return Chain(row.members, is_closed, tuple(near), tuple((here + span + 1).tolist()), groups)


def _span(row: Row, ahead_m: FloatArray, together: Iterable[Window]) -> IntArray:
    """[n]: how many places ahead the farthest is upon which a nozzle at each place bears."""
    count = len(row.members)
    span = np.zeros(count, dtype=np.int64)
    for places in together:
        last = places[-1]
        for place in places:
            span[place] = max(span[place], (last - place) % count)
    steps = (np.arange(count) - np.arange(count)[:, None]) % count
    in_gap: IntArray = np.where(ahead_m < row.gap_m - TOLERANCE_M, steps, 0).max(axis=1)
    return np.maximum(span, in_gap).astype(np.int64)


def walked(chain: Chain, picked: FloatArray) -> tuple[set[tuple[int, int]], FloatArray, list[bool]]:
    """Near neighbours of a choice, 1 where a place lies between `off` of a nozzle and the next, groups hit.

    picked [n]: 1 where a nozzle stands. A place gets -1 where two neighbours are not legal.
    """
    count, at = len(picked), np.flatnonzero(picked)
    behind = np.roll(at, -1) if chain.is_closed else at[1:]
    neighbours = set(zip(at.tolist(), behind.tolist(), strict=False)).intersection(chain.near)
    leaves, enters = picked.copy(), picked.copy()
    for i, k in neighbours:
        leaves[i] = enters[k] = 0.0
    free = np.bincount(chain.off, weights=leaves, minlength=2 * count)
    over_seam = sum(k < i for i, k in neighbours) + free[count:].sum()
    begin = 1.0 - over_seam if chain.is_closed else 1.0
    if chain.is_closed:
        free[:count] += free[count:]
    passed = begin + np.cumsum(free[:count] - enters)
    return neighbours, passed, [bool(picked[list(group)].any()) for group in chain.groups]
