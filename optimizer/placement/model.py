"""Model A: maximal covering of merged cells with least spacing (Church and ReVelle 1974), in Pyomo.

    sets        CELL  merged cells c         POSITION  candidate positions j       WINDOW  spacing windows w
                ROW   windows of continuous lines k    LOCK  locked positions      LIMIT   limits on some positions l
    data        v_c   weighted m² of a cell  a_jc  1 where j covers c (incidence)
                r_c   nozzles that must reach c before it counts, 1 or 2           b_j  weighted m² of a preferred j
                most_l  of the positions of l that may be chosen
    variables   x_j   1 where a nozzle stands at j        u_c  1 where cell c counts (integral by itself for r_c = 1)

    max  sum_c v_c u_c + sum_j b_j x_j                                                          coverage
    min  sum_j (1 - d_j) x_j  without (1), see `build_fewest`                                   fewest
    (1)  r_c u_c <= sum_j a_jc x_j                  every c                                     covered
    (2)  sum_{j in w} x_j <= 1                      every w                                     spacing
    (3)  sum_{j in k} x_j >= 1                      every k                                     continuous
    (4)  x_j = 1                                    every locked j                              locked
    (5)  sum_{j in l} x_j <= most_l                 every l                                     capacity

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

from optimizer.placement.problem import PlacementProblem, Window


def build(problem: PlacementProblem) -> Any:
    """The `pyo.ConcreteModel` of the problem; its components are named as in the table above."""
    model = pyo.ConcreteModel("placement")
    model.x = pyo.Var(range(problem.candidates), domain=pyo.Binary)
    domains = [pyo.UnitInterval if need == 1 else pyo.Binary for need in problem.need]
    model.u = pyo.Var(range(len(problem.value)), domain=lambda _, c: domains[c])
    model.coverage = pyo.Objective(expr=coverage(model, problem), sense=pyo.maximize)
    _add_rows(model, problem, (covered, spacing, continuous, locked, capacity))
    return model


def build_fewest(problem: PlacementProblem) -> Any:
    """Fewest nozzles that meet every rule: a legal start, or the proof that none is.

    d_j < 1 / 2 |J| grows with what j alone covers, so that of equal counts the better one is found.
    """
    model = pyo.ConcreteModel("fewest")
    model.x = pyo.Var(range(problem.candidates), domain=pyo.Binary)
    model.fewest = pyo.Objective(expr=fewest(model, problem))
    _add_rows(model, problem, (spacing, continuous, locked, capacity))
    return model


def start_values(model: Any, problem: PlacementProblem, chosen: Iterable[int]) -> Any:
    """Values of all variables of `build`'s model for a legal choice."""
    picked = np.zeros(problem.candidates)
    picked[list(chosen)] = 1.0
    counts = problem.incidence.astype(float) @ picked >= problem.need
    values = ComponentMap(zip(model.x.values(), picked.tolist(), strict=True))
    values.update(zip(model.u.values(), counts.astype(float).tolist(), strict=True))
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


def capacity(model: Any, problem: PlacementProblem, number: int) -> Any:
    """(5) sum_{j in l} x_j <= most_l: no more nozzles than the circuits that can serve them feed."""
    limit = problem.limits[number]
    return _sum(model, limit.members) <= float(limit.most)


_Row: TypeAlias = Callable[[Any, PlacementProblem, int], Any]


def _add_rows(model: Any, problem: PlacementProblem, rows: tuple[_Row, ...]) -> None:
    """Add each row function under its own name, over the indices that its equation names."""
    indices: dict[_Row, Iterable[int]] = {
        covered: range(len(problem.value)),
        spacing: range(len(problem.spacing)),
        continuous: range(len(problem.cover)),
        locked: problem.locked,
        capacity: range(len(problem.limits)),
    }
    for row in rows:
        rule = partial(_rule, row, problem)
        model.add_component(row.__name__, pyo.Constraint(indices[row], rule=rule))


def _rule(row: _Row, problem: PlacementProblem, model: Any, index: int) -> Any:
    return row(model, problem, index)


def _sum(model: Any, members: Window) -> Any:
    return _linear([1.0] * len(members), [model.x[j] for j in members])


def _linear(coefficients: list[float], variables: list[Any]) -> Any:
    return LinearExpression(linear_coefs=coefficients, linear_vars=variables)
