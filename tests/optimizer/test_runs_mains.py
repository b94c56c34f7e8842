"""Circuits that branch from field valves: the pump's law with a shared trunk, and trees that start at its end."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hydraulics.network import Link, Node, NozzleAt, tree_network
from hydraulics.pump import Pump
from hydraulics.steady_tree import solve_tree
from optimizer.runs.budget import budget_pressures_pa
from optimizer.runs.problem import MainPiece, RunProblem
from optimizer.runs.split import split
from tests.optimizer.runs_sites import TUBING, CorridorArrays, Spots, problem_of


def hillside() -> tuple[RunProblem, RunProblem]:
    """A pump below 60 m of link in two pieces, a line of 5 nozzles both ways from its end; with and without a main."""
    c = CorridorArrays()
    pump, bend, valve = c.node(0, 0, 0.0), c.node(30, 0, 2.0), c.node(30, 30, 5.0)
    west, east = c.node(0, 30, 5.0), c.node(60, 30, 5.0)
    c.edge(pump, bend, link=0, ground="lawn")
    c.edge(bend, valve, link=0, ground="paving")
    c.edge(west, valve, line=0, from_m=0.0, to_m=30.0)
    c.edge(valve, east, line=0, from_m=30.0, to_m=60.0)
    c.site_node.append(pump)
    spots = Spots([0] * 5, [3.0, 12.0, 24.0, 40.0, 55.0], [0] * 5)
    plain = problem_of(c, spots, [(0, 0, 3), (0, 0, 2)], band_low_pa=12.5e5)
    main = (MainPiece(0, pump, bend, 2, 0.5), MainPiece(1, bend, valve, 2, 0.9))
    return plain, replace(plain, pumps=(replace(plain.pumps[0], root=valve, main=main),))


def test_the_supply_law_is_what_the_steady_state_shows_at_the_root() -> None:
    """Second calculation: the nonlinear solver on unit, trunk and one nozzle that draws all of the flow."""
    _, problem = hillside()
    layout, (choice,) = problem.layout, problem.pumps
    z = layout.z_m
    nodes = [Node("supply", z[0]), Node("0", z[0]), Node("1", z[1]), Node("2", z[2])]
    links = [Link("unit", "supply", "0", 1e-6, choice.fixed_bore_m, 1.5e-6, choice.fixed_k)]
    for part in choice.main:
        tube, ends = TUBING[part.tubing], (str(part.from_point), str(part.to_point))
        length = float(layout.length_m[part.piece])
        links.append(Link(f"M{part.piece}", *ends, length, tube.bore_m, tube.roughness_m, part.minor_k))
    many = replace(problem.curve, k=40 * problem.curve.k)
    network = tree_network(nodes, links, [NozzleAt("2", many)], "supply")
    state = solve_tree(network, Pump(choice.set_pressure_pa, 1.0, 2 * choice.set_pressure_pa), problem.water)
    at = dict(zip(network.node_ids, state.pressure_pa, strict=True))
    flow = float(many.flow_m3_s(at["2"]))
    assert at["2"] < 14.0e5  # the trunk loses enough to be seen
    assert float(problem.supply_pa(0, flow)) == pytest.approx(at["2"], abs=20.0)
    both = problem.supply_pa(0, np.array([[0.0, flow]]))
    assert both.shape == (1, 2) and both[0, 1] == problem.supply_pa(0, flow)
    assert both[0, 0] == pytest.approx(15e5 - 998.207 * 9.80665 * 5.0)


def test_trees_start_at_the_field_valves_and_leave_the_main_out_of_the_cost() -> None:
    plain, problem = hillside()
    at_pump, at_valve = split(plain, evaluations=200), split(problem, evaluations=200)
    assert problem.outlet_point(0) == 2 and plain.outlet_point(0) == plain.pump_point(0) == 0
    assert {c.pieces[0].from_point for c in at_pump.circuits} == {0}
    assert {c.pieces[0].from_point for c in at_valve.circuits} == {2}
    assert at_pump.trench_cost == pytest.approx(30 * 6.5 + 30 * 28.0)
    assert at_valve.trench_cost == 0.0
    assert budget_pressures_pa(problem, at_valve).min() >= problem.band_low_pa
