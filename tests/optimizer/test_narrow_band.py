"""A band so narrow that no set pressure within it reaches it, while one above it does, less the losses on the way."""

from __future__ import annotations

from pathlib import Path

from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.scenario import read_scenario
from optimizer.solve import SolveSettings, solve
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, SITE, swapped, yard


def test_a_set_pressure_above_the_band_is_tried_where_none_within_reaches_it(tmp_path: Path) -> None:
    """By hand: nozzles hang 2.5 m above the pump's outlet at the shed, which takes rho g 2.5 m = 0.245 bar. Of 13 and
    13.5 bar only 13 lies below the band's high edge of 13.4; it leaves less than 12.76 of the 12.9 bar needed, 13.5
    leaves up to 13.25."""
    text = swapped(SCENARIO, 'low = "12 bar", high = "15 bar"', 'low = "12.9 bar", high = "13.4 bar"')
    text = swapped(text, 'high = "15.5 bar", step = "0.25 bar"', 'high = "14 bar", step = "0.5 bar"')
    catalogue = swapped(CATALOGUE, 'bore = "0.25 in"', 'bore = "12 mm"')
    for loss in ("0.2", "0.1", "0.05"):
        catalogue = swapped(catalogue, f'loss = "{loss} bar"', 'loss = "0.001 bar"')
    site = {**SITE, "features": [dict(one) for one in SITE["features"]]}
    site["features"][-1] = {
        **site["features"][-1],
        "properties": {**site["features"][-1]["properties"], "elevation_m": 0.0},
    }
    scenario = read_scenario(yard(tmp_path, scenario=text, catalogue=catalogue, site=site))
    option = scenario.options[1]
    posed = instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
    design = solve(posed, SolveSettings(0.005, None, 0), silent, never).design
    assert design.verification.verified
    assert [pump.set_pressure_pa for pump in design.pumps] == [13.5e5]
