"""Rows of model A (optimizer/placement/model.py), each derived by hand from its equation on one tiny instance.

Line L: candidates 0, 1, 2 in a row; candidate 3 by itself. Cell 0 (value 5) is covered by 0 and 1, cell 1 (value 2)
by 2, cell 2 (value 4) by 1, 2 and 3; two nozzles must reach cell 2 before it counts. 0 and 1 stand too close, as do
1 and 2; 2 is locked; one of 0, 1 must be chosen; two of 0, 1, 2 and three of all may stand; 3 is preferred.

Line M is open: candidates 4, 5 at 0 m (two facings), 6 at 2 m, 7 at 4 m, 8 at 7 m. Its rows have 2 m from nozzle to
nozzle at most, and 5 m or more between them: 6 may be next to 4 or 5, 7 to 6; whatever stands before 8 but 7 has
nothing to do with it, and 8 may not follow 7. Line N closes after 6 m: candidates 9 at 0 m, 10 at 2 m, 11 at 4 m; 2 m
at most within a row, 4 m or more between rows; 10 and 11 stand too close: 10 may be next to 9, 9 to 11; what stands
two places on is 4 m away. Cell 3 (value 3) is covered by 6, 7 and 10, cell 4 (value 1) by 9, 11 and 14. Line O has even
pitch: of 12, 13, 14 stand 12 and 14, or 13, or 13 and 14, or none; 15 is barred. Zone Z holds 1 m² of cell 0 and 3 m²
of cell 2; 2 m² of it must be covered. Of the mist of 0, 1 and 9 a half, a quarter and all drift to the pond, of the
others none; a quarter of all may.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pyomo.environ as pyo
import pytest
import scipy.sparse as sp
from pyomo.repn import generate_standard_repn

from optimizer.placement import model as models
from optimizer.placement.problem import Drift, Floor, Limit, PlacementProblem, Row

COVERED_BY = ((0, 1), (2,), (1, 2, 3), (6, 7, 10), (9, 11, 14))
PROBLEM = PlacementProblem(
    value=np.array([5.0, 2.0, 4.0, 3.0, 1.0]),
    incidence=sp.csr_array(np.array([[j in found for j in range(16)] for found in COVERED_BY])),
    need=np.array([1, 1, 2, 1, 1]),
    bonus=np.array([0.0, 0.0, 0.0, 0.5, *[0.0] * 12]),
    lines=((0, 1, 2), (3,), (4, 6, 7, 8), (5,), (9, 10, 11), (12, 13, 14, 15)),
    spacing=((0, 1), (1, 2), (4, 5), (10, 11)),
    cover=((0, 1),),
    locked=(2,),
    barred=(15,),
    limits=(Limit((0, 1, 2), 2), Limit((0, 1, 2, 3), 3)),
    rows=(
        Row((4, 5, 6, 7, 8), (0.0, 0.0, 2.0, 4.0, 7.0), math.inf, 2.0, 5.0),
        Row((9, 10, 11), (0.0, 2.0, 4.0), 6.0, 2.0, 4.0),
    ),
    even=(((12, 14), (13,), (13, 14)),),
    floors=(Floor("Z", np.array([1.0, 0.0, 3.0, 0.0, 0.0]), 2.0),),
    drifts=(Drift("the pond", np.array([0.25, 0.0, *[-0.25] * 7, 0.75, *[-0.25] * 6])),),
)

Rows = dict[str, tuple[dict[str, float], float | None, float | None]]


def terms(text: str) -> dict[str, float]:
    """{"u[0]": 1.0, "x[1]": -2.0} of "u0 - 2 x1"; indices on lines have points: "o0.4"."""
    signs = re.findall(r"([+-]?) ?([\d.]* ?)([a-z])([\d.]+)", text)
    return {
        f"{letter}[{index.replace('.', ',')}]": (-1.0 if sign == "-" else 1.0) * float(factor or 1)
        for sign, factor, letter, index in signs
    }


AT_MOST = {
    # (1) r_c u_c - sum_j a_jc x_j <= 0; groups of M and N and patterns of O count once
    "covered[0]": ("u0 - x0 - x1", 0.0),
    "covered[1]": ("u1 - x2", 0.0),
    "covered[2]": ("2 u2 - x1 - x2 - x3", 0.0),
    "covered[3]": ("u3 - x10 - h0.0", 0.0),
    "covered[4]": ("u4 - h1.0 - y0.0 - y0.2", 0.0),
    # (2) sum of a window <= 1
    "spacing[0]": ("x0 + x1", 1.0),
    "spacing[1]": ("x1 + x2", 1.0),
    "spacing[2]": ("x4 + x5", 1.0),
    "spacing[3]": ("x10 + x11", 1.0),
    # (5) nozzles of a limit <= its most
    "capacity[0]": ("x0 + x1 + x2", 2.0),
    "capacity[1]": ("x0 + x1 + x2 + x3", 3.0),
    # (7) cell 3 from 6 and 7, places 2 and 3 of M; cell 4 from 11 and 9, places 2 and 0 of N, over the seam
    "hit[0,0]": ("h0.0 - x6 - x7 + z0.2.3", 0.0),
    "hit[1,0]": ("h1.0 - x11 - x9 + z1.2.0", 0.0),
    # (10) sum of share - 1/4 of every nozzle <= 0; that of 1 is just what is allowed
    "drift[0]": (
        "0.25 x0 - 0.25 x2 - 0.25 x3 - 0.25 x4 - 0.25 x5 - 0.25 x6 - 0.25 x7 - 0.25 x8 + 0.75 x9 - 0.25 x10 "
        "- 0.25 x11 - 0.25 x12 - 0.25 x13 - 0.25 x14 - 0.25 x15",
        0.0,
    ),
    # (8) sum of the patterns <= 1
    "one_pattern[0]": ("y0.0 + y0.1 + y0.2", 1.0),
}
AT_LEAST = {
    # (6) nozzle here - next nozzles near it
    "leads[0,0]": ("x4 - z0.0.2", 0.0),
    "leads[0,1]": ("x5 - z0.1.2", 0.0),
    "leads[0,2]": ("x6 - z0.2.3", 0.0),
    "leads[1,0]": ("x9 - z1.0.1", 0.0),
    "leads[1,2]": ("x11 - z1.2.0", 0.0),
    # (6) nozzle here - nozzles near it that it is next to
    "follows[0,2]": ("x6 - z0.0.2 - z0.1.2", 0.0),
    "follows[0,3]": ("x7 - z0.2.3", 0.0),
    "follows[1,0]": ("x9 - z1.2.0", 0.0),
    "follows[1,1]": ("x10 - z1.0.1", 0.0),
    # (3) sum of a window >= 1
    "continuous[0]": ("x0 + x1", 1.0),
    # (9) 1 m² of cell 0, 3 m² of cell 2
    "floor[0]": ("1 u0 + 3 u2", 2.0),
    # (9) 0 brings 1 m² at most, 1 brings 1 m² and half of 3 m², 2 and 3 that half: one may be enough for 2 m²
    "fewest_for_floor[0]": ("x0 + x1 + x2 + x3", 1.0),
}
EQUAL = {
    # (4) x_2 = 1, x_15 = 0
    "locked[2]": ("x2", 1.0),
    "barred[15]": ("x15", 0.0),
    # (7) passed here + nozzle next to none near - passed before - nozzles that none near follows, off to here;
    # on M off to 8 from 4, 5, 6; on N off to 11 from 9, and over the seam to 9 from 10, to 10 from 11
    "passes[0,0]": ("o0.0 + x4", 1.0),
    "passes[0,1]": ("o0.1 + x5 - o0.0", 0.0),
    "passes[0,2]": ("o0.2 + x6 - z0.0.2 - z0.1.2 - o0.1", 0.0),
    "passes[0,3]": ("o0.3 + x7 - z0.2.3 - o0.2", 0.0),
    "passes[0,4]": ("o0.4 + x8 - o0.3 - x4 + z0.0.2 - x5 + z0.1.2 - x6 + z0.2.3", 0.0),
    "passes[1,0]": ("o1.0 + x9 - z1.2.0 - o1.2 - x10", 0.0),
    "passes[1,1]": ("o1.1 + x10 - z1.0.1 - o1.0 - x11 + z1.2.0", 0.0),
    "passes[1,2]": ("o1.2 + x11 - o1.1 - x9 + z1.0.1", 0.0),
    # (7) passed at 11 + 9 next to 11 + off from 10 and from 11, where 9 is not next to it
    "seam[1]": ("o1.2 + x10 + x11", 1.0),
    # (8) a nozzle stands where a pattern that holds it does
    "even[0,12]": ("x12 - y0.0", 0.0),
    "even[0,13]": ("x13 - y0.1 - y0.2", 0.0),
    "even[0,14]": ("x14 - y0.0 - y0.2", 0.0),
}
EXPECTED: Rows = {
    **{name: (terms(text), None, number) for name, (text, number) in AT_MOST.items()},
    **{name: (terms(text), number, None) for name, (text, number) in AT_LEAST.items()},
    **{name: (terms(text), number, number) for name, (text, number) in EQUAL.items()},
}


def rows(model: Any) -> Rows:
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


@pytest.mark.parametrize("name", sorted({name.split("[")[0] for name in EXPECTED}))
def test_every_row_of_an_equation(name: str) -> None:
    def only(found: Rows) -> Rows:
        return {row: terms for row, terms in found.items() if row.startswith(f"{name}[")}

    assert only(rows(models.build(PROBLEM))) == only(EXPECTED)


def test_no_row_is_left_without_a_derivation() -> None:
    assert rows(models.build(PROBLEM)).keys() == EXPECTED.keys()


def test_the_objective_is_the_value_of_the_covered_cells_and_of_preferred_positions() -> None:
    model = models.build(PROBLEM)
    assert model.coverage.sense == pyo.maximize
    value = {"u[0]": 5.0, "u[1]": 2.0, "u[2]": 4.0, "u[3]": 3.0, "u[4]": 1.0, "x[3]": 0.5}
    assert linear(model.coverage.expr) == (value, 0.0)


def test_bounds_and_domains() -> None:
    model = models.build(PROBLEM)
    assert all(variable.is_binary() for variable in (*model.x.values(), *model.y.values()))
    assert [v.is_continuous() for v in model.u.values()] == [True, True, False, True, True]
    assert {(v.lb, v.ub) for v in model.u.values()} == {(0, 1)}
    chain = (*model.z.values(), *model.o.values(), *model.h.values())
    assert {(v.lb, v.ub, v.is_continuous()) for v in chain} == {(0, 1, True)}


def test_fewest_keeps_the_rows_of_the_rules_only() -> None:
    """Cells come in by the floors alone."""
    assert rows(models.build_fewest(PROBLEM)) == EXPECTED
    expected = {
        name: row for name, row in EXPECTED.items() if not name.startswith(("covered", "hit", "floor", "fewest"))
    }
    assert rows(models.build_fewest(replace(PROBLEM, floors=()))) == expected


def test_fewest_counts_nozzles_before_coverage() -> None:
    """Candidates 0 to 3 cover 5, 9, 6 and 4 alone, 6, 7, 10 cover 3, 9, 11, 14 cover 1: d_j = 0.5 cover / (9 * 17)."""
    coefficients, constant = linear(models.build_fewest(PROBLEM).fewest.expr)
    alone = (5.0, 9.0, 6.0, 4.0, 0.0, 0.0, 3.0, 3.0, 0.0, 1.0, 3.0, 1.0, 0.0, 0.0, 1.0, 0.0)
    assert constant == 0.0
    assert coefficients == pytest.approx({f"x[{j}]": 1.0 - 0.5 * here / 153.0 for j, here in enumerate(alone)})


def test_the_notation_table_names_every_component() -> None:
    model = models.build(PROBLEM)
    names = {component.local_name for component in model.component_objects((pyo.Constraint, pyo.Objective))}
    table = {line.split()[-1] for line in str(models.__doc__).splitlines() if re.match(r" +(\(\d+\)|max) ", line)}
    assert names == table
    variables = {component.local_name for component in model.component_objects(pyo.Var)}
    section = str(models.__doc__).split("variables")[1].split("max")[0]
    assert variables == set(re.findall(r"\b([a-z])_[a-z]   ?", section))


@pytest.mark.parametrize(
    ("chosen", "more"),
    [
        ((0, 2, 3), 0.0),
        ((0, 2, 3, 4, 6, 9, 10), 4.0),
        ((0, 2, 3, 4, 8, 9, 11, 12, 14), 1.0),
        ((0, 2, 3, 7, 10, 13), 3.0),
    ],
)
def test_start_values_satisfy_every_row(chosen: tuple[int, ...], more: float) -> None:
    """On M no nozzle, a row, two rows 7 m apart, one nozzle; on N none, a row with 4 m to its own start, one over
    the seam with 4 m between its ends, one nozzle."""
    model = models.build(PROBLEM)
    for variable, number in models.start_values(model, PROBLEM, chosen).items():
        variable.set_value(number)
    assert all(v.value is not None for v in model.component_data_objects(pyo.Var))
    for constraint in model.component_data_objects(pyo.Constraint):
        assert constraint.slack() >= 0.0, constraint.name
    assert pyo.value(model.coverage) == pytest.approx(5.0 + 2.0 + 4.0 + 0.5 + more)


def test_cells_that_count_by_summed_dosage_have_rows_of_shares() -> None:
    """Of what is enough in cell 0, candidates 0 and 1 bring 0.5 and 0.25 by themselves; 2 all of it in cell 1. None is
    counted once for a group or a pattern, and a cell counts in part."""
    doses = sp.csr_array(np.array([[0.5, 0.25, 0.0], [0.0, 0.0, 1.0]]))
    problem = PlacementProblem(np.array([4.0, 3.0]), doses, np.array([1, 1]), np.zeros(3), ((0, 1, 2),))
    model = models.build(problem)
    assert rows(model) == {
        "dosed[0]": ({"u[0]": 1.0, "x[0]": -0.5, "x[1]": -0.25}, None, 0.0),
        "dosed[1]": ({"u[1]": 1.0, "x[2]": -1.0}, None, 0.0),
    }
    assert all(u.domain is pyo.UnitInterval for u in model.u.values())
    values = models.start_values(model, problem, [0])
    assert [values[u] for u in model.u.values()] == [0.5, 0.0]
