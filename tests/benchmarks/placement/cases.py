"""The cases of the benchmark: invented sites with their rules, as scenario folders and as placement problems."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from optimizer.instance import Instance, candidates, instance
from optimizer.placement.problem import Limit, PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.placement.start import fill
from optimizer.scenario import Scenario, read_scenario
from optimizer.solve.posed import placement_problem
from tests.benchmarks.placement.commercial import FACING, FEW, MARKET, OBLIQUE, RINGS, Site, site_text

LEAST, ROWS = "least", "rows"  # rules: least spacing only; rows with a greatest spacing and a gap between them
SPACING_M = {LEAST: 'least = "2 m"', ROWS: 'least = "2 m", greatest = "4 m", row_gap = "8 m"'}
LOW_BAR, AT_BAR, CLOSING_BAR, EXPONENT, FLOW_ML_MIN = 8.0, 10.0, 2.0, 0.5, 20.0
RESERVE = 0.1


@dataclass(frozen=True)
class Case:
    """One line of the table, apart from the rules: a site, its step and cells in metres."""

    name: str
    site: Site
    step_m: float
    cell_m: float


CASES = (
    Case("smoke", Site(FACING, 60.0, 1), 2.5, 1.0),
    Case("tiny", Site(FACING, 60.0, 1), 1.0, 0.5),
    Case("1 km", Site(FEW, 1000.0, 2, turn_deg=8.0), 1.0, 0.5),
    Case("1 km lon/lat", Site(FEW, 1000.0, 3, turn_deg=8.0, geographic=True), 1.0, 0.5),
    Case("a", Site(FEW, 3000.0, 4, turn_deg=10.0), 1.0, 0.5),
    Case("b", Site(FEW, 3000.0, 4, turn_deg=10.0), 0.5, 0.25),
    Case("c", Site(FEW, 5000.0, 5, turn_deg=10.0), 0.5, 0.5),
    Case("d", Site(FACING, 2600.0, 6, turn_deg=6.0), 1.0, 0.5),
    Case("oblique", Site(OBLIQUE, 3000.0, 7, turn_deg=30.0), 1.0, 0.5),
    Case("market", Site(MARKET, 3000.0, 9), 1.0, 0.5),
    Case("closed", Site(RINGS, 3000.0, 8, turn_deg=10.0), 1.0, 0.5),
)


def write(case: Case, rules: str, folder: Path, nozzles: int = 1) -> Scenario:
    """The case as the three files of a scenario, read back; its circuits feed so many nozzles. Raises InputFaults."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.geojson").write_text(site_text(case.site), encoding="utf-8")
    (folder / "scenario.toml").write_text(_scenario_toml(case, rules), encoding="utf-8")
    (folder / "shop.toml").write_text(_shop_toml(nozzles), encoding="utf-8")
    return read_scenario(folder)


def posed(scenario: Scenario) -> tuple[Instance, PlacementProblem]:
    """Its instance and placement problem, the limit of nozzles still open."""
    option = scenario.options[0]
    found = instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
    return found, placement_problem(found)


def limited(problem: PlacementProblem, most: int) -> PlacementProblem:
    """The problem with so many nozzles in all."""
    return replace(problem, limits=(Limit(tuple(range(problem.candidates)), most),))


def half_of_saturation(problem: PlacementProblem) -> int:
    """Half the nozzles at which greedy, under least spacing alone, gains nothing more: the hardest budget."""
    everything = replace(problem, rows=(), cover=(), limits=())
    selection = Selection(Cover(everything))
    fill(selection)
    return max(1, int(selection.chosen.sum()) // 2)


def shared_weight(problem: PlacementProblem) -> float:
    """Share of the weight in cells that two or more intervals of candidates cover, on lines as they are drawn."""
    strand, place = np.empty(problem.candidates), np.empty(problem.candidates)
    for number, members in enumerate(problem.lines):
        strand[list(members)], place[list(members)] = number, np.arange(len(members))
    order = np.lexsort((place, strand))
    incidence = problem.incidence[:, order].tocsr()
    incidence.sort_indices()
    row = np.repeat(np.arange(incidence.shape[0]), np.diff(incidence.indptr))
    begins = (np.diff(incidence.indices, prepend=-2) != 1) | (np.diff(row, prepend=-1) != 0)
    begins |= np.diff(strand[order][incidence.indices], prepend=-1.0) != 0
    intervals = np.bincount(row[begins], minlength=incidence.shape[0])
    return float(problem.value[intervals > 1].sum() / problem.value[intervals > 0].sum())


def _scenario_toml(case: Case, rules: str) -> str:
    return f"""\
schema_version = 1
name = "benchmark"
title = "An invented commercial site"
catalogue = "shop.toml"

[rules]
band = {{ low = "{LOW_BAR} bar", high = "20 bar" }}
set_pressure = {{ low = "10 bar", high = "18 bar", step = "1 bar" }}
reserve = {RESERVE}
spacing = {{ {SPACING_M[rules]} }}
step = "{case.step_m} m"
cell = "{case.cell_m} m"
setback = "0.3 m"
routing_allowance = 0.03
least_gain = "0.5 m2"

[climate]
water_temperature = "20 C"
wind = "calm, assumed"

[ground.lawn]
cost_per_m = 8.0

[ground.paving]
cost_per_m = 28.0

[[option]]
name = "asked"
title = "Two pumps with two circuits each"
pumps = 2
circuits = 2
nozzle = "N"
tubing_sizes = 3
"""


def _shop_toml(nozzles: int) -> str:
    """An invented catalogue whose two pumps, with two circuits each, feed so many nozzles at the band's low edge."""
    least_ml_min = FLOW_ML_MIN * ((LOW_BAR - CLOSING_BAR) / (AT_BAR - CLOSING_BAR)) ** EXPONENT
    per_circuit = -(-nozzles // 4)
    delivery_l_min = per_circuit * least_ml_min / 1e3 / (1.0 - RESERVE)
    return f"""\
schema_version = 1
currency = "USD"

[[nozzle]]
name = "N"
closing_pressure = "{CLOSING_BAR} bar"
curve = {{ flow = "{FLOW_ML_MIN} mL/min", at = "{AT_BAR} bar", exponent = {EXPONENT} }}
reach = "3 m"
reach_source = "assumed"
spray_angle = "140 deg"
price = 12.0
{"".join(_tube_toml(bore) for bore in (4.3, 6.5, 10.0, 14.0, 20.0))}
[fittings]
tee = {{ price = 4.0, run_k = 0.6, branch_k = 1.8 }}
elbow = {{ price = 3.0, k = 0.9 }}
coupling = {{ price = 2.5 }}
plug = {{ price = 1.25 }}
entrance = {{ k = 0.5 }}

[[filter]]
name = "F"
loss = "0.15 bar"
at = "4 L/min"
price = 90.0

[[valve]]
name = "V"
loss = "0.1 bar"
at = "4 L/min"
price = 60.0

[[pump]]
name = "P"
delivery = "{delivery_l_min:.9f} L/min"
limit = "30 bar"
set_pressure = {{ low = "2 bar", high = "30 bar" }}
outlets = 4
price = 2000.0
filter = "F"
valve = "V"
manifold = {{ loss = "0.05 bar", at = "4 L/min" }}
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
