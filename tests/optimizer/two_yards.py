"""Two invented yards with a dear lane between them, a pump site at each; one yard is three times as long."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from pathlib import Path
from typing import Any

from optimizer.brief import Option
from optimizer.progress import never, silent
from optimizer.scenario import Scenario, read_scenario
from optimizer.study import Alternative, StudySettings, study
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, swapped, yard

LONG_M, SHORT_M, APART_M, FAR_M = 27.0, 9.0, 30.0, 60.0


def _feature(role: str, kind: str, coordinates: Any, **properties: Any) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"role": role, **properties},
        "geometry": {"type": kind, "coordinates": coordinates},
    }


def _box(x0: float, x1: float, y1: float = 6.0) -> list[Any]:
    return [[[x0, 0], [x1, 0], [x1, y1], [x0, y1], [x0, 0]]]


def site() -> dict[str, Any]:
    """Long yard, lane, short yard; a wire along each, a pump site at the ends that face the lane, and one far from the
    middle of the long yard, behind a field."""
    east = LONG_M + APART_M
    end, middle = east + SHORT_M, LONG_M / 2
    return {
        "type": "FeatureCollection",
        "schema_version": 1,
        "name": "two yards",
        "frame": "local_m",
        "features": [
            _feature("boundary", "Polygon", _box(-5, end + 5, FAR_M + 8)),
            _feature("zone", "Polygon", _box(0, LONG_M), name="Long yard"),
            _feature("zone", "Polygon", _box(east, east + SHORT_M), name="Short yard"),
            _feature("mounting_line", "LineString", [[0, 3], [LONG_M, 3]], name="Long", height_m=2.5, facing="all"),
            _feature("mounting_line", "LineString", [[east, 3], [end, 3]], name="Short", height_m=2.5, facing="all"),
            _feature("tubing_link", "LineString", [[LONG_M, 3], [east, 3]], name="Lane", ground="lane"),
            _feature("tubing_link", "LineString", [[middle, FAR_M], [middle, 3]], name="Field way", ground="lawn"),
            _feature("pump_site", "Point", [LONG_M, 3], name="Long shed"),
            _feature("pump_site", "Point", [east, 3], name="Short shed"),
            _feature("pump_site", "Point", [middle, FAR_M], name="Far shed"),
        ],
    }


def pump(name: str, delivery: str, price: float) -> str:
    """A pump of the catalogue like P1, of another delivery and price."""
    whole = CATALOGUE[CATALOGUE.index("[[pump]]") :]
    named = swapped(whole, 'name = "P1"', f'name = "{name}"')
    return swapped(swapped(named, '"2 L/min"', f'"{delivery}"'), "2000.0", str(price))


WIRE_AND_BOX = """
[valve_box]
valves = 4
price = 45.0

[wire]
price_per_m = 0.6
"""


def two_yards(folder: Path, lane: float, prices: tuple[float, float] = (900.0, 300.0)) -> Scenario:
    """The scenario with pumps Large (some 13 nozzles a circuit) and Small (5), a lane at a price per metre."""
    folder.mkdir(exist_ok=True)
    pumps = pump("Large", "0.7 L/min", prices[0]) + "\n" + pump("Small", "0.3 L/min", prices[1]) + WIRE_AND_BOX
    shop = CATALOGUE[: CATALOGUE.index("[[pump]]")] + pumps
    text = swapped(SCENARIO, "cost_per_m = 8.0", f"cost_per_m = 8.0\n\n[ground.lane]\ncost_per_m = {lane}")
    sites = 'pump_sites = ["Long shed", "Short shed"]\n'
    for old, new in (('pump_types = ["P1"]\n', sites), ('"2 m2"', '"8 m2"'), ('step = "0.5 m"', 'step = "1 m"')):
        text = swapped(text, old, new)
    return read_scenario(yard(folder, scenario=text, catalogue=shop, site=deepcopy(site())))


def option(scenario: Scenario, **asked: Any) -> Option:
    """The first option with other members."""
    return replace(scenario.options[0], **asked)


def answered(scenario: Scenario, asked: Option) -> Alternative:
    """The one alternative of an option."""
    (found,) = study(replace(scenario, options=(asked,)), StudySettings(workers=1), silent, never).alternatives
    return found
