"""The price of a layout: bill and upkeep of its real flows, by what the option reckons with."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.brief import CostOf
from optimizer.costs import total
from optimizer.instance import candidates, instance
from optimizer.scenario import read_scenario
from optimizer.solve.assemble import Layout, ReducerAt, assemble
from optimizer.solve.priced import Priced, priced
from optimizer.verify import settled
from tests.optimizer.scenario_files import CATALOGUE, EQUIPPED, SCENARIO, SERVICE, swapped, yard
from tests.optimizer.test_takeoff import FAR_RUN, layout_by_hand

TANKS = '[[tank]]\nname = "K{0}"\nvolume = "{0} L"\nprice = {1}\n'


def _priced(folder: Path, scenario: str, catalogue: str, cost_of: CostOf = "installed") -> tuple[Layout, Priced]:
    read = read_scenario(yard(folder, scenario=scenario, catalogue=catalogue))
    option = replace(read.options[1], cost_of=cost_of)
    made = layout_by_hand(instance(read, option, candidates(read, read.nozzle_of(option))), FAR_RUN, in_field=False)
    return made, priced(made, settled(assemble(made), (12e5, 15e5)))


def test_without_service_the_bill_is_all(tmp_path: Path) -> None:
    _, found = _priced(tmp_path, SCENARIO, CATALOGUE)
    assert found.upkeep is None
    assert (found.service, found.price, found.installed) == (0.0, total(found.lines), total(found.lines))


def test_a_tank_is_bought_and_real_flows_are_used(tmp_path: Path) -> None:
    """Two nozzles, each alone on its circuit: 180 s a day times the sum of the verified flows. Near 14 bar each gives
    about 48 mL/min (the curve's own figure), so about 0.29 L a day."""
    made, found = _priced(tmp_path, SCENARIO + SERVICE, EQUIPPED)
    flows = settled(assemble(made), (12e5, 15e5)).verification.flow_m3_s
    assert found.upkeep is not None
    assert found.upkeep.litres_a_day == pytest.approx(180.0 * sum(flows.values()) * 1000)
    assert found.upkeep.litres_a_day == pytest.approx(0.288, rel=0.05)
    assert found.counted.tanks == (("K200", 1),) and found.counted.dosing == ()
    assert ("K200", 240.0) in [(line.item, line.amount) for line in found.lines]


def test_metered_product_buys_a_dosing_unit(tmp_path: Path) -> None:
    text = SCENARIO + swapped(SERVICE, '"premixed"', '"metered"')
    _, found = _priced(tmp_path, text, EQUIPPED)
    assert found.counted.dosing == (("D1", 1),) and found.counted.tanks == ()


@pytest.mark.parametrize(("visit", "bought"), [("1.0", "K5"), ("80.0", "K40")])
def test_dear_visits_pay_for_a_larger_tank(visit: str, bought: str, tmp_path: Path) -> None:
    """About 0.28 L a day: 5 L last about 17 days, 7 fills a season; 40 L last the season, and then 2 visits are made.
    5 visits more in each of 3 seasons cost 15 at 1 each and 1200 at 80 each; the larger tank costs 100 more."""
    sold = EQUIPPED + TANKS.format(5, 60.0) + TANKS.format(40, 160.0)
    text = SCENARIO + swapped(SERVICE, "visit_price = 80.0", f"visit_price = {visit}")
    _, found = _priced(tmp_path, text, sold)
    assert found.counted.tanks == ((bought, 1),)
    # nozzles 20, P1 2000, F1 90, two V1 120, C2 210, enclosure 380, water at the shed 300, and the cheapest tank 60
    assert found.fixed == pytest.approx(20 + 2000 + 90 + 120 + 210 + 380 + 300 + 60)


@pytest.mark.parametrize("cost_of", ["installed", "service", "both"])
def test_the_option_says_which_cost_counts(cost_of: CostOf, tmp_path: Path) -> None:
    _, found = _priced(tmp_path, SCENARIO + SERVICE, EQUIPPED, cost_of)
    counted = {"installed": found.installed, "service": found.service, "both": found.installed + found.service}
    assert found.service > 0 and found.price == counted[cost_of]


def test_reducers_are_paid_for(tmp_path: Path) -> None:
    made, found = _priced(tmp_path, SCENARIO, EQUIPPED)
    (sold,) = made.instance.scenario.catalogue.equipment.reducers
    made = replace(made, reducers=(ReducerAt("C1-L1", sold, 10e5),))
    more = priced(made, settled(assemble(made), (12e5, 15e5)))
    assert more.counted.reducers == (("R1", 1),)
    assert more.installed - found.installed == pytest.approx(45.0)
