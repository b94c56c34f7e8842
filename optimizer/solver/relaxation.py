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
from optimizer.progress import Stop, never, silent
from optimizer.solver.highs import MODEL_STATUS, Limits, Program, Watch, checked, compiled, loaded, run


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
            self._program = compiled(model)
        except InfeasibleConstraintException:  # a row without variables that cannot hold
            self._impossible, self._program = True, Program(highspy.HighsLp(), [], np.zeros(0, dtype=bool), -math.inf)
        self._program.lp.integrality_ = []
        self._column = ComponentMap((v, i) for i, v in enumerate(self._program.columns))
        self._highs = loaded(self._program.lp, Limits())
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
            checked(self._highs.addRow(low, high, len(known), index, factor), "a row")

    def narrow(self, variable: Any, low: float, high: float) -> None:
        """Change the bounds of a variable."""
        checked(self._highs.changeColBounds(self._column[variable], low, high), "bounds")

    def drop_loose(self) -> None:
        """Leave out the added rows that do not bind where the last solve ended."""
        status = self._highs.getBasis().row_status
        basic = highspy.HighsBasisStatus.kBasic
        loose = [i for i in range(self._first_added, self.rows) if status[i] == basic]
        if loose:
            checked(self._highs.deleteRows(len(loose), np.array(loose, dtype=np.int32)), "rows to leave out")

    def solve(self) -> Relaxed | None:
        """The optimum, None where a stop came first. Raises SolverError where there is none."""
        if self._impossible:
            return Relaxed(math.inf, ComponentMap(), ComponentMap())
        watch = Watch(Limits(), self._stage, silent, self._stop)
        run(self._highs, watch)
        if watch.reason:
            return None
        status = self._highs.getModelStatus()
        if status == MODEL_STATUS.kInfeasible:
            return Relaxed(math.inf, ComponentMap(), ComponentMap())
        if status != MODEL_STATUS.kOptimal:
            raise SolverError(f"the relaxation ended with {self._highs.modelStatusToString(status)}; report this model")
        found = self._highs.getSolution()
        columns = self._program.columns
        values: Mapping[Any, float] = ComponentMap(zip(columns, found.col_value, strict=True))
        reduced: Mapping[Any, float] = ComponentMap(zip(columns, found.col_dual, strict=True))
        return Relaxed(float(self._highs.getInfo().objective_function_value), values, reduced)
