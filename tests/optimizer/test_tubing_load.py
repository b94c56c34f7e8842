"""Tubing must stand the relief setting and the head of what lies below the pump, at its hottest."""

from __future__ import annotations

import json
from copy import deepcopy
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from optimizer.catalogue import read_catalogue
from optimizer.design import Design, Rated, design_text, read_design
from optimizer.errors import InputFaults, NoDesign
from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.scenario import read_scenario
from optimizer.study import StudySettings, study
from optimizer.tubing_load import loads
from optimizer.verify import discrepancies, settled
from tests.optimizer.scenario_files import CATALOGUE, SITE, swapped, yard
from tests.optimizer.small_designs import BAND_PA, two_circuits

HEAD_BAR = 0.0979  # of one metre: the trade's figure, rounded


def rated(rating_pa: float, relief_pa: float | None = None, drop_m: float = 0.0) -> Design:
    """The small design with its tubing rated, its pump drop_m higher than drawn."""
    design = two_circuits()
    nodes = (replace(design.nodes[0], z_m=design.nodes[0].z_m + drop_m), *design.nodes[1:])
    pumps = (replace(design.pumps[0], relief_pa=relief_pa),)
    return settled(replace(design, nodes=nodes, pumps=pumps, ratings=(Rated("T4", rating_pa, 60.0),)), BAND_PA)


def test_by_hand() -> None:
    """The pump works at 15 bar: 16.5 bar without a relief valve, 19 bar with one set there; its tubing stands at 1 m
    and higher, at the pump's height."""
    (load,) = loads(rated(20e5))
    assert load.must_stand_pa == pytest.approx(16.5e5) and load.sound
    (load,) = loads(rated(20e5, 19e5))
    assert load.must_stand_pa == 19e5 and load.sound and "rated for 20.00 bar" in load.words
    (load,) = loads(rated(20e5, 19e5, drop_m=5.0))
    assert load.must_stand_pa == pytest.approx(19e5 + 4 * HEAD_BAR * 1e5, rel=1e-4)  # the lowest tubing lies at 2 m
    assert load.fall_m == 4.0 or load.fall_m == 5.0


@pytest.mark.parametrize(("rating_pa", "sound"), [(19.01e5, True), (19e5, False), (12e5, False)])
def test_a_design_of_tubing_that_may_burst_is_not_verified(rating_pa: float, sound: bool) -> None:
    proof = rated(rating_pa, 19e5).verification
    assert proof.verified is sound
    assert bool(proof.tubing_faults) is not sound
    if not sound:
        assert "take tubing of a higher rating, or set the relief valve lower" in proof.tubing_faults[0]


def test_the_file_tells_it(tmp_path: Path) -> None:
    path = tmp_path / "design.json"
    path.write_text(design_text(rated(18e5, 19e5)), encoding="utf-8")
    assert discrepancies(read_design(path)) == ()
    good = rated(20e5, 19e5)
    edited = replace(good, ratings=(Rated("T4", 18e5),))
    assert any("tubing_faults stored none" in text for text in discrepancies(edited))


def test_what_nobody_rated_is_no_fault() -> None:
    (load,) = loads(two_circuits())
    assert load.sound and "its rating is not known" in load.words


def hill(drop_m: float) -> dict[str, Any]:
    """The yard with its pump so much higher than all else."""
    site = deepcopy(SITE)
    for feature in site["features"]:
        if feature["properties"]["role"] == "pump_site":
            feature["properties"]["elevation_m"] = drop_m
        if feature["properties"]["role"] == "tubing_link":
            feature["geometry"]["coordinates"] = [[2, 9, drop_m], [2, 5, 0.0]]
    return site


def test_tubing_that_the_fall_makes_too_weak_is_left_out_and_told(tmp_path: Path) -> None:
    """Relief at 18 bar and 8 m of fall less the mounting height make more than 18.5 bar: T4, rated 18.5, stays out."""
    weak = swapped(CATALOGUE, 'rating = "40 bar"', 'rating = "18.1 bar"')
    relieved = swapped(weak, "outlets = 2", 'outlets = 2\nrelief = "18 bar"')
    scenario = read_scenario(yard(tmp_path, catalogue=relieved, site=hill(8.0)))
    found = study(scenario, StudySettings(options=("one",), workers=1), silent, never)
    (one,) = found.alternatives
    assert one.running is not None and one.design is not None
    assert one.running.unfit == ("T4",)
    assert {link.tubing for link in one.design.links} <= {"T6", "manifold"}
    assert any("tubing left out" in remark and "T4" in remark for remark in one.running.remarks())
    (load,) = one.running.loads
    assert load.rating_pa == 35e5 and load.must_stand_pa > 18.1e5


def test_no_tubing_at_all_is_a_reason(tmp_path: Path) -> None:
    weak = swapped(CATALOGUE, 'rating = "40 bar"', 'rating = "18.1 bar"')
    weak = swapped(weak, 'rating = "35 bar"', 'rating = "18.2 bar"')
    relieved = swapped(weak, "outlets = 2", 'outlets = 2\nrelief = "18 bar"')
    scenario = read_scenario(yard(tmp_path, catalogue=relieved, site=hill(8.0)))
    option = scenario.options[0]
    with pytest.raises(NoDesign, match="is rated at the hottest above 18") as error:
        instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
    assert error.value.rule == "tubing"


@pytest.mark.parametrize(("old", "new", "said"), [
    ('rating = "40 bar"\n', "", "tubing[0]: has neither rating nor ratings"),
    ('rating = "40 bar"', 'rating = "40 bar"\nratings = [{ temperature = "20 C", pressure = "30 bar" }]',
     "tubing[0]: has both rating and ratings"),
    ('rating = "40 bar"', 'ratings = [{ temperature = "20 C", pressure = "30 bar" }, { temperature = "40 C", '
     'pressure = "31 bar" }]', "tubing[0].ratings: are figures of no tubing"),
    ('rating = "40 bar"', 'ratings = [{ temperatur = "20 C", pressure = "30 bar" }]', 'did you mean "temperature"?'),
])  # fmt: skip
def test_faults_of_ratings(old: str, new: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "shop.toml").write_text(swapped(CATALOGUE, old, new), encoding="utf-8")
    with pytest.raises(InputFaults) as caught:
        read_catalogue(tmp_path / "shop.toml")
    assert any(said in str(fault) for fault in caught.value.faults), [str(fault) for fault in caught.value.faults]


def test_ratings_stand_in_the_file_of_a_design() -> None:
    data = json.loads(design_text(rated(20e5)))
    assert data["ratings"] == [{"tubing": "T4", "rating_pa": 20e5, "temperature_c": 60.0}]
