"""The same site drawn differently gives the same value; more to choose from never gives less.

No figure of ours is compared with an older one: each check is a relation that holds whatever the true value is. The
site and its prices are invented. Values are weighted square metres of a placement proven optimal.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import Transformer

from optimizer.instance import Candidates, candidates, instance
from optimizer.placement.place import place
from optimizer.placement.problem import Limit, PlacementProblem
from optimizer.runs.layout import layout
from optimizer.runs.problem import LossFactors, RunProblem, Tubing
from optimizer.runs.split import split
from optimizer.scenario import Scenario, read_scenario
from optimizer.solve.posed import placement_problem
from tests.optimizer.garden_site import Json, Point, box, garden
from tests.optimizer.runs_enumeration import least_cost
from tests.optimizer.runs_sites import CorridorArrays, Spots, problem_of
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, swapped, yard

Change = Callable[[Json], Json]

NOZZLES = 5
TEXT = swapped(swapped(SCENARIO, 'step = "0.5 m"', 'step = "2 m"'), 'setback = "1 m"', 'setback = "0.5 m"')
FINE_CELLS = swapped(TEXT, 'cell = "0.5 m"', 'cell = "0.1 m"')
ROUND = swapped(CATALOGUE, 'spray_angle = "180 deg"', 'spray_angle = "360 deg"')


def moved(site: Json, move: Callable[[float, float], Point], facing: Callable[[Any], Any] = lambda f: f) -> Json:
    """Every coordinate moved; facings renamed where the movement turns or mirrors them."""
    found = deepcopy(site)

    def walk(part: Any) -> Any:
        return move(*part) if isinstance(part[0], int | float) else [walk(one) for one in part]

    for one in found["features"]:
        one["geometry"]["coordinates"] = walk(one["geometry"]["coordinates"])
        if "facing" in one["properties"]:
            asked = one["properties"]["facing"]
            one["properties"]["facing"] = [facing(f) for f in asked] if isinstance(asked, list) else facing(asked)
    return found


def turned(quarters: int) -> Change:
    """Quarter turns clockwise about the origin, which is a point of the grid."""

    def move(x: float, y: float) -> Point:
        for _ in range(quarters):
            x, y = y, -x
        return [x, y]

    return lambda site: moved(site, move, lambda f: f if isinstance(f, str) else (f + 90 * quarters) % 360)


def mirrored(site: Json) -> Json:
    swap = {"left": "right", "right": "left"}
    return moved(site, lambda x, y: [-x, y], lambda f: swap.get(f, f) if isinstance(f, str) else -f % 360)


def shifted(east: float, north: float) -> Change:
    return lambda site: moved(site, lambda x, y: [x + east, y + north])


def reordered(site: Json) -> Json:
    return {**site, "features": site["features"][::-1]}


def zone_split(site: Json) -> Json:
    """The terrace as two zones of its weight that share an edge."""
    found = deepcopy(site)
    whole = found["features"].pop(2)
    assert whole["properties"]["name"] == "Terrace"
    for name, ring in (("Terrace west", box(8, 3, 13.5, 8)), ("Terrace east", box(13.5, 3, 20, 8))):
        half = deepcopy(whole)
        half["properties"]["name"], half["geometry"]["coordinates"] = name, [ring]
        found["features"].append(half)
    return found


def zone_twice(site: Json) -> Json:
    """The terrace drawn twice: its ground counts once."""
    found = deepcopy(site)
    again = deepcopy(found["features"][2])
    again["properties"]["name"] = "Terrace as well"
    found["features"].append(again)
    return found


def vertex_more(site: Json) -> Json:
    """A vertex in the middle of a straight stretch."""
    found = deepcopy(site)
    line = next(one for one in found["features"] if one["properties"].get("name") == "Pergola")
    line["geometry"]["coordinates"] = [[22, 2], [22, 9], [22, 18]]
    return found


def line_split(site: Json) -> Json:
    """The wire as two lines that meet in its corner."""
    found = deepcopy(site)
    whole = next(one for one in found["features"] if one["properties"].get("name") == "Wire")
    found["features"].remove(whole)
    for name, points in (("Wire along", [[3, 15], [13, 15]]), ("Wire across", [[13, 15], [13, 18]])):
        part = deepcopy(whole)
        part["properties"]["name"], part["geometry"]["coordinates"] = name, points
        found["features"].append(part)
    return found


def in_degrees(site: Json) -> Json:
    """Longitude and latitude by PROJ, azimuthal equidistant about (-150, -40): open ocean, invented."""
    back = Transformer.from_crs("+proj=aeqd +lon_0=-150 +lat_0=-40 +ellps=WGS84", "EPSG:4326", always_xy=True)
    found = moved(site, lambda x, y: list(back.transform(x, y)))
    del found["frame"]
    return found


def read(site: Json, folder: Path, text: str = TEXT, catalogue: str = CATALOGUE) -> Scenario:
    return read_scenario(yard(folder, scenario=text, catalogue=catalogue, site=site))


def placing(scenario: Scenario, nozzles: int = NOZZLES) -> tuple[PlacementProblem, Candidates]:
    option = scenario.options[0]
    found = candidates(scenario, scenario.nozzle_of(option))
    return at_most(placement_problem(instance(scenario, option, found)), nozzles), found


def at_most(problem: PlacementProblem, nozzles: int) -> PlacementProblem:
    return replace(problem, limits=(Limit(tuple(range(problem.candidates)), nozzles),))


def optimum(problem: PlacementProblem) -> float:
    answer = place(problem, gap=0.0)
    assert answer.status == "optimal"
    return answer.value


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> tuple[float, Candidates]:
    problem, found = placing(read(garden(), tmp_path_factory.mktemp("plain")))
    return optimum(problem), found


@pytest.fixture(scope="module")
def fine(tmp_path_factory: pytest.TempPathFactory) -> tuple[float, Candidates]:
    problem, found = placing(read(garden(), tmp_path_factory.mktemp("fine"), FINE_CELLS))
    return optimum(problem), found


EXACT: dict[str, Change] = {
    "turned by 90": turned(1),
    "turned by 180": turned(2),
    "turned by 270": turned(3),
    "mirrored": mirrored,
    "shifted by whole cells": shifted(-7.5, 101.0),
    "in another order": reordered,
    "zone split": zone_split,
    "zone drawn twice": zone_twice,
    "a vertex more": vertex_more,
}


@pytest.mark.parametrize("change", EXACT)
def test_the_same_site_has_the_same_optimum(change: str, plain: tuple[float, Candidates], tmp_path: Path) -> None:
    """Cells map onto cells here, so the values agree to rounding."""
    value, known = plain
    problem, found = placing(read(EXACT[change](garden()), tmp_path))
    assert found.count == known.count
    assert found.coverable_area_m2 == pytest.approx(known.coverable_area_m2, rel=1e-9)
    assert found.zone_area_m2 == pytest.approx(known.zone_area_m2, rel=1e-9)
    assert optimum(problem) == pytest.approx(value, rel=1e-9)


NEAR: dict[str, Change] = {
    "turned by 31 degrees": lambda site: moved(
        site,
        lambda x, y: [
            x * math.cos(math.radians(31)) + y * math.sin(math.radians(31)),
            y * math.cos(math.radians(31)) - x * math.sin(math.radians(31)),
        ],
        lambda f: f if isinstance(f, str) else f + 31,
    ),
    "shifted off the grid": shifted(0.17, -0.31),
    "in longitude and latitude": in_degrees,
}


@pytest.mark.parametrize("change", NEAR)
def test_off_the_grid_the_optimum_differs_by_cells_only(
    change: str, fine: tuple[float, Candidates], tmp_path: Path
) -> None:
    """Exact areas agree. A straight rim of 6 m along the grid errs by half a cell at most: 0.05 x 6 of 14 m2, 3 %."""
    value, known = fine
    problem, found = placing(read(NEAR[change](garden()), tmp_path, FINE_CELLS))
    assert found.count == known.count
    assert found.coverable_area_m2 == pytest.approx(known.coverable_area_m2, rel=1e-5)
    assert found.zone_area_m2 == pytest.approx(known.zone_area_m2, rel=1e-5)
    assert optimum(problem) == pytest.approx(value, rel=0.03)


def test_a_line_split_at_a_vertex_has_the_same_optimum(tmp_path: Path) -> None:
    """With all-round nozzles, whose facing does not matter, and a least spacing of one step.

    A wider one binds the whole line by chainage, and its two parts only where they mist common ground, so there the
    parts may only be better.
    """
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    whole, _ = placing(read(garden(), tmp_path / "one", catalogue=ROUND))
    parts, _ = placing(read(line_split(garden()), tmp_path / "two", catalogue=ROUND))
    assert parts.candidates == whole.candidates + 1
    assert optimum(parts) == pytest.approx(optimum(whole), rel=1e-9)
    wide = swapped(TEXT, 'least = "2 m"', 'least = "4 m"')
    whole, _ = placing(read(garden(), tmp_path / "one", wide, ROUND))
    parts, _ = placing(read(line_split(garden()), tmp_path / "two", wide, ROUND))
    assert optimum(parts) >= optimum(whole) - 1e-9


def test_more_capacity_never_gives_less(tmp_path: Path) -> None:
    problem, _ = placing(read(garden(), tmp_path))
    values = [optimum(at_most(problem, nozzles)) for nozzles in range(1, 7)]
    assert values == sorted(values)
    part = Limit(tuple(range(problem.candidates // 2)), 2)
    limit = at_most(problem, 5).limits[0]
    assert optimum(replace(problem, limits=(limit, part))) <= values[4] + 1e-9
    assert optimum(replace(problem, limits=(limit, replace(part, most=5)))) == pytest.approx(values[4])


def test_more_candidates_never_give_less(tmp_path: Path) -> None:
    """Half the step keeps every candidate and the least spacing; so does a finer one still."""
    values = []
    for step in ("4 m", "2 m", "1 m"):
        text = swapped(swapped(TEXT, 'step = "2 m"', f'step = "{step}"'), 'greatest = "5 m"', 'greatest = "6 m"')
        values.append(optimum(placing(read(garden(), tmp_path, text), 4)[0]))
    assert values == sorted(values)


@pytest.mark.parametrize("name", ["Pond", "Hedge"])
def test_a_keep_out_or_a_wall_never_gives_more(name: str, tmp_path: Path) -> None:
    """Where lines allow one facing; another facing that a pond enforces may happen to cover more."""
    site = garden()
    for one in site["features"]:
        if isinstance(one["properties"].get("facing"), list):
            one["properties"]["facing"] = one["properties"]["facing"][0]
    with_it, known = placing(read(site, tmp_path))
    site["features"] = [one for one in site["features"] if one["properties"].get("name") != name]
    without, found = placing(read(site, tmp_path))
    assert found.coverable_area_m2 > known.coverable_area_m2 + 0.1
    assert optimum(without) >= optimum(with_it) - 1e-9


# run splits, small enough to try everything: tests/optimizer/runs_enumeration.py

FINE = (  # invented; so narrow that a few nozzles need the wider sizes
    Tubing("fine", 0.0018, 1.5e-6, 1.0),
    Tubing("small", 0.0023, 1.5e-6, 1.7),
    Tubing("middle", 0.0030, 1.5e-6, 2.9),
)
NO_LOSS = LossFactors(0.0, 0.0, 0.0, 0.0)
HILL = ((-20, -10, 1.0), (0, 0, 2.0), (55, 3, 4.5), (60, 50, 1.5), (6, 46, 5.0))
EDGES = ((0, 1), (1, 2), (2, 3), (3, 4), (1, 3))  # link from the pump, three sides of a line, a chord of link
SPOTS = (9.0, 31.0, 72.0, 118.0)


def hill(
    move: Callable[[float, float], Point] = lambda x, y: [x, y],
    order: tuple[int, ...] = tuple(range(len(EDGES))),
    backwards: bool = False,
) -> tuple[CorridorArrays, Spots]:
    """Four nozzles on a line from a ring's corner round, a chord across it; edges in any order and direction."""
    c = CorridorArrays()
    for x, y, z in HILL:
        c.node(*move(x, y), z)
    along = [0.0]
    for a, b in EDGES[1:4]:
        along.append(along[-1] + math.dist(HILL[a][:2], HILL[b][:2]))
    for e in order:
        a, b = EDGES[e]
        kind: Json = {"link": 0 if e == 0 else 1, "ground": "lawn" if e == 0 else "paving"}
        if 1 <= e <= 3:
            kind = {"line": 0, "from_m": along[e - 1], "to_m": along[e]}
        if backwards:
            a, b = b, a
            if "line" in kind:
                kind["from_m"], kind["to_m"] = kind["to_m"], kind["from_m"]
        c.edge(a, b, **kind)
    c.site_node.append(0)
    return c, Spots([0] * 4, list(SPOTS), [0] * 4)


def tubes(at: tuple[CorridorArrays, Spots], **changes: Any) -> RunProblem:
    given: Json = {"band_low_pa": 13.6e5, "tubing": FINE, "sizes_at_most": 2, "k": NO_LOSS}
    return problem_of(*at, [(0, 0, 2), (0, 0, 2)], **{**given, **changes})


def cost(problem: RunProblem) -> float:
    """Cost of the split that optimizer.runs finds, which enumeration proves to be the least."""
    found = split(problem, evaluations=1500).cost
    assert found == pytest.approx(least_cost(problem), rel=1e-9)
    return found


@pytest.fixture(scope="module")
def hill_cost() -> float:
    return cost(tubes(hill()))


@pytest.mark.parametrize(
    "drawn",
    [
        hill(lambda x, y: [y, -x]),
        hill(lambda x, y: [-x, y]),
        hill(lambda x, y: [0.6 * x - 0.8 * y + 300.0, 0.8 * x + 0.6 * y - 70.0]),
        hill(order=(3, 1, 4, 0, 2)),
        hill(backwards=True),
    ],
    ids=["turned", "mirrored", "turned and shifted", "in another order", "drawn backwards"],
)
def test_the_same_ground_has_the_same_least_cost(drawn: tuple[CorridorArrays, Spots], hill_cost: float) -> None:
    assert cost(tubes(drawn)) == pytest.approx(hill_cost, rel=1e-9)


def test_nozzles_in_another_order_cost_the_same(hill_cost: float) -> None:
    c, spots = hill()
    assert cost(tubes((c, Spots(spots.line, spots.chainage_m[::-1], spots.group)))) == pytest.approx(hill_cost)


def test_more_sizes_tubing_pressure_or_room_never_cost_more(hill_cost: float) -> None:
    at = hill()
    few, many = (cost(tubes(at, sizes_at_most=n)) for n in (1, 3))
    assert few >= hill_cost - 1e-9 and hill_cost >= many - 1e-9
    assert cost(tubes(at, tubing=FINE[1:])) >= hill_cost - 1e-9
    assert cost(tubes(at, set_pressure_pa=15.5e5)) <= hill_cost + 1e-9
    one = problem_of(*at, [(0, 0, 4), (0, 0, 4)], band_low_pa=13.6e5, tubing=FINE, sizes_at_most=2, k=NO_LOSS)
    assert cost(one) <= hill_cost + 1e-9


def test_twice_the_prices_cost_twice(hill_cost: float) -> None:
    problem = tubes(hill(), tubing=tuple(replace(tube, cost_per_m=2 * tube.cost_per_m) for tube in FINE))
    twice = layout(*_ground(), {"lawn": 13.0, "paving": 56.0})  # type: ignore[arg-type]
    np.testing.assert_allclose(twice.trench_cost, 2 * problem.layout.trench_cost)
    assert cost(replace(problem, layout=twice)) == pytest.approx(2 * hill_cost, rel=1e-9)


def _ground() -> tuple[CorridorArrays, list[int], list[float]]:
    c, spots = hill()
    return c, spots.line, spots.chainage_m
