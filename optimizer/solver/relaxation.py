"""A linear relaxation that grows by cuts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
import pyomo.environ as pyo
from pyomo.common.collections import ComponentMap
from pyomo.common.errors import InfeasibleConstraintException
from pyomo.repn import generate_standard_repn

from optimizer.errors import SolverError
from optimizer.progress import Report, Stop, never, silent
from optimizer.solver.highs import MODEL_STATUS, Limits, Program, Watch, checked, compiled, loaded, run

BRANCHING = {"mip_heuristic_effort": 0.0}  # a bound is wanted, no solution


@dataclass(frozen=True)
class Relaxed:
    """An optimum of a relaxation. value: objective; values: by Pyomo variable; reduced: reduced costs by Pyomo
    variable."""

    value: float
    values: Mapping[Any, float]
    reduced: Mapping[Any, float]


@dataclass(frozen=True)
class Branched:
    """A bound by branch and bound, the interrupt checks that it took, and whether it is the optimum, which no work
    would raise."""

    bound: float
    checks: int
    optimum: bool


class Relaxation:
    """A linear minimum that grows: rows are added, variables are narrowed, and each solve begins where the last ended.

    With `whole` branch and bound takes over, on the rows that bind. An order of calls that gives the same model gives
    the same answers.
    """

    def __init__(
        self, model: Any, *, known: float = math.inf, stage: str = "relaxation", stop: Stop = never
    ) -> None:
        """Compile the model, whole variables as continuous ones. known: an optimum beyond it is as good as infinite."""
        self._impossible = False
        try:
            self._program = compiled(model)
        except InfeasibleConstraintException:  # a row without variables that cannot hold
            self._impossible, self._program = True, Program(highspy.HighsLp(), [], np.zeros(0, dtype=bool), -math.inf)
        self._program.lp.integrality_ = []
        self._column = ComponentMap((v, i) for i, v in enumerate(self._program.columns))
        self._highs = loaded(self._program.lp, Limits())
        checked(self._highs.setOptionValue("objective_bound", known), "a bound of the objective")
        self._known, self._stage, self._stop = known, stage, stop

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
            checked(self._highs.addRow(low, high, len(known), index, factor), "a row")

    def narrow(self, variable: Any, low: float, high: float) -> None:
        """Change the bounds of a variable."""
        checked(self._highs.changeColBounds(self._column[variable], low, high), "bounds")

    def solve(self) -> Relaxed | None:
        """The optimum, infinite where there is no solution as good as known, None where a stop came first. Raises
        SolverError where HiGHS does not finish it."""
        if self._impossible:
            return Relaxed(math.inf, ComponentMap(), ComponentMap())
        status = self._run()
        if status is None:
            return None
        if status in (MODEL_STATUS.kInfeasible, MODEL_STATUS.kObjectiveBound):
            return Relaxed(math.inf, ComponentMap(), ComponentMap())
        if status != MODEL_STATUS.kOptimal:
            raise SolverError(f"the relaxation ended with {self._highs.modelStatusToString(status)}; report this model")
        found = self._highs.getSolution()
        columns = self._program.columns
        values: Mapping[Any, float] = ComponentMap(zip(columns, found.col_value, strict=True))
        reduced: Mapping[Any, float] = ComponentMap(zip(columns, found.col_dual, strict=True))
        return Relaxed(float(self._highs.getInfo().objective_function_value), values, reduced)

    def _run(self) -> highspy.HighsModelStatus | None:
        """The status at the end, None where a stop came first. Where the warm simplex method breaks down or ends in
        doubt, as it may where there is no solution, the interior point method decides."""
        for solver in ("simplex", "ipm"):
            checked(self._highs.setOptionValue("solver", solver), f"option solver = {solver}")
            watch = Watch(Limits(), self._stage, silent, self._stop)
            broke_down = False
            try:
                run(self._highs, watch)
            except SolverError:
                if solver == "ipm":
                    raise
                broke_down = True
            if watch.reason:
                return None
            if not broke_down and self._highs.getModelStatus() != MODEL_STATUS.kUnknown:
                break
            self._highs.clearSolver()
        checked(self._highs.setOptionValue("solver", "choose"), "option solver = choose")
        return self._highs.getModelStatus()

    def branch(self, whole: Iterable[Any], aim: float, limits: Limits, report: Report = silent) -> Branched:
        """A bound by branch and bound, with the variables whole.

        aim: only solutions of that cost or less are looked for, so that the bound is never more. It ends as well by
        `limits` or a stop, with the bound proven so far.
        """
        if self._impossible:
            return Branched(aim, 0, False)
        columns = np.array([self._column[v] for v in whole], dtype=np.int32)
        self._be(columns, highspy.HighsVarType.kInteger)
        row = self.rows
        self._add_cutoff(aim)
        for name, value in {**BRANCHING, "mip_rel_gap": limits.gap, "objective_bound": aim}.items():
            checked(self._highs.setOptionValue(name, value), f"option {name} = {value}")
        watch = Watch(limits, self._stage, report, self._stop, aim)
        run(self._highs, watch)
        info, status = self._highs.getInfo(), self._highs.getModelStatus()
        bound = aim if status == MODEL_STATUS.kInfeasible else float(info.mip_dual_bound)
        checked(self._highs.setOptionValue("objective_bound", self._known), "a bound of the objective")
        checked(self._highs.deleteRows(1, np.array([row], dtype=np.int32)), "the cutoff to leave out")
        self._be(columns, highspy.HighsVarType.kContinuous)
        optimum = watch.reason is None and status == MODEL_STATUS.kOptimal
        return Branched(min(aim, bound), watch.checks, optimum)

    def _be(self, columns: Any, kind: highspy.HighsVarType) -> None:
        kinds = np.full(len(columns), int(kind), dtype=np.uint8)
        checked(self._highs.changeColsIntegrality(len(columns), columns, kinds), "whole columns")

    def _add_cutoff(self, aim: float) -> None:
        """cost <= aim: what costs more is of no interest."""
        factor = np.array(self._program.lp.col_cost_, dtype=float)
        index = np.flatnonzero(factor).astype(np.int32)
        most = aim * (1 + 1e-9) - self._program.lp.offset_
        checked(self._highs.addRow(-math.inf, most, len(index), index, factor[index]), "the cutoff")
