"""One order for a problem, whatever order its candidates, lines and cells are given in.

Ties between equal gains go to the lower number, so the order would otherwise show in the answer.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import scipy.sparse as sp

from optimizer.placement.problem import IntArray, PlacementProblem, Window


def canonical(problem: PlacementProblem) -> tuple[PlacementProblem, IntArray]:
    """The problem renumbered by its lines and cells, and the old number [J] of each new candidate."""
    lines = _ordered_lines(problem)
    old = np.array([j for members in lines for j in members], dtype=np.int64)
    new = np.empty(len(old), dtype=np.int64)
    new[old] = np.arange(len(old))
    incidence = _open_columns(problem)[:, old].tocsr()
    incidence.sort_indices()
    cells = _cell_order(incidence, problem)
    renumbered = replace(
        problem,
        value=problem.value[cells],
        incidence=sp.csr_array(incidence[cells]),
        need=problem.need[cells],
        bonus=problem.bonus[old],
        lines=tuple(_kept_order(members, new) for members in lines),
        spacing=_in_order(problem.spacing, new),
        cover=_in_order(problem.cover, new),
        locked=_sorted(problem.locked, new),
        barred=_sorted(problem.barred, new),
        limits=tuple(replace(limit, members=_sorted(limit.members, new)) for limit in problem.limits),
        rows=tuple(replace(row, members=_kept_order(row.members, new)) for row in problem.rows),
        even=tuple(sorted(_in_order(patterns, new) for patterns in problem.even)),
        floors=tuple(replace(floor, area_m2=floor.area_m2[cells]) for floor in problem.floors),
        drifts=tuple(replace(drift, excess=drift.excess[old]) for drift in problem.drifts),
        names=tuple(problem.name(int(j)) for j in old),
    )
    return renumbered, old


def _open_columns(problem: PlacementProblem) -> sp.csc_array:
    """The incidence of those that may be chosen; the barred cover nothing, so that they share no cell either."""
    fits = np.ones(problem.candidates, dtype=bool)
    fits[list(problem.barred)] = False
    kept = sp.csc_array(problem.incidence.multiply(fits[None, :]))
    kept.eliminate_zeros()
    return kept


def _ordered_lines(problem: PlacementProblem) -> tuple[Window, ...]:
    """Lines by what their candidates cover alone, then by their drift, in order of chainage."""
    alone = np.round(problem.incidence.T @ problem.value + problem.bonus, 9)
    keys = [alone, *(np.round(drift.excess, 9) for drift in problem.drifts)]
    return tuple(sorted(problem.lines, key=lambda members: (len(members), *(k[j] for k in keys for j in members))))


def _cell_order(incidence: sp.csr_array, problem: PlacementProblem) -> IntArray:
    """Cells by their covering candidates; cells that nobody covers last."""
    counts = np.diff(incidence.indptr)
    some = counts > 0
    first, last = np.full(len(counts), incidence.shape[1]), np.full(len(counts), incidence.shape[1])
    first[some] = incidence.indices[incidence.indptr[:-1][some]]
    last[some] = incidence.indices[incidence.indptr[1:][some] - 1]
    total = incidence @ np.arange(incidence.shape[1], dtype=float)
    return np.lexsort((problem.need, problem.value, total, counts, last, first)).astype(np.int64)


def _in_order(windows: tuple[Window, ...], new: IntArray) -> tuple[Window, ...]:
    return tuple(sorted(_sorted(window, new) for window in windows))


def _sorted(window: Window, new: IntArray) -> Window:
    return tuple(sorted(_kept_order(window, new)))


def _kept_order(window: Window, new: IntArray) -> Window:
    return tuple(int(new[j]) for j in window)
