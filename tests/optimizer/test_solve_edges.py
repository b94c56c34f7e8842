"""Rules at their edges, from the scenario to the verified design or the refusal in words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from geometry.site import Site
from optimizer.progress import never, silent
from optimizer.scenario import Scenario, read_scenario
from optimizer.study import Alternative, StudySettings, study

FOLDER = Path(__file__).resolve().parents[2] / "scenarios"


@pytest.fixture(scope="module", name="first_look")
def _first_look() -> Scenario:
    return read_scenario(FOLDER / "first_look")


def answer(scenario: Scenario, option: str) -> Alternative:
    (found,) = study(scenario, StudySettings(options=(option,), workers=1), silent, never).alternatives
    return found


def test_preferred_positions_count_in_value_and_bound_alike(first_look: Scenario) -> None:
    """A gain worth more than any footprint draws a nozzle to each preferred position."""
    lines = tuple(replace(line, preferred_m=(2.3,)) for line in first_look.site.lines)
    rules = replace(first_look.rules, preferred_gain_m2=60.0)
    found = answer(replace(first_look, site=replace(first_look.site, lines=lines), rules=rules), "one_pump")
    assert found.verified and found.design is not None
    assert found.objective_value is not None and found.objective_bound is not None
    assert found.objective_value <= found.objective_bound * (1 + 1e-9)
    stood = {(n.line, round(n.chainage_m, 2)) for n in found.design.nozzles}
    assert any((line.name, 2.3) in stood for line in lines)


def test_where_no_nozzle_is_worth_its_place_the_rule_is_named(first_look: Scenario) -> None:
    found = answer(replace(first_look, rules=replace(first_look.rules, least_gain_m2=1e6)), "one_pump")
    assert found.status == "no_design" and found.reason is not None
    assert "least_gain" in found.reason


def test_least_coverage_holds_for_the_exact_area(first_look: Scenario) -> None:
    """Judged by shapely on the footprints of the design, not by cells."""
    bare = answer(first_look, "one_pump")
    covered = _share(first_look.site, bare, 0)
    zones = (replace(first_look.site.zones[0], least_coverage=min(1.0, covered + 0.05)), *first_look.site.zones[1:])
    site = replace(first_look.site, zones=zones)
    found = answer(replace(first_look, site=site), "one_pump")
    if found.design is None:
        assert found.reason is not None and "least coverage" in found.reason
        return
    assert _share(site, found, 0) >= zones[0].least_coverage


def _share(site: Site, found: Alternative, zone: int) -> float:
    from shapely import union_all
    from shapely.geometry import shape

    assert found.design is not None
    misted = union_all([shape(nozzle.footprint) for nozzle in found.design.nozzles])
    ground = site.zones[zone].polygon
    return float(misted.intersection(ground).area / ground.area)


def test_a_share_of_circuits_that_cannot_be_does_not_end_the_option() -> None:
    """Two schedule groups, three circuits of 22 nozzles: 24 locked in one group are too many for one circuit of it,
    not for two."""
    scenario = read_scenario(FOLDER / "two_schedules")
    option = replace(scenario.options[1], name="three", circuits_least=3, circuits_most=3, pump_types=("P-half",))
    locked = (
        *(float(s) for s in range(0, 15, 2)),
        *(19.0 + 2 * k for k in range(9)),
        *(40.5 + 2 * k for k in range(7)),
    )
    lines = tuple(replace(one, locked_m=locked) if one.name == "Terrace fence" else one for one in scenario.site.lines)
    rules = replace(scenario.rules, reserve=0.8)
    posed = replace(scenario, options=(option,), site=replace(scenario.site, lines=lines), rules=rules)
    found = answer(posed, "three")
    assert len(locked) == 24 and found.verified
