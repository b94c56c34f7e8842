"""Rows of the joint relaxation, derived by hand from its equations on one tiny site (invented).

    pump (0) ---- 10 m, ground 50 ---- (1) ---- 4 m ---- (2) candidate 0 ---- 6 m ---- (3) candidate 1

Pieces 0, 1, 2 from left to right; backwards they are 3, 4, 5. Cell 0 is covered by candidate 0 alone and worth 5, cell
1 by both and worth 3 once both reach it. A metre of tubing costs 2, a nozzle 7, the only pump 100 at a site that lacks
works of 20, and feeds 9 nozzles at most. Of the mist of candidate 1 three quarters drift over the boundary, a quarter
of all may.
"""

from __future__ import annotations

import inspect

import numpy as np
import pytest
import scipy.sparse as sp

import optimizer.solve.trade.relaxed as module
from optimizer.placement.problem import Drift, Floor, Limit, PlacementProblem
from optimizer.solve.trade.links import _row
from optimizer.solve.trade.network import Network
from optimizer.solve.trade.prices import LeastPrices
from optimizer.solve.trade.relaxed import Relaxed, relaxed
from optimizer.solver.linear import INFINITY

FREE = -INFINITY
Expected = dict[str, tuple[dict[str, float], float, float]]

ROWS: Expected = {
    "covered[0]": ({"u[0]": 1, "x[0]": -1}, FREE, 0),
    "covered[1]": ({"u[1]": 2, "x[0]": -1, "x[1]": -1}, FREE, 0),
    "led[0]": ({"u[0]": 1, "r[1]": -1, "r[5]": -1}, FREE, 0),
    "led[1]": ({"u[1]": 1, "r[1]": -1}, FREE, 0),
    "spaced[0]": ({"x[0]": 1, "x[1]": 1}, FREE, 1),
    "needed[0]": ({"x[1]": 1}, 1, INFINITY),
    "within[0]": ({"x[0]": 1, "x[1]": 1}, FREE, 2),
    "fed[0]": ({"x[0]": 1, "r[1]": -1, "r[5]": -1}, FREE, 0),
    "fed[1]": ({"x[1]": 1, "r[2]": -1}, FREE, 0),
    "onward[0]": ({"r[0]": 1, "z[0]": -1}, FREE, 0),
    "onward[1]": ({"r[1]": 1, "r[0]": -1}, FREE, 0),
    "onward[2]": ({"r[2]": 1, "r[1]": -1}, FREE, 0),
    "onward[3]": ({"r[3]": 1, "r[4]": -1}, FREE, 0),
    "onward[4]": ({"r[4]": 1, "r[5]": -1}, FREE, 0),
    "onward[5]": ({"r[5]": 1}, FREE, 0),
    "entered[0]": ({"r[3]": 1, "z[0]": 1}, FREE, 1),
    "entered[1]": ({"r[0]": 1, "r[4]": 1}, FREE, 1),
    "entered[2]": ({"r[1]": 1, "r[5]": 1}, FREE, 1),
    "entered[3]": ({"r[2]": 1}, FREE, 1),
    "standing": ({"z[0]": 1}, 1, 1),
    "enough": ({"x[0]": 1, "x[1]": 1, "z[0]": -9}, FREE, 0),
    "fewest[0]": ({"u[0]": 4}, 2, INFINITY),
    "calmed[0]": ({"x[0]": -0.25, "x[1]": 0.5}, FREE, 0),
    "priced": (
        {
            **{"x[0]": 7, "x[1]": 7, "z[0]": 120},
            **{"r[0]": 70, "r[3]": 70, "r[1]": 8, "r[4]": 8, "r[2]": 12, "r[5]": 12},
        },
        FREE,
        INFINITY,
    ),
    "valued": ({"u[0]": 5, "u[1]": 3}, FREE, INFINITY),
}


@pytest.fixture
def made() -> Relaxed:
    problem = PlacementProblem(
        value=np.array([5.0, 3.0]),
        incidence=sp.csr_array(np.array([[True, False], [True, True]])),
        need=np.array([1, 2]),
        bonus=np.array([0.0, 1.5]),
        lines=((0, 1),),
        spacing=((0, 1),),
        cover=((1,),),
        limits=(Limit((0, 1), 2),),
        floors=(Floor("zone", np.array([4.0, 0.0]), 2.0),),
        drifts=(Drift("over the boundary", np.array([-0.25, 0.5])),),
    )
    tail, head = np.array([0, 1, 2]), np.array([1, 2, 3])
    net = Network(4, tail, head, np.array([10.0, 4.0, 6.0]), np.array([50.0, 0.0, 0.0]), np.array([2, 3]), (0,), (0,))
    return relaxed(problem, net, LeastPrices(7.0, 2.0, (100.0,), (20.0,)), (9,), (1, 1))


def by_name(made: Relaxed) -> Expected:
    names = made.program.names
    return {
        name: ({names[c]: v for c, v in row.items()}, low, high) for name, row, low, high in made.program.rows
    }


def test_every_row_is_as_derived_by_hand(made: Relaxed) -> None:
    assert by_name(made) == ROWS


def test_a_cut_asks_for_tubing_into_a_set_wherever_a_point_of_it_is_reached(made: Relaxed) -> None:
    """K = points 2 and 3, its point 3: r_1 >= r_2."""
    _, row, low, high = _row(made, np.array([False, False, True, True]), 3)
    assert ({made.program.names[c]: v for c, v in row.items()}, low, high) == ({"r[1]": 1, "r[2]": -1}, 0, INFINITY)


def test_the_objectives_price_and_value_what_the_rows_do_and_bonuses_besides(made: Relaxed) -> None:
    names = made.program.names
    assert {n: v for n, v in zip(names, made.cost(), strict=True) if v} == ROWS["priced"][0]
    assert {n: v for n, v in zip(names, made.value(), strict=True) if v} == {"u[0]": 5, "u[1]": 3, "x[1]": 1.5}


def test_every_equation_has_its_rows_here() -> None:
    equations = {
        name
        for name, function in inspect.getmembers(module, inspect.isfunction)
        if function.__module__ == module.__name__ and (function.__doc__ or "").startswith("(")
    }
    assert equations == {name.split("[")[0] for name in ROWS}
