"""Other ways to the same answer: model A cold in HiGHS, greedy with swaps, CP-SAT, and spopt's maximal covering.

CP-SAT's model (OR-Tools, Perron and Didier) is written here from the arrays of the problem alone, and its rows with
gaps say it pair by pair, not through ends of rows as model A does. spopt knows neither spacing nor rows.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer.errors import SolverLimit
from optimizer.placement import model as models
from optimizer.placement.problem import TOLERANCE_M, PlacementProblem, Row
from optimizer.placement.selection import Cover
from optimizer.placement.start import improved
from optimizer.solver import Limits, solve

WHOLE = (
    1024  # CP-SAT counts in whole numbers: sixteenths of cells of 1/4 m, times weights of halves, are whole in 1/1024
)
SPOPT_MOST = 4_000_000  # merged cells times candidates that fit into spopt's dense matrix


@dataclass(frozen=True)
class Answer:
    """What a peer found: value and bound in weighted m² (inf where it proves none), the processor seconds it took."""

    value: float
    bound: float
    seconds: float


def cold(problem: PlacementProblem, gap: float, cap_s: float) -> Answer | None:
    """Model A in HiGHS without a start; None where it finds nothing in time."""
    began = time.process_time()
    try:
        found = solve(models.build(problem), limits=Limits(gap=gap, seconds=cap_s))
    except SolverLimit:
        return None
    assert found.incumbent is not None, "a benchmark case can be placed"
    return Answer(found.incumbent, found.bound, time.process_time() - began)


def greedy(problem: PlacementProblem, _gap: float, _cap_s: float) -> Answer | None:
    """Greedy filling and swaps of one nozzle at a time from nothing; None where they end illegal."""
    began = time.process_time()
    found = improved(Cover(problem), ())
    return Answer(found.value, np.inf, time.process_time() - began) if found else None


def cp_sat(problem: PlacementProblem, gap: float, cap_s: float) -> Answer | None:
    """CP-SAT of OR-Tools on one thread; None where it finds nothing in time."""
    from ortools.sat.python import cp_model

    began = time.process_time()
    model = _cp_model(problem)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.linearization_level = 2  # all rows in its linear relaxation: by far its best here
    solver.parameters.relative_gap_limit = gap
    solver.parameters.max_time_in_seconds = cap_s
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    seconds = time.process_time() - began
    return Answer(solver.objective_value / WHOLE, solver.best_objective_bound / WHOLE, seconds)


def _cp_model(problem: PlacementProblem) -> Any:
    from ortools.sat.python import cp_model

    assert not problem.even and not problem.floors, "no case of the benchmark has even pitch or floors"
    model = cp_model.CpModel()
    x = [model.new_bool_var("") for _ in range(problem.candidates)]
    counted = []
    for cell, need in enumerate(problem.need.tolist()):
        start, end = problem.incidence.indptr[cell : cell + 2]
        covering = [x[j] for j in problem.incidence.indices[start:end]]
        u = model.new_bool_var("")
        counted.append(u)
        if need == 1:
            model.add_bool_or([*covering, u.negated()])
        else:
            model.add(sum(covering) >= need).only_enforce_if(u)
    for window in problem.spacing:
        model.add_at_most_one([x[j] for j in window])
    for window in problem.cover:
        model.add_bool_or([x[j] for j in window])
    for j in problem.locked:
        model.add(x[j] == 1)
    for j in problem.barred:
        model.add(x[j] == 0)
    for limit in problem.limits:
        model.add(sum(x[j] for j in limit.members) <= limit.most)
    for first, second, between in (triple for row in problem.rows for triple in forbidden_pairs(row)):
        model.add_bool_or([x[first].negated(), x[second].negated(), *(x[j] for j in between)])
    values = np.rint(WHOLE * problem.value).astype(int).tolist(), np.rint(WHOLE * problem.bonus).astype(int).tolist()
    model.maximize(cp_model.LinearExpr.weighted_sum([*counted, *x], values[0] + values[1]))
    return model


def forbidden_pairs(row: Row) -> Iterator[tuple[int, int, tuple[int, ...]]]:
    """(first, second, those between): two whose distance is neither within a row nor a gap, as neighbours."""
    s, count = np.array(row.chainage_m), len(row.members)
    laps = np.concatenate([s, s + row.length_m]) if np.isfinite(row.length_m) else s
    for first in range(count):
        ahead = laps[first + 1 : first + count] - s[first]
        wrong = np.flatnonzero((ahead > row.greatest_m + TOLERANCE_M) & (ahead < row.gap_m - TOLERANCE_M))
        for second in (first + 1 + wrong).tolist():
            between = [k for k in range(first + 1, second) if s[first] < laps[k] < laps[second]]
            yield row.members[first], row.members[second % count], tuple(row.members[k % count] for k in between)


def spopt(problem: PlacementProblem, _gap: float, cap_s: float) -> Answer | None:
    """spopt's MCLP with HiGHS on `without_spacing`, to its optimum; None where the case is too large for it."""
    import pulp  # type: ignore[import-untyped]
    from spopt.locate import MCLP  # type: ignore[import-untyped]

    if problem.incidence.shape[0] * problem.candidates > SPOPT_MOST:
        return None
    (limit,) = problem.limits
    began = time.process_time()
    distance = 1.0 - problem.incidence.toarray()
    model = MCLP.from_cost_matrix(distance, problem.value, service_radius=0.5, p_facilities=limit.most)
    model.solve(pulp.HiGHS(msg=False, threads=1, timeLimit=cap_s))
    value = float(pulp.value(model.problem.objective))
    return Answer(value, np.inf, time.process_time() - began)


def without_spacing(problem: PlacementProblem) -> PlacementProblem:
    """The case that spopt can state: what covers what, and how many."""
    return replace(problem, spacing=(), cover=(), rows=())


PEERS: dict[str, Callable[[PlacementProblem, float, float], Answer | None]] = {
    "HiGHS": cold,
    "greedy": greedy,
    "CP-SAT": cp_sat,
    "spopt": spopt,
}
