"""Rows of model A (optimizer/placement/model.py), each derived by hand from its equation on one tiny instance.

Three candidates 0, 1, 2 in a row and a fourth, 3, of another schedule group. Cell 0 (value 5) is covered by
candidates 0 and 1, cell 1 (value 2) by 2, cell 2 (value 4) by 1, 2 and 3. Candidates 0 and 1 stand too close,
as do 1 and 2; 2 is locked; one of 0, 1 must be chosen; three circuits of two nozzles.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pyomo.environ as pyo
import pytest
import scipy.sparse as sp
from pyomo.repn import generate_standard_repn

from optimizer.placement import model as models
from optimizer.placement.problem import PlacementProblem

PROBLEM = PlacementProblem(
    value=np.array([5.0, 2.0, 4.0]),
    incidence=sp.csr_array(np.array([[1, 1, 0, 0], [0, 0, 1, 0], [0, 1, 1, 1]], dtype=bool)),
    lines=((0, 1, 2), (3,)),
    spacing=((0, 1), (1, 2)),
    cover=((0, 1),),
    locked=(2,),
    group=np.array([0, 0, 0, 1]),
    groups=2,
    circuits=3,
    per_circuit=2,
)

Row = tuple[dict[str, float], float | None, float | None]

EXPECTED: dict[str, Row] = {
    # (1) u_c - sum_j a_jc x_j <= 0
    "covered[0]": ({"u[0]": 1.0, "x[0]": -1.0, "x[1]": -1.0}, None, 0.0),
    "covered[1]": ({"u[1]": 1.0, "x[2]": -1.0}, None, 0.0),
    "covered[2]": ({"u[2]": 1.0, "x[1]": -1.0, "x[2]": -1.0, "x[3]": -1.0}, None, 0.0),
    # (2) sum of a window <= 1
    "spacing[0]": ({"x[0]": 1.0, "x[1]": 1.0}, None, 1.0),
    "spacing[1]": ({"x[1]": 1.0, "x[2]": 1.0}, None, 1.0),
    # (3) sum of a window >= 1
    "continuous[0]": ({"x[0]": 1.0, "x[1]": 1.0}, 1.0, None),
    # (4) x_2 = 1
    "locked[2]": ({"x[2]": 1.0}, 1.0, 1.0),
    # (5) nozzles of a group - 2 n_g <= 0
    "capacity[0]": ({"x[0]": 1.0, "x[1]": 1.0, "x[2]": 1.0, "n[0]": -2.0}, None, 0.0),
    "capacity[1]": ({"x[3]": 1.0, "n[1]": -2.0}, None, 0.0),
    # (6) n_0 + n_1 = 3
    "circuits": ({"n[0]": 1.0, "n[1]": 1.0}, 3.0, 3.0),
}


def rows(model: Any) -> dict[str, Row]:
    found = {}
    for constraint in model.component_data_objects(pyo.Constraint):
        coefficients, constant = linear(constraint.body)
        low = None if constraint.lower is None else pyo.value(constraint.lower) - constant
        high = None if constraint.upper is None else pyo.value(constraint.upper) - constant
        found[constraint.name] = (coefficients, low, high)
    return found


def linear(expression: Any) -> tuple[dict[str, float], float]:
    repn = generate_standard_repn(expression)
    assert repn.is_linear()
    names = [variable.name for variable in repn.linear_vars]
    return dict(zip(names, repn.linear_coefs, strict=True)), repn.constant


def test_every_row_of_model_a() -> None:
    assert rows(models.build(PROBLEM)) == EXPECTED


def test_the_objective_is_the_value_of_the_covered_cells() -> None:
    model = models.build(PROBLEM)
    assert model.coverage.sense == pyo.maximize
    assert linear(model.coverage.expr) == ({"u[0]": 5.0, "u[1]": 2.0, "u[2]": 4.0}, 0.0)


def test_bounds_and_domains() -> None:
    model = models.build(PROBLEM)
    assert all(variable.is_binary() for variable in model.x.values())
    assert [(v.lb, v.ub, v.is_continuous()) for v in model.u.values()] == [(0.0, 1.0, True)] * 3
    assert [(v.lb, v.ub, v.is_integer()) for v in model.n.values()] == [(1, 3, True)] * 2


def test_fewest_keeps_the_rows_of_the_rules_only() -> None:
    named = ("spacing", "continuous", "locked", "capacity")
    expected = {name: row for name, row in EXPECTED.items() if name.startswith(named)}
    assert rows(models.build_fewest(PROBLEM)) == expected


def test_fewest_counts_circuits_before_nozzles_before_coverage() -> None:
    """|J| + 1 = 5 a circuit; candidates cover 5, 9, 6 and 4 alone: b_j = 0.5 cover / (9 * 5)."""
    coefficients, constant = linear(models.build_fewest(PROBLEM).fewest.expr)
    expected = {"n[0]": 5.0, "n[1]": 5.0}
    expected |= {f"x[{j}]": 1.0 - 0.5 * alone / 45.0 for j, alone in enumerate((5.0, 9.0, 6.0, 4.0))}
    assert constant == 0.0
    assert coefficients == pytest.approx(expected)


def test_the_notation_table_names_every_component() -> None:
    model = models.build(PROBLEM)
    names = {component.local_name for component in model.component_objects((pyo.Constraint, pyo.Objective))}
    table = {line.split()[-1] for line in str(models.__doc__).splitlines() if re.match(r" +(\(\d\)|max) ", line)}
    assert names == table
    variables = {component.local_name for component in model.component_objects(pyo.Var)}
    assert variables == set(re.findall(r"\b([a-z])_[a-z]   ?", str(models.__doc__).split("variables")[1])[:3])


def test_start_values_satisfy_every_row() -> None:
    model = models.build(PROBLEM)
    for variable, number in models.start_values(model, PROBLEM, (0, 2, 3)).items():
        variable.set_value(number)
    for constraint in model.component_data_objects(pyo.Constraint):
        assert constraint.slack() >= 0.0, constraint.name
    assert pyo.value(model.coverage) == pytest.approx(11.0)
