"""Solve a linear or mixed-integer Pyomo model with HiGHS: the only module that names HiGHS.

What must live here: options, warm start, progress, stop, limits, status, bound and gap. What may not: any
knowledge of nozzles or tubing. Answers are the same on every run as long as `Limits.seconds` does not fire:
one thread, fixed seed, and limits counted in nodes or in the interrupt checks that HiGHS makes.

The bare `_Highs` is used because `highspy.Highs` prints a banner before it can be silenced.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import highspy
import numpy as np
import pyomo.environ as pyo
from highspy._core import _Highs
from pyomo.common.collections import ComponentMap
from pyomo.common.errors import InfeasibleConstraintException
from pyomo.repn import generate_standard_repn
from pyomo.repn.plugins.standard_form import LinearStandardFormCompiler

from optimizer.errors import SolverError, SolverLimit
from optimizer.progress import Progress, Report, Stop, never, relative_gap, silent

Status: TypeAlias = Literal["optimal", "gap", "limit", "stopped", "infeasible", "unbounded"]

RANDOM_SEED = 1
OPTIMAL_GAP = 1e-6  # relative; HiGHS's own feasibility tolerance leaves nothing finer to prove
CONTRADICTION = 1e-5  # relative; an incumbent that beats its bound by more is a defect, not rounding
REPORT_EVERY_S = 0.5

_MODEL_STATUS = highspy.HighsModelStatus
_LIMIT_STATUSES = frozenset(
    {_MODEL_STATUS.kTimeLimit, _MODEL_STATUS.kIterationLimit, _MODEL_STATUS.kSolutionLimit}
)
_UNDECIDED = frozenset({_MODEL_STATUS.kUnboundedOrInfeasible, _MODEL_STATUS.kUnknown})


@dataclass(frozen=True)
class Limits:
    """When to stop searching.

    gap: relative gap that is good enough; nodes: branch-and-bound nodes; checks: interrupt checks by HiGHS, a
    measure of work that is the same on every run (it ticks inside the root node too, where `nodes` does not);
    seconds: wall clock, makes answers depend on the machine. None: no such limit.
    """

    gap: float = 0.0
    nodes: int | None = None
    checks: int | None = None
    seconds: float | None = None


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


@dataclass(frozen=True)
class _Program:
    """A compiled model: HiGHS's matrices, the Pyomo variable of each column, which columns are integer."""

    lp: highspy.HighsLp
    columns: list[Any]
    integer: np.ndarray[Any, np.dtype[np.bool_]]
    worst: float  # the bound that says nothing: -inf for a minimum, +inf for a maximum


class _Watch:
    """HiGHS's interrupt callback: reports, counts checks, and carries the reason of an interruption out."""

    def __init__(self, limits: Limits, stage: str, report: Report, stop: Stop) -> None:
        self.limits, self.stage, self.report, self.stop = limits, stage, report, stop
        self.checks = 0
        self.reason: Status | None = None
        self.failure: BaseException | None = None
        self._last: tuple[float, float, float] = (math.nan, math.nan, -math.inf)

    def __call__(self, _kind: Any, _text: str, data: Any, answer: Any, _user: Any) -> None:
        self.checks += 1
        try:
            self._tell(data)
            if self.stop():
                self.reason = "stopped"
            elif self.limits.checks is not None and self.checks >= self.limits.checks:
                self.reason = "limit"
        except BaseException as failure:  # must not cross HiGHS's C++ frames: raised again after the run
            self.failure = failure
        if self.reason or self.failure:
            answer.user_interrupt = True

    def _tell(self, data: Any) -> None:
        incumbent, bound, seconds = data.mip_primal_bound, data.mip_dual_bound, data.running_time
        if (incumbent, bound) == self._last[:2] and seconds < self._last[2] + REPORT_EVERY_S:
            return
        self._last = (incumbent, bound, seconds)
        known = incumbent if math.isfinite(incumbent) else None
        limit = bound if math.isfinite(bound) else None
        gap = relative_gap(incumbent, bound) if known is not None and limit is not None else None
        note = f"{data.mip_node_count} nodes"
        self.report(Progress(self.stage, "", known, limit, gap, seconds, note))


def solve(
    model: Any,
    *,
    limits: Limits = Limits(),
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
        program = _compile(model)
    except InfeasibleConstraintException:  # a row without variables that cannot hold, found while compiling
        return _without_solution("infeasible", _worst(model))
    if not program.columns:
        constant = float(program.lp.offset_)
        return Outcome("optimal", constant, constant, 0.0, ComponentMap())
    highs = _loaded(program.lp, limits)
    if start:
        _set_start(highs, program, start)
    watch = _Watch(limits, stage, report, stop)
    _run(highs, watch)
    if highs.getModelStatus() in _UNDECIDED and watch.reason is None:
        highs.setOptionValue("presolve", "off")  # presolve cannot always tell unbounded from infeasible
        _run(highs, watch)
    if start and watch.reason is None and not _is_as_good_as_said(highs, program):
        highs = _loaded(program.lp, limits)
        _run(highs, watch)
    return _outcome(highs, program, watch, limits)


@dataclass(frozen=True)
class Relaxed:
    """An optimum of a relaxation. value: objective; values: by Pyomo variable; reduced: reduced costs by Pyomo
    variable."""

    value: float
    values: Mapping[Any, float]
    reduced: Mapping[Any, float]


class Relaxation:
    """A linear minimum that grows: rows are added, variables are narrowed, and each solve begins where the last ended.

    With `whole` branch and bound takes over, on the rows that bind. An order of calls that gives the same model gives
    the same answers.
    """

    def __init__(self, model: Any, *, stage: str = "relaxation", stop: Stop = never) -> None:
        """Compile the model, whole variables as continuous ones."""
        self._impossible = False
        try:
            self._program = _compile(model)
        except InfeasibleConstraintException:  # a row without variables that cannot hold
            self._impossible, self._program = True, _Program(highspy.HighsLp(), [], np.zeros(0, dtype=bool), -math.inf)
        self._program.lp.integrality_ = []
        self._column = ComponentMap((v, i) for i, v in enumerate(self._program.columns))
        self._highs = _loaded(self._program.lp, Limits())
        self._stage, self._stop = stage, stop
        self._first_added = self._program.lp.num_row_

    @property
    def rows(self) -> int:
        """Rows now."""
        return int(self._highs.getNumRow())

    def add(self, rows: Iterable[Any]) -> None:
        """Add Pyomo constraints over variables of the model, with one finite side."""
        for row in rows:
            repn = generate_standard_repn(row.body)
            known = [(self._column[v], float(c)) for v, c in zip(repn.linear_vars, repn.linear_coefs, strict=True)]
            low = -math.inf if row.lower is None else float(pyo.value(row.lower)) - float(repn.constant)
            high = math.inf if row.upper is None else float(pyo.value(row.upper)) - float(repn.constant)
            index = np.array([i for i, _ in known], dtype=np.int32)
            factor = np.array([c for _, c in known], dtype=float)
            _checked(self._highs.addRow(low, high, len(known), index, factor), "a row")

    def narrow(self, variable: Any, low: float, high: float) -> None:
        """Change the bounds of a variable."""
        _checked(self._highs.changeColBounds(self._column[variable], low, high), "bounds")

    def drop_loose(self) -> None:
        """Leave out the added rows that do not bind where the last solve ended."""
        status = self._highs.getBasis().row_status
        basic = highspy.HighsBasisStatus.kBasic
        loose = [i for i in range(self._first_added, self.rows) if status[i] == basic]
        if loose:
            _checked(self._highs.deleteRows(len(loose), np.array(loose, dtype=np.int32)), "rows to leave out")

    def solve(self) -> Relaxed | None:
        """The optimum, None where a stop came first. Raises SolverError where there is none."""
        if self._impossible:
            return Relaxed(math.inf, ComponentMap(), ComponentMap())
        watch = _Watch(Limits(), self._stage, silent, self._stop)
        _run(self._highs, watch)
        if watch.reason:
            return None
        status = self._highs.getModelStatus()
        if status == _MODEL_STATUS.kInfeasible:
            return Relaxed(math.inf, ComponentMap(), ComponentMap())
        if status != _MODEL_STATUS.kOptimal:
            raise SolverError(f"the relaxation ended with {self._highs.modelStatusToString(status)}; report this model")
        found = self._highs.getSolution()
        columns = self._program.columns
        values: Mapping[Any, float] = ComponentMap(zip(columns, found.col_value, strict=True))
        reduced: Mapping[Any, float] = ComponentMap(zip(columns, found.col_dual, strict=True))
        return Relaxed(float(self._highs.getInfo().objective_function_value), values, reduced)


def relaxation_bound(model: Any, stop: Stop = never) -> float:
    """Optimum of the model with integrality dropped: a bound on the model's own optimum.

    Returns -inf (maximum) or +inf (minimum) where already the relaxation is infeasible, the opposite where it
    is unbounded or was stopped. Raises SolverError where HiGHS does not finish it.
    """
    unbounded = _worst(model)
    try:
        program = _compile(model)
    except InfeasibleConstraintException:
        return -unbounded
    program.lp.integrality_ = []
    highs = _loaded(program.lp, Limits())
    watch = _Watch(Limits(), "relaxation", silent, stop)
    _run(highs, watch)
    if watch.reason:
        return unbounded
    status = highs.getModelStatus()
    if status == _MODEL_STATUS.kOptimal:
        return float(highs.getInfo().objective_function_value)
    if status == _MODEL_STATUS.kInfeasible:
        return -unbounded
    if status in (_MODEL_STATUS.kUnbounded, _MODEL_STATUS.kUnboundedOrInfeasible):
        return unbounded
    raise SolverError(f"the linear relaxation of {model.name} ended with {highs.modelStatusToString(status)}")


def _worst(model: Any) -> float:
    (objective,) = _objectives(model)
    return -math.inf if objective.sense == pyo.minimize else math.inf


def _objectives(model: Any) -> list[Any]:
    found = list(model.component_data_objects(pyo.Objective, active=True))
    if len(found) != 1:
        raise SolverError(f"model {model.name} has {len(found)} active objectives; it must have one")
    return found


def _compile(model: Any) -> _Program:
    """Pyomo model -> HiGHS matrices (rows of a two-sided constraint stand twice)."""
    worst = _worst(model)
    form = LinearStandardFormCompiler().write(model, mixed_form=True, set_sense=None)
    columns = list(form.columns)
    integer = np.array([not variable.is_continuous() for variable in columns], dtype=bool)
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(columns), len(form.rows)
    lp.sense_ = highspy.ObjSense.kMinimize if worst < 0 else highspy.ObjSense.kMaximize
    lp.offset_ = float(form.c_offset[0])
    lp.col_cost_ = np.asarray(form.c.toarray()[0], dtype=float)
    lp.col_lower_ = np.array([_finite(variable.lb, -math.inf) for variable in columns], dtype=float)
    lp.col_upper_ = np.array([_finite(variable.ub, math.inf) for variable in columns], dtype=float)
    side = np.array([row.bound_type for row in form.rows], dtype=int)
    rhs = np.asarray(form.rhs, dtype=float)
    lp.row_lower_ = np.where(side <= 0, rhs, -math.inf)
    lp.row_upper_ = np.where(side >= 0, rhs, math.inf)
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = form.A.indptr
    lp.a_matrix_.index_ = form.A.indices
    lp.a_matrix_.value_ = form.A.data
    kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
    lp.integrality_ = [kinds[int(flag)] for flag in integer] if integer.any() else []
    return _Program(lp, columns, integer, worst)


def _finite(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else float(value)


def _loaded(lp: highspy.HighsLp, limits: Limits) -> _Highs:
    highs = _Highs()
    options: dict[str, Any] = {"output_flag": False, "threads": 1, "random_seed": RANDOM_SEED}
    options["mip_rel_gap"] = limits.gap
    options["mip_abs_gap"] = 0.0
    if limits.nodes is not None:
        options["mip_max_nodes"] = limits.nodes
    if limits.seconds is not None:
        options["time_limit"] = limits.seconds
    for name, value in options.items():
        _checked(highs.setOptionValue(name, value), f"option {name} = {value}")
    _checked(highs.passModel(lp), "the model")
    return highs


def _checked(status: highspy.HighsStatus, what: str) -> None:
    if status == highspy.HighsStatus.kError:
        raise SolverError(f"HiGHS refused {what}")


def _set_start(highs: _Highs, program: _Program, start: Mapping[Any, float]) -> None:
    given = [(index, start[v]) for index, v in enumerate(program.columns) if v in start]
    indices = np.array([index for index, _ in given], dtype=np.int32)
    values = np.array([value for _, value in given], dtype=float)
    _checked(highs.setSolution(len(given), indices, values), "the start solution")


def _run(highs: _Highs, watch: _Watch) -> None:
    kinds = highspy.cb.HighsCallbackType
    highs.setCallback(watch, None)
    for kind in (kinds.kCallbackMipInterrupt, kinds.kCallbackSimplexInterrupt, kinds.kCallbackIpmInterrupt):
        highs.startCallback(kind)
    status = highs.run()
    highs.setCallback(None, None)
    if watch.failure is not None:
        raise watch.failure
    if status == highspy.HighsStatus.kError and watch.reason is None:
        raise SolverError(f"HiGHS broke down in stage {watch.stage!r}; report this model")


def _is_as_good_as_said(highs: _Highs, program: _Program) -> bool:
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


def _outcome(highs: _Highs, program: _Program, watch: _Watch, limits: Limits) -> Outcome:
    code = highs.getModelStatus()
    if code == _MODEL_STATUS.kInfeasible:
        return _without_solution("infeasible", program.worst)
    if code in (_MODEL_STATUS.kUnbounded, _MODEL_STATUS.kUnboundedOrInfeasible):
        return _without_solution("unbounded", program.worst)
    if code != _MODEL_STATUS.kOptimal and code not in _LIMIT_STATUSES and watch.reason is None:
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
        status, incumbent, bound, gap, _values(highs, program), code == _MODEL_STATUS.kTimeLimit
    )


def _without_solution(status: Status, worst: float) -> Outcome:
    bound = -worst if status == "infeasible" else worst
    return Outcome(status, None, bound, math.inf, ComponentMap())


def _bound(info: Any, program: _Program, code: Any, incumbent: float) -> float:
    if not program.integer.any():
        return incumbent if code == _MODEL_STATUS.kOptimal else program.worst
    bound = float(info.mip_dual_bound)
    beaten = incumbent - bound if program.worst > 0 else bound - incumbent
    if beaten > CONTRADICTION * max(1.0, abs(bound)):
        raise SolverError(f"HiGHS found {incumbent!r}, better than its bound {bound!r}; report this model")
    return max(bound, incumbent) if program.worst > 0 else min(bound, incumbent)


def _status(code: Any, reason: Status | None, gap: float) -> Status:
    if gap <= OPTIMAL_GAP:
        return "optimal"
    if code == _MODEL_STATUS.kOptimal:
        return "gap"
    return reason or "limit"


def _values(highs: _Highs, program: _Program) -> Mapping[Any, float]:
    raw = np.array(highs.getSolution().col_value, dtype=float)
    raw[program.integer] = np.rint(raw[program.integer])
    values: Mapping[Any, float] = ComponentMap(zip(program.columns, raw.tolist(), strict=True))
    return values
