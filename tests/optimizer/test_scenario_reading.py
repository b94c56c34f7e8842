"""A sound scenario arrives in SI with its defaults spelled out; the demo sites are as large as they claim."""

from __future__ import annotations

import pickle
import tomllib
from pathlib import Path

import pytest
from shapely import unary_union

from optimizer.brief import Ground, Rules, Schedule
from optimizer.catalogue import read_catalogue
from optimizer.errors import InputFault, InputFaults
from optimizer.scenario import Scenario, read_scenario, set_range_pa
from tests.optimizer.scenario_files import SCENARIO, faults, swapped, yard

SCENARIOS = Path(__file__).parents[2] / "scenarios"
DEMOS = ("first_look", "two_schedules", "hill_camp", "orchard_fair", "windy_court")


@pytest.fixture(name="sound")
def _sound(tmp_path: Path) -> Scenario:
    return read_scenario(yard(tmp_path))


def test_rules_are_si(sound: Scenario) -> None:
    """1 bar = 1e5 Pa (NIST SP 811, appendix B)."""
    assert sound.rules == Rules(
        band_low_pa=12e5,
        band_high_pa=15e5,
        set_low_pa=12.5e5,
        set_high_pa=15.5e5,
        set_step_pa=0.25e5,
        reserve=0.15,
        spacing_least_m=2.0,
        spacing_greatest_m=5.0,
        row_gap_m=None,
        step_m=0.5,
        cell_m=0.5,
        setback_m=1.0,
        routing_allowance=0.05,
        least_gain_m2=2.0,
        preferred_gain_m2=0.0,
        grounds=(Ground("lawn", 8.0),),
        run_longest_m=None,
        run_nozzles_most=None,
        circuit_balance=None,
    )
    assert sound.rules.ground_cost == {"lawn": 8.0}


def test_rules_for_rows_and_preferred_positions(tmp_path: Path) -> None:
    """A scenario without a cell size gets 0.5 m."""
    text = swapped(SCENARIO, 'greatest = "5 m"', 'greatest = "5 m", row_gap = "9 m"')
    text = swapped(text, 'cell = "0.5 m"\n', 'preferred_gain = "1.5 m2"\n')
    rules = read_scenario(yard(tmp_path, scenario=text)).rules
    assert (rules.row_gap_m, rules.preferred_gain_m2, rules.cell_m) == (9.0, 1.5, 0.5)


def test_us_units_give_the_same_rules(tmp_path: Path, sound: Scenario) -> None:
    """1 ft = 0.3048 m, 68 F = 20 C, 1 psi = 6894.757 Pa (NIST SP 811, appendix B.8)."""
    us = swapped(SCENARIO, 'setback = "1 m"', 'setback = "10 ft"')
    us = swapped(us, 'water_temperature = "20 C"', 'water_temperature = "68 F"')
    us = swapped(us, 'low = "12 bar", high = "15 bar"', 'low = "180 psi", high = "15 bar"')
    read = read_scenario(yard(tmp_path, scenario=us))
    assert read.rules.setback_m == pytest.approx(3.048, rel=1e-12)
    assert read.climate.water_temperature_c == pytest.approx(20.0, rel=1e-12)
    assert read.rules.band_low_pa == pytest.approx(180 * 6894.757, rel=1e-7)


def test_an_option_that_names_nothing_may_use_everything(sound: Scenario) -> None:
    named, free = sound.options
    assert (named.pump_types, named.circuits, named.objective) == (("P1",), 1, "coverage")
    assert (named.zone_valves, named.cost_of, named.budget, named.least_coverage) == ("pump", "installed", None, None)
    assert (free.pumps_least, free.pumps_most, free.circuits_least, free.circuits_most) == (1, 1, 2, 2)
    assert sound.service is None
    assert (free.pump_types, free.pump_sites, free.tubing) == (("P1",), ("Shed",), ("T4", "T6"))
    assert [tube.name for tube in sound.tubing_of(free)] == ["T4", "T6"]
    assert [pump.name for pump in sound.pumps_of(named)] == ["P1"]
    assert sound.nozzle_of(named).name == "N1"


def test_names_said_twice_count_once(tmp_path: Path) -> None:
    twice = swapped(SCENARIO, 'pump_types = ["P1"]', 'pump_types = ["P1", "P1"]')
    assert read_scenario(yard(tmp_path, scenario=twice)).options[0].pump_types == ("P1",)


def test_hours_past_midnight_end_on_the_next_day(sound: Scenario) -> None:
    """22:00 is minute 1320, 02:00 of the next day minute 1560; zones without a schedule mist at any hour."""
    assert sound.schedules == (Schedule("late", ((1320, 1560),)), Schedule("always", ((0, 1440),)))


def test_always_may_be_narrowed(tmp_path: Path) -> None:
    own = SCENARIO + '\n[[schedule]]\nname = "always"\nhours = ["05:00-24:00"]\n'
    assert read_scenario(yard(tmp_path, scenario=own)).schedules[-1] == Schedule("always", ((300, 1440),))


def test_set_range_is_what_rules_and_regulator_share(sound: Scenario) -> None:
    assert set_range_pa(sound.rules, sound.catalogue.pump("P1")) == (12.5e5, 15.5e5)


def test_faults_cross_process_borders(tmp_path: Path) -> None:
    fault = InputFault("a.toml", "b[0].c", "1", "is wrong", "mend it")
    error = pickle.loads(pickle.dumps(InputFaults((fault,))))
    assert error.faults == (fault,)
    assert str(error) == "1 fault in the input:\n  a.toml: b[0].c: is wrong (found 1); mend it"
    assert error.exit_status == 2


def test_a_scenario_crosses_process_borders(sound: Scenario) -> None:
    assert pickle.loads(pickle.dumps(sound)) == sound


@pytest.mark.parametrize("demo", DEMOS)
def test_demo_is_sound_and_says_that_it_is_invented(demo: str) -> None:
    assert faults(SCENARIOS / demo) == []
    for file in ("scenario.toml", "site.geojson"):
        assert "invented" in (SCENARIOS / demo / file).read_text(encoding="utf-8")


def test_demo_catalogue_is_what_issue_2_asks_for() -> None:
    catalogue = read_catalogue(SCENARIOS / "catalogue.toml")
    assert (len(catalogue.nozzles), len(catalogue.tubing), len(catalogue.pumps)) == (2, 4, 3)
    assert "invented" in tomllib.loads((SCENARIOS / "catalogue.toml").read_text(encoding="utf-8"))["note"]


def test_large_demo_is_what_issue_2_asks_for() -> None:
    """At least 2.5 ha, 8 buildings, 1.2 km of lines, 5 priorities, two kinds of keep-outs, 3 pump sites, 6 m."""
    site = read_scenario(SCENARIOS / "orchard_fair").site
    assert site.boundary.area >= 25_000
    assert sum(obstacle.height_m > 3 for obstacle in site.obstacles) == 8
    assert 1_200 <= sum(line.line.length for line in site.lines) <= 1_600
    assert len({zone.weight for zone in site.zones}) >= 5
    forbids = {keep_out.name: keep_out.forbids for keep_out in site.keep_outs}
    assert forbids["Pond"] != forbids["Kitchen yard"]
    assert len(site.pump_sites) == 3
    assert len({frozenset(pump.missing) for pump in site.pump_sites}) == 3
    ground = [z for way in (*site.lines, *site.links) for z in way.ground_m]
    assert max(ground) - min(ground) == pytest.approx(6.0, abs=0.5)
    neighbour = next(keep_out for keep_out in site.keep_outs if keep_out.name == "Neighbour's seats")
    assert 0 < neighbour.polygon.distance(site.boundary) < 2


def test_no_line_of_the_large_demo_runs_through_a_building() -> None:
    """A building hides what it should; a line inside one would be a slip in the data."""
    site = read_scenario(SCENARIOS / "orchard_fair").site
    buildings = unary_union([obstacle.polygon for obstacle in site.obstacles])
    for way in (*site.lines, *site.links):
        assert way.line.intersection(buildings).length < 0.01, way.name
