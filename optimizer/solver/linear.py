"""Linear programs put together in blocks of rows, without Pyomo, and solved again and again while rows are added or
their sides move."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import highspy
import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike, NDArray

from optimizer.errors import SolverError
from optimizer.progress import Stop, never, silent
from optimizer.solver.highs import MODEL_STATUS, Limits, Watch, checked, loaded, run

Floats = NDArray[np.float64]
INFINITY = highspy.kHighsInf
Row = tuple[str, Mapping[int, float], float, float]  # name, coefficients, least, most


@dataclass
class Program:
    """Columns by name, rows by name; grows block by block."""

    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    first: dict[str, int] = field(default_factory=dict)
    names: list[str] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)

    def columns(self, name: str, low: Sequence[float] | Floats, high: Sequence[float] | Floats) -> int:
        """Add columns name[0], name[1], ... with their ranges; the number of the first."""
        start = self.first[name] = len(self.low)
        self.low += map(float, low)
        self.high += map(float, high)
        self.names += [f"{name}[{i}]" for i in range(len(self.low) - start)]
        return start

    def add(self, rows: Iterator[Row]) -> None:
        """Add rows."""
        self.rows += rows


@dataclass(frozen=True, eq=False)
class Solution:
    """An optimum: its value, that of each column, and the price of each row: what the value changes by for a side one
    more."""

    value: float
    columns: Floats
    prices: Floats


class WarmProgram:
    """A linear program in HiGHS whose basis stays warm. Rows are numbered as they were added."""

    def __init__(self, program: Program, *, maximise: bool) -> None:
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(program.low), len(program.rows)
        lp.sense_ = highspy.ObjSense.kMaximize if maximise else highspy.ObjSense.kMinimize
        lp.col_cost_ = np.zeros(len(program.low))
        lp.col_lower_, lp.col_upper_ = np.array(program.low), np.array(program.high)
        lp.row_lower_ = np.array([low for _, _, low, _ in program.rows])
        lp.row_upper_ = np.array([high for _, _, _, high in program.rows])
        matrix = _matrix(program)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_, lp.a_matrix_.index_ = matrix.indptr, matrix.indices
        lp.a_matrix_.value_ = matrix.data
        self._highs: Any = loaded(lp, Limits())
        self.row = {name: number for number, (name, *_) in enumerate(program.rows)}
        self.count = len(program.low)

    def aim(self, cost: ArrayLike, *, maximise: bool) -> None:
        """Change the objective. cost: of every column."""
        sense = highspy.ObjSense.kMaximize if maximise else highspy.ObjSense.kMinimize
        checked(self._highs.changeObjectiveSense(sense), "a sense")
        columns = np.arange(self.count, dtype=np.int32)
        checked(self._highs.changeColsCost(self.count, columns, np.asarray(cost, dtype=float)), "costs")

    def side(self, row: str, least: float, most: float) -> None:
        """Change the sides of a row."""
        checked(self._highs.changeRowBounds(self.row[row], least, most), "sides of a row")

    def change(self, row: str, coefficients: Mapping[int, float]) -> None:
        """Change coefficients of a row."""
        for column, value in coefficients.items():
            checked(self._highs.changeCoeff(self.row[row], column, value), "a coefficient")

    def add(self, rows: Sequence[Row]) -> None:
        """Add rows."""
        for name, coefficients, low, high in rows:
            columns = np.fromiter(coefficients, dtype=np.int32, count=len(coefficients))
            values = np.fromiter(coefficients.values(), dtype=float, count=len(coefficients))
            checked(self._highs.addRow(low, high, len(columns), columns, values), "a row")
            self.row[name] = self._highs.getNumRow() - 1

    def solve(self, stop: Stop = never) -> Solution | None:
        """The optimum; None where stopped or where there is none because no point meets all rows.

        Raises SolverError where HiGHS breaks down.
        """
        if stop():
            return None
        watch = Watch(Limits(), "joint relaxation", silent, stop)
        run(self._highs, watch)
        status = self._highs.getModelStatus()
        if watch.reason or status in (MODEL_STATUS.kInfeasible, MODEL_STATUS.kUnboundedOrInfeasible):
            return None
        if status != MODEL_STATUS.kOptimal:
            words = self._highs.modelStatusToString(status)
            raise SolverError(f"a linear relaxation ended with {words}; report this site")
        found = self._highs.getSolution()
        value = float(self._highs.getInfo().objective_function_value)
        return Solution(value, np.array(found.col_value), np.array(found.row_dual))


def _matrix(program: Program) -> sp.csr_array:
    counts = [len(coefficients) for _, coefficients, _, _ in program.rows]
    columns = np.fromiter((c for _, row, _, _ in program.rows for c in row), dtype=np.int32, count=sum(counts))
    values = np.fromiter((v for _, row, _, _ in program.rows for v in row.values()), dtype=float, count=sum(counts))
    start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)
    return sp.csr_array((values, columns, start), shape=(len(counts), len(program.low)))
