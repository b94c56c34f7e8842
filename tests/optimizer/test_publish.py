"""Publishing: the files of the contract, whole or not at all, same bytes, nothing left over, nothing
foreign touched."""

from __future__ import annotations

import json
import math
import os
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest
from pyproj import Geod
from shapely.geometry import shape

from geometry.frame import Frame
from optimizer import publish as module
from optimizer.design import read_design
from optimizer.publish import OPTION_FILES, design_features, out_faults, publish, study_text
from optimizer.report.dosage_files import MIST_FILES
from optimizer.scenario import Scenario
from optimizer.study import Study
from tests.optimizer.drawn_design import example_design, example_site
from tests.optimizer.drawn_study import example_alternative, example_study, refused_alternative

SITE = example_site()
DESIGN = example_design(SITE)
STUDY = example_study(example_alternative(DESIGN), refused_alternative())

# the members of an alternative in study.json
CONTRACT = [
    "option",
    "status",
    "reason",
    "pump_count",
    "circuit_count",
    "pump_types",
    "pump_sites",
    "nozzle_count",
    "covered_area_m2",
    "zone_area_m2",
    "coverable_area_m2",
    "model_covered_area_m2",
    "objective",
    "objective_value",
    "objective_bound",
    "gap",
    "gap_at_count",
    "cost_bound",
    "cost_bound_class",
    "cost_gap",
    "cost_gap_tubing",
    "joint_bound",
    "joint_gap",
    "installed_cost",
    "service_cost",
    "litres_a_day",
    "days_between_refills",
    "tubing_m",
    "min_pressure_pa",
    "max_pressure_pa",
    "flow_m3_s",
    "reserve",
    "verified",
    "time_limit_hit",
    "seconds",
    "timetable",
    "protection",
    "appraisal",
    "by_hand",
    "binding",
    "marginals",
    "mist",
    "yield",
    "frontier",
    "pump_duty",
    "tubing_rating",
    "tubing_left_out",
    "start_up",
    "network_files",
    "mist_files",
    "folder",
]


class _Scenario:
    """All that publishing needs of a scenario."""

    site = SITE


SCENARIO = cast(Scenario, _Scenario())


@pytest.fixture
def drawn_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The drawings have tests of their own; here one of a line is as good."""
    monkeypatch.setattr(module, "plan_svg", lambda *_: "<svg/>\n")
    monkeypatch.setattr(module, "mist_files", lambda *_: dict.fromkeys(MIST_FILES, b"drawn"))


def files_under(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_a_study_is_written_with_all_its_files(tmp_path: Path) -> None:
    publish(STUDY, SCENARIO, tmp_path / "new" / "out")
    written = files_under(tmp_path / "new" / "out")
    networks = [f"network_{circuit}.inp" for circuit in "AB"]
    assert set(written) == {"study.json", *(f"two_pumps/{name}" for name in (*OPTION_FILES, *networks))}
    assert read_design(tmp_path / "new" / "out" / "two_pumps" / "design.json") == DESIGN
    assert written["two_pumps/plan.svg"].startswith(b"<?xml")
    assert written["two_pumps/quantities.csv"].count(b"Total,,,,,625.50,EUR\r\n") == 1
    assert written["two_pumps/service.csv"].count(b"Total,,,,,1834.80,EUR\r\n") == 1


def test_two_publications_are_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one", "other"):
        publish(STUDY, SCENARIO, tmp_path / name)
    assert files_under(tmp_path / "one") == files_under(tmp_path / "other")


def test_the_study_has_the_members_of_the_contract() -> None:
    data = json.loads(study_text(STUDY))
    members = ["schema_version", "scenario", "title", "currency", "seed", "cautions"]
    members += ["alternatives", "decided", "reach_ranking"]
    assert list(data) == members and data["reach_ranking"] is None
    answered, refused = data["alternatives"]
    for alternative in (answered, refused):
        assert set(alternative) == {*CONTRACT, "title", "rounds", "notes"}
    assert answered["folder"] == "two_pumps" and answered["seconds"] == {"geometry": 0.123, "placement": 2.0}
    assert refused["folder"] is None and refused["reason"] == "one circuit cannot serve two schedules"
    service = (answered["service_cost"], answered["litres_a_day"], answered["days_between_refills"])
    assert service == (1834.8, 5.4, 37.037)
    figures = set(CONTRACT) - {"option", "status", "reason", "pump_count", "circuit_count", "objective", "frontier"}
    assert (answered["network_files"], refused["network_files"]) == (["network_A.inp", "network_B.inp"], [])
    assert (answered["mist_files"], refused["mist_files"]) == (list(MIST_FILES), [])
    figures -= {"network_files", "mist_files"}
    known = {name for name in figures if refused[name] is not None}
    assert known == {"verified", "time_limit_hit", "seconds", "protection"} and not refused["protection"]


@pytest.mark.usefixtures("drawn_once")
def test_what_an_earlier_study_wrote_goes_and_what_is_foreign_stays(tmp_path: Path) -> None:
    publish(STUDY, SCENARIO, tmp_path)
    (tmp_path / "two_pumps" / "my notes.txt").write_text("mine")
    (tmp_path / "photos").mkdir()
    publish(example_study(refused_alternative("two_pumps")), SCENARIO, tmp_path)
    assert set(files_under(tmp_path)) == {"study.json", "two_pumps/my notes.txt"}
    assert (tmp_path / "photos").is_dir()


@pytest.mark.usefixtures("drawn_once")
def test_without_a_service_table_there_is_no_service(tmp_path: Path) -> None:
    plain = replace(example_alternative(DESIGN), upkeep=None)
    publish(STUDY, SCENARIO, tmp_path)
    publish(example_study(plain), SCENARIO, tmp_path)
    assert not (tmp_path / "two_pumps" / "service.csv").exists()
    (answered,) = json.loads((tmp_path / "study.json").read_text())["alternatives"]
    assert [answered[key] for key in ("service_cost", "litres_a_day", "days_between_refills")] == [None] * 3


@pytest.mark.usefixtures("drawn_once")
def test_an_unverified_alternative_has_no_quantities_to_bid_with(tmp_path: Path) -> None:
    publish(STUDY, SCENARIO, tmp_path)
    publish(example_study(example_alternative(example_design(SITE, verified=False))), SCENARIO, tmp_path)
    assert set(files_under(tmp_path / "two_pumps")) == {
        "design.json", "design.geojson", "plan.svg", "tolerance.svg", "network_A.inp", "network_B.inp",
        *MIST_FILES,
    }


@pytest.mark.usefixtures("drawn_once")
def test_options_that_are_no_longer_asked_for_leave_no_folder(tmp_path: Path) -> None:
    publish(STUDY, SCENARIO, tmp_path)
    publish(example_study(refused_alternative("one_pump")), SCENARIO, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["study.json"]


@pytest.mark.usefixtures("drawn_once")
@pytest.mark.parametrize("text", ["", "[]", '{"alternatives": [{"folder": "../../elsewhere"}, {"folder": 3}]}'])
def test_a_strange_study_file_leads_nowhere(tmp_path: Path, text: str) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "design.json").write_text("mine")
    out = tmp_path / "a" / "out"
    out.mkdir(parents=True)
    (out / "study.json").write_text(text)
    publish(STUDY, SCENARIO, out)
    assert (elsewhere / "design.json").read_text() == "mine"


def test_a_drawing_that_fails_leaves_the_folder_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    publish(STUDY, SCENARIO, tmp_path)
    before = files_under(tmp_path)

    def broken(*_: object) -> str:
        raise RuntimeError("no ink")

    monkeypatch.setattr(module, "plan_svg", broken)
    with pytest.raises(RuntimeError, match="no ink"):
        publish(STUDY, SCENARIO, tmp_path)
    assert files_under(tmp_path) == before


@pytest.mark.usefixtures("drawn_once")
def test_a_file_is_whole_or_as_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    publish(STUDY, SCENARIO, tmp_path)
    before = files_under(tmp_path)

    def full(*_: object) -> None:
        raise OSError("no space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError, match="no space"):
        publish(STUDY, SCENARIO, tmp_path)
    assert files_under(tmp_path) == before


@pytest.mark.usefixtures("drawn_once")
def test_files_may_be_read_by_whom_the_umask_lets(tmp_path: Path) -> None:
    mask = os.umask(0o027)
    try:
        publish(STUDY, SCENARIO, tmp_path)
    finally:
        os.umask(mask)
    assert (tmp_path / "study.json").stat().st_mode & 0o777 == 0o640


def test_only_a_free_folder_or_an_earlier_study_may_be_written_to(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    (tmp_path / "earlier").mkdir()
    (tmp_path / "earlier" / "study.json").write_text("{}")
    (tmp_path / "scenario").mkdir()
    (tmp_path / "scenario" / "site.geojson").write_text("{}")
    (tmp_path / "empty").mkdir()
    for free in ("earlier", "empty", "new/and/deeper"):
        assert out_faults(tmp_path / free) == ()
    for held, problem in (
        ("file", "is not a folder"),
        ("scenario", "holds other files"),
        ("file/in", "cannot be written"),
    ):
        (fault,) = out_faults(tmp_path / held)
        assert problem in str(fault) and str(tmp_path / held) in str(fault)
    assert not (tmp_path / "new").exists()


# design.geojson


def test_every_item_of_the_design_is_a_feature() -> None:
    found = design_features(DESIGN, SITE)
    kinds = [feature["properties"]["kind"] for feature in found["features"]]
    assert found["type"] == "FeatureCollection" and found["frame"] == "local_m"
    assert {kind: kinds.count(kind) for kind in set(kinds)} == {
        "pump": 2,
        "tubing": len(DESIGN.links) - 2,  # less the two that stand for fixed losses
        "nozzle": len(DESIGN.nozzles),
        "footprint": len(DESIGN.nozzles),
        "covered_area": 1,
    }
    assert all(shape(feature["geometry"]).is_valid for feature in found["features"])


def test_features_lie_where_the_design_has_them() -> None:
    """Checked with shapely: nozzles on their mounting lines at their chainage, footprints and covered area
    within."""
    features = design_features(DESIGN, SITE)["features"]
    lines = {line.name: line.line for line in SITE.lines}
    for feature in features:
        geometry, facts = shape(feature["geometry"]), feature["properties"]
        if facts["kind"] == "nozzle":
            there = lines[facts["line"]].interpolate(facts["chainage_m"])
            assert geometry.distance(there) < 1e-3
        elif facts["kind"] == "tubing":
            assert geometry.length == pytest.approx(facts["length_m"] / 1.05, abs=1e-3)
    (covered,) = [shape(f["geometry"]) for f in features if f["properties"]["kind"] == "covered_area"]
    union = shape(features[-2]["geometry"])
    for feature in features:
        if feature["properties"]["kind"] == "footprint":
            union = union.union(shape(feature["geometry"]))
    assert covered.difference(union.buffer(0.01)).area < 1e-9
    assert covered.area == pytest.approx(sum(union.intersection(z.polygon).area for z in SITE.zones), rel=0.02)


def test_a_site_in_longitude_and_latitude_gets_features_in_longitude_and_latitude() -> None:
    """Distances on the ellipsoid by pyproj; an invented spot in the open ocean."""
    site = example_site(Frame(-150.0, -40.0))
    found = design_features(example_design(site), site)
    assert "frame" not in found
    at = {
        f["properties"]["id"]: f["geometry"]["coordinates"]
        for f in found["features"]
        if f["properties"]["kind"] == "nozzle"
    }
    place = {node.id: (node.x_m, node.y_m) for node in DESIGN.nodes}
    one, other = DESIGN.nozzles[0], DESIGN.nozzles[-1]
    _, _, distance = Geod(ellps="WGS84").inv(*at[one.id], *at[other.id])
    assert distance == pytest.approx(math.dist(place[one.node], place[other.node]), rel=1e-5)


def test_a_tube_that_only_rises_is_a_point() -> None:
    top = replace(DESIGN.nodes[1], id="top", z_m=9.0)
    riser = replace(DESIGN.links[1], id="riser", from_=DESIGN.nodes[1].id, to="top", length_m=6.6)
    raised = replace(DESIGN, nodes=(*DESIGN.nodes, top), links=(*DESIGN.links, riser))
    kinds: dict[str, Any] = {
        f["properties"].get("id"): f["geometry"]["type"] for f in design_features(raised, SITE)["features"]
    }
    assert kinds["riser"] == "Point"


def test_an_empty_study_is_a_study() -> None:
    assert json.loads(study_text(Study("s", "S", "EUR", 0, ())))["alternatives"] == []
