"""Every kind of bad input gets a fault with file, path, value and mend; all of them at once."""

from __future__ import annotations

import os
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from optimizer.errors import InputFault, InputFaults
from optimizer.input_file import MAX_BYTES
from optimizer.scenario import read_scenario
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, SITE, faults, site_with, swapped, yard

PRESSURE = 'write a pressure above 0 in bar, kPa, MPa or psi, like "12 bar"'
SHARE = "write a share from 0 to below 1, like 0.15"
COUNTS = "a whole number from 1 to 1000, or a range like { least = 1, most = 3 }"
NAME = "write a name of letters, digits, dots, - and _, a letter or digit first"

SCENARIO_FAULTS = {
    "option named as a file of the study": (
        'name = "one"',
        'name = "study.json"',
        'option[0].name: is a file that a study writes (found "study.json"); choose another name',
    ),
    "option named as the chart of a study": (
        'name = "one"',
        'name = "frontier.svg"',
        'option[0].name: is a file that a study writes (found "frontier.svg"); choose another name',
    ),
    "band upside down": (
        'low = "12 bar", high = "15 bar"',
        'low = "15 bar", high = "12 bar"',
        'rules.band: is upside down: low is above high (found {"low": "15 bar", "high": "12 bar"}); '
        "swap low and high",
    ),
    "band without width": (
        'low = "12 bar", high = "15 bar"',
        'low = "12 bar", high = "12 bar"',
        'rules.band: has no width (found {"low": "12 bar", "high": "12 bar"}); raise high or lower low',
    ),
    "wrong unit": (
        'band = { low = "12 bar"',
        'band = { low = "12 L/min"',
        f'rules.band.low: is not a pressure with its unit (found "12 L/min"); {PRESSURE}',
    ),
    "no unit": (
        'band = { low = "12 bar"',
        "band = { low = 12",
        f"rules.band.low: is not text with a number and a unit (found 12); {PRESSURE}",
    ),
    "negative quantity": (
        'band = { low = "12 bar"',
        'band = { low = "-12 bar"',
        f'rules.band.low: is too small (found "-12 bar"); {PRESSURE}',
    ),
    "band at the highest set pressure": (
        'low = "12 bar", high = "15 bar"',
        'low = "15.5 bar", high = "16 bar"',
        "rules.band.low: is at or above the highest set pressure, 15.50 bar "
        '(found "15.5 bar"); lower it, or raise rules.set_pressure.high',
    ),
    "set pressure above the pump's limit": (
        'high = "15.5 bar", step',
        'high = "17.5 bar", step',
        "rules.set_pressure.high: is above the limit of pump P1, 17.00 bar "
        '(found "17.5 bar"); lower it or keep P1 out of the options\' pump_types',
    ),
    "set pressures off the pump's range": (
        '"12.5 bar", high = "15.5 bar"',
        '"16.2 bar", high = "16.5 bar"',
        "rules.set_pressure: does not meet the range of pump P1, 10.00 bar to 16.00 bar (found "
        '{"low": "16.2 bar", "high": "16.5 bar", "step": "0.25 bar"}); '
        "widen it or keep P1 out of the options' pump_types",
    ),
    "spacing larger than every line": (
        '{ least = "2 m", greatest = "5 m" }',
        '{ least = "16.5 m" }',
        "rules.spacing.least: is more than the length of every mounting line; the longest has 16.0 m "
        '(found "16.5 m"); lower it',
    ),
    "rows without a greatest spacing": (
        'greatest = "5 m"',
        'row_gap = "9 m"',
        'rules.spacing: has a row_gap but no greatest (found {"least": "2 m", "row_gap": "9 m"}); '
        "add greatest, the widest spacing within a row",
    ),
    "rows nearer to one another than their nozzles": (
        'greatest = "5 m"',
        'greatest = "5 m", row_gap = "4 m"',
        'rules.spacing: has a row_gap below greatest (found {"least": "2 m", "greatest": "5 m", "row_gap": "4 m"}); '
        "raise row_gap, or leave it out",
    ),
    "spacing upside down": (
        'least = "2 m", greatest = "5 m"',
        'least = "5 m", greatest = "2 m"',
        'rules.spacing: is upside down: greatest is below least (found {"least": "5 m", "greatest": "2 m"}); '
        "swap least and greatest",
    ),
    "negative number": ("reserve = 0.15", "reserve = -0.1", f"rules.reserve: is too small (found -0.1); {SHARE}"),
    "NaN": ("reserve = 0.15", "reserve = nan", f"rules.reserve: is not a finite number (found nan); {SHARE}"),
    "no number": ("reserve = 0.15", "reserve = true", f"rules.reserve: is not a number (found true); {SHARE}"),
    "all in reserve": ("reserve = 0.15", "reserve = 1", f"rules.reserve: is too large (found 1); {SHARE}"),
    "unknown key": (
        'least = "2 m", greatest',
        'least = "2 m", greatst',
        'rules.spacing.greatst: is no known key (found "5 m"); did you mean "greatest"?',
    ),
    "unknown section": (
        "[climate]",
        '[weather]\nwind = "calm"\n[climate]',
        'weather: is no known key (found {"wind": "calm"}); known here: catalogue, climate, ground, name, note, '
        "option, protection, rules, schedule, schema_version, service, title, tolerances",
    ),
    "missing section": (
        '[climate]\nwater_temperature = "20 C"\nwind = "calm"\n',
        "",
        "climate: is missing; add a table [climate]",
    ),
    "missing key": (
        'setback = "1 m"\n',
        "",
        'rules.setback: is missing; add a length in m, cm, mm, ft or in, like "1.5 m", or "0 m" for none',
    ),
    "nozzle that nobody sells": (
        'nozzle = "N1"',
        'nozzle = "N12"',
        'option[0].nozzle: is sold by nobody in the catalogue (found "N12"); did you mean "N1"?',
    ),
    "pump that nobody sells": (
        'pump_types = ["P1"]',
        'pump_types = ["P1", "Q9"]',
        'option[0].pump_types[1]: is sold by nobody in the catalogue (found "Q9"); known here: P1',
    ),
    "tubing that nobody sells": (
        "tubing_sizes = 2",
        'tubing_sizes = 2\ntubing = ["T9", "T4"]',
        'option[0].tubing[0]: is sold by nobody in the catalogue (found "T9"); known here: T4, T6',
    ),
    "pump site that is not there": (
        "tubing_sizes = 2",
        'tubing_sizes = 2\npump_sites = ["Shet"]',
        'option[0].pump_sites[0]: is no pump site of site.geojson (found "Shet"); did you mean "Shed"?',
    ),
    "duplicate option": (
        'name = "any"',
        'name = "one"',
        'option[1].name: is also the name of option[0] (found "one"); rename one of them',
    ),
    "option that would name a folder elsewhere": (
        'name = "any"',
        'name = "../any"',
        f'option[1].name: has characters that a name may not have (found "../any"); {NAME}',
    ),
    "no pump": (
        "pumps = 1",
        "pumps = 0",
        f"option[0].pumps: is too small (found 0); write {COUNTS}",
    ),
    "half a pump": (
        "pumps = 1",
        "pumps = 1.5",
        f"option[0].pumps: is not a whole number (found 1.5); write {COUNTS}",
    ),
    "unknown objective": (
        "tubing_sizes = 2",
        'tubing_sizes = 2\nobjective = "beauty"',
        'option[0].objective: is not a known word (found "beauty"); write one of coverage, cost',
    ),
    "hours that never end": (
        '["22:00-02:00"]',
        '["25:00-26:00"]',
        'schedule[0].hours[0]: is not two times of day with a dash between (found "25:00-26:00"); '
        'write a list of hours like ["06:00-08:30"]',
    ),
    "hours of no time": (
        '["22:00-02:00"]',
        '["22:00-22:00"]',
        'schedule[0].hours[0]: starts and ends at the same minute (found "22:00-22:00"); '
        'write a list of hours like ["06:00-08:30"]',
    ),
    "step of a hair": (
        'step = "0.5 m"',
        'step = "1 mm"',
        'rules.step: is too small (found "1 mm"); '
        'write a length from 0.05 m to 100 m in m, cm, ft or in, like "0.5 m"',
    ),
    "newer version": (
        "schema_version = 1",
        "schema_version = 2",
        "schema_version: is newer than 1, which this program reads (found 2); update the program",
    ),
    "version of another kind": (
        "schema_version = 1",
        'schema_version = "1"',
        'schema_version: is no version of this file (found "1"); write schema_version = 1',
    ),
    "no version": (
        "schema_version = 1\n",
        "",
        "schema_version: is missing; write schema_version = 1",
    ),
}


def test_the_yard_is_sound(tmp_path: Path) -> None:
    assert faults(yard(tmp_path)) == []


@pytest.mark.parametrize("case", SCENARIO_FAULTS)
def test_fault_of_scenario_toml(case: str, tmp_path: Path) -> None:
    old, new, text = SCENARIO_FAULTS[case]
    assert faults(yard(tmp_path, scenario=swapped(SCENARIO, old, new))) == [f"scenario.toml: {text}"]


def test_nozzle_that_closes_inside_the_band(tmp_path: Path) -> None:
    """It is named once, where it is first asked for."""
    closing = swapped(CATALOGUE, 'closing_pressure = "5 bar"', 'closing_pressure = "12.5 bar"')
    assert faults(yard(tmp_path, catalogue=closing)) == [
        "scenario.toml: option[0].nozzle: closes at 12.50 bar, not below the band's low end of 12.00 bar "
        '(found "N1"); name another nozzle, or raise rules.band.low'
    ]


def test_tubing_rated_below_the_set_pressure(tmp_path: Path) -> None:
    weak = swapped(CATALOGUE, 'rating = "40 bar"', 'rating = "15 bar"')
    assert faults(yard(tmp_path, catalogue=weak)) == [
        "scenario.toml: rules.set_pressure.high: with 10 % on it is not below the rating of tubing T4, 15.00 bar "
        '(found "15.5 bar"); lower it or keep T4 out of the options\' tubing'
    ]


def test_tubing_rated_below_the_relief_setting(tmp_path: Path) -> None:
    """17.05 bar is 15.5 bar and a tenth; the relief setting rules where one is stated."""
    weak = swapped(CATALOGUE, 'rating = "40 bar"', 'rating = "18 bar"')
    assert faults(yard(tmp_path, catalogue=weak)) == []
    relieved = swapped(weak, "outlets = 2", 'outlets = 2\nrelief = "18 bar"')
    (text,) = faults(yard(tmp_path, catalogue=relieved))
    assert "option[0]: allows tubing T4, rated 18.00 bar, but the relief valve of pump P1 opens at 18.00 bar" in text


def test_tubing_rated_below_a_bypass_without_relief_valve(tmp_path: Path) -> None:
    """The bypass opens at 16.5 bar, above every set pressure: 18.15 bar with a tenth; no lower set pressure helps."""
    weak = swapped(CATALOGUE, 'rating = "40 bar"', 'rating = "18 bar"')
    passed = swapped(weak, "outlets = 2", 'outlets = 2\nbypass = "16.5 bar"')
    (text,) = faults(yard(tmp_path, catalogue=passed))
    assert "option[0]: allows tubing T4, rated 18.00 bar, but the bypass of pump P1 opens at 16.50 bar" in text
    assert "set_pressure" not in text and "keep T4 out of the option's tubing" in text


RATINGS = 'ratings = [{ temperature = "20 C", pressure = "30 bar" }, { temperature = "60 C", pressure = "15 bar" }]'


@pytest.mark.parametrize(("hot", "said"), [
    (None, "rating of tubing T4, 15.00 bar at its hottest"),
    ("60 C", "rating of tubing T4, 15.00 bar at 60.0 °C"),
    ("140 F", "rating of tubing T4, 15.00 bar at 60.0 °C"),
    ("50 C", None),
    ("61 C", "climate.tubing_temperature: is above the last temperature at which tubing T4 is rated, 60.0 °C"),
    ("hot", "climate.tubing_temperature: is not a temperature with its unit"),
])  # fmt: skip
def test_tubing_is_derated_at_its_hottest(tmp_path: Path, hot: str | None, said: str | None) -> None:
    """By hand: 18.75 bar at 50 °C, above 15.5 bar and a tenth; 15 bar at 60 °C is below it."""
    hotter = "" if hot is None else f'\ntubing_temperature = "{hot}"'
    scenario = swapped(SCENARIO, 'water_temperature = "20 C"', f'water_temperature = "20 C"{hotter}')
    catalogue = swapped(CATALOGUE, 'rating = "40 bar"', RATINGS)
    found = faults(yard(tmp_path, scenario=scenario, catalogue=catalogue))
    assert not found if said is None else any(said in text for text in found), found


def test_items_that_no_option_may_use_are_not_judged(tmp_path: Path) -> None:
    """Weak tubing is no fault where every option names other tubing."""
    weak = swapped(CATALOGUE, 'rating = "40 bar"', 'rating = "15 bar"')
    named = SCENARIO.replace("nozzle =", 'tubing = ["T6"]\nnozzle =')
    assert faults(yard(tmp_path, catalogue=weak, scenario=named)) == []


def test_band_above_what_the_regulator_gives(tmp_path: Path) -> None:
    low = swapped(CATALOGUE, 'high = "16 bar" }\noutlets', 'high = "12.5 bar" }\noutlets')
    scenario = swapped(SCENARIO, 'low = "12 bar", high = "15 bar"', 'low = "12.5 bar", high = "15 bar"')
    assert faults(yard(tmp_path, catalogue=low, scenario=scenario)) == [
        "scenario.toml: rules.band.low: is at or above the highest set pressure of pump P1, 12.50 bar "
        '(found "12.5 bar"); lower it or keep P1 out of the options\' pump_types'
    ]


def test_schedule_of_a_zone_that_is_not_defined(tmp_path: Path) -> None:
    assert faults(yard(tmp_path, site=site_with(1, schedule="lates"))) == [
        'site.geojson: (zone "Lawn").properties.schedule: is no schedule that is defined (found "lates"); '
        'did you mean "late"?; or add a [[schedule]] of that name to scenario.toml'
    ]


@pytest.mark.parametrize(
    ("ground", "text"),
    [
        ("mud", 'has no price (found "mud"); add [ground.mud]'),
        (None, "is missing, and so is unit_cost; add [ground.NAME]"),
    ],
)
def test_ground_without_a_price(ground: str | None, text: str, tmp_path: Path) -> None:
    (found,) = faults(yard(tmp_path, site=site_with(3, ground=ground)))
    mend = "with cost_per_m to scenario.toml, or give the link a unit_cost"
    assert found == f'site.geojson: (tubing_link "Trench").properties.ground: {text} {mend}'
    assert faults(yard(tmp_path, site=site_with(3, ground=ground, unit_cost=7.5))) == []


def test_continuous_line_without_a_greatest_spacing(tmp_path: Path) -> None:
    loose = swapped(SCENARIO, ', greatest = "5 m"', "")
    assert faults(yard(tmp_path, site=site_with(2, continuous=True), scenario=loose)) == [
        "scenario.toml: rules.spacing.greatest: is missing, but mounting line Wire is marked continuous; "
        'add greatest, a length like "5 m"'
    ]
    coarse = swapped(SCENARIO, 'step = "0.5 m"\ncell', 'step = "6 m"\ncell')
    assert faults(yard(tmp_path, site=site_with(2, continuous=True), scenario=coarse)) == [
        'scenario.toml: rules.step: is longer than the greatest spacing, 5.0 m (found "6 m"); lower it'
    ]


def test_more_cells_than_a_machine_holds(tmp_path: Path) -> None:
    """A zone of 5 km x 5 km in cells of 5 cm: 1e10 cells."""
    site: dict[str, Any] = deepcopy(SITE)
    for feature in site["features"][:2]:
        feature["geometry"]["coordinates"] = [[[0, 0], [5000, 0], [5000, 5000], [0, 5000], [0, 0]]]
    fine = swapped(SCENARIO, 'cell = "0.5 m"', 'cell = "5 cm"')
    assert faults(yard(tmp_path, site=site, scenario=fine)) == [
        'scenario.toml: rules.cell: makes 1e+10 coverage cells, more than 2.5e+06 (found "5 cm"); '
        "raise it, or look for a coordinate that is off"
    ]


def test_zones_too_far_apart_for_their_cells(tmp_path: Path) -> None:
    """Two zones of 10 m x 10 m at the ends of a 2 km x 2 km site, cells of 0.5 m: 1.6e7 cells of their rectangle."""
    site: dict[str, Any] = deepcopy(SITE)
    site["features"][0]["geometry"]["coordinates"] = [[[0, 0], [2000, 0], [2000, 2000], [0, 2000], [0, 0]]]
    far = deepcopy(next(f for f in site["features"] if f["properties"]["role"] == "zone"))
    far["properties"]["name"] = "Far lawn"
    far["geometry"]["coordinates"] = [[[1990, 1990], [2000, 1990], [2000, 2000], [1990, 2000], [1990, 1990]]]
    site["features"].append(far)
    (found,) = faults(yard(tmp_path, site=site))
    assert found.startswith("scenario.toml: rules.cell: makes 1.6e+07 cells of the rectangle round all zones")


def test_broken_toml_names_the_line(tmp_path: Path) -> None:
    (found,) = faults(yard(tmp_path, scenario=swapped(SCENARIO, "[rules]", "[rules")))
    assert found.startswith("scenario.toml: is not valid TOML: ")
    assert "line 6" in found
    assert found.endswith("correct it at the place named")


@pytest.mark.parametrize("file", ["scenario.toml", "shop.toml", "site.geojson"])
def test_file_missing_empty_or_too_large(file: str, tmp_path: Path) -> None:
    path = yard(tmp_path) / file
    path.write_text(" \n", encoding="utf-8")
    assert faults(tmp_path) == [f"{file}: is empty; start from a file of one of the demo scenarios"]
    os.truncate(path, 2 * MAX_BYTES)
    assert faults(tmp_path) == [
        f"{file}: is too large: more than 50 MB (found 100 MB); leave out what the design does not need"
    ]
    path.unlink()
    assert faults(tmp_path) == [f"{file}: does not exist; put it at {path}"]
    path.mkdir()
    assert faults(tmp_path) == [f"{file}: is not a file; put it at {path}"]


def test_text_in_another_encoding(tmp_path: Path) -> None:
    text = SCENARIO.replace("An invented yard", "Ein Gärtchen")
    (yard(tmp_path) / "scenario.toml").write_bytes(text.encode("latin-1"))
    where = text.index("ä")
    assert faults(tmp_path) == [f"scenario.toml: is not UTF-8 text at byte {where}; save it as UTF-8"]


def test_folder_that_is_not_there(tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    assert faults(gone) == [f"{gone}: does not exist; name the folder of a scenario"]


def test_faults_of_the_site_carry_its_file(tmp_path: Path) -> None:
    """What geometry finds is told with the same four parts; its own tests hold its texts."""
    crossed = deepcopy(SITE)
    crossed["features"][1]["geometry"]["coordinates"] = [[[1, 1], [9, 9], [9, 1], [1, 9], [1, 1]]]
    (fault,) = _faults(yard(tmp_path, site=crossed))
    assert fault.file == "site.geojson"
    assert "features[1]" in fault.path
    assert "5" in str(fault), "the crossing point (5, 5) is named"
    (broken,) = _faults(yard(tmp_path, site="{"))
    assert (broken.file, broken.path) == ("site.geojson", "")


def test_all_faults_of_all_files_at_once(tmp_path: Path) -> None:
    """Faults in five sections of three files, and between them, none hiding another."""
    scenario = swapped(SCENARIO, 'high = "15 bar" }', 'high = "15 bar", mid = "13 bar" }')
    scenario = swapped(scenario, 'wind = "calm"', 'wnd = "calm"')
    scenario = swapped(scenario, 'nozzle = "N1"', 'nozzle = "N2"')
    scenario = swapped(scenario, 'name = "any"', 'name = "one"')
    scenario = swapped(scenario, 'high = "15.5 bar"', 'high = "18 bar"')
    catalogue = swapped(CATALOGUE, "price = 10.0", "price = -10.0")
    catalogue = swapped(catalogue, "fixing_per_m = 2.0", "fixing_per_meter = 2.0")
    site = site_with(1, schedule="dawn")
    found = _faults(yard(tmp_path, scenario=scenario, catalogue=catalogue, site=site))
    assert sorted((fault.file, fault.path) for fault in found) == [
        ("scenario.toml", "climate.wind"),
        ("scenario.toml", "climate.wnd"),
        ("scenario.toml", "option[0].nozzle"),
        ("scenario.toml", "option[1].name"),
        ("scenario.toml", "rules.band.mid"),
        ("scenario.toml", "rules.set_pressure.high"),
        ("shop.toml", "nozzle[0].price"),
        ("shop.toml", "tubing[0].fixing_per_m"),
        ("shop.toml", "tubing[0].fixing_per_meter"),
        ("site.geojson", '(zone "Lawn").properties.schedule'),
    ]


def _faults(folder: Path) -> tuple[InputFault, ...]:
    with pytest.raises(InputFaults) as caught:
        read_scenario(folder)
    return caught.value.faults
