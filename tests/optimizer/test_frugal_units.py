"""Cheap pump units where cost counts, in the two invented yards: a range must not miss what one of its units does
alone. Checked against the options of one unit, and by the reach of each pump."""

from __future__ import annotations

import re
from copy import deepcopy
from pathlib import Path

import pytest

from optimizer.instance import candidates, instance
from optimizer.scenario import Scenario, read_scenario
from optimizer.solve.arranged import affordable, arrangements, units_price
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, swapped, yard
from tests.optimizer.two_yards import answered, option, pump, site, two_yards

LANE = 400.0
BUDGET = 900.0  # less than the large pump costs with filter and valve


@pytest.fixture(scope="module", name="yards")
def _yards(tmp_path_factory: pytest.TempPathFactory) -> Scenario:
    return two_yards(tmp_path_factory.mktemp("yards"), LANE)


def test_units_that_cost_more_than_the_budget_alone_are_left_out(yards: Scenario) -> None:
    """Large with filter and valve costs 900 and more, so that only one or two Small ones are left."""
    asked = option(yards, pumps_most=2, budget=BUDGET)
    posed = instance(yards, asked, candidates(yards, yards.nozzle_of(asked)))
    found = affordable(posed, arrangements(posed))
    assert found and all(unit.pump.name == "Small" for units in found for unit in units)
    assert all(units_price(posed, units) <= BUDGET for units in found)


def test_a_budget_that_only_small_units_meet_is_met_in_a_range(yards: Scenario) -> None:
    alone = answered(yards, option(yards, pump_types=("Small",), budget=BUDGET))
    found = answered(yards, option(yards, pumps_most=2, budget=BUDGET))
    assert alone.verified and found.verified and found.price is not None and found.price <= BUDGET
    assert alone.objective_value is not None and found.objective_value is not None
    assert found.objective_value >= 0.95 * alone.objective_value


def test_least_cost_in_a_range_asks_the_cheapest_units_too(yards: Scenario) -> None:
    """A fifth of the area, which one Small pump alone can cover."""
    alone = answered(yards, option(yards, pump_types=("Small",), objective="cost", least_coverage=0.2))
    found = answered(yards, option(yards, pumps_most=2, objective="cost", least_coverage=0.2))
    assert alone.verified and found.verified and alone.price is not None and found.price is not None
    assert found.price <= 1.05 * alone.price
    assert any(re.search(r"(arrangements|besides): Small with 1 circuit:", note) for note in found.notes)


def _scenario(folder: Path, *pumps: str, locked: tuple[float, ...] = ()) -> Scenario:
    """The yards with other pumps, and positions locked on the long line."""
    given = deepcopy(site())
    (line,) = [one for one in given["features"] if one["properties"].get("name") == "Long"]
    if locked:
        line["properties"]["locked_m"] = list(locked)
    text = SCENARIO
    for old, new in (
        ('pump_types = ["P1"]\n', 'pump_sites = ["Long shed"]\n'),
        ('"2 m2"', '"8 m2"'),
        ('step = "0.5 m"', 'step = "1 m"'),
        ("cost_per_m = 8.0", "cost_per_m = 8.0\n\n[ground.lane]\ncost_per_m = 400.0"),
    ):
        text = swapped(text, old, new)
    shop = CATALOGUE[: CATALOGUE.index("[[pump]]")] + "\n".join(pumps)
    return read_scenario(yard(folder, scenario=text, catalogue=shop, site=given))


def test_units_too_small_for_locked_positions_do_not_refuse_the_others(tmp_path: Path) -> None:
    """Six are locked; Small feeds five, by its delivery over the flow at the band's low edge."""
    given = _scenario(
        tmp_path,
        pump("Large", "0.7 L/min", 900.0),
        pump("Small", "0.3 L/min", 300.0),
        locked=(2.0, 6.0, 10.0, 14.0, 18.0, 22.0),
    )
    found = answered(given, given.options[0])
    assert found.verified and found.pump_types == ("Large",)


def test_a_pump_that_feeds_no_nozzle_does_not_refuse_the_others(tmp_path: Path) -> None:
    """Tiny delivers less than one nozzle takes."""
    given = _scenario(tmp_path, pump("Large", "0.7 L/min", 900.0), pump("Tiny", "0.01 L/min", 5.0))
    found = answered(given, given.options[0])
    assert found.verified and found.pump_types == ("Large",)
