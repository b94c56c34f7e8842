"""Solve a linear or mixed-integer Pyomo model: status, incumbent, bound and gap are always returned."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
from highspy._core import _Highs
from pyomo.common.collections import ComponentMap
from pyomo.common.errors import InfeasibleConstraintException

from optimizer.errors import SolverError, SolverLimit
from optimizer.progress import Report, Stop, never, relative_gap, silent
from optimizer.solver.highs import (
    LIMIT_STATUSES,
    MODEL_STATUS,
    OPTIMAL_GAP,
    UNDECIDED,
    Limits,
    Program,
    Status,
    Watch,
    checked,
    compiled,
    loaded,
    run,
    worst_of,
)

FREE = Limits()
CONTRADICTION = 1e-5  # relative; an incumbent that beats its bound by more is a defect, not rounding


@dataclass(frozen=True)
class Outcome:
    """What the solver knows at its end.

    status: optimal; gap (within Limits.gap); limit or stopped (best so far); infeasible; unbounded.
    incumbent: objective of `values`, None where there are none; bound: no solution is better, infinite if
    unknown; gap: relative_gap of the two; values: by Pyomo variable, integer ones rounded, of every variable
    that stands in a row or in the objective and is not fixed; time_limit_hit: Limits.seconds fired.
    """

    status: Status
    incumbent: float | None
    bound: float
    gap: float
    values: Mapping[Any, float]
    time_limit_hit: bool = False


def solve(
    model: Any,
    *,
    limits: Limits = FREE,
    start: Mapping[Any, float] | None = None,
    stage: str = "solve",
    report: Report = silent,
    stop: Stop = never,
) -> Outcome:
    """Solve a linear or mixed-integer `pyo.ConcreteModel` with one objective.

    start: values of some or all variables to begin from, ignored by HiGHS where they are not feasible.
    Raises SolverLimit where a limit or `stop` came before any solution was known, SolverError where HiGHS
    broke down or its bound and incumbent contradict each other.
    """
    try:
        program = compiled(model)
    except InfeasibleConstraintException:  # a row without variables that cannot hold, found while compiling
        return _without_solution("infeasible", worst_of(model))
    if not program.columns:
        constant = float(program.lp.offset_)
        return Outcome("optimal", constant, constant, 0.0, ComponentMap())
    highs = loaded(program.lp, limits)
    if start:
        _set_start(highs, program, start)
    watch = Watch(limits, stage, report, stop)
    run(highs, watch)
    if highs.getModelStatus() in UNDECIDED and watch.reason is None:
        highs.setOptionValue("presolve", "off")  # presolve cannot always tell unbounded from infeasible
        run(highs, watch)
    if start and watch.reason is None and not _is_as_good_as_said(highs, program):
        highs = loaded(program.lp, limits)
        run(highs, watch)
    return _outcome(highs, program, watch, limits)


def relaxation_bound(model: Any, stop: Stop = never) -> float:
    """Optimum of the model with integrality dropped: a bound on the model's own optimum.

    Returns -inf (maximum) or +inf (minimum) where already the relaxation is infeasible, the opposite where it
    is unbounded or was stopped. Raises SolverError where HiGHS does not finish it.
    """
    unbounded = worst_of(model)
    try:
        program = compiled(model)
    except InfeasibleConstraintException:
        return -unbounded
    program.lp.integrality_ = []
    highs = loaded(program.lp, Limits())
    watch = Watch(Limits(), "relaxation", silent, stop)
    run(highs, watch)
    if watch.reason:
        return unbounded
    status = highs.getModelStatus()
    if status == MODEL_STATUS.kOptimal:
        return float(highs.getInfo().objective_function_value)
    if status == MODEL_STATUS.kInfeasible:
        return -unbounded
    if status in (MODEL_STATUS.kUnbounded, MODEL_STATUS.kUnboundedOrInfeasible):
        return unbounded
    raise SolverError(f"the linear relaxation of {model.name} ended with {highs.modelStatusToString(status)}")


def _set_start(highs: _Highs, program: Program, start: Mapping[Any, float]) -> None:
    given = [(index, start[v]) for index, v in enumerate(program.columns) if v in start]
    indices = np.array([index for index, _ in given], dtype=np.int32)
    values = np.array([value for _, value in given], dtype=float)
    checked(highs.setSolution(len(given), indices, values), "the start solution")


def _is_as_good_as_said(highs: _Highs, program: Program) -> bool:
    """Whether the solution that HiGHS returns has the value that it reports.

    The presolve of HiGHS 1.16 may map a start to a better point of the reduced program: it then reports that point's
    value, proves it optimal, and returns the start.
    """
    info = highs.getInfo()
    if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        return True
    value = float(np.dot(program.lp.col_cost_, highs.getSolution().col_value)) + program.lp.offset_
    said = float(info.objective_function_value)
    return abs(value - said) <= CONTRADICTION * max(1.0, abs(said))


def _outcome(highs: _Highs, program: Program, watch: Watch, limits: Limits) -> Outcome:
    code = highs.getModelStatus()
    if code == MODEL_STATUS.kInfeasible:
        return _without_solution("infeasible", program.worst)
    if code in (MODEL_STATUS.kUnbounded, MODEL_STATUS.kUnboundedOrInfeasible):
        return _without_solution("unbounded", program.worst)
    if code != MODEL_STATUS.kOptimal and code not in LIMIT_STATUSES and watch.reason is None:
        raise SolverError(f"HiGHS ended stage {watch.stage!r} with {highs.modelStatusToString(code)}")
    info = highs.getInfo()
    if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        cause = "a stop was asked for" if watch.reason == "stopped" else "a limit was reached"
        raise SolverLimit(f"{watch.stage}: {cause} before any feasible answer was known; allow more work")
    incumbent = float(info.objective_function_value)
    bound = _bound(info, program, code, incumbent)
    gap = relative_gap(incumbent, bound)
    status = _status(code, watch.reason, gap)
    return Outcome(
        status, incumbent, bound, gap, _values(highs, program), code == MODEL_STATUS.kTimeLimit
    )


def _without_solution(status: Status, worst: float) -> Outcome:
    bound = -worst if status == "infeasible" else worst
    return Outcome(status, None, bound, math.inf, ComponentMap())


def _bound(info: Any, program: Program, code: Any, incumbent: float) -> float:
    if not program.integer.any():
        return incumbent if code == MODEL_STATUS.kOptimal else program.worst
    bound = float(info.mip_dual_bound)
    beaten = incumbent - bound if program.worst > 0 else bound - incumbent
    if beaten > CONTRADICTION * max(1.0, abs(bound)):
        raise SolverError(f"HiGHS found {incumbent!r}, better than its bound {bound!r}; report this model")
    return max(bound, incumbent) if program.worst > 0 else min(bound, incumbent)


def _status(code: Any, reason: Status | None, gap: float) -> Status:
    if gap <= OPTIMAL_GAP:
        return "optimal"
    if code == MODEL_STATUS.kOptimal:
        return "gap"
    return reason or "limit"


def _values(highs: _Highs, program: Program) -> Mapping[Any, float]:
    raw = np.array(highs.getSolution().col_value, dtype=float)
    raw[program.integer] = np.rint(raw[program.integer])
    values: Mapping[Any, float] = ComponentMap(zip(program.columns, raw.tolist(), strict=True))
    return values
