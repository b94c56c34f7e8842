"""Random sites with relief, as files a user would write: terraces at different heights round a pump on a hill.

Each terrace is a fence whose middle may lie in a valley; the way to it from the pump may dip on the way. All figures
are invented.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from optimizer.scenario import Scenario, read_scenario

HEIGHT_M = 2.5
ALLOWANCE = 0.05
BAR = 1e5
BAR_PER_M = 0.0979  # of water at 20 C
TUBES_MM = (3.2, 4.3, 6.5, 9.0)


@dataclass(frozen=True)
class Drawn:
    """What a seed draws. band_bar, set_bar: low and high; rules: run rules by name of their field; reducers: whether
    any are on sale."""

    seed: int
    features: tuple[dict[str, Any], ...]
    band_bar: tuple[float, float]
    set_bar: tuple[float, float]
    circuits: int
    delivery_l_min: float
    reserve: float
    rules: dict[str, Any]
    reducers: bool
    what: str


def drawn(seed: int) -> Drawn:
    """A site and rules from a seed.

    The pump stands up to 30 m above the lowest terrace. On a third the set pressure must be the band's top or above,
    on a third there are two circuits, on a third run rules, on half reducers are on sale.
    """
    draw = Random(f"relief {seed}")
    low = draw.choice((8.0, 10.0, 12.0))
    high = low + draw.choice((2.0, 3.0, 4.0))
    hill_m, terraces = round(draw.uniform(0.0, 30.0), 1), draw.choice((2, 2, 3, 3, 4))
    features = [_feature("pump_site", "Point", [0.0, 0.0, hill_m], name="Hill")]
    for number in range(terraces):
        features += _terrace(draw, number, terraces, hill_m)
    features.append(_feature("boundary", "Polygon", [_ring(-90.0, -90.0, 90.0, 90.0)]))
    at_top = seed % 3 == 0
    two, ruled, reducers = seed % 3 == 1, draw.random() < 1 / 3, draw.random() < 0.5
    rules = _rules(draw, two) if ruled else {}
    words = [f"{hill_m:.0f} m hill", f"{terraces} terraces", *(["set at the top"] if at_top else []),
             *(["two circuits"] if two else []), *sorted(rules), *(["reducers"] if reducers else [])]
    return Drawn(
        seed=seed,
        features=tuple(features),
        band_bar=(low, high),
        set_bar=(high, high + 3.0) if at_top else (max(4.0, low - 3.0), high + 3.0),
        circuits=2 if two else 1,
        delivery_l_min=round(draw.uniform(0.35, 1.2), 3),
        reserve=draw.choice((0.0, 0.1, 0.15)),
        rules=rules,
        reducers=reducers,
        what=", ".join(words),
    )


def scenario(found: Drawn, folder: Path) -> Scenario:
    """The drawn site as the public reader sees it."""
    folder.mkdir(parents=True, exist_ok=True)
    site = {"type": "FeatureCollection", "schema_version": 1, "name": "invented terraces", "frame": "local_m"}
    (folder / "site.geojson").write_text(json.dumps({**site, "features": list(found.features)}), encoding="utf-8")
    (folder / "scenario.toml").write_text(_scenario_toml(found), encoding="utf-8")
    (folder / "shop.toml").write_text(_shop_toml(found), encoding="utf-8")
    return read_scenario(folder)


def _rules(draw: Random, two: bool) -> dict[str, Any]:
    kinds = {"run_longest_m": round(draw.uniform(45.0, 90.0), 1), "run_nozzles_most": draw.randint(4, 10)}
    if two:
        kinds["circuit_balance"] = draw.choice((0.1, 0.2, 0.3))
    return {name: kinds[name] for name in draw.sample(sorted(kinds), draw.randint(1, len(kinds)))}


def _terrace(draw: Random, number: int, terraces: int, hill_m: float) -> list[dict[str, Any]]:
    """A fence along a zone, both square to the way from the pump, and that way."""
    east, north = ((1, 0), (0, 1), (-1, 0), (0, -1))[number]
    away, half = draw.uniform(12.0, 45.0), draw.uniform(6.0, 16.0)
    ground = draw.uniform(0.0, hill_m + 8.0)
    ends = [round(ground + draw.uniform(-2.0, 2.0), 2) for _ in range(2)]
    dip = draw.choice((0.0, draw.uniform(1.0, 6.0), draw.uniform(6.0, 15.0)))
    middle = round(sum(ends) / 2 - dip, 2)

    def at(out: float, along: float, z: float) -> list[float]:
        return [round(out * east - along * north, 2), round(out * north + along * east, 2), z]

    fence = [at(away, -half, ends[0]), at(away, 0.0, middle), at(away, half, ends[1])]
    way = [[0.0, 0.0, hill_m]]
    if draw.random() < 0.5:  # a valley on the way
        way.append(at(away / 2, draw.uniform(-3.0, 3.0), round(min(hill_m, middle) - draw.uniform(0.0, 8.0), 2)))
    joint = draw.choice((0, 1, 2))
    way.append(fence[joint])
    zone = [at(out, along, middle)[:2] for out, along in ((away + 0.2, -half), (away + 4.0, -half), (away + 4.0, half),
                                                       (away + 0.2, half), (away + 0.2, -half))]
    own = {"height_m": HEIGHT_M, "facing": "all"}
    return [
        _feature("zone", "Polygon", [zone], name=f"Terrace {number}", weight=draw.choice((1.0, 2.0))),
        _feature("mounting_line", "LineString", fence, name=f"Fence {number}", **own),
        _feature("tubing_link", "LineString", way, name=f"Way {number}", ground="meadow"),
    ]


def _feature(role: str, kind: str, coordinates: Any, **properties: Any) -> dict[str, Any]:
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": {"role": role, **properties}, "geometry": geometry}


def _ring(x0: float, y0: float, x1: float, y1: float) -> list[list[float]]:
    return [[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]]


def _scenario_toml(found: Drawn) -> str:
    (low, high), (set_low, set_high) = found.band_bar, found.set_bar
    return f"""\
schema_version = 1
name = "terraces"
title = "Invented terraces"
catalogue = "shop.toml"

[rules]
band = {{ low = "{low} bar", high = "{high} bar" }}
set_pressure = {{ low = "{set_low} bar", high = "{set_high} bar", step = "0.25 bar" }}
reserve = {found.reserve}
spacing = {{ least = "2 m", greatest = "6 m" }}
step = "1 m"
cell = "2 m"
setback = "0 m"
routing_allowance = {ALLOWANCE}
least_gain = "1 m2"
{_rules_toml(found.rules)}

[climate]
water_temperature = "20 C"
wind = "calm, assumed"

[ground.meadow]
cost_per_m = 6.0

[[option]]
name = "asked"
title = "Whatever verifies"
pumps = 1
circuits = {found.circuits}
nozzle = "N"
tubing_sizes = 2
"""


def _rules_toml(rules: dict[str, Any]) -> str:
    unit = {"run_longest_m": ("run_longest", '"{} m"')}
    keys = ((*unit.get(name, (name, "{}")), value) for name, value in sorted(rules.items()))
    return "\n".join(f"{key} = {form.format(value)}" for key, form, value in keys)


def _shop_toml(found: Drawn) -> str:
    low, high = found.band_bar
    reducer = f"""
[[reducer]]
name = "R"
outlet = {{ low = "{low} bar", high = "{high} bar", step = "0.25 bar" }}
loss = "0.3 bar"
at = "1 L/min"
price = 38.0
"""
    return f"""\
schema_version = 1
currency = "USD"

[[nozzle]]
name = "N"
closing_pressure = "5 bar"
curve = {{ flow = "48 mL/min", at = "14 bar", exponent = 0.5 }}
reach = "3 m"
reach_source = "assumed"
spray_angle = "180 deg"
price = 10.0
{"".join(_tube_toml(bore) for bore in TUBES_MM)}
[fittings]
tee = {{ price = 4.0, run_k = 0.6, branch_k = 1.8 }}
elbow = {{ price = 3.0, k = 0.9 }}
coupling = {{ price = 2.5 }}
plug = {{ price = 1.25 }}
entrance = {{ k = 0.5 }}

[[filter]]
name = "F"
loss = "0.2 bar"
at = "2 L/min"
price = 90.0

[[valve]]
name = "V"
loss = "0.1 bar"
at = "2 L/min"
price = 60.0
{reducer if found.reducers else ""}
[[pump]]
name = "P"
delivery = "{found.delivery_l_min} L/min"
limit = "20 bar"
set_pressure = {{ low = "4 bar", high = "20 bar" }}
outlets = 2
price = 2000.0
filter = "F"
valve = "V"
manifold = {{ loss = "0.05 bar", at = "2 L/min" }}
"""


def _tube_toml(bore_mm: float) -> str:
    return f"""
[[tubing]]
name = "T{bore_mm}"
bore = "{bore_mm} mm"
roughness = "0.0015 mm"
rating = "45 bar"
price_per_m = {0.4 + 0.5 * bore_mm:.2f}
fixing_per_m = 2.5
"""
