"""A problem restricted to a pool of its candidates: what prices have chosen lately holds nearly all that is best."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import scipy.sparse as sp

from optimizer.placement.problem import BoolArray, FloatArray, IntArray, PlacementProblem, Row, Window


def restricted(problem: PlacementProblem, pool: IntArray) -> PlacementProblem:
    """The problem with the candidates of the pool only, numbered in its order.

    Cells that the same of them cover are one again. A choice is legal and worth the same in both; pool must hold what
    is locked, and is sorted. Patterns of even pitch stay where the pool holds them whole; what stands in no other is
    barred.
    """
    new = np.full(problem.candidates, -1, dtype=np.int64)
    new[pool] = np.arange(len(pool))
    incidence = sp.csr_array(problem.incidence[:, pool])
    first, group = _merged(incidence, problem)
    even = tuple(tuple(pattern for pattern in t if (new[list(pattern)] >= 0).all()) for t in problem.even)
    torn = {j for t in problem.even for pattern in t for j in pattern}.difference(*(w for t in even for w in t))
    return replace(
        problem,
        value=_sums(problem.value, group, len(first)),
        incidence=sp.csr_array(incidence[first]),
        need=problem.need[first],
        bonus=problem.bonus[pool],
        lines=tuple(filter(None, _kept(problem.lines, new))),
        spacing=tuple(window for window in _kept(problem.spacing, new) if len(window) > 1),
        cover=_kept(problem.cover, new),
        locked=_renumbered(problem.locked, new),
        barred=tuple(sorted(_renumbered((*{*problem.barred, *torn},), new))),
        limits=tuple(replace(limit, members=_renumbered(limit.members, new)) for limit in problem.limits),
        rows=tuple(_row(row, new) for row in problem.rows),
        even=tuple(tuple(_renumbered(pattern, new) for pattern in patterns) for patterns in even),
        floors=tuple(replace(f, area_m2=_sums(f.area_m2, group, len(first))) for f in problem.floors),
        drifts=tuple(replace(drift, excess=drift.excess[pool]) for drift in problem.drifts),
        names=tuple(problem.name(int(j)) for j in pool),
    )


def _merged(incidence: sp.csr_array, problem: PlacementProblem) -> tuple[IntArray, IntArray]:
    """First row of each group of identical rows of one need, and the group of each row, -1 where it is empty."""
    ends, columns = incidence.indptr, incidence.indices
    amounts = incidence.data if problem.dosed else np.zeros(0)
    known: dict[tuple[int, bytes, bytes], int] = {}
    first: list[int] = []
    group = np.full(len(ends) - 1, -1, dtype=np.int64)
    for row in np.flatnonzero(np.diff(ends)):
        own = slice(ends[row], ends[row + 1])
        key = (int(problem.need[row]), columns[own].tobytes(), amounts[own].tobytes())
        if key not in known:
            known[key] = len(first)
            first.append(int(row))
        group[row] = known[key]
    return np.array(first, dtype=np.int64), group


def _sums(amounts: FloatArray, group: IntArray, groups: int) -> FloatArray:
    kept: BoolArray = group >= 0
    return np.bincount(group[kept], weights=amounts[kept], minlength=groups).astype(np.float64)


def _renumbered(window: Window, new: IntArray) -> Window:
    return tuple(int(new[j]) for j in window if new[j] >= 0)


def _kept(windows: tuple[Window, ...], new: IntArray) -> tuple[Window, ...]:
    return tuple(_renumbered(window, new) for window in windows)


def _row(row: Row, new: IntArray) -> Row:
    kept = [k for k, j in enumerate(row.members) if new[j] >= 0]
    members = tuple(int(new[row.members[k]]) for k in kept)
    return replace(row, members=members, chainage_m=tuple(row.chainage_m[k] for k in kept))
