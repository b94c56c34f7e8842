"""Take-offs counted by hand: one line of two nozzles, fed from a shed four metres away."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.costs import TakeOff
from optimizer.instance import Instance, candidates, instance
from optimizer.runs.plan import CircuitPlan, PieceUse, RunPlan
from optimizer.runs.problem import MainPiece
from optimizer.scenario import read_scenario
from optimizer.solve.assemble import Layout
from optimizer.solve.supply import Supply, run_layout, run_problem
from optimizer.solve.takeoff import take_off
from tests.optimizer.scenario_files import CATALOGUE, EQUIPPED, swapped, yard

SHED, LINK_END, LINE_START = 2, 3, 0  # points of the layout: corridor nodes first
NEAR, FAR = 4, 5  # the two nozzles, at 6 and 10 m of the line
LINK, RISER, TO_NEAR, TO_FAR = 3, 4, 0, 1  # pieces
T4, T6 = 0, 1

# Hydraulic lengths with the allowance of 5 %: link 4.2 m, riser 2.5 m, line 6 x 1.05 = 6.3 and 4 x 1.05 = 4.2 m.


def _instance(folder: Path, catalogue: str) -> Instance:
    scenario = read_scenario(yard(folder, catalogue=catalogue))
    option = scenario.options[1]  # two circuits
    return instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))


def layout_by_hand(asked: Instance, second: tuple[PieceUse, ...], *, in_field: bool) -> Layout:
    """C1 feeds the near nozzle, C2 the far one; in the field they part at the start of the line."""
    at = asked.candidates.chainage_m
    chosen = tuple(j for j in range(asked.candidates.count) if at[j] in (6.0, 10.0))
    supply = Supply((asked.pumps[0],), (0,), ((0, 0),), (14e5,))
    problem = run_problem(asked, supply, chosen, run_layout(asked, chosen), ((2, 2),), 1.0)
    if in_field:
        main = (MainPiece(LINK, SHED, LINK_END, T6, 0.5), MainPiece(RISER, LINK_END, LINE_START, T4, 0.9))
        problem = replace(problem, pumps=(replace(problem.pumps[0], root=LINE_START, main=main),))
    to_line = (PieceUse(LINK, SHED, LINK_END, T4, 0, 0.5), PieceUse(RISER, LINK_END, LINE_START, T4, 0, 0.9))
    first = (PieceUse(TO_NEAR, LINE_START, NEAR, T4, 0, 0.9),)
    start = () if in_field else to_line
    circuits = (CircuitPlan(0, 0, 0, (0,), start + first), CircuitPlan(1, 0, 0, (1,), start + second))
    return Layout(asked, (asked.pumps[0],), chosen, problem, RunPlan(circuits, 0.0, 0.0, 0.0, "", "search"))


FAR_RUN = (PieceUse(TO_NEAR, LINE_START, NEAR, T4, 0, 0.9), PieceUse(TO_FAR, NEAR, FAR, T6, 0, 0.6))


def _metres(counted: TakeOff) -> dict[str, float]:
    metres: Counter[str] = Counter()
    for name, length in counted.tubing_m:
        metres[name] += length
    return dict(metres)


def test_valves_at_the_pump(tmp_path: Path) -> None:
    """A tube per circuit all the way: T4 2 x (4.2 + 2.5 + 6.3) = 26 m, T6 4.2 m. One trench of 4 m. A tee a nozzle,
    none more; a plug a run; elbows where each tube turns up and along the line, 2 x 2; one change of size."""
    counted = take_off(layout_by_hand(_instance(tmp_path, EQUIPPED), FAR_RUN, in_field=False))
    assert _metres(counted) == pytest.approx({"T4": 26.0, "T6": 4.2})
    assert (counted.tees, counted.elbows, counted.couplings, counted.plugs) == (2, 4, 1, 2)
    assert [(trench.ground, trench.length_m) for trench in counted.trenches] == [("lawn", 4.0)]
    assert (counted.pumps, counted.filters) == ((("P1", 1),), (("F1", 1),))
    assert counted.valves == (("V1", 1), ("V1", 1))
    assert counted.controllers == (("C2", 1),)
    assert (counted.enclosures, counted.valve_boxes, counted.wire_m) == (1, 0, 0.0)
    assert [(work.name, work.cost) for work in counted.site_works] == [("water at Shed", 300.0)]


def test_valves_in_the_field(tmp_path: Path) -> None:
    """One main: T6 4.2 m, T4 2.5 m; from its end C1 T4 6.3 m, C2 T4 6.3 m and T6 4.2 m. Wire lies along the main,
    6.7 m; one box holds both valves. One tee more, to the second valve; the main turns once and changes size once."""
    counted = take_off(layout_by_hand(_instance(tmp_path, EQUIPPED), FAR_RUN, in_field=True))
    assert _metres(counted) == pytest.approx({"T6": 8.4, "T4": 15.1})
    assert (counted.tees, counted.elbows, counted.couplings, counted.plugs) == (3, 1, 2, 2)
    assert [(trench.ground, trench.length_m) for trench in counted.trenches] == [("lawn", 4.0)]
    assert (counted.valve_boxes, counted.wire_m) == (1, pytest.approx(6.7))


def test_small_boxes_are_many(tmp_path: Path) -> None:
    """Two valves, one to a box."""
    small = swapped(EQUIPPED, "valves = 4", "valves = 1")
    assert take_off(layout_by_hand(_instance(tmp_path, small), FAR_RUN, in_field=True)).valve_boxes == 2


def test_the_cheapest_controller_with_enough_stations(tmp_path: Path) -> None:
    """Two circuits: one station is too few, and six cost less than two here."""
    more = '[[controller]]\nname = "{}"\nstations = {}\nprice = {}\n'
    sold = EQUIPPED + more.format("C1", 1, 10.0) + more.format("C6", 6, 150.0)
    assert take_off(layout_by_hand(_instance(tmp_path, sold), FAR_RUN, in_field=False)).controllers == (("C6", 1),)


def test_a_catalogue_without_equipment(tmp_path: Path) -> None:
    counted = take_off(layout_by_hand(_instance(tmp_path, CATALOGUE), FAR_RUN, in_field=True))
    assert (counted.controllers, counted.valve_boxes) == ((), 0)
