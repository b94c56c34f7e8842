"""No design breaks a rule of spacing, a lock or a keep-out: whole small scenarios, solved, judged from what was drawn.

The sites are invented and drawn anew from each seed: a house with a line round its eaves, two wires that meet, a pond.
Distances are those of shapely along and between the drawn lines; nothing here asks the placement what is too close.
"""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon

from optimizer.design import Design, Nozzle
from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.scenario import read_scenario
from optimizer.solve import SolveSettings, solve
from tests.optimizer.garden_site import Json, box, feature
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, swapped, yard

LEAST_M, SETBACK_M, STEP_M, CELL_M, REACH_M = 2.0, 1.0, 0.5, 1.0, 3.0
NEAR_M = 1e-4
SHOP = swapped(CATALOGUE, 'delivery = "2 L/min"', 'delivery = "0.5 L/min"')  # ten nozzles
TEXT = swapped(SCENARIO, 'cell = "0.5 m"', f'cell = "{CELL_M} m"')

CASES: dict[str, Json] = {
    "locks": {"A": {"locked_m": [1.13, 6.2]}, "Eaves": {"locked_m": [0.7, 19.2]}},
    "facings": {"A": {"facing": ["left", "right", 45], "tilt_deg": [0, 30]}, "B": {"facing": ["left", "right"]}},
    "continuous": {
        "greatest_m": 4.0,
        "A": {"continuous": True},
        "Eaves": {"continuous": True},
        "Pond": {"forbids": ["trench"]},
    },
    "rows": {"greatest_m": 3.0, "row_gap_m": 5.5, "A": {"facing": ["left", "right"]}, "B": {"locked_m": [3.03]}},
    "even pitch": {"A": {"even_pitch": True}, "B": {"preferred_m": [1.234]}},
    "ends and corners": {"A": {"near_ends_m": 0.8}, "B": {"near_ends_m": 1.0}, "Eaves": {"near_corners_m": 1.5}},
    "stretches": {
        "A": {"no_nozzles": [{"from_m": 2.2, "to_m": 4.6, "reason": "gate"}], "forbidden_m": [6.0, 7.7]},
        "Eaves": {"no_nozzles": [{"from_m": 0.0, "to_m": 5.5}, {"from_m": 20.0, "to_m": 21.6}]},
    },
    "cover by two": {"Lawn": {"cover_by": 2, "least_coverage": 0.03}, "A": {"facing": "all"}, "step_m": 1.0},
}


def drawn(seed: int, case: Json) -> Json:
    rng = np.random.default_rng(seed)
    west, south = rng.uniform(2.5, 4.5), rng.uniform(4.0, 6.0)
    eaves = box(west - 0.2, south - 0.2, west + 5.2, south + 5.2)
    start, end = np.array([11.0, rng.uniform(4, 9)]), np.array([21.0, rng.uniform(4, 9)])
    bed, meet = (start + rng.uniform(*share) * (end - start) for share in ((0.35, 0.45), (0.6, 0.85)))
    pond = start + rng.uniform(0.0, 0.15) * (end - start) - [0.0, 2.2]
    branch = [meet.tolist(), [rng.uniform(12, 20), 14.5]]
    lawn = [box(1, 1, 23, 15), box(west, south, west + 5, south + 5)]
    wall = {"height_m": 2.5, "facing": "left"}
    parts = [
        feature("boundary", "Polygon", [box(0, 0, 24, 16)]),
        feature("zone", "Polygon", lawn, name="Lawn"),
        feature("obstacle", "Polygon", lawn[1:], name="House", height_m=5.0),
        feature("keep_out", "Polygon", [around(pond, 0.6)], name="Pond", forbids=["mist"]),
        feature("keep_out", "Polygon", [around(bed, 0.5)], name="Bed", forbids=["mounting"]),
        feature("mounting_line", "LineString", eaves, name="Eaves", **{**wall, "facing": "out"}),
        feature("mounting_line", "LineString", [start.tolist(), end.tolist()], name="A", **wall),
        feature("mounting_line", "LineString", branch, name="B", **wall),
        feature("tubing_link", "LineString", [[1.5, 1.5], eaves[0]], name="Trench", ground="lawn"),
        feature("tubing_link", "LineString", [[1.5, 1.5], start.tolist()], name="Ditch", ground="lawn"),
        feature("pump_site", "Point", [1.5, 1.5], name="Shed"),
    ]
    for part in parts:
        part["properties"].update(case.get(part["properties"].get("name"), {}))
    whole = {"type": "FeatureCollection", "schema_version": 1, "name": "invented yard", "frame": "local_m"}
    return {**whole, "features": parts}


def around(middle: Any, half_m: float) -> list[list[float]]:
    x, y = (float(one) for one in middle)
    return box(x - half_m, y - half_m, x + half_m, y + half_m)


def solved(folder: Path, site: Json, case: Json) -> Design:
    spacing = f'greatest = "{case.get("greatest_m", 5.0)} m"'
    if "row_gap_m" in case:
        spacing += f', row_gap = "{case["row_gap_m"]} m"'
    text = swapped(TEXT, 'greatest = "5 m"', spacing)
    text = swapped(text, 'step = "0.5 m"', f'step = "{case.get("step_m", STEP_M)} m"')
    scenario = read_scenario(yard(folder, scenario=text, catalogue=SHOP, site=site))
    option = scenario.options[0]
    made = instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
    return solve(made, SolveSettings(), silent, never).design


@pytest.mark.parametrize(
    ("name", "seed"), [*((name, 1) for name in CASES), ("continuous", 2), ("rows", 2), ("locks", 2)]
)
def test_no_design_breaks_a_rule(name: str, seed: int, tmp_path: Path) -> None:
    case, site = CASES[name], drawn(seed, CASES[name])
    design = solved(tmp_path, site, case)
    assert design.verification.verified
    assert len(design.nozzles) >= 4
    lines = {one["properties"]["name"]: one for one in site["features"] if one["properties"]["role"] == "mounting_line"}
    where = {node.id: (node.x_m, node.y_m) for node in design.nodes}
    for line, one in lines.items():
        along = [nozzle for nozzle in design.nozzles if nozzle.line == line]
        for nozzle in along:
            stands_at = LineString(one["geometry"]["coordinates"]).interpolate(nozzle.chainage_m)
            assert math.dist(where[nozzle.node], (stands_at.x, stands_at.y)) < NEAR_M
        assert_line_keeps(one, sorted(nozzle.chainage_m for nozzle in along), case)
    for first, second in itertools.combinations(design.nozzles, 2):
        if math.dist(where[first.node], where[second.node]) < LEAST_M - NEAR_M:
            assert not share_ground(first, second), (first.id, second.id)
    for nozzle in design.nozzles:
        assert_keeps_out(nozzle, Point(where[nozzle.node]), site)


def assert_line_keeps(one: Json, at: list[float], case: Json) -> None:
    """Rules of one drawn line: chainages of its nozzles, in order."""
    own, line = one["properties"], LineString(one["geometry"]["coordinates"])
    gaps = [b - a for a, b in itertools.pairwise(at)]
    if line.is_closed and len(at) > 1:
        gaps.append(at[0] + line.length - at[-1])
    assert all(gap >= LEAST_M - NEAR_M for gap in gaps)
    if own.get("continuous"):
        assert max(gaps) <= case["greatest_m"] + NEAR_M
    elif "row_gap_m" in case:
        assert all(gap <= case["greatest_m"] + NEAR_M or gap >= case["row_gap_m"] - NEAR_M for gap in gaps)
    if own.get("even_pitch") and len(at) > 2:
        assert gaps == pytest.approx([gaps[0]] * len(gaps), abs=STEP_M + NEAR_M)
    for locked in own.get("locked_m", ()):
        assert min(abs(s - locked) for s in at) < NEAR_M
    for stretch in own.get("no_nozzles", ()):
        assert not any(stretch["from_m"] + NEAR_M < s < stretch["to_m"] - NEAR_M for s in at)
    for forbidden in own.get("forbidden_m", ()):
        assert all(abs(s - forbidden) > STEP_M / 2 - NEAR_M for s in at)
    if "near_ends_m" in own:
        assert at[0] <= own["near_ends_m"] + NEAR_M and at[-1] >= line.length - own["near_ends_m"] - NEAR_M
    if "near_corners_m" in own:
        corners = [line.project(Point(xy)) for xy in one["geometry"]["coordinates"][:-1]]
        for corner in corners:
            off = [min(abs(s - corner), line.length - abs(s - corner)) for s in at]
            assert min(off) <= own["near_corners_m"] + NEAR_M


def share_ground(first: Nozzle, second: Nozzle) -> bool:
    """Whether two footprints share so much ground that it holds a cell's centre wherever the cells lie."""
    common = shapely.intersection(*(shapely.geometry.shape(dict(one.footprint)) for one in (first, second)))
    return not common.buffer(-CELL_M / math.sqrt(2.0)).is_empty


def assert_keeps_out(nozzle: Nozzle, at: Point, site: Json) -> None:
    mist = shapely.geometry.shape(dict(nozzle.footprint))
    for one in site["features"]:
        forbids, role = one["properties"].get("forbids", ()), one["properties"]["role"]
        area = Polygon(one["geometry"]["coordinates"][0]) if one["geometry"]["type"] == "Polygon" else Polygon()
        assert "mounting" not in forbids or at.distance(area) > 0.0
        assert "mist" not in forbids or mist.distance(area) >= SETBACK_M - NEAR_M
        assert role != "obstacle" or mist.intersection(area).area < 1e-6
    assert mist.hausdorff_distance(at) <= REACH_M * 1.01
