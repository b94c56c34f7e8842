"""An invented ring: a wall of 20 m by 20 m with nozzles outside along it, the pump at one corner."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from optimizer.scenario import Scenario, read_scenario
from tests.optimizer.garden_site import box, feature
from tests.optimizer.scenario_files import CATALOGUE

SCENARIO = """\
schema_version = 1
name = "ring"
title = "An invented ring"
catalogue = "shop.toml"

[rules]
band = { low = "12 bar", high = "15 bar" }
set_pressure = { low = "15 bar", high = "15 bar", step = "0.25 bar" }
reserve = 0.1
spacing = { least = "LEAST m" }
step = "STEP m"
cell = "1 m"
setback = "1 m"
routing_allowance = 0.0
least_gain = "1 m2"
RULES
[climate]
water_temperature = "20 C"
wind = "calm"

[[option]]
name = "one"
title = "One pump"
pumps = 1
nozzle = "N1"
tubing_sizes = 2
loops = LOOPS
"""


def ring_site() -> dict[str, Any]:
    return {
        "type": "FeatureCollection", "schema_version": 1, "name": "invented ring", "frame": "local_m",
        "features": [
            feature("boundary", "Polygon", [box(-10, -10, 30, 30)]),
            feature("zone", "Polygon", [box(-4, -4, 24, 24), box(0, 0, 20, 20)], name="Path"),
            feature("obstacle", "Polygon", [box(0, 0, 20, 20)], name="House", height_m=5.0),
            feature("mounting_line", "LineString", box(-0.1, -0.1, 20.1, 20.1), name="Wall", height_m=2.5,
                    facing="out"),
            feature("pump_site", "Point", [-0.1, -0.1], name="Shed"),
        ],
    }


def ring(folder: Path, bore_mm: float, loops: bool, rules: str = "", step_m: float = 6.5) -> Scenario:
    """The scenario; bore_mm: of the cheap tubing, beside one of 6.35 mm at more than the double; step_m: from nozzle to
    nozzle."""
    cheap = f'bore = "{bore_mm} mm"\nroughness = "0.0015 mm"'
    catalogue = CATALOGUE.replace('bore = "4 mm"\nroughness = "0 mm"', cheap)
    catalogue = catalogue.replace("price_per_m = 2.5\nfixing_per_m = 2.25", "price_per_m = 7.5\nfixing_per_m = 2.25")
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "shop.toml").write_text(catalogue, encoding="utf-8")
    (folder / "site.geojson").write_text(json.dumps(ring_site()), encoding="utf-8")
    values = {"LOOPS": str(loops).lower(), "RULES": rules, "STEP": str(step_m), "LEAST": "3" if step_m < 6 else "6"}
    scenario = SCENARIO
    for word, value in values.items():
        scenario = scenario.replace(word, value)
    (folder / "scenario.toml").write_text(scenario, encoding="utf-8")
    return read_scenario(folder)
