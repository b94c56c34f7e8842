"""HiGHS itself: models compiled to its matrices, its options, its runs with their progress and stops.

The bare `_Highs` is used because `highspy.Highs` prints a banner before it can be silenced.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import highspy
import numpy as np
import pyomo.environ as pyo
from highspy._core import _Highs
from pyomo.repn.plugins.standard_form import LinearStandardFormCompiler

from optimizer.errors import SolverError
from optimizer.progress import Progress, Report, Stop, relative_gap

Status: TypeAlias = Literal["optimal", "gap", "limit", "stopped", "infeasible", "unbounded"]

RANDOM_SEED = 1
OPTIMAL_GAP = 1e-6  # relative; HiGHS's own feasibility tolerance leaves nothing finer to prove
REPORT_EVERY_S = 0.5

MODEL_STATUS = highspy.HighsModelStatus
LIMIT_STATUSES = frozenset(
    {MODEL_STATUS.kTimeLimit, MODEL_STATUS.kIterationLimit, MODEL_STATUS.kSolutionLimit}
)
UNDECIDED = frozenset({MODEL_STATUS.kUnboundedOrInfeasible, MODEL_STATUS.kUnknown})


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
class Program:
    """A compiled model: HiGHS's matrices, the Pyomo variable of each column, which columns are integer."""

    lp: highspy.HighsLp
    columns: list[Any]
    integer: np.ndarray[Any, np.dtype[np.bool_]]
    worst: float  # the bound that says nothing: -inf for a minimum, +inf for a maximum


class Watch:
    """HiGHS's interrupt callback: reports, counts checks, and carries the reason of an interruption out."""

    def __init__(
        self, limits: Limits, stage: str, report: Report, stop: Stop, enough: float | None = None
    ) -> None:
        self.limits, self.stage, self.report, self.stop, self.enough = limits, stage, report, stop, enough
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
            elif self.enough is not None and data.mip_dual_bound >= self.enough:
                self.reason = "gap"
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


def worst_of(model: Any) -> float:
    (objective,) = _objectives(model)
    return -math.inf if objective.sense == pyo.minimize else math.inf


def _objectives(model: Any) -> list[Any]:
    found = list(model.component_data_objects(pyo.Objective, active=True))
    if len(found) != 1:
        raise SolverError(f"model {model.name} has {len(found)} active objectives; it must have one")
    return found


def compiled(model: Any) -> Program:
    """Pyomo model -> HiGHS matrices (rows of a two-sided constraint stand twice)."""
    worst = worst_of(model)
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
    return Program(lp, columns, integer, worst)


def _finite(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else float(value)


def loaded(lp: highspy.HighsLp, limits: Limits) -> _Highs:
    highs = _Highs()
    options: dict[str, Any] = {"output_flag": False, "threads": 1, "random_seed": RANDOM_SEED}
    options["mip_rel_gap"] = limits.gap
    options["mip_abs_gap"] = 0.0
    if limits.nodes is not None:
        options["mip_max_nodes"] = limits.nodes
    if limits.seconds is not None:
        options["time_limit"] = limits.seconds
    for name, value in options.items():
        checked(highs.setOptionValue(name, value), f"option {name} = {value}")
    checked(highs.passModel(lp), "the model")
    return highs


def checked(status: highspy.HighsStatus, what: str) -> None:
    if status == highspy.HighsStatus.kError:
        raise SolverError(f"HiGHS refused {what}")


def run(highs: _Highs, watch: Watch) -> None:
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
