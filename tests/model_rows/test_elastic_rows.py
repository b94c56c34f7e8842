"""Rows of the elastic model, derived by hand from its equations on one tiny site (invented).

    pump (0) ---- link, lawn, 20 m ---- (1) ---- line of 30 m, level ---- (2) nozzle 2
                                              nozzle 0 at 10 m, nozzle 1 at 20 m

One circuit that carries 2.5 nozzles at the band's low edge; a pump unit that loses nothing. The flow is laminar (Re <
700), so losses are linear: 128 mu q L / (pi D^4), Hagen and Poiseuille. Every piece is a bridge. Branches: 0 the pump
unit, 1 link and 10 m of line to nozzle 0 (all three lie beyond), 2 the next 10 m (nozzles 1 and 2), 3 the last 10 m.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import pyomo.environ as pyo
import pytest
from pyomo.repn import generate_standard_repn

import optimizer.runs.elastic as module
from hydraulics.water import Water
from optimizer.runs.elastic import build, in_conflict, reliefs
from optimizer.runs.layout import layout
from optimizer.runs.problem import Circuit, PumpChoice, RunProblem, Tubing
from optimizer.runs.required import required
from tests.optimizer.runs_sites import CURVE, CorridorArrays

LOW_BAR = 12.0
Q = float(CURVE.flow_m3_s(LOW_BAR * 1e5))
BORE_M = 0.0064  # of the wider of two sizes
A = 128 * 1.0e-3 * Q / (math.pi * BORE_M**4) / 1e5  # bar a metre and nozzle
LOST = A * (30 * 3 + 10 * 2 + 10 * 1)  # to nozzle 2 with all three fed
SET_BAR = LOW_BAR + A * 100  # 20 A short of it
LONGEST_M = 45.0
FREE = -math.inf


def tiny(*, groups: tuple[int, ...] = (0, 0, 0), set_bar: float = SET_BAR, longest_m: float = LONGEST_M) -> RunProblem:
    c = CorridorArrays()
    pump, junction, end = c.node(0, 0), c.node(0, 20), c.node(30, 20)
    c.edge(pump, junction, link=0, ground="lawn", allowance=0.0)
    c.edge(junction, end, line=0, from_m=0.0, to_m=30.0, allowance=0.0)
    c.site_node.append(pump)
    cut = layout(c, [0, 0, 0], [10.0, 20.0, 30.0], {"lawn": 6.5})  # type: ignore[arg-type]
    return RunProblem(
        layout=cut,
        group=groups,
        tubing=(Tubing("small", 0.0044, 1.5e-6, 2.0), Tubing("middle", BORE_M, 1.5e-6, 3.0)),
        sizes_at_most=1,
        pumps=(PumpChoice("invented", 0, set_bar * 1e5, 0.0, 0.0108),),
        circuits=(Circuit(0, 0, 3),),
        curve=CURVE,
        water=Water(20.0, 1000.0, 1.0e-3),
        band_low_pa=LOW_BAR * 1e5,
        longest_run_m=longest_m,
    )


def enough(lost: float) -> float:
    """G: what a nozzle that is not fed would lack if all were."""
    return max(0.0, LOW_BAR + lost - SET_BAR)


Row = tuple[dict[str, float], float, float]  # coefficients on the left, lower side, upper side
ROWS: dict[str, Row] = {
    **{f"serve[{k}]": ({f"x[{k},0]": 1, f"u[{k}]": 1}, 1.0, 1.0) for k in range(3)},
    "room[0]": ({"a[0]": -1, "x[0,0]": 1, "x[1,0]": 1, "x[2,0]": 1}, FREE, 2.0),
    "more[0,0]": ({"a[0]": 1, "t[0]": -2.5}, FREE, 0.5),
    "more[0,1]": ({"a[0]": 0.5, "t[0]": -2.5}, FREE, 0.0),
    "loss[0,0]": ({"D[0]": -1}, FREE, 0.0),
    "loss[1,0]": ({"D[0]": 1, "D[1]": -1, "x[0,0]": 30 * A, "x[1,0]": 30 * A, "x[2,0]": 30 * A}, FREE, 0.0),
    "loss[2,0]": ({"D[1]": 1, "D[2]": -1, "x[1,0]": 10 * A, "x[2,0]": 10 * A}, FREE, 0.0),
    "loss[3,0]": ({"D[2]": 1, "D[3]": -1, "x[2,0]": 10 * A}, FREE, 0.0),
    "band[0,0]": ({"D[1]": 1, "b[0]": -1, "x[0,0]": enough(90 * A)}, FREE, SET_BAR - LOW_BAR + enough(90 * A)),
    "band[1,0]": ({"D[2]": 1, "b[0]": -1, "x[1,0]": enough(110 * A)}, FREE, SET_BAR - LOW_BAR + enough(110 * A)),
    "band[2,0]": ({"D[3]": 1, "b[0]": -1, "x[2,0]": enough(120 * A)}, FREE, SET_BAR - LOW_BAR + enough(120 * A)),
    "longest[0,0]": ({"x[0,0]": 30, "r[0]": -1}, FREE, LONGEST_M),
    "longest[1,0]": ({"x[1,0]": 40, "r[0]": -1}, FREE, LONGEST_M),
    "longest[2,0]": ({"x[2,0]": 50, "r[0]": -1}, FREE, LONGEST_M),
}


def read(constraint: Any) -> Row:
    repn = generate_standard_repn(constraint.body)
    assert repn.is_linear()
    found = {v.name: float(c) for v, c in zip(repn.linear_vars, repn.linear_coefs, strict=True) if c}
    shift = float(repn.constant)
    lower = -math.inf if constraint.lower is None else float(pyo.value(constraint.lower)) - shift
    upper = math.inf if constraint.upper is None else float(pyo.value(constraint.upper)) - shift
    if upper == math.inf:
        return {name: -c for name, c in found.items()}, -math.inf, -lower
    return found, lower, upper


@pytest.fixture(scope="module")
def model() -> Any:
    return build(required(tiny(), (2.5,)))


def test_rows_are_those_derived_by_hand(model: Any) -> None:
    found = {row.name: read(row) for row in model.component_data_objects(pyo.Constraint, active=True)}
    assert set(found) == set(ROWS)
    for name, (left, lower, upper) in ROWS.items():
        own, own_lower, own_upper = found[name]
        assert own == pytest.approx({k: v for k, v in left.items() if v}, rel=1e-6, abs=1e-12), name
        assert (own_lower, own_upper) == pytest.approx((lower, upper), rel=1e-9, abs=1e-9), name


def test_a_nozzle_of_another_group_is_fed_only_where_the_schedule_gives_way() -> None:
    other = build(required(tiny(groups=(0, 0, 1)), (9.0,)))
    assert list(other.schedule) == [2]
    assert read(other.schedule[2]) == ({"x[2,0]": 1.0, "w[2]": -1.0}, FREE, 0.0)


def test_every_rule_has_its_weight_in_the_violation(model: Any) -> None:
    repn = generate_standard_repn(model.violation.expr)
    found = {v.name: c for v, c in zip(repn.linear_vars, repn.linear_coefs, strict=True)}
    weights = {"t[0]": 100.0, "b[0]": 10.0, "r[0]": 1.0}
    assert found == {**weights, **{f"{s}[{k}]": 10.0 for s in "wu" for k in range(3)}}


def test_notation_table_names_what_the_model_holds(model: Any) -> None:
    table = module.__doc__ or ""
    named = {line.split()[-1] for line in table.splitlines() if re.match(r" +(\(\d\)|min) ", line)}
    built = {c.name for kind in (pyo.Constraint, pyo.Objective) for c in model.component_objects(kind)}
    assert named == built
    for variable in model.component_objects(pyo.Var):
        assert re.search(rf"\b{variable.name}_", table), variable.name


def test_reliefs_are_those_reckoned_by_hand() -> None:
    """Room: 3 nozzles in 2.5 take a fifth more, or one left out. Head: 20 A bar. Run: 50 m in 45 m take 5 m."""
    free = tiny(set_bar=20.0, longest_m=math.inf)
    assert not in_conflict(required(free, (3.0,)))
    room = required(free, (2.5,))
    assert in_conflict(room)
    assert reliefs(room) == pytest.approx({"reserve": 0.2, "locked": 1.0}, rel=1e-4)
    head = required(tiny(longest_m=math.inf), (3.0,))
    assert reliefs(head) == pytest.approx({"set_pressure": 20 * A, "locked": 1.0}, rel=1e-4)
    far = required(tiny(set_bar=20.0), (3.0,))
    assert reliefs(far) == pytest.approx({"run_longest": 5.0, "locked": 1.0}, rel=1e-4)
    group = required(tiny(groups=(0, 0, 1), set_bar=20.0, longest_m=math.inf), (3.0,))
    assert reliefs(group) == pytest.approx({"schedule": 1.0, "locked": 1.0}, rel=1e-4)


def test_two_rules_in_conflict_at_once_leave_only_what_resolves_both() -> None:
    """Room for 2.5 and head for two: only a position left out resolves both."""
    both = required(tiny(longest_m=math.inf), (2.5,))
    assert in_conflict(both) and reliefs(both) == pytest.approx({"locked": 1.0}, rel=1e-4)


def test_a_nozzle_that_no_corridor_reaches_can_only_be_left_out() -> None:
    problem = tiny(set_bar=20.0, longest_m=math.inf)
    cut = problem.layout
    last = [e for e in range(cut.pieces) if {int(cut.tail[e]), int(cut.head[e])} & {int(cut.nozzle_point[2])}]
    keep = [e for e in range(cut.pieces) if e not in last]
    names = ("tail", "head", "length_m", "trench_m", "trench_cost", "edge", "azimuth_deg")
    shorn = replace(cut, **{name: getattr(cut, name)[keep] for name in names})
    assert reliefs(required(replace(problem, layout=shorn), (3.0,))) == pytest.approx({"locked": 1.0}, rel=1e-4)
