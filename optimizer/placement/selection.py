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
        self.in_limits = sp.csc_array(_membership(tuple(limit.members for limit in problem.limits), problem.candidates))
        self.most = np.array([limit.most for limit in problem.limits], dtype=np.int64)
        self.open = np.ones(problem.candidates, dtype=bool)
        self.open[list(problem.barred)] = False
        self.credit = problem.value / problem.need  # of each nozzle that brings a cell nearer to its need
        self.limited = sp.csc_array(_membership(tuple(limit.members for limit in problem.limits), problem.candidates))
        self.most = np.array([limit.most for limit in problem.limits], dtype=np.int64)
        self.barred = np.zeros(problem.candidates, dtype=bool)
        self.barred[list(problem.barred)] = True
        self.credit = problem.value / problem.need

    def cells(self, candidate: int) -> IntArray:
        return _row(self.by_candidate, candidate)

    def neighbours(self, candidate: int) -> IntArray:
        """Candidates that stand too close to this one."""
        return _row(self.close, candidate)

    def windows(self, candidate: int) -> IntArray:
        """Windows of continuous lines that this candidate serves."""
        return _row(self.needs, candidate)

    def limits(self, candidate: int) -> IntArray:
        """Limits that this candidate counts against."""
        return _row(self.limited, candidate)

    def spread(self, cells: IntArray) -> FloatArray:
        """[J]: credit of the given cells that each candidate covers."""
        starts, ends = self.by_cell.indptr[cells], self.by_cell.indptr[cells + 1]
        counts = ends - starts
        offsets = np.repeat(ends - np.cumsum(counts), counts) + np.arange(counts.sum())
        weights = np.repeat(self.credit[cells], counts)
        columns = self.by_cell.indices[offsets]
        spread = np.bincount(columns, weights=weights, minlength=self.problem.candidates)
        return spread.astype(np.float64, copy=False)


class Selection:
    """Chosen candidates of a problem.

    A cell that counts when n nozzles reach it credits each of the first n with 1 / n of its value: gains and losses
    are of credit, which leads to the second nozzle of a cell; `value` is the true one, and the same where n = 1.

    chosen bool [J]; hits [C]: chosen candidates that cover each cell; gain [J]: credit that each candidate brings,
    with its bonus; crowd [J]: chosen candidates too close to each; served [K]: chosen candidates in each window of a
    continuous line; in_limit [limits]: chosen members of each limit.
    """

    def __init__(self, cover: Cover, chosen: Iterable[int] = ()) -> None:
        problem = cover.problem
        self.cover, self.problem = cover, problem
        self.chosen = np.zeros(problem.candidates, dtype=bool)
        self.hits = np.zeros(len(problem.value), dtype=np.int64)
        self.gain = np.asarray(problem.incidence.T @ cover.credit, dtype=float) + problem.bonus
        self.crowd = np.zeros(problem.candidates, dtype=np.int64)
        self.served = np.zeros(len(problem.cover), dtype=np.int64)
        self.in_limit = np.zeros(len(problem.limits), dtype=np.int64)
        for candidate in sorted(chosen):
            self.add(candidate)

    @property
    def value(self) -> float:
        """Weighted m² of the cells that enough nozzles reach, and the bonuses."""
        problem = self.problem
        return float(problem.value[self.hits >= problem.need].sum() + problem.bonus[self.chosen].sum())

    @property
    def count(self) -> int:
        return int(self.chosen.sum())

    def members(self) -> tuple[int, ...]:
        return tuple(int(j) for j in np.flatnonzero(self.chosen))

    def add(self, candidate: int) -> None:
        cells = self.cover.cells(candidate)
        self.gain -= self.cover.spread(cells[self.hits[cells] == self.problem.need[cells] - 1])
        self._change(candidate, cells, 1)

    def remove(self, candidate: int) -> None:
        cells = self.cover.cells(candidate)
        self._change(candidate, cells, -1)
        self.gain += self.cover.spread(cells[self.hits[cells] == self.problem.need[cells] - 1])

    def _change(self, candidate: int, cells: IntArray, by: int) -> None:
        self.chosen[candidate] = by > 0
        self.hits[cells] += by
        self.crowd[self.cover.neighbours(candidate)] += by
        self.served[self.cover.windows(candidate)] += by
        self.in_limit[self.cover.limits(candidate)] += by

    def loss(self, candidate: int) -> float:
        """Credit that is lost when this chosen candidate goes."""
        cells = self.cover.cells(candidate)
        missed = cells[self.hits[cells] <= self.problem.need[cells]]
        return float(self.cover.credit[missed].sum() + self.problem.bonus[candidate])

    def addable(self) -> BoolArray:
        """[J]: candidates that may be added: not chosen, not barred, not too close, every limit of theirs has room."""
        allowed: BoolArray = self.cover.open & ~self.chosen & (self.crowd == 0)
        for number in np.flatnonzero(self.in_limit >= self.cover.most):
            allowed[list(self.problem.limits[number].members)] = False
        return allowed

    def within_capacity(self) -> bool:
        """Whether every limit is kept."""
        return bool((self.in_limit <= self.cover.most).all())

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
        """All rules hold: spacing, continuous lines, locked and barred positions, limits."""
        return (
            not (self.crowd[self.chosen] > 0).any()
            and bool((self.served > 0).all())
            and bool(self.chosen[list(self.problem.locked)].all())
            and not (self.chosen & self.cover.barred).any()
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
