"""A small sound scenario as files, for tests that spoil it. All values are invented."""

from __future__ import annotations

import json
from copy import deepcopy
from pathlib import Path
from typing import Any

from optimizer.errors import InputFaults
from optimizer.scenario import read_scenario

SCENARIO = """\
schema_version = 1
name = "yard"
title = "An invented yard"
catalogue = "shop.toml"

[rules]
band = { low = "12 bar", high = "15 bar" }
set_pressure = { low = "12.5 bar", high = "15.5 bar", step = "0.25 bar" }
reserve = 0.15
spacing = { least = "2 m", greatest = "5 m" }
step = "0.5 m"
cell = "0.5 m"
setback = "1 m"
routing_allowance = 0.05
least_gain = "2 m2"

[climate]
water_temperature = "20 C"
wind = "calm"

[ground.lawn]
cost_per_m = 8.0

[[schedule]]
name = "late"
hours = ["22:00-02:00"]

[[option]]
name = "one"
title = "One pump"
pumps = 1
pump_types = ["P1"]
nozzle = "N1"
tubing_sizes = 2

[[option]]
name = "any"
title = "Whatever there is"
pumps = 1
circuits = 2
nozzle = "N1"
tubing_sizes = 1
"""

CATALOGUE = """\
schema_version = 1
currency = "USD"

[[nozzle]]
name = "N1"
closing_pressure = "5 bar"
curve = { flow = "48 mL/min", at = "14 bar", exponent = 0.5 }
reach = "3 m"
reach_source = "assumed"
spray_angle = "180 deg"
price = 10.0

[[tubing]]
name = "T4"
bore = "4 mm"
roughness = "0 mm"
rating = "40 bar"
price_per_m = 1.5
fixing_per_m = 2.0

[[tubing]]
name = "T6"
bore = "0.25 in"
roughness = "0.0015 mm"
rating = "35 bar"
price_per_m = 2.5
fixing_per_m = 2.25

[fittings]
tee = { price = 4.0, run_k = 0.6, branch_k = 1.8 }
elbow = { price = 3.0, k = 0.9 }
coupling = { price = 2.5 }
plug = { price = 1.25 }
entrance = { k = 0.5 }

[[filter]]
name = "F1"
loss = "0.2 bar"
at = "4 L/min"
price = 90.0

[[valve]]
name = "V1"
loss = "0.1 bar"
at = "2 L/min"
price = 60.0

[[pump]]
name = "P1"
delivery = "2 L/min"
limit = "17 bar"
set_pressure = { low = "10 bar", high = "16 bar" }
outlets = 2
price = 2000.0
filter = "F1"
valve = "V1"
manifold = { loss = "0.05 bar", at = "2 L/min" }
"""

SERVICE = """
[service]
seasons = 3
days_per_season = 120
cycles_per_day = 4
cycle = "45 s"
product = "premixed"
dilution = 200.0
visits_per_season = 2.0
visit_price = 80.0
concentrate_per_litre = 90.0
water_per_m3 = 2.0
power_per_kwh = 0.36
nozzles_replaced = 0.1
filters_replaced = 1.0
"""
EQUIPMENT = """
[[reducer]]
name = "R1"
outlet = { low = "9 bar", high = "10 bar", step = "0.5 bar" }
loss = "0.1 bar"
at = "2 L/min"
price = 45.0

[[controller]]
name = "C2"
stations = 2
price = 210.0

[[tank]]
name = "K200"
volume = "200 L"
price = 240.0

[[dosing]]
name = "D1"
drum = "20 L"
flow = "2 L/min"
price = 620.0

[enclosure]
price = 380.0

[valve_box]
valves = 4
price = 65.0

[wire]
price_per_m = 1.1
"""
EQUIPPED = CATALOGUE.replace("outlets = 2", 'outlets = 2\npower = "750 W"') + EQUIPMENT


def _feature(role: str, kind: str, coordinates: Any, **properties: Any) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"role": role, **properties},
        "geometry": {"type": kind, "coordinates": coordinates},
    }


SITE: dict[str, Any] = {
    "type": "FeatureCollection",
    "schema_version": 1,
    "name": "yard",
    "frame": "local_m",
    "features": [
        _feature("boundary", "Polygon", [[[0, 0], [20, 0], [20, 10], [0, 10], [0, 0]]]),
        _feature("zone", "Polygon", [[[1, 1], [19, 1], [19, 9], [1, 1]]], name="Lawn", schedule="late"),
        _feature("mounting_line", "LineString", [[2, 5], [18, 5]], name="Wire", height_m=2.5, facing="left"),
        _feature("tubing_link", "LineString", [[2, 9], [2, 5]], name="Trench", ground="lawn"),
        _feature("pump_site", "Point", [2, 9], name="Shed", water={"cost": 300}),
    ],
}


def yard(
    folder: Path, *, scenario: str = SCENARIO, catalogue: str = CATALOGUE, site: dict[str, Any] | str = SITE
) -> Path:
    """The scenario's three files in a folder; the folder."""
    (folder / "scenario.toml").write_text(scenario, encoding="utf-8")
    (folder / "shop.toml").write_text(catalogue, encoding="utf-8")
    text = site if isinstance(site, str) else json.dumps(site)
    (folder / "site.geojson").write_text(text, encoding="utf-8")
    return folder


def swapped(text: str, old: str, new: str) -> str:
    """The text with its first `old` replaced, which must be there."""
    assert old in text, old
    return text.replace(old, new, 1)


def site_with(index: int, **properties: Any) -> dict[str, Any]:
    """The site with properties of one feature set; None takes a property away."""
    site = deepcopy(SITE)
    own = site["features"][index]["properties"]
    own.update(properties)
    site["features"][index]["properties"] = {k: v for k, v in own.items() if v is not None}
    return site


def faults(folder: Path) -> list[str]:
    """Every fault of the scenario in a folder as the user reads it; none when it is sound."""
    try:
        read_scenario(folder)
    except InputFaults as error:
        return [str(fault) for fault in error.faults]
    return []
