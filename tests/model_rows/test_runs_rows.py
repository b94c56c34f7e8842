"""Rows of the contracted run-split model, derived by hand from its equations on one tiny site (invented).

    pump (0) ---- link, lawn, 20 m ---- (1) ---- line of 30 m plan, rising 3 m ---- (2) nozzle 2
                                              nozzle 0 at 10 m, nozzle 1 at 20 m

One circuit for 3 nozzles, two sizes, no fittings' losses; the flow is laminar (Re < 700), so losses are linear:
128 mu q L / (pi D^4), Hagen and Poiseuille. Points in the model: 0, 1 the nozzles on the line, 2 the pump, 3 the
junction, 4 the line's end. Passes: 0 pump -> junction, 1 junction -> end, 2 end -> junction. Stubs: 0, 1 feed one and
two nozzles from the junction, 2, 3 one and two from the end.
"""

from __future__ import annotations

import itertools
import math
import re
from typing import Any

import pyomo.environ as pyo
import pytest
from pyomo.repn import generate_standard_repn

import optimizer.runs.model as model_module
from hydraulics.water import Water
from optimizer.runs.contracted import contracted
from optimizer.runs.cuts import Cut
from optimizer.runs.layout import layout
from optimizer.runs.model import build, connect, make_integral
from optimizer.runs.prepared import prepare
from optimizer.runs.problem import Circuit, LossFactors, PumpChoice, RunProblem, Tubing
from tests.optimizer.runs_sites import CURVE, CorridorArrays

WATER = Water(20.0, 1000.0, 1.0e-3)
SIZES = (Tubing("small", 0.0044, 1.5e-6, 2.0), Tubing("middle", 0.0064, 1.5e-6, 3.0))
SET_BAR, LOW_BAR = 14.0, 12.0
Q = float(CURVE.flow_m3_s(SET_BAR * 1e5))  # no nozzle lies below the pump
LINE_M = math.hypot(30.0, 3.0)
RISE_BAR = 1000.0 * 9.80665 * 1.0 / 1e5  # a third of the line


def per_metre_bar(bore_m: float) -> float:
    """Hagen and Poiseuille, one nozzle's flow."""
    return 128 * 1.0e-3 * Q / (math.pi * bore_m**4) / 1e5


SMALL, MIDDLE = per_metre_bar(0.0044), per_metre_bar(0.0064)


def tiny(*, circuits: tuple[Circuit, ...] = (Circuit(0, 0, 3),)) -> RunProblem:
    c = CorridorArrays()
    pump, junction, end = c.node(0, 0), c.node(0, 20), c.node(30, 20, 3.0)
    c.edge(pump, junction, link=0, ground="lawn", allowance=0.0)
    c.edge(junction, end, line=0, from_m=0.0, to_m=30.0, allowance=0.0)
    c.site_node.append(pump)
    cut = layout(c, [0, 0, 0], [10.0, 20.0, 30.0], {"lawn": 6.5})  # type: ignore[arg-type]
    pumps = (PumpChoice("invented", 0, SET_BAR * 1e5, 4.0, 0.0108),)
    none = LossFactors(0.0, 0.0, 0.0, 0.0)
    return RunProblem(cut, (0, 0, 0), SIZES, 1, pumps, circuits, CURVE, WATER, LOW_BAR * 1e5, k=none)


@pytest.fixture(scope="module")
def model() -> Any:
    return build(contracted(prepare(tiny()), (0, 1), safe=True))


def row(constraint: Any) -> dict[str, float]:
    """Coefficients by variable, all on the left of "<= rhs" or "= rhs"; the constant side under its sign."""
    repn = generate_standard_repn(constraint.body)
    assert repn.is_linear()
    sign = -1.0 if constraint.upper is None else 1.0
    side = constraint.lower if constraint.upper is None else constraint.upper
    relation = "=" if constraint.equality else "<="
    row = {v.name: sign * c for v, c in zip(repn.linear_vars, repn.linear_coefs, strict=True) if c}
    return {**row, relation: sign * (pyo.value(side) - repn.constant)}


def both(name: str, number: int, factor: float = 1.0) -> dict[str, float]:
    """A variable of a pass or stub in both sizes."""
    return {f"{name}[{number},{d}]": factor for d in (0, 1)}


LOST_1 = 4.0 * 1000.0 / 2 * (Q / (math.pi / 4 * 0.0108**2)) ** 2 / 1e5  # K rho v^2 / 2, one nozzle's flow in the unit
# most pressure: one nozzle's flow in the wider size; least: what the lowest nozzle, one rise above the junction, needs
MOST = {2: SET_BAR - LOST_1, 3: SET_BAR - LOST_1 - 20 * MIDDLE}
MOST[4] = MOST[3] - LINE_M * MIDDLE - 3 * RISE_BAR
LEAST = {2: LOW_BAR + RISE_BAR, 3: LOW_BAR + RISE_BAR, 4: LOW_BAR - 2 * RISE_BAR}
EXPECTED: dict[str, dict[str, float]] = {
    # all by one pass either way, or 1 or 2 from the junction, or both from the end
    "serve[1,0]": {**both("X", 1), **both("X", 2), **both("W", 0), **both("W", 1), **both("W", 3), "=": 1.0},
    # one from the junction goes with the other one from the end
    "meet[1,0,1]": {**both("W", 0), **both("W", 2, -1.0), "=": 0.0},
    "serve_own[2]": {"o[0,2]": 1.0, "=": 1.0},
    "enter[0,3]": {**both("X", 0), **both("X", 2), "<=": 1.0},
    "enter[0,4]": {**both("X", 1), "<=": 1.0},
    # from the pump always; from the junction only behind pass 0, from the end only behind nothing: 1 leads back
    "lead[0,0]": {**both("X", 0), "<=": 1.0},
    "lead[0,2]": {**both("X", 1), **both("X", 0, -1.0), "<=": 0.0},
    "lead[0,3]": {**both("X", 2), "<=": 0.0},
    "lead_stub[0,2]": {**both("W", 0), **both("W", 1), **both("X", 0, -1.0), **both("X", 2, -1.0), "<=": 0.0},
    "lead_stub[0,3]": {**both("W", 2), **both("W", 3), **both("X", 1, -1.0), "<=": 0.0},
    "lead_own[0,2]": {"o[0,2]": 1.0, **both("X", 1, -1.0), "<=": 0.0},
    # room for 3 in all, of which passes 1 and 2 feed 2 themselves; pressure does for as many in either size
    "carry[0,0]": {"g[0,0]": 1.0, "X[0,0]": -3.0, "<=": 0.0},
    "carry[0,1]": {"g[0,1]": 1.0, "X[0,1]": -3.0, "<=": 0.0},
    "carry[1,0]": {"g[1,0]": 1.0, "X[1,0]": -1.0, "<=": 0.0},
    "carry[1,1]": {"g[1,1]": 1.0, "X[1,1]": -1.0, "<=": 0.0},
    "carry[2,0]": {"g[2,0]": 1.0, "X[2,0]": -1.0, "<=": 0.0},
    "carry[2,1]": {"g[2,1]": 1.0, "X[2,1]": -1.0, "<=": 0.0},
    "balance[0,2]": {"S[0,2]": 1.0, **both("g", 0, -1.0), "=": 0.0},
    "balance[0,3]": {
        **both("g", 0), **both("g", 2), **both("g", 1, -1.0), **both("X", 1, -2.0),
        **both("W", 0, -1.0), **both("W", 1, -2.0), "=": 0.0,
    },
    "balance[0,4]": {
        **both("g", 1), **both("g", 2, -1.0), **both("X", 2, -2.0),
        **both("W", 2, -1.0), **both("W", 3, -2.0), "o[0,2]": -1.0, "=": 0.0,
    },
    # P_end <= P_start - h - rise X + (M_end - E_start) (1 - X)
    "head[0]": {
        "P[0,3]": 1.0, "P[0,2]": -1.0, **both("h", 0), **both("X", 0, MOST[3] - LEAST[2]), "<=": MOST[3] - LEAST[2],
    },
    "head[1]": {
        "P[0,4]": 1.0, "P[0,3]": -1.0, **both("h", 1),
        **both("X", 1, 3 * RISE_BAR + MOST[4] - LEAST[3]), "<=": MOST[4] - LEAST[3],
    },
    "head[2]": {
        "P[0,3]": 1.0, "P[0,4]": -1.0, **both("h", 2),
        **both("X", 2, MOST[3] - LEAST[4] - 3 * RISE_BAR), "<=": MOST[3] - LEAST[4],
    },
    # from the junction one nozzle needs a third of the line and a rise; two need 2 q, then q, and two rises
    "need_stub[0,2]": {
        "W[0,0]": LOW_BAR + RISE_BAR + SMALL * LINE_M / 3 - LEAST[3],
        "W[0,1]": LOW_BAR + RISE_BAR + MIDDLE * LINE_M / 3 - LEAST[3],
        "W[1,0]": LOW_BAR + 2 * RISE_BAR + SMALL * LINE_M / 3 * (2 + 1) - LEAST[3],
        "W[1,1]": LOW_BAR + 2 * RISE_BAR + MIDDLE * LINE_M / 3 * (2 + 1) - LEAST[3],
        "P[0,3]": -1.0, "<=": -LEAST[3],
    },
    # from the end downhill: losses here are far less than the fall, so the first nozzle rules, with 2 q for two
    "need_stub[0,3]": {
        "W[2,0]": LOW_BAR - RISE_BAR + SMALL * LINE_M / 3 - LEAST[4],
        "W[2,1]": LOW_BAR - RISE_BAR + MIDDLE * LINE_M / 3 - LEAST[4],
        "W[3,0]": LOW_BAR - RISE_BAR + SMALL * LINE_M / 3 * 2 - LEAST[4],
        "W[3,1]": LOW_BAR - RISE_BAR + MIDDLE * LINE_M / 3 * 2 - LEAST[4],
        "P[0,4]": -1.0, "<=": -LEAST[4],
    },
    # the higher of the two nozzles rules uphill, g + 2 and g + 1 on the way to it; the first one downhill, g + 2
    "inside[1,0]": {
        "g[1,0]": 2 * SMALL * LINE_M / 3, "X[1,0]": LOW_BAR + 2 * RISE_BAR + 3 * SMALL * LINE_M / 3 - LEAST[3],
        "g[1,1]": 2 * MIDDLE * LINE_M / 3, "X[1,1]": LOW_BAR + 2 * RISE_BAR + 3 * MIDDLE * LINE_M / 3 - LEAST[3],
        "P[0,3]": -1.0, "<=": -LEAST[3],
    },
    "inside[2,0]": {
        "g[2,0]": SMALL * LINE_M / 3, "X[2,0]": LOW_BAR - RISE_BAR + 2 * SMALL * LINE_M / 3 - LEAST[4],
        "g[2,1]": MIDDLE * LINE_M / 3, "X[2,1]": LOW_BAR - RISE_BAR + 2 * MIDDLE * LINE_M / 3 - LEAST[4],
        "P[0,4]": -1.0, "<=": -LEAST[4],
    },
    "need_own[0,2]": {"o[0,2]": LOW_BAR, "P[0,4]": -1.0, "<=": 0.0},
    "trench[0,0]": {**both("X", 0), "R[0]": -1.0, "<=": 0.0},
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_row(model: Any, name: str) -> None:
    assert row(model.find_component(name)) == pytest.approx(EXPECTED[name], rel=1e-9, abs=1e-12)


def test_loss_rows_of_laminar_flow_are_the_law_itself(model: Any) -> None:
    """Linear losses: every chord is the law; pass 0 loses 20 m x g, pass 1 a third of the line at g+2, g+1 and g."""
    for name, metres in (("loss[0,0,0]", (20.0,)), ("loss[1,0,0]", (LINE_M / 3,) * 3)):
        a = name[5]
        slope = SMALL * sum(metres)
        value = 0.0 if a == "0" else SMALL * LINE_M / 3 * (2 + 1 + 0)
        expected = {f"g[{a},0]": slope, f"X[{a},0]": value, f"h[{a},0]": -1.0, "<=": 0.0}
        found = row(model.find_component(name))
        assert {k: v for k, v in found.items() if abs(v) > 1e-9 or k == "<="} == pytest.approx(
            {k: v for k, v in expected.items() if v or k == "<="}, rel=1e-9
        )


def test_supply_row_is_the_chord_of_the_unit_loss(model: Any) -> None:
    """Safe: one chord from no flow to 3 nozzles; K rho v^2 / 2 with K 4 at 10.8 mm."""
    velocity = 3 * Q / (math.pi / 4 * 0.0108**2)
    lost_bar = 4.0 * 1000.0 / 2 * velocity**2 / 1e5
    expected = {"P[0,2]": 1.0, "S[0,2]": lost_bar / 3, "<=": SET_BAR}
    assert row(model.supply[0, 0]) == pytest.approx(expected, rel=1e-9)


def test_cost_counts_tubing_and_opened_ground(model: Any) -> None:
    """20 m of link at 6.5 for the ground; tubing at 2 and 3 a metre; a stub ends at its last nozzle."""
    repn = generate_standard_repn(model.cost.expr)
    found = {v.name: c for v, c in zip(repn.linear_vars, repn.linear_coefs, strict=True)}
    metres = {"X[0": 20.0, "X[1": LINE_M, "X[2": LINE_M}
    metres |= {"W[0": LINE_M / 3, "W[1": 2 * LINE_M / 3, "W[2": LINE_M / 3, "W[3": 2 * LINE_M / 3}
    expected = {f"{k},{d}]": m * price for k, m in metres.items() for d, price in ((0, 2.0), (1, 3.0))}
    assert found == pytest.approx({**expected, "R[0]": 20.0 * 6.5}, rel=1e-9)


@pytest.fixture(scope="module")
def together() -> Any:
    """Two circuits of one group in optimistic data are one layer of two tubes: room for two nozzles and for one."""
    return build(contracted(prepare(tiny(circuits=(Circuit(0, 0, 2), Circuit(0, 0, 1)))), (0, 1), safe=False))


TOGETHER = {
    # a tube either way, or stubs to 1 or 2 from the junction, or to 2 from the end
    "serve[1,0]": {
        "Y[1]": -1.0, "Y[2]": -1.0, **both("W", 0, -1.0), **both("W", 1, -1.0), **both("W", 3, -1.0), "<=": -1.0,
    },
    "share[0,2]": {"m[0,2]": 1.0, "m[0,3]": 1.0, "=": 2.0},
    "feed[0,2]": {"m[0,2]": 1.0, "Y[1]": -2.0, "Y[2]": -2.0, **both("W", 0, -2.0), **both("W", 1, -2.0), "<=": 0.0},
    "enter[0,3]": {**both("X", 0), **both("X", 2), "<=": 2.0},
    "lead[0,0]": {**both("X", 0), "<=": 2.0},
    "lead_first[0,0]": {"Y[0]": 1.0, "<=": 2.0},
    "lead_first[0,2]": {"Y[1]": 1.0, "Y[0]": -1.0, "<=": 0.0},
    "lead_first[0,3]": {"Y[2]": 1.0, "<=": 0.0},
    "first[1]": {"Y[1]": 1.0, **both("X", 1, -1.0), "<=": 0.0},
    "many[1]": {"Y[1]": -2.0, **both("X", 1), "<=": 0.0},
    # no tube carries more than the larger circuit takes
    "carry[0,0]": {"g[0,0]": 1.0, "X[0,0]": -2.0, "<=": 0.0},
    "balance[0,2]": {"S[0,2]": 1.0, **both("g", 0, -1.0), "=": 0.0},
    "balance[0,3]": {**both("g", 0), **both("g", 2), **both("g", 1, -1.0), "m[0,2]": -1.0, "=": 0.0},
    "trench[0,0]": {"Y[0]": 1.0, "R[0]": -1.0, "<=": 0.0},
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(TOGETHER))
def test_row_of_circuits_that_share(together: Any, name: str) -> None:
    assert row(together.find_component(name)) == pytest.approx(TOGETHER[name], rel=1e-9, abs=1e-12)


def test_circuits_that_share_take_what_they_have_room_for_together(together: Any) -> None:
    assert together.S[0, 2].bounds == (0.0, 3.0)
    assert all(together.X[0, d].bounds == (0.0, 2.0) for d in (0, 1))


def test_two_safe_circuits_may_share_a_segment_and_pay_its_ground_once() -> None:
    apart = build(contracted(prepare(tiny(circuits=(Circuit(0, 0, 2), Circuit(0, 0, 1)))), (0, 1), safe=True))
    first, second = (row(apart.trench[layer, 0]) for layer in (0, 1))
    assert first.keys() & second.keys() == {"R[0]", "<="}
    assert row(apart.serve_own[2]) == {"o[0,2]": 1.0, "o[1,2]": 1.0, "=": 1.0}


def test_rows_of_what_all_tubes_lose_together() -> None:
    """Optimistic data: every nozzle draws q(12 bar). Nozzles beyond pass 0, 20 m long, each bear its loss; of the
    line's two both bear that of its first third, with 2 q, and one that of the second third, with 1 q."""
    hopeful = build(contracted(prepare(tiny()), (0, 1), safe=False))
    small = SMALL * float(CURVE.flow_m3_s(LOW_BAR * 1e5)) / Q
    squares = [n * n for n in range(4)]  # loss per metre of n nozzles, times n
    for i in range(3):
        slope = (squares[i + 1] - squares[i]) * small * 20
        value = squares[i] * small * 20 - slope * i
        expected = {"g[0,0]": slope, "X[0,0]": value, "e[0,0]": -1.0, "<=": 0.0}
        found = {k: v for k, v in row(hopeful.spend[0, 0, i]).items() if abs(v) > 1e-9 or k == "<="}
        assert found == pytest.approx({k: v for k, v in expected.items() if v or k == "<="}, rel=1e-6)
    total = row(hopeful.budget[0])
    third = small * LINE_M / 3
    assert total["e[0,0]"] == total["e[2,1]"] == 1.0
    assert total["W[0,0]"] == pytest.approx(third, rel=1e-6)
    assert total["W[1,0]"] == pytest.approx((4 + 1) * third, rel=1e-6)
    velocity = 3 * float(CURVE.flow_m3_s(LOW_BAR * 1e5)) / (math.pi / 4 * 0.0108**2)
    outlet = SET_BAR - 4.0 * 1000.0 / 2 * velocity**2 / 1e5  # nozzles one, two and three rises above it
    assert total["<="] == pytest.approx(3 * (outlet - LOW_BAR) - 6 * RISE_BAR, rel=1e-6)


def test_cut_by_rounding() -> None:
    """Tubes for 3 and for 8 of 10 nozzles, by threes: F(3) = 1, F(8) = 2 + min(1, (2/3) / (1/3)) = 3, F(10) = 4."""
    cut = Cut((0,), frozenset({3}), nozzles=10, unit=3)
    assert (cut.weight(3), cut.weight(8), cut.needed) == (1.0, 3.0, 4.0)
    assert [Cut((0,), frozenset({3}), nozzles=9, unit=3).weight(n) for n in (1, 3, 9)] == pytest.approx([1 / 3, 1, 3])


@pytest.mark.parametrize("unit", range(1, 8))
@pytest.mark.parametrize("nozzles", range(1, 15))
def test_rounding_cuts_off_no_whole_tubes(nozzles: int, unit: int) -> None:
    """Reference: all numbers of tubes of three kinds that carry the nozzles."""
    kinds = (2, 3, 7)
    cut = Cut((0,), frozenset({3}), nozzles=nozzles, unit=unit)
    for tubes in itertools.product(range(8), range(6), range(3)):
        if sum(n * most for n, most in zip(tubes, kinds, strict=True)) >= nozzles:
            assert sum(n * cut.weight(most) for n, most in zip(tubes, kinds, strict=True)) >= cut.needed - 1e-9


def test_connect_rows(together: Any) -> None:
    """Only pass 0 leads from the pump into {3, 4}; into {4} alone pass 1 leads, which is also what reaches 4."""
    model = build(contracted(prepare(tiny()), (0, 1), safe=True), relaxed=True)
    whole = frozenset({3, 4})
    assert row(model.connect.add(connect(model, Cut((0,), whole)))) == {**both("X", 0, -1.0), "<=": -1.0}
    for_four = model.connect.add(connect(model, Cut((0,), whole, reached=(0, 4))))
    assert row(for_four) == {**both("X", 0, -1.0), **both("X", 1), "<=": 0.0}
    opened = together.connect.add(connect(together, Cut((0,), whole)))
    assert row(opened) == {"Y[0]": -1.0, "<=": -1.0}
    two = together.connect.add(connect(together, Cut((0,), whole, tubes=2)))
    assert row(two) == {**both("X", 0, -1.0), "<=": -2.0}
    carried = together.connect.add(connect(together, Cut((0,), whole, nozzles=3)))
    assert row(carried) == {**both("X", 0, -2.0), "<=": -3.0}  # either size carries the two of the larger circuit
    assert connect(together, Cut((0,), frozenset({0}))) is pyo.Constraint.Infeasible


def test_relaxed_variables_may_be_made_whole() -> None:
    model = build(contracted(prepare(tiny()), (0, 1), safe=True), relaxed=True)
    whole = [model.X, model.W, model.o, model.R]
    assert all(v.is_continuous() for variables in whole for v in variables.values())
    make_integral(model)
    assert all(v.is_integer() and v.lb == 0 for variables in whole for v in variables.values())


def test_every_row_of_the_model_has_an_expectation(model: Any, together: Any) -> None:
    families = {c.name for built in (model, together) for c in built.component_objects(pyo.Constraint)}
    assert families == {name.split("[")[0] for name in {**EXPECTED, **TOGETHER}} | {
        "loss", "supply", "spend", "budget", "connect",
    }  # fmt: skip
    for constraint in model.component_data_objects(pyo.Constraint):
        if constraint.parent_component().name not in ("loss", "supply", "connect"):
            assert constraint.name in EXPECTED


def test_notation_table_names_what_the_model_holds(model: Any) -> None:
    table = model_module.__doc__ or ""
    numbered = set(re.findall(r"\(\d+\) .*?(\w+)\n", table))
    rows = {c.name for c in model.component_objects(pyo.Constraint)}
    assert numbered == rows
    for variable in model.component_objects(pyo.Var):
        assert re.search(rf"\b{variable.name}_", table), variable.name
