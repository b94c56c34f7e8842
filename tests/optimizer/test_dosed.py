"""Coverage by the summed dosage of several nozzles: what counts against the plume itself, from scenario to design."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shapely import box

from geometry.cells import PARTS, coverage_cells
from geometry.site import Obstacle
from hydraulics.mist.dosage import dosage
from hydraulics.mist.kernel import Mist
from hydraulics.mist.spectrum import classes
from optimizer.drift import nozzles_of
from optimizer.instance import candidates, instance
from optimizer.placement.selection import Cover, Selection
from optimizer.progress import never, silent
from optimizer.reached import cycle_volume_m3
from optimizer.scenario import Scenario, read_scenario
from optimizer.solve.posed import placement_problem
from optimizer.study import Alternative, StudySettings, study
from tests.optimizer.scenario_files import SCENARIO, faults, site_with, swapped, yard
from tests.optimizer.test_drift import SOLD
from tests.optimizer.test_reached import BY_DOSAGE

SUMMED = swapped(BY_DOSAGE, 'footprint = "dosage"', 'footprint = "dosage"\ncoverage_by = "summed dosage"')


@pytest.fixture(scope="module")
def read(tmp_path_factory: pytest.TempPathFactory) -> Scenario:
    return read_scenario(yard(tmp_path_factory.mktemp("yard"), scenario=SUMMED, catalogue=SOLD))


@pytest.fixture(scope="module")
def answered(read: Scenario) -> Alternative:
    (found,) = study(read, StudySettings(("one",), workers=1), silent, never).alternatives
    return found


def test_what_counts_is_the_share_of_enough_that_all_nozzles_give(read: Scenario, answered: Alternative) -> None:
    """Second calculation: the plume of all nozzles of the design at once, at the middle of every square metre."""
    assert answered.verified and answered.design is not None and answered.model_covered_area_m2 is not None
    cells, nozzle = coverage_cells(read.site, PARTS * 1.0), read.catalogue.nozzle("N1")
    assert nozzle.spectrum is not None
    at = nozzles_of(answered.design)
    volume = np.full(at.x_m.size, cycle_volume_m3(read, nozzle))
    mist = Mist(classes(nozzle.spectrum), read.climate.air)
    maps = dosage(at, volume, read.climate.rose, mist, cells.x_m, cells.y_m)
    share = np.minimum(maps.airborne_s / 3e-6, 1.0)
    assert answered.model_covered_area_m2 == pytest.approx(float(share.sum() * cells.part_m2), rel=0.02)
    assert any("by the summed dosage of all nozzles" in note for note in answered.notes)


def test_the_bound_holds_and_the_placement_is_near_it(answered: Alternative) -> None:
    assert answered.objective_value is not None and answered.objective_bound is not None and answered.gap is not None
    assert answered.objective_value <= answered.objective_bound * (1.0 + 1e-9) and answered.gap < 0.05


def test_several_nozzles_together_reach_more_than_each_alone(read: Scenario) -> None:
    found = candidates(read, read.catalogue.nozzle("N1"), "dosage", "summed dosage")
    doses = found.cells.incidence.data
    assert found.dosed and float(doses.min()) > 0.0 and float(doses.max()) <= 1.0
    alone = [float(found.cells.area_m2 @ found.counted([j])) for j in (0, 4)]
    both = float(found.cells.area_m2 @ found.counted([0, 4]))
    assert max(alone) < both <= sum(alone) + 1e-9


def test_ground_behind_a_wall_gets_nothing(read: Scenario) -> None:
    """The Wire runs at y = 5 m; a wall of 5 m stands north of it, as long as the site."""
    wall = Obstacle("Wall", box(0.0, 6.0, 20.0, 6.3), 5.0)
    nozzle = read.catalogue.nozzle("N1")
    open_, walled = (
        candidates(replace(read, site=replace(read.site, obstacles=obstacles)), nozzle, "dosage", "summed dosage")
        for obstacles in ((), (wall,))
    )
    areas = [float(c.cells.area_m2 @ c.counted(range(c.count))) for c in (open_, walled)]
    assert areas[1] < areas[0]


def test_the_value_of_a_choice_is_that_of_its_cells(read: Scenario) -> None:
    option = read.options[0]
    posed = instance(read, option, candidates(read, read.nozzle_of(option), "dosage", "summed dosage"))
    problem = placement_problem(posed)
    assert problem.dosed
    chosen = [0, 8, 16]
    assert Selection(Cover(problem), chosen).value == pytest.approx(
        float(problem.value @ posed.candidates.counted(chosen))
    )


def test_faults_of_summed_dosage(tmp_path: Path) -> None:
    asked = swapped(SCENARIO, 'nozzle = "N1"', 'nozzle = "N1"\ncoverage_by = "summed dosage"\nbudget = 5000.0')
    place = "scenario.toml: option[0].coverage_by: "
    assert faults(yard(tmp_path, scenario=asked, site=site_with(1, cover_by=2))) == [
        f'{place}needs footprints by dosage (found "summed dosage"); add footprint = "dosage"',
        f'{place}does not go together with a cost that counts (found "summed dosage"); leave it out, or ask for most '
        "coverage without a budget",
        f'{place}does not go together with cover_by 2 of zone Lawn (found "summed dosage"); leave one of them out: '
        "dosage sums what several nozzles bring",
    ]
