"""Valves in the field: one trunk to a box where both circuits lie behind one long way, against a tube per circuit."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from optimizer.design import design_text, read_design
from optimizer.publish import design_features
from optimizer.report.legend import legend_rows
from optimizer.report.plan import plan_svg
from optimizer.report.works import look_of
from optimizer.scenario import Scenario
from optimizer.study import Alternative
from optimizer.verify import discrepancies, verify
from tests.optimizer.two_yards import FAR_M, LONG_M, answered, option, two_yards

ALLOWANCE, WIRE_PRICE, BOX_PRICE = 1.05, 0.6, 45.0  # as the scenario and the shop say

pytestmark = pytest.mark.xdist_group("field valves")  # its study is made once


@pytest.fixture(scope="module", name="scenario")
def _scenario(tmp_path_factory: pytest.TempPathFactory) -> Scenario:
    return two_yards(tmp_path_factory.mktemp("yards"), 60.0)


@pytest.fixture(scope="module", name="both")
def _both(scenario: Scenario) -> tuple[Alternative, Alternative]:
    """The far shed with two circuits: valves at the pump, and in the field."""
    return by_valves(scenario, "pump"), by_valves(scenario, "field")


def by_valves(scenario: Scenario, valves: str) -> Alternative:
    asked = option(scenario, pump_types=("Small",), pump_sites=("Far shed",), circuits_least=2, circuits_most=2)
    return answered(scenario, replace(asked, zone_valves=valves))


def metres(found: Alternative, item: str) -> float:
    return sum(line.quantity for line in found.quantities if line.item == item)


def test_field_valves_cost_less_where_both_circuits_lie_behind_one_way(both: tuple[Alternative, Alternative]) -> None:
    at_pump, in_field = both
    assert at_pump.verified and in_field.verified and at_pump.objective_value == in_field.objective_value
    assert at_pump.installed_cost is not None and in_field.installed_cost is not None
    assert in_field.installed_cost < at_pump.installed_cost
    assert at_pump.tubing_m is not None and in_field.tubing_m is not None
    assert in_field.tubing_m <= at_pump.tubing_m - 0.9 * (FAR_M - 3.0)  # nearly one tube less on the way
    assert metres(at_pump, "trench in lawn") == metres(in_field, "trench in lawn") == pytest.approx(FAR_M - 3.0)


def test_the_trunk_is_written_once_with_its_wire_and_box(both: tuple[Alternative, Alternative]) -> None:
    at_pump, in_field = both
    assert at_pump.design is not None and in_field.design is not None
    assert not any(link.shared for link in at_pump.design.links) and metres(at_pump, "wire") == 0.0
    main = [link for link in in_field.design.links if link.shared]
    assert all(link.shared == ("C1", "C2") for link in main)
    assert [link.id for link in main[:2]] == ["P1-manifold", "P1-M1"] and main[0].from_ == "P1"
    assert all(one.to == other.from_ for one, other in pairwise(main))
    length = sum(link.length_m for link in main[1:])
    assert length >= ALLOWANCE * (FAR_M - 3.0)
    assert metres(in_field, "wire") == pytest.approx(length) and metres(in_field, "valve box") == 1
    prices = {line.item: line.unit_price for line in in_field.quantities}
    assert prices["wire"] == WIRE_PRICE and prices["valve box"] == BOX_PRICE
    tubing = sum(line.quantity for line in in_field.quantities if line.item.startswith("tubing "))
    assert tubing == pytest.approx(sum(link.length_m for link in in_field.design.links if link.tubing != "manifold"))


def test_the_file_alone_proves_both_circuits(both: tuple[Alternative, Alternative], tmp_path: Path) -> None:
    """A trunk twice as long must be noticed in the pressures of both circuits."""
    design = both[1].design
    assert design is not None
    (tmp_path / "design.json").write_text(design_text(design), encoding="utf-8")
    read = read_design(tmp_path / "design.json")
    assert read == design and verify(read).verified and not discrepancies(read)
    longer = tuple(replace(link, length_m=2.0 * link.length_m) if link.shared else link for link in read.links)
    off = discrepancies(replace(read, links=longer))
    assert any("circuit C1" in one for one in off) and any("circuit C2" in one for one in off)


def test_map_and_plan_show_the_main_and_its_box(both: tuple[Alternative, Alternative], scenario: Scenario) -> None:
    design = both[1].design
    assert design is not None
    features = design_features(design, scenario.site)["features"]
    (box,) = [one for one in features if one["properties"]["kind"] == "valve_box"]
    main = [one for one in features if one["properties"].get("shared") == ("C1", "C2")]
    assert box["geometry"]["coordinates"] == [LONG_M / 2, 3.0]
    assert main[0]["geometry"]["coordinates"][-1] == main[-1]["geometry"]["coordinates"] == [LONG_M / 2, 3.0]
    tubing = [one for one in features if one["properties"]["kind"] == "tubing"]
    assert len({one["properties"]["id"] for one in tubing}) == len(tubing)
    legend = [words for row in legend_rows(scenario.site, design, 0) for _, words in row.words]
    assert "Valve box at the end of a main" in legend
    assert ("", "P1-M") in look_of(design).runs and ("C1", "P1-M") not in look_of(design).runs
    assert plan_svg(design, scenario.site, "two yards", "field valves").startswith("<?xml")
