"""The main job on the small demo sites, through the public verbs, against engines and laws from outside."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from optimizer.design import Design, read_design
from optimizer.progress import never, silent
from optimizer.publish import publish
from optimizer.scenario import Scenario, read_scenario
from optimizer.study import Study, StudySettings, study
from optimizer.verify import discrepancies
from tests.hydraulics.epanet_reference import pressures_by_epanet
from tests.optimizer.expected_figures import differences

SCENARIOS = Path(__file__).resolve().parents[2] / "scenarios"

pytestmark = pytest.mark.xdist_group("first look")  # its study is made once


@pytest.fixture(scope="module")
def first_look() -> Scenario:
    return read_scenario(SCENARIOS / "first_look")


@pytest.fixture(scope="module")
def answered(first_look: Scenario) -> Study:
    return study(first_look, StudySettings(workers=1), silent, never)


@pytest.fixture(scope="module")
def folder(first_look: Scenario, answered: Study, tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("first_look")
    publish(answered, first_look, found)
    return found


def designs(folder: Path) -> Iterator[Design]:
    for path in sorted(folder.glob("*/design.json")):
        yield read_design(path)


def test_four_alternatives_are_verified(answered: Study) -> None:
    names = ["one_pump", "two_pumps", "one_pump_two_circuits", "within_budget"]
    assert [a.option for a in answered.alternatives] == names
    assert all(a.verified and a.status == "verified" and a.reason is None for a in answered.alternatives)


def test_figures_are_those_expected(answered: Study) -> None:
    assert differences(SCENARIOS / "first_look", answered) == []


def test_what_holds_on_paper_and_not_on_site_is_flagged(answered: Study, folder: Path) -> None:
    """The demo's tolerances are invented; every alternative tells its yield and tornado, with which end is high."""
    told = json.loads((folder / "study.json").read_text(encoding="utf-8"))["alternatives"]
    for a, data in zip(answered.alternatives, told, strict=True):
        found = data["yield"]
        assert 0.0 < found["interval"][0] < found["share"] < found["interval"][1] < 1.0 and found["residual"] < 1e-9
        assert {bar["higher_at"] for bar in found["tornado"]} <= {"low end", "high end", "neither end"}
        assert (folder / found["chart"]).is_file()
        assert a.verified and not found["holds"] and a.notes[0].startswith("holds on paper, ")


def test_gaps_are_proven_and_ordered(answered: Study) -> None:
    for a in answered.alternatives:
        assert a.gap_at_count is not None and a.gap is not None
        assert a.gap_at_count >= 0 and (a.joint_gap is not None or a.gap_at_count <= 0.005 + 1e-9)  # a budget costs
        assert a.gap_at_count <= a.gap + 1e-12
        assert a.objective_value <= a.objective_bound * (1 + 1e-9)  # type: ignore[operator]


def test_no_circuit_takes_more_than_capacity_less_reserve(folder: Path) -> None:
    """Flows by the nozzle law from the file's own figures, k (p - p0)^n: one nozzle too many would show."""
    for design in designs(folder):
        drawn: dict[str, float] = defaultdict(float)
        for nozzle in design.nozzles:
            drawn[nozzle.circuit] += design.nozzle.k * (nozzle.pressure_pa - design.nozzle.p0_pa) ** design.nozzle.n
        for pump in design.pumps:
            for circuit in pump.circuits:
                assert drawn[circuit] <= (1 - pump.reserve) * pump.capacity_m3_s * (1 + 1e-9)


def test_every_pressure_agrees_with_epanet_from_the_file_alone(folder: Path) -> None:
    """Source: the EPANET 2.3 engine, constants not matched; the issue asks for 0.1 %."""
    for path in sorted(folder.glob("*/design.json")):
        file = json.loads(path.read_text(encoding="utf-8"))
        for pump in file["pumps"]:
            for circuit in pump["circuits"]:
                found = pressures_by_epanet(
                    file["nodes"],
                    [link for link in file["links"] if link["circuit"] == circuit],
                    [nozzle for nozzle in file["nozzles"] if nozzle["circuit"] == circuit],
                    supply=pump["node"],
                    supply_pressure_pa=pump["set_pressure_pa"],
                    nozzle=file["nozzle"],
                    water=file["water"],
                )
                for nozzle in file["nozzles"]:
                    if nozzle["circuit"] == circuit:
                        assert found[nozzle["node"]] == pytest.approx(nozzle["pressure_pa"], rel=1e-3)


def test_verify_passes_on_every_file_and_names_every_halved_bore(folder: Path) -> None:
    for design in designs(folder):
        assert discrepancies(design) == ()
        for index, link in enumerate(design.links):
            links = (*design.links[:index], replace(link, bore_m=link.bore_m / 2), *design.links[index + 1 :])
            assert discrepancies(replace(design, links=links)), link.id


def test_nozzles_keep_the_least_spacing_and_their_free_stretches(folder: Path, first_look: Scenario) -> None:
    lines = {line.name: line for line in first_look.site.lines}
    for design in designs(folder):
        at: dict[str, list[float]] = defaultdict(list)
        for nozzle in design.nozzles:
            at[nozzle.line].append(nozzle.chainage_m)
            assert not any(s.from_m < nozzle.chainage_m < s.to_m for s in lines[nozzle.line].no_nozzles)
        for name, chainages in at.items():
            chainages.sort()
            round_trip = [chainages[0] + lines[name].line.length] if lines[name].closed else []
            gaps = [b - a for a, b in zip(chainages, [*chainages[1:], *round_trip], strict=False)]
            assert all(gap >= first_look.rules.spacing_least_m - 1e-6 for gap in gaps)


def test_tubing_runs_only_where_links_and_lines_let_it(folder: Path) -> None:
    """No link is shorter than the straight way between its ends."""
    for design in designs(folder):
        node = {n.id: n for n in design.nodes}
        for link in design.links:
            a, b = node[link.from_], node[link.to]
            straight = ((a.x_m - b.x_m) ** 2 + (a.y_m - b.y_m) ** 2 + (a.z_m - b.z_m) ** 2) ** 0.5
            assert link.length_m >= straight - 0.02, link.id


def test_same_seed_same_bytes_whatever_the_processes(
    first_look: Scenario, answered: Study, folder: Path, tmp_path: Path
) -> None:
    again = study(first_look, StudySettings(workers=2), silent, never)
    publish(again, first_look, tmp_path)
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        other = tmp_path / path.relative_to(folder)
        if path.name == "study.json":
            assert _timeless(path) == _timeless(other)
        else:
            assert path.read_bytes() == other.read_bytes(), path.name


def _timeless(path: Path) -> Any:
    data = json.loads(path.read_text(encoding="utf-8"))
    for alternative in data["alternatives"]:
        alternative.pop("seconds")
    return data


def test_every_alternative_is_appraised_at_equal_count(answered: Study, folder: Path) -> None:
    """Exact areas are those of the verification; what is proven to be near the best is not behind even pitch."""
    written = json.loads((folder / "study.json").read_text(encoding="utf-8"))
    for a, data in zip(answered.alternatives, written["alternatives"], strict=True):
        one = a.appraisal
        assert one is not None and one.practice is not None and one.greedy is not None
        assert one.covered_area_m2 == pytest.approx(a.covered_area_m2) == pytest.approx(one.reach[1].covered_area_m2)
        assert sum(zone.covered_area_m2 for zone in one.uncovered) == pytest.approx(a.covered_area_m2)
        assert one.nozzle_count == one.practice.nozzle_count == one.greedy.nozzle_count == a.nozzle_count
        if a.joint_gap is None:  # neither rival keeps a budget
            assert min(rival.gained_weighted or 0.0 for rival in (one.practice, one.greedy)) > -0.01
        assert data["appraisal"]["practice"]["gained_weighted"] == one.practice.gained_weighted
        assert data["appraisal"]["gaps"] is None
    assert answered.ranking is not None and written["reach_ranking"]["changes"] == answered.ranking.changes


def test_the_bill_adds_up(answered: Study) -> None:
    for a in answered.alternatives:
        assert a.installed_cost == pytest.approx(sum(line.quantity * line.unit_price for line in a.quantities))
        nozzles = [line for line in a.quantities if line.group == "nozzles"]
        assert sum(line.quantity for line in nozzles) == a.nozzle_count


def test_cost_gaps_are_stated_with_and_without_what_stands_whatever_the_layout(answered: Study) -> None:
    """Tubing and ground by the bill; what stands whatever the layout dilutes the gap, fittings outside the bound widen
    it."""
    for a in answered.alternatives:
        assert None not in (a.cost_bound, a.installed_cost, a.cost_gap, a.cost_gap_tubing)
        assert a.cost_gap == pytest.approx(1 - (a.cost_bound or 0.0) / (a.installed_cost or 1.0))
        total = {line.group: 0.0 for line in a.quantities}
        for line in a.quantities:
            total[line.group] += line.quantity * line.unit_price
        laid = (a.cost_bound or 0.0) - sum(total.get(g, 0.0) for g in ("nozzles", "pump unit", "site works"))
        tubing = total["tubing"] + total.get("ground", 0.0)
        assert 0.0 <= (a.cost_gap_tubing or 0.0) == pytest.approx(1 - laid / tubing, abs=1e-9)


def test_zones_of_two_schedules_need_two_circuits() -> None:
    scenario = read_scenario(SCENARIOS / "two_schedules")
    answered = study(scenario, StudySettings(workers=1), silent, never)
    assert differences(SCENARIOS / "two_schedules", answered) == []
    one, two = answered.alternatives
    assert one.status == "no_design" and one.reason is not None and one.nozzle_count is None
    assert "2 schedule groups" in one.reason and "may not share a circuit" in one.reason
    assert two.verified and two.design is not None
    zones = {zone.name: zone for zone in scenario.site.zones}
    hours = {nozzle.circuit: set[str]() for nozzle in two.design.nozzles}
    for nozzle in two.design.nozzles:
        from shapely.geometry import shape

        for zone in zones.values():
            if shape(nozzle.footprint).intersection(zone.polygon).area > 1e-6:
                hours[nozzle.circuit].add(zone.schedule)
    assert all(len(groups) == 1 for groups in hours.values())


def test_a_stop_keeps_the_best_so_far(first_look: Scenario) -> None:
    asked = 0

    def after_a_while() -> bool:
        nonlocal asked
        asked += 1
        return asked > 40

    (found,) = study(first_look, StudySettings(options=("one_pump",), workers=1), silent, after_a_while).alternatives
    assert found.status in ("verified", "stopped")
    assert found.verified == (found.design is not None)
