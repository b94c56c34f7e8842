"""Spacings that are an exact multiple of the step are neither lost nor broken by the rounding of chainages.

How many nozzles fit on a line of length L at a least spacing d, candidates every step of which d is a multiple, is a
closed form: floor(L / d) + 1 on an open line, floor(L / d) on a closed one. HiGHS counts them on model A, where every
position is worth one and nothing else counts. Sites are invented.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import Transformer

from optimizer.instance import Candidates, candidates, instance
from optimizer.placement import model as models
from optimizer.placement.problem import PlacementProblem
from optimizer.scenario import read_scenario
from optimizer.solve.posed import placement_problem
from optimizer.solver import Limits, solve
from tests.optimizer.garden_site import Json, Point, box, feature
from tests.optimizer.scenario_files import SCENARIO, swapped, yard

BEARINGS_DEG = (0.0, 17.0, 31.0, 58.3)
LENGTHS_M = (10.0, 11.3, 27.9, 40.0)


def straight(bearing_deg: float, length_m: float) -> list[Point]:
    """A line from (3, 3) that runs so far in three legs of one direction."""
    east, north = math.cos(math.radians(bearing_deg)), math.sin(math.radians(bearing_deg))
    return [[3 + s * length_m * east, 3 + s * length_m * north] for s in (0.0, 0.37, 0.61, 1.0)]


def ring(bearing_deg: float, perimeter_m: float) -> list[Point]:
    """A closed rectangle about (25, 25), turned; sides of 0.2 and 0.3 of its perimeter."""
    w, h, a = 0.1 * perimeter_m, 0.15 * perimeter_m, math.radians(bearing_deg)
    corners = [(-w, -h), (w, -h), (w, h), (-w, h), (-w, -h)]
    return [[25 + x * math.cos(a) - y * math.sin(a), 25 + x * math.sin(a) + y * math.cos(a)] for x, y in corners]


def site(points: list[Point], in_degrees: bool) -> Json:
    """A field, one line over it, a pump at its start; in longitude and latitude about (-150, -40), open ocean."""
    whole = {
        "type": "FeatureCollection",
        "schema_version": 1,
        "name": "invented field",
        "frame": "local_m",
        "features": [
            feature("boundary", "Polygon", [box(-5, -5, 60, 60)]),
            feature("zone", "Polygon", [box(-4, -4, 59, 59)], name="Field"),
            feature("mounting_line", "LineString", points, name="Wire", height_m=2.5, facing="all"),
            feature("pump_site", "Point", points[0], name="Shed"),
        ],
    }
    if in_degrees:
        del whole["frame"]
        back = Transformer.from_crs("+proj=aeqd +lon_0=-150 +lat_0=-40 +ellps=WGS84", "EPSG:4326", always_xy=True)
        for one in whole["features"]:
            one["geometry"]["coordinates"] = walked(one["geometry"]["coordinates"], back)
    return whole


def walked(part: Any, back: Transformer) -> Any:
    return list(back.transform(*part)) if isinstance(part[0], int | float) else [walked(one, back) for one in part]


def posed(folder: Path, where: Json, step: str, text: str = SCENARIO) -> tuple[PlacementProblem, Candidates, float]:
    """The placement, the candidates, the line's length as read."""
    text = swapped(swapped(text, 'step = "0.5 m"', f'step = "{step}"'), 'cell = "0.5 m"', 'cell = "2 m"')
    scenario = read_scenario(yard(folder, scenario=text, site=where))
    option = scenario.options[0]
    found = candidates(scenario, scenario.nozzle_of(option))
    return placement_problem(instance(scenario, option, found)), found, float(scenario.site.lines[0].line.length)


def most(problem: PlacementProblem) -> list[int]:
    """The most candidates that may stand together."""
    counting = replace(problem, value=np.zeros_like(problem.value), bonus=np.ones(problem.candidates))
    model = models.build(counting)
    outcome = solve(model, limits=Limits(gap=0.0), stage="count")
    assert outcome.status == "optimal"
    return [j for j in range(problem.candidates) if outcome.values[model.x[j]] > 0.5]


@pytest.mark.parametrize("in_degrees", [False, True], ids=["metres", "degrees"])
@pytest.mark.parametrize("step", ["0.5 m", "0.1 m"])
@pytest.mark.parametrize("length_m", LENGTHS_M)
def test_an_open_line_holds_as_many_as_division_says(
    length_m: float, step: str, in_degrees: bool, tmp_path: Path
) -> None:
    for bearing in BEARINGS_DEG if step == "0.5 m" else BEARINGS_DEG[1:2]:
        problem, found, read_m = posed(tmp_path, site(straight(bearing, length_m), in_degrees), step)
        assert read_m == pytest.approx(length_m, rel=1e-5)
        chosen = most(problem)
        assert len(chosen) == math.floor((read_m + 1e-6) / 2.0) + 1
        at = sorted(found.chainage_m[chosen])
        assert min(b - a for a, b in itertools.pairwise(at)) >= 2.0 - 1e-5


@pytest.mark.parametrize("in_degrees", [False, True], ids=["metres", "degrees"])
@pytest.mark.parametrize("step", ["0.5 m", "0.1 m"])
@pytest.mark.parametrize("perimeter_m", [20.0, 27.9, 40.0])
def test_a_closed_line_holds_as_many_as_division_says(
    perimeter_m: float, step: str, in_degrees: bool, tmp_path: Path
) -> None:
    """Windows round corners are left out: there the straight distance counts, where footprints share ground."""
    for bearing in BEARINGS_DEG[1:3]:
        problem, found, read_m = posed(tmp_path, site(ring(bearing, perimeter_m), in_degrees), step)
        assert read_m == pytest.approx(perimeter_m, rel=1e-5)
        along = tuple(w for w in problem.spacing if spread(found.chainage_m[list(w)], read_m) < 2.0 - 1e-6)
        chosen = most(replace(problem, spacing=along))
        assert len(chosen) == math.floor((read_m + 1e-6) / 2.0)
        at = sorted(found.chainage_m[chosen])
        assert min(b - a for a, b in itertools.pairwise([*at, at[0] + read_m])) >= 2.0 - 1e-5


@pytest.mark.parametrize("step", ["0.5 m", "0.1 m"])
@pytest.mark.parametrize(("drawn", "nozzles"), [(straight(17.0, 40.0), 21), (ring(31.0, 40.0), 20)])
def test_a_greatest_spacing_equal_to_the_least_can_be_kept(
    drawn: list[Point], nozzles: int, step: str, tmp_path: Path
) -> None:
    """40 m of a continuous line, every 2 m a nozzle: with both its ends or round, no other count is possible."""
    where = site(drawn, in_degrees=False)
    where["features"][2]["properties"]["continuous"] = True
    text = swapped(SCENARIO, 'greatest = "5 m"', 'greatest = "2 m"')
    problem, found, length_m = posed(tmp_path, where, step, text)
    along = tuple(w for w in problem.spacing if spread(found.chainage_m[list(w)], length_m) < 2.0 - 1e-6)
    at = sorted(found.chainage_m[most(replace(problem, spacing=along))])
    assert len(at) == nozzles
    assert np.diff(at) == pytest.approx(2.0)


def spread(chainage_m: Any, length_m: float) -> float:
    """Length of the shortest stretch of a closed line that holds all the chainages."""
    at = sorted(chainage_m.tolist())
    return length_m - max(b - a for a, b in itertools.pairwise([*at, at[0] + length_m]))
