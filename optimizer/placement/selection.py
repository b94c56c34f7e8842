"""A choice of positions that is changed one nozzle at a time, with the gain of every candidate kept up to date.

The one mutable object of the room: greedy, swap and repair all work on it. Adding or removing a nozzle costs
the cells that it alone covers, not the whole incidence.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import scipy.sparse as sp

from optimizer.placement.problem import BoolArray, FloatArray, IntArray, PlacementProblem, Window


class Cover:
    """What all choices of one problem share: incidence by cell and by candidate, conflicts, windows."""

    def __init__(self, problem: PlacementProblem) -> None:
        self.problem = problem
        self.by_cell = sp.csr_array(problem.incidence)
        self.by_candidate = sp.csc_array(problem.incidence)
        self.spacing = _membership(problem.spacing, problem.candidates)
        close = sp.csr_array(self.spacing.T @ self.spacing)
        close.setdiag(0)
        close.eliminate_zeros()
        self.close = close
        self.needed = _membership(problem.cover, problem.candidates)
        self.needs = sp.csc_array(self.needed)

    def cells(self, candidate: int) -> IntArray:
        return _row(self.by_candidate, candidate)

    def neighbours(self, candidate: int) -> IntArray:
        """Candidates that stand too close to this one."""
        return _row(self.close, candidate)

    def windows(self, candidate: int) -> IntArray:
        """Windows of continuous lines that this candidate serves."""
        return _row(self.needs, candidate)

    def spread(self, cells: IntArray) -> FloatArray:
        """[J]: value of the given cells that each candidate covers."""
        starts, ends = self.by_cell.indptr[cells], self.by_cell.indptr[cells + 1]
        counts = ends - starts
        offsets = np.repeat(ends - np.cumsum(counts), counts) + np.arange(counts.sum())
        weights = np.repeat(self.problem.value[cells], counts)
        columns = self.by_cell.indices[offsets]
        spread = np.bincount(columns, weights=weights, minlength=self.problem.candidates)
        return spread.astype(np.float64, copy=False)


class Selection:
    """Chosen candidates of a problem.

    chosen bool [J]; hits [C]: chosen candidates that cover each cell; gain [J]: value of the uncovered cells
    of each candidate; crowd [J]: chosen candidates too close to each; served [K]: chosen candidates in each
    window of a continuous line; in_group [groups]: chosen candidates of each schedule group.
    """

    def __init__(self, cover: Cover, chosen: Iterable[int] = ()) -> None:
        problem = cover.problem
        self.cover, self.problem = cover, problem
        self.chosen = np.zeros(problem.candidates, dtype=bool)
        self.hits = np.zeros(len(problem.value), dtype=np.int64)
        self.gain = np.asarray(problem.incidence.T @ problem.value, dtype=float)
        self.crowd = np.zeros(problem.candidates, dtype=np.int64)
        self.served = np.zeros(len(problem.cover), dtype=np.int64)
        self.in_group = np.zeros(problem.groups, dtype=np.int64)
        for candidate in sorted(chosen):
            self.add(candidate)

    @property
    def value(self) -> float:
        return float(self.problem.value[self.hits > 0].sum())

    @property
    def count(self) -> int:
        return int(self.in_group.sum())

    def members(self) -> tuple[int, ...]:
        return tuple(int(j) for j in np.flatnonzero(self.chosen))

    def add(self, candidate: int) -> None:
        cells = self.cover.cells(candidate)
        self.gain -= self.cover.spread(cells[self.hits[cells] == 0])
        self._change(candidate, cells, 1)

    def remove(self, candidate: int) -> None:
        cells = self.cover.cells(candidate)
        self._change(candidate, cells, -1)
        self.gain += self.cover.spread(cells[self.hits[cells] == 0])

    def _change(self, candidate: int, cells: IntArray, by: int) -> None:
        self.chosen[candidate] = by > 0
        self.hits[cells] += by
        self.crowd[self.cover.neighbours(candidate)] += by
        self.served[self.cover.windows(candidate)] += by
        self.in_group[self.problem.group[candidate]] += by

    def loss(self, candidate: int) -> float:
        """Value that is lost when this chosen candidate goes."""
        cells = self.cover.cells(candidate)
        return float(self.problem.value[cells[self.hits[cells] == 1]].sum())

    def addable(self) -> BoolArray:
        """[J]: candidates that may be added: not chosen, not too close, a circuit of their group has room."""
        open_groups = np.array([self._has_room(group) for group in range(self.problem.groups)])
        allowed: BoolArray = ~self.chosen & (self.crowd == 0) & open_groups[self.problem.group]
        return allowed

    def _has_room(self, group: int) -> bool:
        counts = self.in_group.copy()
        counts[group] += 1
        return int(self.problem.circuits_for(counts).sum()) <= self.problem.circuits

    def within_capacity(self) -> bool:
        return int(self.problem.circuits_for(self.in_group).sum()) <= self.problem.circuits

    def removable(self, candidate: int) -> bool:
        """Whether every continuous line stays served without this candidate."""
        return bool((self.served[self.cover.windows(candidate)] > 1).all())

    def serving(self, windows: IntArray) -> BoolArray:
        """[J]: candidates that lie in all the given windows of continuous lines."""
        inside = np.zeros(self.problem.candidates, dtype=np.int64)
        for window in windows:
            inside[_row(self.cover.needed, int(window))] += 1
        serving: BoolArray = inside == len(windows)
        return serving

    def is_legal(self) -> bool:
        """All rules hold: spacing, continuous lines, locked positions, circuits."""
        return (
            not (self.crowd[self.chosen] > 0).any()
            and bool((self.served > 0).all())
            and bool(self.chosen[list(self.problem.locked)].all())
            and self.within_capacity()
        )


def _membership(windows: tuple[Window, ...], candidates: int) -> sp.csr_array:
    """[windows, candidates] of ones where a candidate lies in a window."""
    indices = np.array([j for window in windows for j in window], dtype=np.int64)
    start = np.cumsum([0, *(len(window) for window in windows)])
    ones = np.ones(len(indices), dtype=np.int64)
    return sp.csr_array((ones, indices, start), shape=(len(windows), candidates))


def _row(matrix: sp.csr_array | sp.csc_array, index: int) -> IntArray:
    start, end = matrix.indptr[index : index + 2]
    return np.asarray(matrix.indices[start:end], dtype=np.int64)
