"""The relaxation where HiGHS breaks down: another method decides, and what a bound has proven stays."""

from __future__ import annotations

import math
from typing import Any

import pyomo.environ as pyo
import pytest

from optimizer.errors import SolverError
from optimizer.progress import silent
from optimizer.runs.proven import cut_bound
from optimizer.solver import Relaxation, relaxation


def two_rows() -> Any:
    """min x + y, x + 2 y >= 4, 3 x + y >= 6: by hand x = 8/5, y = 6/5, least 14/5."""
    model: Any = pyo.ConcreteModel("two rows")
    model.x, model.y = pyo.Var(bounds=(0, None)), pyo.Var(bounds=(0, None))
    model.rows = pyo.ConstraintList()
    model.rows.add(model.x + 2 * model.y >= 4)
    model.rows.add(3 * model.x + model.y >= 6)
    model.cost = pyo.Objective(expr=model.x + model.y)
    return model


def breaking(monkeypatch: pytest.MonkeyPatch, times: float) -> list[str]:
    """HiGHS breaks down so many times, then runs; the stages of all runs."""
    real, runs = relaxation.run, []

    def run(highs: Any, watch: Any) -> None:
        runs.append(watch.stage)
        if len(runs) <= times:
            raise SolverError("HiGHS broke down")
        real(highs, watch)

    monkeypatch.setattr(relaxation, "run", run)
    return runs


def test_another_method_decides_where_the_first_breaks_down(monkeypatch: pytest.MonkeyPatch) -> None:
    runs = breaking(monkeypatch, 1)
    found = Relaxation(two_rows()).solve()
    assert found is not None
    assert (found.value, len(runs)) == (pytest.approx(14 / 5), 2)


def test_where_both_break_down_it_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    breaking(monkeypatch, math.inf)
    with pytest.raises(SolverError, match="broke down"):
        Relaxation(two_rows()).solve()


def test_a_bound_that_is_not_reached_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    breaking(monkeypatch, math.inf)
    assert cut_bound(two_rows(), Relaxation(two_rows()), 5.0, silent) == -math.inf
