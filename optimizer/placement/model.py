"""Model A: maximal covering of merged cells with least spacing (Church and ReVelle 1974), in Pyomo.

    sets        CELL  merged cells c         POSITION  candidate positions j       WINDOW  spacing windows w
                ROW   windows of continuous lines k    LOCK  locked positions      LIMIT   limits on some positions l
                LINE  lines with rows r, lines of even pitch l, with patterns t    ZONE    zones f with a floor
    data        v_c   weighted m² of a cell  a_jc  1 where j covers c (incidence)
                r_c   nozzles that must reach c before it counts, 1 or 2           b_j  weighted m² of a preferred j
                most_l  of the positions of l that may be chosen                   area_fc, least_f  m² in a zone
                s_j   chainage; G, g  greatest spacing of r, least gap between two of its rows
    variables   x_j   1 where a nozzle stands at j        u_c  1 where cell c counts (integral by itself for r_c = 1)
                e_i   1 where a row of r ends at i, the first of the positions at one chainage (integral by itself)
                y_t   1 where the nozzles of l stand in pattern t

    max  sum_c v_c u_c + sum_j b_j x_j                                                          coverage
    min  sum_j (1 - d_j) x_j  with u, (1) only where there is a floor, see `build_fewest`       fewest
    (1)  r_c u_c <= sum_j a_jc x_j                  every c                                     covered
    (2)  sum_{j in w} x_j <= 1                      every w                                     spacing
    (3)  sum_{j in k} x_j >= 1                      every k                                     continuous
    (4)  x_j = 1                                    every locked j                              locked
    (4)  x_j = 0                                    every barred j                              barred
    (5)  sum_{j in l} x_j <= most_l                 every l                                     capacity
    (6)  sum_{j at s_i} x_j <= e_i + sum_{k: 0 < s_k - s_i <= G, in no w with s_i} x_k    every r, i    row_goes_on
    (7)  sum_{j at s_i} x_j + sum_{k: 0 < s_i - s_k < g} e_k <= 1       every r, i              row_ends
    (8)  x_j = sum_{t holds j} y_t                  every l, every j in one of its patterns     even
    (8)  sum_{t of l} y_t <= 1                      every l                                     one_pattern
    (9)  sum_c area_fc u_c >= least_f               every f                                     floor

Each row stands in the function of its name below.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from typing import Any, TypeAlias

import numpy as np
import pyomo.environ as pyo
from pyomo.common.collections import ComponentMap
from pyomo.core.expr.numeric_expr import LinearExpression

from optimizer.placement.problem import TOLERANCE_M, BoolArray, PlacementProblem, Row, Window


def build(problem: PlacementProblem) -> Any:
    """The `pyo.ConcreteModel` of the problem; its components are named as in the table above."""
    model = pyo.ConcreteModel("placement")
    _add_variables(model, problem, cells=True)
    model.coverage = pyo.Objective(expr=coverage(model, problem), sense=pyo.maximize)
    _add_rows(model, problem, (covered, *RULES))
    return model


def build_fewest(problem: PlacementProblem) -> Any:
    """Fewest nozzles that meet every rule: a legal start, or the proof that none is.

    d_j < 1 / 2 |J| grows with what j alone covers, so that of equal counts the better one is found.
    """
    model = pyo.ConcreteModel("fewest")
    _add_variables(model, problem, cells=bool(problem.floors))
    model.fewest = pyo.Objective(expr=fewest(model, problem))
    _add_rows(model, problem, (covered, *RULES) if problem.floors else RULES)
    return model


def start_values(model: Any, problem: PlacementProblem, chosen: Iterable[int]) -> Any:
    """Values of all variables of `build`'s model for a legal choice."""
    picked = np.zeros(problem.candidates)
    picked[list(chosen)] = 1.0
    counts = problem.incidence.astype(float) @ picked >= problem.need
    values = ComponentMap(zip(model.x.values(), picked.tolist(), strict=True))
    values.update(zip(model.u.values(), counts.astype(float).tolist(), strict=True))
    for (r, i), end in model.e.items():
        row = problem.rows[r]
        stands, goes_on = (picked[_members(row, found)].any() for found in (_here(row, i), _in_row(row, i)))
        values[end] = float(stands and not goes_on)
    for (line, t), pattern in model.y.items():
        values[pattern] = float(picked[list(problem.even[line][t])].all())
    return values


def coverage(model: Any, problem: PlacementProblem) -> Any:
    """max sum_c v_c u_c + sum_j b_j x_j: weighted square metres covered, and what preferred positions are worth."""
    preferred = np.flatnonzero(problem.bonus).tolist()
    coefficients = [*problem.value.tolist(), *problem.bonus[preferred].tolist()]
    return _linear(coefficients, [*model.u.values(), *(model.x[j] for j in preferred)])


def fewest(model: Any, problem: PlacementProblem) -> Any:
    """min sum_j (1 - d_j) x_j: nozzles before their coverage."""
    alone = problem.incidence.T @ problem.value
    worth = 0.5 * alone / (max(float(alone.max()), 1e-12) * (problem.candidates + 1.0))
    return _linear((1.0 - worth).tolist(), list(model.x.values()))


def covered(model: Any, problem: PlacementProblem, c: int) -> Any:
    """(1) r_c u_c <= sum_j a_jc x_j: a cell counts only where enough chosen positions cover it."""
    start, end = problem.incidence.indptr[c : c + 2]
    covering = problem.incidence.indices[start:end].tolist()
    coefficients = [float(problem.need[c])] + [-1.0] * len(covering)
    return _linear(coefficients, [model.u[c], *(model.x[j] for j in covering)]) <= 0.0


def spacing(model: Any, problem: PlacementProblem, w: int) -> Any:
    """(2) sum_{j in w} x_j <= 1: no two nozzles of one line closer than the least spacing."""
    return _sum(model, problem.spacing[w]) <= 1.0


def continuous(model: Any, problem: PlacementProblem, k: int) -> Any:
    """(3) sum_{j in k} x_j >= 1: no gap of a continuous line longer than its greatest spacing."""
    return _sum(model, problem.cover[k]) >= 1.0


def locked(model: Any, problem: PlacementProblem, j: int) -> Any:
    """(4) x_j = 1: a position that the designer has decided."""
    return model.x[j] == 1.0


def barred(model: Any, problem: PlacementProblem, j: int) -> Any:
    """(4) x_j = 0: a position that nothing can serve, or that stands in no pattern of its line."""
    return model.x[j] == 0.0


def capacity(model: Any, problem: PlacementProblem, number: int) -> Any:
    """(5) sum_{j in l} x_j <= most_l: no more nozzles than the circuits that can serve them feed."""
    limit = problem.limits[number]
    return _sum(model, limit.members) <= float(limit.most)


def row_goes_on(model: Any, problem: PlacementProblem, r: int, i: int) -> Any:
    """(6) sum_{j at s_i} x_j <= e_i + sum_{k: 0 < s_k - s_i <= G, in no w with s_i} x_k: the row goes on, or it ends.

    On a closed line of length L, s_k - s_i counts modulo L, here and in (7). Positions k too close to s_i are left
    out: they follow no nozzle there, and shares of them would pass for one in the relaxation.
    """
    row = problem.rows[r]
    here = _members(row, _here(row, i))
    too_close = set.intersection(*(model.close[j] for j in here))
    follow = [k for k in _members(row, _in_row(row, i)) if k not in too_close]
    coefficients = [1.0] * len(here) + [-1.0] * (len(follow) + 1)
    return _linear(coefficients, [*(model.x[j] for j in here + follow), model.e[r, i]]) <= 0.0


def row_ends(model: Any, problem: PlacementProblem, r: int, i: int) -> Any:
    """(7) sum_{j at s_i} x_j + sum_{k: 0 < s_i - s_k < g} e_k <= 1: no nozzle in the gap behind a row's end.

    The form of minimum down times (Rajan and Takriti 2005, IBM report RC23628; memory).
    """
    row = problem.rows[r]
    back = np.mod(row.chainage_m[i] - np.array(row.chainage_m), row.length_m)
    ends = [k for k in np.flatnonzero((back > TOLERANCE_M) & (back < row.gap_m - TOLERANCE_M)) if (r, k) in model.e]
    here = _members(row, _here(row, i))
    return (
        _linear([1.0] * (len(here) + len(ends)), [*(model.x[j] for j in here), *(model.e[r, k] for k in ends)]) <= 1.0
    )


def even(model: Any, problem: PlacementProblem, line: int, j: int) -> Any:
    """(8) x_j = sum_{t holds j} y_t: the nozzles of a line of even pitch are those of its pattern."""
    holding = [t for t, pattern in enumerate(problem.even[line]) if j in pattern]
    return _linear([1.0] + [-1.0] * len(holding), [model.x[j], *(model.y[line, t] for t in holding)]) == 0.0


def one_pattern(model: Any, problem: PlacementProblem, line: int) -> Any:
    """(8) sum_{t of l} y_t <= 1: a line of even pitch has one pattern, or no nozzle."""
    patterns = [model.y[line, t] for t in range(len(problem.even[line]))]
    return _linear([1.0] * len(patterns), patterns) <= 1.0


def floor(model: Any, problem: PlacementProblem, f: int) -> Any:
    """(9) sum_c area_fc u_c >= least_f: a zone's least coverage."""
    area = problem.floors[f].area_m2
    cells = np.flatnonzero(area).tolist()
    return _linear(area[cells].tolist(), [model.u[c] for c in cells]) >= problem.floors[f].least_m2


RULES = (spacing, continuous, locked, barred, capacity, row_goes_on, row_ends, even, one_pattern, floor)

_Row: TypeAlias = Callable[..., Any]


def _add_variables(model: Any, problem: PlacementProblem, *, cells: bool) -> None:
    model.x = pyo.Var(range(problem.candidates), domain=pyo.Binary)
    if cells:
        domains = [pyo.UnitInterval if need == 1 else pyo.Binary for need in problem.need]
        model.u = pyo.Var(range(len(problem.value)), domain=lambda _, c: domains[c])
    model.e = pyo.Var([(r, i) for r, row in enumerate(problem.rows) for i in _places(row)], domain=pyo.UnitInterval)
    patterns = [(line, t) for line, found in enumerate(problem.even) for t in range(len(found))]
    model.y = pyo.Var(patterns, domain=pyo.Binary)
    model.close = _too_close(problem)


def _add_rows(model: Any, problem: PlacementProblem, rows: tuple[_Row, ...]) -> None:
    """Add each row function under its own name, over the indices that its equation names."""
    of_patterns = [(line, j) for line, found in enumerate(problem.even) for j in sorted(set().union(*found))]
    indices: dict[_Row, Iterable[Any]] = {
        covered: range(len(problem.value)),
        spacing: range(len(problem.spacing)),
        continuous: range(len(problem.cover)),
        locked: problem.locked,
        barred: problem.barred,
        capacity: range(len(problem.limits)),
        row_goes_on: list(model.e),
        row_ends: list(model.e),
        even: of_patterns,
        one_pattern: range(len(problem.even)),
        floor: range(len(problem.floors)),
    }
    for row in rows:
        rule = partial(_rule, row, problem)
        model.add_component(row.__name__, pyo.Constraint(indices[row], rule=rule))


def _rule(row: _Row, problem: PlacementProblem, model: Any, *index: int) -> Any:
    return row(model, problem, *index)


def _too_close(problem: PlacementProblem) -> dict[int, set[int]]:
    """Of each position on a line with rows those that share a window of spacing with it."""
    close: dict[int, set[int]] = {j: set() for row in problem.rows for j in row.members}
    for window in problem.spacing:
        for j in close.keys() & set(window):
            close[j].update(window)
    return close


def _places(row: Row) -> list[int]:
    """Of every chainage of a line with rows the first position there, as an index into its members."""
    return np.flatnonzero(np.diff(row.chainage_m, prepend=-np.inf) > TOLERANCE_M).tolist()


def _here(row: Row, i: int) -> BoolArray:
    """Positions at the chainage of the i-th."""
    return np.abs(np.array(row.chainage_m) - row.chainage_m[i]) <= TOLERANCE_M


def _in_row(row: Row, i: int) -> BoolArray:
    """Positions behind the i-th that a nozzle there has in its row."""
    ahead = np.mod(np.array(row.chainage_m) - row.chainage_m[i], row.length_m)  # on an open line inf of those before
    return (ahead > TOLERANCE_M) & (ahead <= row.greatest_m + TOLERANCE_M)


def _members(row: Row, which: BoolArray) -> list[int]:
    return [row.members[i] for i in np.flatnonzero(which)]


def _sum(model: Any, members: Window) -> Any:
    return _linear([1.0] * len(members), [model.x[j] for j in members])


def _linear(coefficients: list[float], variables: list[Any]) -> Any:
    return LinearExpression(linear_coefs=coefficients, linear_vars=variables)
