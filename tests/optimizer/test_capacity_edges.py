"""The last nozzle that a pump can feed: circuits that carry 78.9 nozzles at the band's low edge feed 78, not 79.

By hand: no nozzle in the band draws less than q(band low), so a circuit of (1 - reserve) x delivery = 78.9 q(band low)
feeds floor(78.9) = 78 at most, two of them 156. The set pressure just above the band's low edge and wide tubing let all
of them stay within 78.9 q(band low).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from optimizer.errors import NoDesign
from optimizer.instance import nozzles_at_most
from optimizer.progress import never, silent
from optimizer.runs.split import split
from optimizer.scenario import Scenario, read_scenario
from optimizer.study import Alternative, StudySettings, study
from tests.optimizer.runs_sites import CorridorArrays, Spots, problem_of
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, SITE, swapped, yard
from tests.optimizer.test_runs_split import check_plan

RESERVE = 0.15
CARRIED = 78.9  # nozzles' flows at the band's low edge, that a circuit carries
LOW_L_MIN = 48e-3 * ((12.0 - 5.0) / (14.0 - 5.0)) ** 0.5  # of one nozzle, from the curve in scenario_files
POSITIONS = 160


def long_wire(locked: int) -> dict[str, Any]:
    """160 positions a metre apart on two wires that part at the pump's link, so many of them locked."""
    wires = []
    for name, end_m, count in (("West", 2.0, locked // 2), ("East", 162.0, locked - locked // 2)):
        own = {"name": name, "height_m": 2.5, "facing": "left", "locked_m": [0.5 + i for i in range(count)]}
        wires.append(feature("mounting_line", "LineString", [[82, 5], [end_m, 5]], **own))
    features = [
        feature("boundary", "Polygon", [[[0, 0], [164, 0], [164, 12], [0, 12], [0, 0]]]),
        feature("zone", "Polygon", [[[1, 1], [163, 1], [163, 9], [1, 9], [1, 1]]], name="Lawn"),
        *wires,
        feature("tubing_link", "LineString", [[82, 9], [82, 5]], name="Trench", ground="lawn"),
        feature("pump_site", "Point", [82, 9], name="Shed", elevation_m=2.5),
    ]
    return {**SITE, "features": features}


def feature(role: str, kind: str, coordinates: Any, **properties: Any) -> dict[str, Any]:
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": {"role": role, **properties}, "geometry": geometry}


def scenario(folder: Path, locked: int, carried: float = CARRIED) -> Scenario:
    """One pump with two circuits that carry so many nozzles each at the band's low edge."""
    delivery_l_min = carried * LOW_L_MIN / (1 - RESERVE)
    catalogue = swapped(CATALOGUE, 'delivery = "2 L/min"', f'delivery = "{delivery_l_min:.12f} L/min"')
    catalogue = swapped(catalogue, 'bore = "0.25 in"', 'bore = "20 mm"')
    for loss in ("0.2", "0.1", "0.05"):
        catalogue = swapped(catalogue, f'loss = "{loss} bar"', 'loss = "0.001 bar"')
    text = swapped(SCENARIO, 'low = "12.5 bar", high = "15.5 bar"', 'low = "12 bar", high = "12.1 bar"')
    text = swapped(text, 'step = "0.25 bar"', 'step = "0.02 bar"')
    text = swapped(text, 'least = "2 m", greatest = "5 m"', 'least = "1 m"')
    text = swapped(text, 'least_gain = "2 m2"', 'least_gain = "0.001 m2"')
    text = swapped(text, 'step = "0.5 m"', 'step = "1 m"')
    text = swapped(text, 'cell = "0.5 m"', 'cell = "2 m"')
    text = swapped(text, '[[schedule]]\nname = "late"\nhours = ["22:00-02:00"]\n\n', "")
    return read_scenario(yard(folder, scenario=text, catalogue=catalogue, site=long_wire(locked)))


def answer(given: Scenario) -> Alternative:
    (found,) = study(given, StudySettings(options=("any",), workers=1), silent, never).alternatives
    return found


@pytest.mark.parametrize(("carried", "most"), [(77.999, 77), (78.0, 78), (78.9, 78), (78.999, 78), (79.0, 79)])
def test_most_nozzles_are_whole_ones_of_each_circuit(carried: float, most: int, tmp_path: Path) -> None:
    given = scenario(tmp_path, 0, carried)
    assert [nozzles_at_most(given, option) for option in given.options] == [most, 2 * most]


def test_156_nozzles_are_fed_and_verified_to_the_last(tmp_path: Path) -> None:
    """156 are locked; four more positions are free and stay empty."""
    found = answer(scenario(tmp_path, 156))
    assert found.verified and found.design is not None
    assert len(found.design.nozzles) == 156
    circuits = [nozzle.circuit for nozzle in found.design.nozzles]
    assert sorted(circuits.count(name) for name in set(circuits)) == [78, 78]
    for flow in found.design.verification.flow_m3_s.values():
        assert 78 * LOW_L_MIN / 60e3 <= flow <= CARRIED * LOW_L_MIN / 60e3


def test_157_nozzles_are_refused_with_the_numbers(tmp_path: Path) -> None:
    found = answer(scenario(tmp_path, 157))
    assert found.design is None and found.status == "no_design" and found.reason is not None
    assert "157 locked positions" in found.reason and "156 nozzles" in found.reason
    assert "reserve" in found.reason


def wire(nozzles: int) -> tuple[CorridorArrays, Spots]:
    """So many nozzles a metre apart on a wire that the pump's link meets in its middle."""
    graph = CorridorArrays()
    west, middle, east = (graph.node(x, 0.0) for x in (-80.0, 0.0, 80.0))
    graph.edge(west, middle, line=0, from_m=0.0, to_m=80.0)
    graph.edge(middle, east, line=0, from_m=80.0, to_m=160.0)
    site = graph.node(0.0, -10.0)
    graph.edge(site, middle, link=0, ground="lawn")
    graph.site_node.append(site)
    return graph, Spots([0] * nozzles, [1.3 + i for i in range(nozzles)], [0] * nozzles)


def test_a_run_split_feeds_156_by_78_and_78() -> None:
    problem = problem_of(*wire(156), [(0, 0, 78), (0, 0, 78)])
    plan = split(problem, evaluations=200)
    check_plan(problem, plan)
    assert [len(circuit.served) for circuit in plan.circuits] == [78, 78]


def test_a_run_split_of_157_is_refused_with_the_numbers() -> None:
    with pytest.raises(NoDesign) as caught:
        split(problem_of(*wire(157), [(0, 0, 78), (0, 0, 78)]), evaluations=200)
    assert caught.value.rule == "capacity"
    assert "can take 156 of 157 nozzles" in str(caught.value)
