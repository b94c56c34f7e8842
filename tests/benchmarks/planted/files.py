"""A small scenario as values, and its three files as a user would write them. All figures are invented."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.scenario import Scenario, read_scenario

Feature = dict[str, Any]

BORES_MM = (2.4, 3.2, 4.3, 6.5, 10.0)
ROUGHNESS_MM = 0.0015
BAR = 1e5
TEE_RUN_K, TEE_BRANCH_K, ELBOW_K, ENTRANCE_K = 0.6, 1.8, 0.9, 0.5
FILTER_BAR, VALVE_BAR, MANIFOLD_BAR, LOSS_L_MIN = 0.15, 0.10, 0.05, 4.0  # losses of the pump unit at one flow
WATER_C = 20.0


@dataclass(frozen=True)
class Nozzle:
    """q = k (p - p0)^n through one flow, with the reach of its mist."""

    flow_ml_min: float
    at_bar: float
    closing_bar: float
    exponent: float
    reach_m: float
    spray_deg: float


@dataclass(frozen=True)
class Case:
    """Everything that the files of one scenario say, in the units in which they say it.

    features: of site.geojson; tubes: indices into BORES_MM that the option may use, of at most `sizes` different
    ones; spacing_m: least and greatest; band_bar, set_bar: low and high.
    """

    features: tuple[Feature, ...]
    nozzle: Nozzle
    pumps: int
    circuits: int
    tubes: tuple[int, ...]
    sizes: int
    spacing_m: tuple[float, float]
    step_m: float
    cell_m: float
    setback_m: float
    allowance: float
    reserve: float
    set_step_bar: float
    set_bar: tuple[float, float] = (8.0, 16.0)
    band_bar: tuple[float, float] = (7.0, 20.0)
    delivery_l_min: float = 20.0
    outlets: int = 4


def write(case: Case, folder: Path) -> Path:
    """site.geojson, scenario.toml and shop.toml in a folder; the folder."""
    site = {"type": "FeatureCollection", "schema_version": 1, "name": "planted", "frame": "local_m"}
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.geojson").write_text(json.dumps({**site, "features": list(case.features)}), encoding="utf-8")
    (folder / "scenario.toml").write_text(_scenario_toml(case), encoding="utf-8")
    (folder / "shop.toml").write_text(_shop_toml(case), encoding="utf-8")
    return folder


def read(case: Case, folder: Path) -> Scenario:
    """The case as the public reader sees it. Raises InputFaults."""
    return read_scenario(write(case, folder))


def features_of(case: Case, role: str) -> list[Feature]:
    """The features of one role."""
    return [feature for feature in case.features if feature["properties"]["role"] == role]


def feature(role: str, kind: str, coordinates: Any, **properties: Any) -> Feature:
    """One GeoJSON feature."""
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": {"role": role, **properties}, "geometry": geometry}


def _scenario_toml(case: Case) -> str:
    (low, high), (set_low, set_high) = case.band_bar, case.set_bar
    tubes = ", ".join(f'"{tube_name(i)}"' for i in case.tubes)
    return f"""\
schema_version = 1
name = "planted"
title = "An invented site with a planted design"
catalogue = "shop.toml"

[rules]
band = {{ low = "{low:.4f} bar", high = "{high:.4f} bar" }}
set_pressure = {{ low = "{set_low:.4f} bar", high = "{set_high:.4f} bar", step = "{case.set_step_bar} bar" }}
reserve = {case.reserve}
spacing = {{ least = "{case.spacing_m[0]} m", greatest = "{case.spacing_m[1]} m" }}
step = "{case.step_m} m"
cell = "{case.cell_m} m"
setback = "{case.setback_m} m"
routing_allowance = {case.allowance}
least_gain = "0.001 m2"

[climate]
water_temperature = "{WATER_C} C"
wind = "calm, assumed"

[ground.lawn]
cost_per_m = 8.0

[ground.paving]
cost_per_m = 28.0

[[schedule]]
name = "evening"
hours = ["17:00-23:30"]

[[schedule]]
name = "early"
hours = ["06:00-08:30"]

[[option]]
name = "asked"
title = "What the planted design answers"
pumps = {case.pumps}
circuits = {case.circuits}
nozzle = "N"
tubing = [{tubes}]
tubing_sizes = {case.sizes}
"""


def tube_name(index: int) -> str:
    """Name of a tubing size."""
    return f"T{BORES_MM[index]}"


def _shop_toml(case: Case) -> str:
    nozzle = case.nozzle
    curve = f'flow = "{nozzle.flow_ml_min} mL/min", at = "{nozzle.at_bar} bar", exponent = {nozzle.exponent}'
    return f"""\
schema_version = 1
currency = "USD"

[[nozzle]]
name = "N"
closing_pressure = "{nozzle.closing_bar} bar"
curve = {{ {curve} }}
reach = "{nozzle.reach_m} m"
reach_source = "assumed"
spray_angle = "{nozzle.spray_deg} deg"
price = 12.0
{"".join(_tube_toml(i) for i in range(len(BORES_MM)))}
[fittings]
tee = {{ price = 4.0, run_k = {TEE_RUN_K}, branch_k = {TEE_BRANCH_K} }}
elbow = {{ price = 3.0, k = {ELBOW_K} }}
coupling = {{ price = 2.5 }}
plug = {{ price = 1.25 }}
entrance = {{ k = {ENTRANCE_K} }}

[[filter]]
name = "F"
loss = "{FILTER_BAR} bar"
at = "{LOSS_L_MIN} L/min"
price = 90.0

[[valve]]
name = "V"
loss = "{VALVE_BAR} bar"
at = "{LOSS_L_MIN} L/min"
price = 60.0

[[pump]]
name = "P"
delivery = "{case.delivery_l_min:.9f} L/min"
limit = "30 bar"
set_pressure = {{ low = "2 bar", high = "30 bar" }}
outlets = {case.outlets}
price = 2000.0
filter = "F"
valve = "V"
manifold = {{ loss = "{MANIFOLD_BAR} bar", at = "{LOSS_L_MIN} L/min" }}
"""


def _tube_toml(index: int) -> str:
    price = 0.4 + 0.5 * BORES_MM[index]
    return f"""
[[tubing]]
name = "{tube_name(index)}"
bore = "{BORES_MM[index]} mm"
roughness = "{ROUGHNESS_MM} mm"
rating = "45 bar"
price_per_m = {price:.2f}
fixing_per_m = 2.5
"""
