"""A choice of positions that is changed one nozzle at a time, with the gain of every candidate kept up to date.

The one mutable object of the room: greedy, swap and repair all work on it. Adding or removing a nozzle costs
the cells that it alone covers, not the whole incidence.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from optimizer.placement.even import even_line
from optimizer.placement.problem import (
    DRIFT_TOLERANCE,
    FLOOR_TOLERANCE,
    BoolArray,
    FloatArray,
    IntArray,
    PlacementProblem,
)
from optimizer.placement.rows import Rows, row_line
from optimizer.placement.sets import marked, membership, row_of

LEAST_DOSE = 1e-12


class Cover:
    """What all choices of one problem share: incidence by cell and by candidate, conflicts, windows, lines.

    credit [C]: what each nozzle that brings a cell nearer to its need is worth there; barred, locked, in_pattern [J];
    floor_area [floors, C], floor_least [floors]: m² of cells in a zone, and the least that counts; excess [drifts, J].
    """

    def __init__(self, problem: PlacementProblem) -> None:
        self.problem = problem
        self.by_cell = sp.csr_array(problem.incidence)
        self.by_candidate = sp.csc_array(problem.incidence)
        self.spacing = membership(problem.spacing, problem.candidates)
        close = sp.csr_array(self.spacing.T @ self.spacing)
        close.setdiag(0)
        close.eliminate_zeros()
        self.close = close
        self.needed = membership(problem.cover, problem.candidates)
        self.needs = sp.csc_array(self.needed)
        self.limited = sp.csc_array(membership(tuple(limit.members for limit in problem.limits), problem.candidates))
        self.limit_members = tuple(np.array(limit.members, dtype=np.int64) for limit in problem.limits)
        self.most = np.array([limit.most for limit in problem.limits], dtype=np.int64)
        self.credit = problem.value / problem.need
        self.counts_at_once = bool((problem.need == 1).all())
        self.row_lines = tuple(row_line(row) for row in problem.rows)
        self.barred, self.locked, self.in_pattern = (
            marked(members, problem.candidates)
            for members in (problem.barred, problem.locked, (j for t in problem.even for w in t for j in w))
        )
        self.even_lines = tuple(even_line(patterns, problem, close) for patterns in problem.even)
        self.floor_area = np.array([floor.area_m2 for floor in problem.floors]).reshape(-1, len(problem.value))
        self.excess = np.array([drift.excess for drift in problem.drifts]).reshape(-1, problem.candidates)
        self.floor_least = np.array([floor.least_m2 * (1.0 - FLOOR_TOLERANCE) for floor in problem.floors])

    def cells(self, candidate: int) -> IntArray:
        return row_of(self.by_candidate, candidate)

    def doses(self, candidate: int) -> FloatArray:
        """The dosage that this candidate brings to each of `cells`, as a share of what is enough."""
        start, end = self.by_candidate.indptr[candidate : candidate + 2]
        return np.asarray(self.by_candidate.data[start:end], dtype=np.float64)

    def dose_gains(self, cells: IntArray, hits: FloatArray, worth: FloatArray | None = None) -> FloatArray:
        """[J]: of the given cells at their dosage what each candidate would add, at their worth [C] (None: credit)."""
        worth = self.credit if worth is None else worth
        rows = self.by_cell[cells]
        lacking = np.repeat(np.maximum(1.0 - hits, 0.0), np.diff(rows.indptr))
        added = np.minimum(rows.data, lacking) * np.repeat(worth[cells], np.diff(rows.indptr))
        gains = np.bincount(rows.indices, weights=added, minlength=self.problem.candidates)
        return gains.astype(np.float64, copy=False)

    def neighbours(self, candidate: int) -> IntArray:
        """Candidates that stand too close to this one."""
        return row_of(self.close, candidate)

    def windows(self, candidate: int) -> IntArray:
        """Windows of continuous lines that this candidate serves."""
        return row_of(self.needs, candidate)

    def limits(self, candidate: int) -> IntArray:
        """Limits that this candidate counts against."""
        return row_of(self.limited, candidate)

    def spread(self, cells: IntArray, worth: FloatArray) -> FloatArray:
        """[J]: of the given cells those that each candidate covers, at their worth [C]."""
        starts, ends = self.by_cell.indptr[cells], self.by_cell.indptr[cells + 1]
        counts = ends - starts
        offsets = np.repeat(ends - np.cumsum(counts), counts) + np.arange(counts.sum())
        weights = np.repeat(worth[cells], counts)
        columns = self.by_cell.indices[offsets]
        spread = np.bincount(columns, weights=weights, minlength=self.problem.candidates)
        return spread.astype(np.float64, copy=False)


class Selection:
    """Chosen candidates of a problem.

    A cell that counts when n nozzles reach it credits each of the first n with 1 / n of its value: gains and losses
    are of credit, which leads to the second nozzle of a cell; `value` is the true one, and the same where n = 1.

    Where cells count by summed dosage, credit and value are the same: of each cell the share that it gets.

    chosen bool [J]; hits [C]: chosen candidates that cover each cell, or the dosage brought; gain [J]: credit that
    each candidate brings, with its bonus; crowd [J]: chosen candidates too close to each; served [K]: chosen
    candidates in each window of a continuous line; in_limit [limits]: chosen members of each limit; floor_m2
    [floors]: area that counts in each zone with a floor; drift [drifts]: excess of all chosen; rows: what its rows
    let come and go.
    """

    def __init__(self, cover: Cover, chosen: Iterable[int] = ()) -> None:
        problem = cover.problem
        self.cover, self.problem = cover, problem
        self.chosen = np.zeros(problem.candidates, dtype=bool)
        self.hits: NDArray[Any] = np.zeros(len(problem.value), dtype=np.float64 if problem.dosed else np.int64)
        self.gain = np.asarray(problem.incidence.T @ cover.credit, dtype=float) + problem.bonus
        self._value_gain = np.asarray(
            problem.incidence.T @ np.where(problem.need == 1, problem.value, 0.0), dtype=float
        )
        self.crowd = np.zeros(problem.candidates, dtype=np.int64)
        self.served = np.zeros(len(problem.cover), dtype=np.int64)
        self.in_limit = np.zeros(len(problem.limits), dtype=np.int64)
        self.floor_m2 = np.zeros(len(problem.floors))
        self.drift = np.zeros(len(problem.drifts))
        self.rows = Rows(cover.row_lines, problem.candidates)
        for candidate in sorted(chosen):
            self.add(candidate)

    @property
    def value(self) -> float:
        """Weighted m² of the cells that enough nozzles reach, and the bonuses."""
        problem = self.problem
        return float(problem.value @ problem.counted(self.hits) + problem.bonus[self.chosen].sum())

    @property
    def count(self) -> int:
        return int(self.chosen.sum())

    def members(self) -> tuple[int, ...]:
        return tuple(int(j) for j in np.flatnonzero(self.chosen))

    def add(self, candidate: int) -> None:
        cells = self.cover.cells(candidate)
        if self.problem.dosed:
            self._dose(candidate, cells, 1)
            return
        self.gain -= self.cover.spread(cells[self._lacks_one(cells)], self.cover.credit)
        self._change(candidate, cells, 1)

    def remove(self, candidate: int) -> None:
        cells = self.cover.cells(candidate)
        if self.problem.dosed:
            self._dose(candidate, cells, -1)
            return
        self._change(candidate, cells, -1)
        self.gain += self.cover.spread(cells[self._lacks_one(cells)], self.cover.credit)

    def become(self, chosen: Iterable[int]) -> None:
        """Change to another choice."""
        now, then = set(self.members()), set(chosen)
        for candidate in sorted(now - then):
            self.remove(candidate)
        for candidate in sorted(then - now):
            self.add(candidate)

    def _lacks_one(self, cells: IntArray) -> BoolArray:
        lacking: BoolArray = self.hits[cells] == self.problem.need[cells] - 1
        return lacking

    def _dose(self, candidate: int, cells: IntArray, by: int) -> None:
        """Bring or take a nozzle's dosage; what others would add to its cells changes with it."""
        before = self.hits[cells]
        brought = self.cover.doses(candidate)
        after = np.maximum(before + by * brought, 0.0)
        after[after < LEAST_DOSE] = 0.0  # rounding of what has come and gone
        self.hits[cells] = after
        self.gain += self.cover.dose_gains(cells, after) - self.cover.dose_gains(cells, before)
        if self.floor_m2.size:
            self.floor_m2 += self.cover.floor_area[:, cells] @ (np.minimum(after, 1.0) - np.minimum(before, 1.0))
        self._note(candidate, by)

    def _change(self, candidate: int, cells: IntArray, by: int) -> None:
        before = self.hits[cells] >= self.problem.need[cells]
        lacking = cells[self._lacks_one(cells)]
        self.hits[cells] += by
        if not self.cover.counts_at_once:
            self._value_gain -= self.cover.spread(lacking, self.problem.value)
            self._value_gain += self.cover.spread(cells[self._lacks_one(cells)], self.problem.value)
        if self.floor_m2.size:
            turned = cells[before != (self.hits[cells] >= self.problem.need[cells])]
            self.floor_m2 += by * self.cover.floor_area[:, turned].sum(axis=1)
        self._note(candidate, by)

    def _note(self, candidate: int, by: int) -> None:
        """Take note of a nozzle that has come or gone in all that does not count cells."""
        self.chosen[candidate] = by > 0
        self.crowd[self.cover.neighbours(candidate)] += by
        self.served[self.cover.windows(candidate)] += by
        self.in_limit[self.cover.limits(candidate)] += by
        self.drift += by * self.cover.excess[:, candidate]
        self.rows.update(candidate, self.chosen)

    def value_gain(self) -> FloatArray:
        """[J]: by how much each candidate that is not chosen raises `value`."""
        return self.gain if self.cover.counts_at_once else self._value_gain + self.problem.bonus

    def value_loss(self, candidate: int) -> float:
        """By how much `value` falls when this chosen candidate goes."""
        cells = self.cover.cells(candidate)
        if self.problem.dosed:
            return float(self.problem.value[cells] @ self._share_lost(candidate, cells) + self.problem.bonus[candidate])
        lost = cells[self.hits[cells] == self.problem.need[cells]]
        return float(self.problem.value[lost].sum() + self.problem.bonus[candidate])

    def loss(self, candidate: int) -> float:
        """Credit that is lost when this chosen candidate goes."""
        if self.problem.dosed:
            return self.value_loss(candidate)
        cells = self.cover.cells(candidate)
        missed = cells[self.hits[cells] <= self.problem.need[cells]]
        return float(self.cover.credit[missed].sum() + self.problem.bonus[candidate])

    def _share_lost(self, candidate: int, cells: IntArray) -> FloatArray:
        """Of each of its cells the share that no longer counts when this chosen candidate goes."""
        left = self.hits[cells] - self.cover.doses(candidate)
        return np.asarray(np.minimum(self.hits[cells], 1.0) - np.clip(left, 0.0, 1.0), dtype=np.float64)

    def free(self) -> BoolArray:
        """[J]: not chosen or barred, in no pattern of even pitch, not too close to one chosen."""
        free: BoolArray = ~(self.chosen | self.cover.barred | self.cover.in_pattern) & (self.crowd == 0)
        return free

    def addable(self) -> BoolArray:
        """[J]: free candidates for which every limit has room, that leave rows legal and drift within its limits."""
        allowed = self.free()
        if self.drift.size:
            allowed &= (self.drift[:, None] + self.cover.excess <= DRIFT_TOLERANCE).all(axis=0)
        for number in np.flatnonzero(self.reached()):
            allowed[self.cover.limit_members[number]] = False
        if self.cover.row_lines:
            allowed &= self.rows.fits
        return allowed

    def reached(self) -> BoolArray:
        """[limits]: no member may be added."""
        reached: BoolArray = self.in_limit >= self.cover.most
        return reached

    def has_room(self, candidate: int) -> bool:
        """Whether every limit of a candidate that is not chosen has room for it, and drift stays or falls within."""
        limits = self.cover.limits(candidate)
        excess = self.cover.excess[:, candidate]
        drifts = (excess <= 0.0) | (self.drift + excess <= DRIFT_TOLERANCE)
        return bool((self.in_limit[limits] < self.cover.most[limits]).all() and drifts.all())

    def within_capacity(self) -> bool:
        """Whether every limit is kept."""
        return bool((self.in_limit <= self.cover.most).all())

    def removable(self, candidate: int) -> bool:
        """Whether continuous lines stay served, rows and patterns stay legal, floors keep their area and drift its
        limits without it."""
        return bool(
            (self.served[self.cover.windows(candidate)] > 1).all()
            and self.rows.loose[candidate]
            and not self.cover.in_pattern[candidate]
            and not self.floors_broken_without(candidate).any()
            and not self.drift_broken_without(candidate)
        )

    def drift_kept(self) -> bool:
        """Whether no limit of drift is passed."""
        return bool((self.drift <= DRIFT_TOLERANCE).all())

    def drift_broken_without(self, candidate: int) -> bool:
        """Whether a limit of drift that is kept would be passed without this chosen candidate, which drifts less."""
        left = self.drift - self.cover.excess[:, candidate]
        return bool(((self.drift <= DRIFT_TOLERANCE) & (left > DRIFT_TOLERANCE)).any())

    def floors_broken_without(self, candidate: int) -> BoolArray:
        """[floors]: of those that lose area when this chosen candidate goes, which then lack some."""
        if not self.floor_m2.size:
            return np.zeros(0, dtype=bool)
        cells = self.cover.cells(candidate)
        if self.problem.dosed:
            lost = self.cover.floor_area[:, cells] @ self._share_lost(candidate, cells)
        else:
            lost = self.cover.floor_area[:, cells[self.hits[cells] == self.problem.need[cells]]].sum(axis=1)
        broken: BoolArray = (lost > 0.0) & (self.floor_m2 - lost < self.cover.floor_least)
        return broken

    def floors_met(self) -> BoolArray:
        """[floors]: enough area counts."""
        met: BoolArray = self.floor_m2 >= self.cover.floor_least
        return met

    def floor_gain(self, floor: int, *, credit: bool) -> FloatArray:
        """[J]: m² of a zone with a floor that each candidate makes count, or with credit also brings nearer to it."""
        need, area = self.problem.need, self.cover.floor_area[floor]
        if self.problem.dosed:
            some = np.flatnonzero(area)
            return self.cover.dose_gains(some, self.hits[some], area)
        area = np.where(self.hits < need, area / need, 0.0) if credit else np.where(self.hits == need - 1, area, 0.0)
        return np.asarray(self.cover.by_candidate.T @ area, dtype=float)

    def serving(self, windows: IntArray) -> BoolArray:
        """[J]: candidates that lie in all the given windows of continuous lines."""
        inside = np.zeros(self.problem.candidates, dtype=np.int64)
        for window in windows:
            inside[row_of(self.cover.needed, int(window))] += 1
        serving: BoolArray = inside == len(windows)
        return serving

    def is_legal(self) -> bool:
        """Every rule holds: spacing, continuous lines, locked and barred positions, limits, rows, pitch, floors,
        drift."""
        return (
            not (self.crowd[self.chosen] > 0).any()
            and bool((self.served > 0).all())
            and bool(self.chosen[self.cover.locked].all())
            and not (self.chosen & self.cover.barred).any()
            and self.within_capacity()
            and self.rows.kept()
            and all(line.is_pattern(self.chosen) for line in self.cover.even_lines)
            and bool(self.floors_met().all())
            and self.drift_kept()
        )
