"""The solver room: status, bound, gap, start, limits and stop of programs whose optimum is known otherwise.

References: scipy.optimize.milp and enumeration; textbook facts stand beside their check.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pyomo.environ as pyo
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from optimizer.errors import SolverError, SolverLimit
from optimizer.progress import Progress, named, never, relative_gap, silent
from optimizer.solver import Limits, relaxation_bound, solve


def knapsack(profit: Any, weights: Any, rooms: Any) -> pyo.ConcreteModel:
    """max profit x, weights x <= rooms, x binary; weights [rows, items]."""
    model = pyo.ConcreteModel("knapsack")
    model.x = pyo.Var(range(len(profit)), domain=pyo.Binary)
    model.rows = pyo.ConstraintList()
    for row, room in zip(weights, rooms, strict=True):
        model.rows.add(sum(int(a) * model.x[j] for j, a in enumerate(row)) <= int(room))
    model.profit = pyo.Objective(
        expr=sum(int(p) * model.x[j] for j, p in enumerate(profit)), sense=pyo.maximize
    )
    return model


def hard_knapsack() -> pyo.ConcreteModel:
    """90 items in 60 rows: not done at the root, so that limits and stops have something to cut short."""
    rng = np.random.default_rng(0)
    weights = np.where(rng.random((60, 90)) < 0.15, rng.integers(1, 21, (60, 90)), 0)
    return knapsack(rng.integers(5, 40, 90), weights, [45] * 60)


@given(
    st.integers(1, 7).flatmap(
        lambda n: st.tuples(
            st.lists(st.integers(0, 9), min_size=n, max_size=n),
            st.lists(st.lists(st.integers(0, 9), min_size=n, max_size=n), min_size=1, max_size=3),
        )
    )
)
@settings(max_examples=25, deadline=None)
def test_small_knapsacks_equal_enumeration(case: tuple[list[int], list[list[int]]]) -> None:
    profit, weights = case
    rooms = [max(1, sum(row) // 2) for row in weights]
    best = max(
        sum(p * x for p, x in zip(profit, pick, strict=True))
        for pick in itertools.product((0, 1), repeat=len(profit))
        if all(
            sum(a * x for a, x in zip(row, pick, strict=True)) <= room
            for row, room in zip(weights, rooms, strict=True)
        )
    )
    outcome = solve(knapsack(profit, weights, rooms))
    assert outcome.status == "optimal"
    assert outcome.incumbent == pytest.approx(best)
    assert outcome.bound == pytest.approx(best)


def test_equal_to_scipys_milp_with_two_sided_and_equality_rows() -> None:
    rng = np.random.default_rng(5)
    cost, matrix = rng.integers(1, 20, 8).astype(float), rng.integers(0, 6, (4, 8)).astype(float)
    low, high = np.array([5.0, 6.0, 7.0, 9.0]), np.array([11.0, 6.0, math.inf, 15.0])
    reference = milp(
        cost,
        integrality=[1, 1, 1, 1, 0, 0, 0, 0],
        bounds=Bounds(0, 3),
        constraints=LinearConstraint(matrix, low, high),
    )
    model = pyo.ConcreteModel()
    kinds = [pyo.Integers] * 4 + [pyo.Reals] * 4
    model.x = pyo.Var(range(8), domain=lambda _, j: kinds[j], bounds=(0, 3))
    model.rows = pyo.Constraint(
        range(4),
        rule=lambda m, i: (
            float(low[i]),
            sum(float(matrix[i, j]) * m.x[j] for j in range(8)),
            None if math.isinf(high[i]) else float(high[i]),
        ),
    )
    model.cost = pyo.Objective(expr=7.0 + sum(float(cost[j]) * model.x[j] for j in range(8)))
    outcome = solve(model)
    assert reference.success
    assert outcome.incumbent == pytest.approx(7.0 + reference.fun)
    assert outcome.bound <= outcome.incumbent + 1e-9
    values = np.array([outcome.values[model.x[j]] for j in range(8)])
    assert float(cost @ values) == pytest.approx(reference.fun)
    assert relaxation_bound(model) <= outcome.incumbent + 1e-9


def test_a_linear_program_has_its_optimum_as_bound() -> None:
    """max 3x + 5y, x <= 4, 2y <= 12, 3x + 2y <= 18 has optimum 36 (a textbook's glass factory, memory)."""
    model = pyo.ConcreteModel()
    model.x, model.y = pyo.Var(bounds=(0, 4)), pyo.Var(bounds=(0, None))
    model.doors = pyo.Constraint(expr=2 * model.y <= 12)
    model.glass = pyo.Constraint(expr=3 * model.x + 2 * model.y <= 18)
    model.profit = pyo.Objective(expr=3 * model.x + 5 * model.y, sense=pyo.maximize)
    outcome = solve(model)
    assert outcome.status == "optimal"
    assert (outcome.incumbent, outcome.bound) == (pytest.approx(36), pytest.approx(36))
    assert relaxation_bound(model) == pytest.approx(36)


def test_relaxation_bound_by_hand() -> None:
    """Three items of weight 2, profit 1, room 3: the relaxation fills 1.5 items, the program 1."""
    model = knapsack([1, 1, 1], [[2, 2, 2]], [3])
    assert relaxation_bound(model) == pytest.approx(1.5)
    assert solve(model).incumbent == pytest.approx(1.0)


def infeasible_by_rows() -> pyo.ConcreteModel:
    model = pyo.ConcreteModel()
    model.x = pyo.Var([0, 1], domain=pyo.Binary)
    model.most = pyo.Constraint(expr=model.x[0] + model.x[1] <= 1)
    model.least = pyo.Constraint(expr=model.x[0] + model.x[1] >= 2)
    model.sum = pyo.Objective(expr=model.x[0], sense=pyo.maximize)
    return model


def infeasible_without_variables() -> pyo.ConcreteModel:
    model = pyo.ConcreteModel()
    model.x = pyo.Var(domain=pyo.Binary)
    model.x.fix(0)
    model.must = pyo.Constraint(expr=model.x >= 1)
    model.free = pyo.Var(bounds=(0, 1))
    model.sum = pyo.Objective(expr=model.free, sense=pyo.maximize)
    return model


@pytest.mark.parametrize("build", [infeasible_by_rows, infeasible_without_variables])
def test_infeasible_is_a_status_without_values(build: Any) -> None:
    outcome = solve(build())
    assert (outcome.status, outcome.incumbent, outcome.bound) == ("infeasible", None, -math.inf)
    assert not outcome.values
    assert relaxation_bound(build()) == -math.inf


def test_unbounded_is_a_status() -> None:
    model = pyo.ConcreteModel()
    model.x = pyo.Var(domain=pyo.NonNegativeIntegers)
    model.y = pyo.Var(domain=pyo.NonNegativeReals)
    model.row = pyo.Constraint(expr=model.x - model.y <= 1)
    model.sum = pyo.Objective(expr=model.x, sense=pyo.maximize)
    outcome = solve(model)
    assert (outcome.status, outcome.incumbent, outcome.bound) == ("unbounded", None, math.inf)
    assert relaxation_bound(model) == math.inf


def test_fixed_variables_are_constants() -> None:
    model = knapsack([3, 2, 2], [[2, 1, 1]], [2])
    model.x[1].fix(1)
    outcome = solve(model)
    assert outcome.incumbent == pytest.approx(4.0)
    assert model.x[1] not in outcome.values


def test_a_gap_that_is_good_enough_ends_the_search_within_it() -> None:
    outcome = solve(hard_knapsack(), limits=Limits(gap=0.1))
    assert outcome.status == "gap"
    assert 0.0 < outcome.gap <= 0.1
    assert outcome.incumbent is not None
    assert outcome.gap == pytest.approx((outcome.bound - outcome.incumbent) / outcome.bound)


@pytest.mark.parametrize("limits", [Limits(nodes=2), Limits(checks=150)])
def test_counted_limits_give_the_same_answer_each_time(limits: Limits) -> None:
    first, second = solve(hard_knapsack(), limits=limits), solve(hard_knapsack(), limits=limits)
    assert first.status == "limit"
    assert not first.time_limit_hit
    assert (first.incumbent, first.bound) == (second.incumbent, second.bound)
    assert list(first.values.values()) == list(second.values.values())


def test_a_time_limit_is_recorded() -> None:
    outcome = solve(hard_knapsack(), limits=Limits(seconds=0.3))
    assert (outcome.status, outcome.time_limit_hit) == ("limit", True)
    assert outcome.incumbent is not None
    assert outcome.incumbent <= outcome.bound


def test_a_stop_keeps_the_best_so_far_and_reports_rise_to_it() -> None:
    told: list[Progress] = []
    outcome = solve(
        hard_knapsack(), stage="knapsack", report=told.append, stop=lambda: bool(told and told[-1].incumbent)
    )
    assert outcome.status == "stopped"
    assert outcome.incumbent is not None and outcome.incumbent > 0
    assert {progress.stage for progress in told} == {"knapsack"}
    known = [progress.incumbent for progress in told if progress.incumbent is not None]
    assert known == sorted(known)


def test_a_limit_before_any_solution_is_an_error_not_zeros() -> None:
    with pytest.raises(SolverLimit, match="roots: a limit was reached before any feasible answer"):
        solve(subset_sum(), stage="roots", limits=Limits(checks=1))
    with pytest.raises(SolverLimit, match="a stop was asked for"):
        solve(subset_sum(), stop=lambda: True)


def subset_sum() -> pyo.ConcreteModel:
    """Two equality rows of large coefficients: no rounding heuristic finds a solution at once."""
    rng = np.random.default_rng(1)
    model = pyo.ConcreteModel()
    model.x = pyo.Var(range(40), domain=pyo.Binary)
    planted = rng.integers(0, 2, 40)
    model.rows = pyo.ConstraintList()
    for weights in rng.integers(1000, 90000, (2, 40)):
        model.rows.add(sum(int(w) * model.x[j] for j, w in enumerate(weights)) == int(weights @ planted))
    model.sum = pyo.Objective(expr=sum(model.x[j] for j in range(40)))
    return model


def test_a_start_is_the_first_incumbent() -> None:
    model = hard_knapsack()
    best = solve(model, limits=Limits(nodes=1))
    assert best.incumbent is not None
    again = solve(model, limits=Limits(checks=1), start=best.values)
    assert again.incumbent == pytest.approx(best.incumbent)


def test_an_error_inside_a_report_reaches_the_caller() -> None:
    def broken(_: Progress) -> None:
        raise ZeroDivisionError("report")

    with pytest.raises(ZeroDivisionError, match="report"):
        solve(hard_knapsack(), report=broken)


def test_the_solver_prints_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    solve(knapsack([3, 2, 2], [[2, 1, 1]], [2]))
    assert capfd.readouterr() == ("", "")


def test_a_model_without_a_free_variable_is_its_constant() -> None:
    model = pyo.ConcreteModel()
    model.x = pyo.Var(domain=pyo.Binary)
    model.x.fix(1)
    model.sum = pyo.Objective(expr=3 * model.x + 2, sense=pyo.maximize)
    outcome = solve(model)
    assert (outcome.status, outcome.incumbent, outcome.bound) == ("optimal", 5.0, 5.0)


def test_a_model_needs_one_objective() -> None:
    model = pyo.ConcreteModel("bare")
    model.x = pyo.Var(domain=pyo.Binary)
    with pytest.raises(SolverError, match="model bare has 0 active objectives"):
        solve(model)


def test_gap_is_the_share_of_the_larger_figure() -> None:
    assert relative_gap(95.0, 100.0) == pytest.approx(0.05)
    assert relative_gap(100.0, 95.0) == pytest.approx(0.05)
    assert relative_gap(0.0, 0.0) == 0.0
    assert relative_gap(1.0, math.inf) == math.inf


def test_a_named_report_carries_the_callers_names() -> None:
    told: list[Progress] = []
    named(told.append, option="one_pump")(Progress("placement"))
    named(told.append, stage="refill", option="two_pumps")(Progress("placement"))
    assert [(p.stage, p.option) for p in told] == [("placement", "one_pump"), ("refill", "two_pumps")]
    silent(told[0])
    assert never() is False
