"""Footprints by dosage: the outline against the dosage of the plume itself, from scenario to verified design."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from hydraulics.mist.dosage import Nozzles, dosage
from hydraulics.mist.kernel import Mist
from hydraulics.mist.spectrum import classes
from optimizer.errors import NoDesign
from optimizer.progress import never, silent
from optimizer.reached import CYCLE_S, cycle_volume_m3, outline, reach_of
from optimizer.scenario import Scenario, read_scenario
from optimizer.study import StudySettings, study
from tests.optimizer.scenario_files import EQUIPPED, SCENARIO, SERVICE, faults, site_with, swapped, yard
from tests.optimizer.test_drift import DROPS, SOLD, WINDY

LEAST = 'dosage_least = "3 mL.s/m3"\ndeposit_least = "0.2 mL/m2"\nsetback = "1 m"'
BY_DOSAGE = swapped(swapped(WINDY, 'setback = "1 m"', LEAST), 'nozzle = "N1"', 'nozzle = "N1"\nfootprint = "dosage"')


@pytest.fixture(name="read")
def _read(tmp_path: Path) -> Scenario:
    return read_scenario(yard(tmp_path, scenario=BY_DOSAGE, catalogue=SOLD))


def test_the_outline_is_where_the_dosage_of_one_cycle_is_the_least_asked_for(read: Scenario) -> None:
    """Second calculation: the plume at the corners of the outline and at random places in and out of it."""
    nozzle = read.catalogue.nozzle("N1")
    assert nozzle.spectrum is not None
    found = outline(read, nozzle, 2.5)
    volume = np.array([float(nozzle.curve.flow_m3_s(read.rules.band_low_pa)) * CYCLE_S])
    mist, at = Mist(classes(nozzle.spectrum), read.climate.air), Nozzles(np.zeros(1), np.zeros(1), np.array([2.5]))

    def dose(xy: np.ndarray) -> np.ndarray:
        return dosage(at, volume, read.climate.rose, mist, xy[:, 0].copy(), xy[:, 1].copy()).airborne_s

    corners = shapely.get_coordinates(found.ground)
    far = corners[np.hypot(*corners.T) > 1.0]  # nearer, the plume is narrower than a cell
    assert dose(far) == pytest.approx(3e-6, rel=0.15)
    some = np.random.default_rng(3).uniform(-12.0, 12.0, (4000, 2))
    inside = shapely.contains_xy(found.ground, some)
    deep = shapely.contains_xy(found.ground.buffer(-0.3), some)
    wide = ~shapely.contains_xy(found.ground.buffer(0.3), some)
    assert inside.any() and (dose(some[deep]) > 3e-6).all() and (dose(some[wide]) < 3e-6).all()


def test_the_shortest_cycle_of_the_zones_schedules_is_reckoned_with(tmp_path: Path) -> None:
    """By hand: the Lawn is of schedule late, with cycles of 30 s of its own; no zone is of the other, of 10 s."""
    other = 'hours = ["22:00-02:00"]\ncycle = "30 s"\n\n[[schedule]]\nname = "other"\nhours = ["06:00-07:00"]\n'
    text = swapped(BY_DOSAGE + SERVICE, 'hours = ["22:00-02:00"]\n', f'{other}cycle = "10 s"\n')
    found = read_scenario(yard(tmp_path, scenario=text, catalogue=swapped(EQUIPPED, 'spray_angle = "180 deg"', DROPS)))
    nozzle = found.catalogue.nozzle("N1")
    assert cycle_volume_m3(found, nozzle) == pytest.approx(30.0 * float(nozzle.curve.flow_m3_s(12e5)))


def test_more_is_reached_where_less_is_enough(read: Scenario) -> None:
    nozzle = read.catalogue.nozzle("N1")
    areas = [
        outline(replace(read, rules=replace(read.rules, dosage_least_s=least)), nozzle, 2.5).ground.area
        for least in (2e-6, 3e-6, 4e-6)
    ]
    assert areas[0] > areas[1] > areas[2] > 0.0


def test_a_dosage_that_no_ground_gets_is_named(read: Scenario) -> None:
    too_much = replace(read, rules=replace(read.rules, dosage_least_s=1e-3))
    with pytest.raises(NoDesign, match=r"gives .* at most in a cycle, less than the 1e"):
        reach_of(too_much, read.catalogue.nozzle("N1"), "dosage")
    too_little = replace(read, rules=replace(read.rules, dosage_least_s=1e-9))
    with pytest.raises(NoDesign, match="further than 64 m away"):
        reach_of(too_little, read.catalogue.nozzle("N1"), "dosage")


def test_options_may_ask_for_footprints_of_either_kind(read: Scenario) -> None:
    answers = study(read, StudySettings(workers=1), silent, never).alternatives
    by_dosage, by_reach = answers
    assert by_dosage.verified and by_reach.verified
    assert by_dosage.design is not None and by_reach.design is not None
    areas = [
        sorted(round(shapely.geometry.shape(nozzle.footprint).area, 3) for nozzle in one.design.nozzles)
        for one in (by_dosage, by_reach)
        if one.design is not None
    ]
    whole = outline(read, read.catalogue.nozzle("N1"), 2.5).ground.area
    assert max(areas[0]) <= round(whole, 3) and areas[0] != areas[1]
    assert any("dosage of one cycle" in note for note in by_dosage.notes)
    assert not any("dosage of one cycle" in note for note in by_reach.notes)


def test_faults_of_footprints_by_dosage(tmp_path: Path) -> None:
    asked = swapped(SCENARIO, 'nozzle = "N1"', 'nozzle = "N1"\nfootprint = "dosage"')
    assert faults(yard(tmp_path, scenario=asked, site=site_with(1, kind="resting"))) == [
        'scenario.toml: option[0].footprint: needs the drops of nozzle N1, which nobody tells (found "dosage"); '
        "add spectrum to nozzle N1 in the catalogue",
        'scenario.toml: option[0].footprint: needs dosage_least in [rules] (found "dosage"); add it, a dosage of one '
        'cycle like "4 mL.s/m3"',
        "scenario.toml: option[0].footprint: needs deposit_least in [rules], for zone Lawn is of resting places "
        '(found "dosage"); add it, a deposit of one cycle like "0.2 mL/m2"',
    ]
