"""The main job on the large demo site: at least three verified alternatives, proven gaps, files that stand alone."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from optimizer.design import read_design
from optimizer.progress import never, silent
from optimizer.publish import publish
from optimizer.scenario import Scenario, read_scenario
from optimizer.study import Study, StudySettings, study
from optimizer.verify import discrepancies
from tests.hydraulics.epanet_reference import pressures_by_epanet
from tests.optimizer.expected_figures import differences

FOLDER = Path(__file__).resolve().parents[2] / "scenarios" / "orchard_fair"

pytestmark = pytest.mark.xdist_group("large demo")


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return read_scenario(FOLDER)


@pytest.fixture(scope="module")
def answered(scenario: Scenario) -> Study:
    return study(scenario, StudySettings(workers=2), silent, never)


@pytest.fixture(scope="module")
def out(scenario: Scenario, answered: Study, tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("orchard_fair")
    publish(answered, scenario, found)
    return found


def test_three_verified_alternatives_with_proven_gaps(answered: Study) -> None:
    assert len(answered.alternatives) >= 3
    for a in answered.alternatives:
        assert a.verified and a.gap_at_count is not None and a.gap is not None
        assert a.gap_at_count <= 0.005 + 1e-9
        assert a.gap < 0.1
        assert {"geometry", "bound", "explore", "rounds", "tubing"} <= a.seconds.keys()


def test_the_cell_model_is_within_three_in_a_thousand_of_the_exact_area(answered: Study) -> None:
    for a in answered.alternatives:
        assert a.model_covered_area_m2 == pytest.approx(a.covered_area_m2, rel=0.003)


def test_figures_are_those_expected(answered: Study) -> None:
    assert differences(FOLDER, answered) == []


def test_files_stand_alone(out: Path) -> None:
    """Every stored figure recomputed; every pressure by the EPANET 2.3 engine within 0.1 %."""
    for path in sorted(out.glob("*/design.json")):
        assert discrepancies(read_design(path)) == ()
        file = json.loads(path.read_text(encoding="utf-8"))
        for pump in file["pumps"]:
            for circuit in pump["circuits"]:
                _agrees_with_epanet(file, pump, circuit)


def _agrees_with_epanet(file: dict[str, Any], pump: dict[str, Any], circuit: str) -> None:
    nozzles = [nozzle for nozzle in file["nozzles"] if nozzle["circuit"] == circuit]
    found = pressures_by_epanet(
        file["nodes"],
        [link for link in file["links"] if link["circuit"] == circuit],
        nozzles,
        supply=pump["node"],
        supply_pressure_pa=pump["set_pressure_pa"],
        nozzle=file["nozzle"],
        water=file["water"],
    )
    assert all(math.isclose(found[n["node"]], n["pressure_pa"], rel_tol=1e-3) for n in nozzles)
