"""An invented yard for tests of trading coverage against cost: a fence with spurs, one pump, prices as a reader would
work them out. Small, so that a study takes seconds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from optimizer.scenario import Scenario, read_scenario
from tests.optimizer.garden_site import box, feature
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, swapped, yard

HEAD = SCENARIO.split("[[option]]")[0]


def option(name: str, *lines: str) -> str:
    """An option of one pump with more keys."""
    own = ("pumps = 1", 'pump_types = ["P1"]', 'nozzle = "N1"', "tubing_sizes = 2", *lines)
    return "\n".join(["[[option]]", f'name = "{name}"', f'title = "{name}"', *own, ""])


def spurs() -> dict[str, Any]:
    """A pump at the left end of a fence 16 m long; two side fences, one far down a paved link."""
    return {
        "type": "FeatureCollection",
        "schema_version": 1,
        "name": "invented spurs",
        "frame": "local_m",
        "features": [
            feature("boundary", "Polygon", [box(-2, -2, 34, 22)]),
            feature("zone", "Polygon", [box(0.25, 0.25, 32.25, 20.25)], name="Yard", schedule="late"),
            feature("mounting_line", "LineString", [[0, 2], [16, 2]], name="Fence", height_m=2.5, facing="left"),
            feature("mounting_line", "LineString", [[8, 2], [8, 12]], name="Wall", height_m=2.5, facing="left"),
            feature("mounting_line", "LineString", [[28, 8], [28, 16]], name="Barn", height_m=2.5, facing="left"),
            feature("tubing_link", "LineString", [[16, 2], [28, 8]], name="Path", ground="lawn"),
            feature("pump_site", "Point", [0, 2], name="Shed"),
        ],
    }


def scenario(folder: Path, *options: str, catalogue: str = CATALOGUE) -> Scenario:
    """The yard with these options."""
    text = swapped(HEAD, 'step = "0.5 m"', 'step = "1 m"') + "".join(options)
    return read_scenario(
        yard(
            folder,
            scenario=text,
            catalogue=swapped(catalogue, 'delivery = "2 L/min"', 'delivery = "0.6 L/min"'),
            site=spurs(),
        )
    )
