"""Options and service: every key spoiled gets a fault with path, value and mend; sound ones arrive in SI."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.brief import Service
from optimizer.scenario import read_scenario
from tests.optimizer.scenario_files import (
    CATALOGUE,
    EQUIPMENT,
    EQUIPPED,
    SCENARIO,
    SERVICE,
    faults,
    site_with,
    swapped,
    yard,
)

COUNT = "a whole number from 1 to 1000"
COUNTS = f"{COUNT}, or a range like {{ least = 1, most = 3 }}"
AMOUNT = "an amount of money above 0, like 25000"
LENGTH = 'a length above 0 in m, cm, mm, ft or in, like "0.5 m"'
VOLUME = 'a volume above 0 in L, m3 or gal, like "200 L"'

OPTION_FAULTS = {
    "pumps as text": (
        "pumps = 1",
        'pumps = "2"',
        f'option[0].pumps: is not a whole number (found "2"); write {COUNTS}',
    ),
    "range upside down": (
        "pumps = 1",
        "pumps = { least = 2, most = 1 }",
        'option[0].pumps: is upside down: least is above most (found {"least": 2, "most": 1}); swap least and most',
    ),
    "range from none": (
        "pumps = 1",
        "pumps = { least = 0, most = 1 }",
        f"option[0].pumps.least: is too small (found 0); write {COUNT}",
    ),
    "range misspelt": (
        "circuits = 2",
        "circuits = { lest = 1, most = 2 }",
        f"option[1].circuits.least: is missing; add {COUNT}\nscenario.toml: "
        'option[1].circuits.lest: is no known key (found 1); did you mean "least"?',
    ),
    "valves at no place": (
        "circuits = 2",
        'zone_valves = "fild"',
        'option[1].zone_valves: is not a known word (found "fild"); write one of pump, field',
    ),
    "key misspelt": (
        "circuits = 2",
        'zone_valve = "pump"',
        'option[1].zone_valve: is no known key (found "pump"); did you mean "zone_valves"?',
    ),
    "negative budget": (
        "circuits = 2",
        "budget = -3",
        f"option[1].budget: is too small (found -3); write {AMOUNT}",
    ),
    "budget with its currency": (
        "circuits = 2",
        'budget = "900 USD"',
        f'option[1].budget: is not a number (found "900 USD"); write {AMOUNT}',
    ),
    "more than all covered": (
        "circuits = 2",
        "least_coverage = 1.5",
        "option[1].least_coverage: is too large (found 1.5); write a share above 0 and up to 1, like 0.9",
    ),
    "least coverage of most coverage": (
        "circuits = 2",
        "least_coverage = 0.9",
        "option[1].least_coverage: is no limit of objective coverage (found 0.9); "
        'leave it out, or ask for objective = "cost"',
    ),
    "cost of nothing known": (
        "circuits = 2",
        'cost_of = "servce"',
        'option[1].cost_of: is not a known word (found "servce"); write one of installed, service, both',
    ),
    "run as a volume": (
        "reserve =",
        'run_longest = "12 L"\nreserve =',
        f'rules.run_longest: is not a length with its unit (found "12 L"); write {LENGTH}',
    ),
    "no nozzles on a run": (
        "reserve =",
        "run_nozzles_most = 0\nreserve =",
        f"rules.run_nozzles_most: is too small (found 0); write {COUNT}",
    ),
    "balance above one": (
        "reserve =",
        "circuit_balance = 1.2\nreserve =",
        "rules.circuit_balance: is too large (found 1.2); write a share from 0 to below 1, like 0.15",
    ),
    "balance misspelt": (
        "reserve =",
        "circuit_ballance = 0.2\nreserve =",
        'rules.circuit_ballance: is no known key (found 0.2); did you mean "circuit_balance"?',
    ),
}


@pytest.mark.parametrize(("old", "new", "said"), OPTION_FAULTS.values(), ids=OPTION_FAULTS)
def test_spoiled_option_or_run_rule(old: str, new: str, said: str, tmp_path: Path) -> None:
    found = faults(yard(tmp_path, scenario=swapped(SCENARIO, old, new)))
    assert "\n".join(found) == f"scenario.toml: {said}"


def test_cost_without_and_with_its_limits(tmp_path: Path) -> None:
    text = swapped(SCENARIO, "circuits = 2", 'objective = "cost"\nbudget = 900')
    found = faults(yard(tmp_path, scenario=text))
    assert found == [
        "scenario.toml: option[1].least_coverage: is missing, but the objective is cost; "
        "add a share of the zones' weighted area, like 0.9",
        "scenario.toml: option[1].budget: is no limit of objective cost (found 900); "
        'leave it out, or ask for objective = "coverage"',
    ]


def test_cost_of_service_needs_to_know_it(tmp_path: Path) -> None:
    text = swapped(SCENARIO, "circuits = 2", 'cost_of = "both"')
    found = faults(yard(tmp_path, scenario=text))
    assert found == [
        'scenario.toml: option[1].cost_of: needs a table [service] in scenario.toml (found "both"); '
        'add it, or ask for cost_of = "installed"'
    ]


def test_service_is_si(tmp_path: Path) -> None:
    """A litre is 1e-3 m3, so 90 a litre is 90,000 a m3; a kWh is 3.6e6 J, so 0.36 a kWh is 1e-7 a J (SP 811, B)."""
    read = read_scenario(yard(tmp_path, scenario=SCENARIO + SERVICE, catalogue=EQUIPPED))
    assert read.service == Service(
        3, 120, 4, 45.0, "premixed", 200.0, 2.0, 80.0, pytest.approx(90e3), 2.0, pytest.approx(1e-7), 0.1, 1.0
    )


SERVICE_FAULTS = {
    "no seasons": ("seasons = 3", "seasons = 0", f"service.seasons: is too small (found 0); write {COUNT}"),
    "days of no year": (
        "days_per_season = 120",
        "days_per_season = 367",
        "service.days_per_season: is too large (found 367); write a whole number of days from 1 to 366",
    ),
    "cycle as a length": (
        '"45 s"',
        '"45 m"',
        'service.cycle: is not a duration with its unit (found "45 m"); '
        'write a duration above 0 and up to 24 h in s, min or h, like "45 s"',
    ),
    "unknown product": (
        '"premixed"',
        '"mixed"',
        'service.product: is not a known word (found "mixed"); write one of premixed, metered',
    ),
    "no dilution": (
        "dilution = 200.0",
        "dilution = 0.5",
        "service.dilution: is too small (found 0.5); write litres of mist from one litre of concentrate, "
        "1 or more, like 200",
    ),
    "negative visits": (
        "visits_per_season = 2.0",
        "visits_per_season = -1.0",
        "service.visits_per_season: is too small (found -1.0); write how many, 0 or more, like 1 or 0.5",
    ),
    "key misspelt": (
        "water_per_m3",
        "water_per_m2",
        'service.water_per_m2: is no known key (found 2.0); did you mean "water_per_m3"?',
    ),
    "more mist than the day has hours": (
        "cycles_per_day = 4",
        "cycles_per_day = 321",
        "service.cycles_per_day: makes 240.75 minutes of mist a day with a cycle of 45 s, "
        "more than the 240 that schedule late allows (found 321); lower it, or shorten the cycle",
    ),
}


@pytest.mark.parametrize(("old", "new", "said"), SERVICE_FAULTS.values(), ids=SERVICE_FAULTS)
def test_spoiled_service(old: str, new: str, said: str, tmp_path: Path) -> None:
    text = SCENARIO + swapped(SERVICE, old, new)
    assert faults(yard(tmp_path, scenario=text, catalogue=EQUIPPED)) == [f"scenario.toml: {said}"]


PRICE = "a price as a plain number, 0 or more, like 12.5"
EQUIPMENT_FAULTS = {
    "outlet upside down": (
        'low = "9 bar", high = "10 bar"',
        'low = "11 bar", high = "10 bar"',
        'reducer[0].outlet: is upside down: low is above high (found {"low": "11 bar", "high": "10 bar", '
        '"step": "0.5 bar"}); swap low and high',
    ),
    "no stations": ("stations = 2", "stations = 0", f"controller[0].stations: is too small (found 0); write {COUNT}"),
    "tank as a length": (
        '"200 L"',
        '"200 m"',
        f'tank[0].volume: is not a volume with its unit (found "200 m"); write {VOLUME}',
    ),
    "drum of nothing": ('"20 L"', '"0 L"', f'dosing[0].drum: is too small (found "0 L"); write {VOLUME}'),
    "negative price": (
        "price_per_m = 1.1",
        "price_per_m = -1.1",
        f"wire.price_per_m: is too small (found -1.1); write {PRICE}",
    ),
    "box for no valve": ("valves = 4", "valves = 0", f"valve_box.valves: is too small (found 0); write {COUNT}"),
    "power as a flow": (
        '"750 W"',
        '"750 L/min"',
        'pump[0].power: is not a power with its unit (found "750 L/min"); '
        'write a power above 0 in W, kW or hp, like "750 W"',
    ),
    "table misspelt": (
        "[enclosure]",
        "[enclosures]",
        'enclosures: is no known key (found {"price": 380.0}); did you mean "enclosure"?',
    ),
    "same name twice": (
        "[[dosing]]",
        '[[tank]]\nname = "K200"\nvolume = "1 m3"\nprice = 400.0\n\n[[dosing]]',
        'tank[1].name: is also the name of tank[0] (found "K200"); rename one of them',
    ),
}


@pytest.mark.parametrize(("old", "new", "said"), EQUIPMENT_FAULTS.values(), ids=EQUIPMENT_FAULTS)
def test_spoiled_equipment(old: str, new: str, said: str, tmp_path: Path) -> None:
    found = faults(yard(tmp_path, scenario=SCENARIO + SERVICE, catalogue=swapped(EQUIPPED, old, new)))
    assert found == [f"shop.toml: {said}"]


def test_equipment_is_si(tmp_path: Path) -> None:
    """9, 9.5 and 10 bar can be set; 200 L are 0.2 m3 (SP 811, appendix B)."""
    sold = read_scenario(yard(tmp_path, catalogue=EQUIPPED)).catalogue
    (reducer,), (tank,), (dosing,) = sold.equipment.reducers, sold.equipment.tanks, sold.equipment.dosing
    assert reducer.outlets_pa == pytest.approx((9e5, 9.5e5, 10e5))
    assert reducer.loss_at_pa(1 / 60_000) == pytest.approx(0.25e4), "half the flow of 0.1 bar: a quarter of it"
    assert (tank.volume_m3, dosing.volume_m3) == pytest.approx((0.2, 0.02))
    assert sold.pump("P1").power_w == 750.0


CROSS_FAULTS = {
    "more mist than a day, where no schedule is defined": (
        SCENARIO.replace('[[schedule]]\nname = "late"\nhours = ["22:00-02:00"]\n', "")
        + swapped(swapped(SERVICE, "cycles_per_day = 4", "cycles_per_day = 25"), '"45 s"', '"1 h"'),
        EQUIPPED,
        "service.cycles_per_day: makes 1500 minutes of mist a day with a cycle of 3600 s, "
        "more than the 1440 that schedule always allows (found 25); lower it, or shorten the cycle",
    ),
    "circuits that no controller serves": (
        SCENARIO,
        swapped(EQUIPPED, "stations = 2", "stations = 1"),
        "option[1].circuits: is more than the stations of the largest controller in the catalogue, 1 (found 2); "
        "lower it, or add a [[controller]] with more stations",
    ),
    "premixed without a tank": (
        SCENARIO + swapped(SERVICE, "power_per_kwh = 0.36", ""),
        CATALOGUE,
        'service.product: needs a tank, and the catalogue sells none (found "premixed"); '
        "add a [[tank]] to the catalogue",
    ),
    "metered beyond any dosing unit": (
        SCENARIO + swapped(SERVICE, '"premixed"', '"metered"'),
        swapped(EQUIPPED, 'flow = "2 L/min"', 'flow = "1.9 L/min"'),
        "service.product: needs dosing for the delivery of pump P1, 2.00 L/min, and the catalogue sells none "
        '(found "metered"); add a [[dosing]] of such a flow to the catalogue',
    ),
    "power of no pump": (
        SCENARIO + SERVICE,
        CATALOGUE + EQUIPMENT,
        "service.power_per_kwh: is a price, but pump P1 does not say what power it draws (found 0.36); "
        'add power, like "750 W", to that pump',
    ),
}


@pytest.mark.parametrize(("scenario", "catalogue", "said"), CROSS_FAULTS.values(), ids=CROSS_FAULTS)
def test_files_that_do_not_go_together(scenario: str, catalogue: str, said: str, tmp_path: Path) -> None:
    anytime = site_with(1, schedule=None)
    found = faults(yard(tmp_path, scenario=scenario, catalogue=catalogue, site=anytime))
    assert found == [f"scenario.toml: {said}"]
