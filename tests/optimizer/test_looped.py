"""Closed loops as a choice of an option: laid where one saves, verified by another engine, counted, else left out.

The invented ring (`ring_site`) has two sizes of tubing. Where the cheap one just fails to reach the furthest nozzle
from one side, a tree has to take the dear one for a whole side; a loop reaches it from both.
"""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from typer.testing import CliRunner

from optimizer.cli import app
from optimizer.design import MANIFOLD, design_text, read_design
from optimizer.errors import InputFaults
from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.report.routes import laid, link_paths
from optimizer.report.tubes import chains
from optimizer.run_rules import runs
from optimizer.scenario import Scenario, read_scenario
from optimizer.solve import LOOPS_AND_TOLERANCES, NO_LOOP, Solved, SolveSettings, solve
from optimizer.verify import circuit_states, discrepancies, solved_circuit
from tests.hydraulics.epanet_reference import state_by_epanet
from tests.optimizer.ring_site import ring

PAYS_MM, NEVER_MM = 2.0, 2.6  # bores of the cheap tubing


@cache
def solved(bore_mm: float, loops: bool, rules: str = "") -> Solved:
    with TemporaryDirectory() as folder:
        return of(ring(Path(folder), bore_mm, loops, rules))


def of(scenario: Scenario) -> Solved:
    (option,) = scenario.options
    posed = instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
    return solve(posed, SolveSettings(), silent, never)


def loops_closed(found: Solved) -> int:
    """Independent loops of the design's one circuit: links - nodes + 1."""
    network, _ = solved_circuit(found.design, found.design.pumps[0], "C1")
    return len(network.link_ids) - len(network.node_ids) + 1


def test_a_loop_saves_the_dear_tubing() -> None:
    tree, ring_main = solved(PAYS_MM, False), solved(PAYS_MM, True)
    assert loops_closed(tree) == 0 and loops_closed(ring_main) == 1
    assert ring_main.design.verification.verified and discrepancies(ring_main.design) == ()
    assert ring_main.priced.installed < 0.95 * tree.priced.installed
    assert len(ring_main.design.nozzles) == len(tree.design.nozzles)
    (told,) = (note for note in ring_main.notes if "joins" in note)
    assert f"{tree.priced.installed - ring_main.priced.installed:.2f} USD saved" in told
    assert ring_main.cost_bound is None and tree.cost_bound is not None


def test_another_engine_finds_the_same_pressures() -> None:
    design = solved(PAYS_MM, True).design
    (state,) = circuit_states(design)
    file = json.loads(design_text(design))
    engine = state_by_epanet(
        file["nodes"], file["links"], file["nozzles"], supplies={"P1": file["pumps"][0]["set_pressure_pa"]},
        nozzle=file["nozzle"], water=file["water"], matched=True,
    )
    low, high = design.verification.band_pa
    for nozzle in design.nozzles:
        assert nozzle.pressure_pa == pytest.approx(engine.pressures_pa[nozzle.node], rel=1e-8)
        assert low <= engine.pressures_pa[nozzle.node] <= high
    for link, flow in state.link_flow_m3_s.items():
        assert flow == pytest.approx(engine.link_flows_m3_s[link], rel=1e-7, abs=1e-8 * state.net_flow_m3_s)


def test_without_its_closing_link_the_band_is_broken() -> None:
    """What the loop is for: cut anywhere along the ring, the same tubing leaves a nozzle below the band."""
    design = solved(PAYS_MM, True).design
    tail = [link for link in design.links if link.tubing != MANIFOLD][-1]
    network, state = solved_circuit(replace(design, links=tuple(one for one in design.links if one != tail)),
                                    design.pumps[0], "C1")
    assert network.tree is not None
    assert state.pressure_pa[network.nozzle_k > 0].min() < design.verification.band_pa[0]


def test_every_tube_is_written_in_the_direction_of_its_flow() -> None:
    (state,) = circuit_states(solved(PAYS_MM, True).design)
    assert min(state.link_flow_m3_s.values()) >= 0


def test_the_bill_counts_the_tubing_and_fittings_of_the_design() -> None:
    """Every nozzle a tee, one more where the tubing parts at the pump, no dead end to plug."""
    found = solved(PAYS_MM, True)
    metres: dict[str, float] = defaultdict(float)
    for link in found.design.links:
        metres[link.tubing] += link.length_m
    counted: dict[str, float] = defaultdict(float)
    for name, length in found.priced.counted.tubing_m:
        counted[name] += length
    assert dict(counted) == pytest.approx({name: m for name, m in metres.items() if name != MANIFOLD})
    assert found.tubing_m == pytest.approx(sum(counted.values()))
    assert (found.priced.counted.tees, found.priced.counted.plugs) == (len(found.design.nozzles) + 1, 0)
    tree = solved(PAYS_MM, False).priced.counted
    assert (tree.tees, tree.plugs) == (len(found.design.nozzles) + 1, 2)


def test_the_plan_draws_every_link_once() -> None:
    design = solved(PAYS_MM, True).design
    links = laid(design)
    drawn = [index for chain in chains(links, link_paths(links, design.nodes)) for index in chain]
    assert sorted(drawn) == list(range(len(links)))


def test_the_ring_is_one_run() -> None:
    found = solved(PAYS_MM, True)
    nozzles = [run.nozzles for run in runs(found.design)]
    assert nozzles == [0, len(found.design.nozzles)]


def test_no_loop_where_it_would_break_a_rule_on_runs() -> None:
    """Two runs of six; joined they would be one of twelve."""
    found = solved(PAYS_MM, True, "run_nozzles_most = 8")
    assert loops_closed(found) == 0 and found.design.verification.verified
    assert NO_LOOP in found.notes


def test_no_loop_where_none_saves() -> None:
    tree, asked = solved(NEVER_MM, False), solved(NEVER_MM, True)
    assert asked.design == tree.design and NO_LOOP in asked.notes
    assert asked.cost_bound == tree.cost_bound


def test_no_loop_beside_tolerances(tmp_path: Path) -> None:
    scenario = ring(tmp_path, PAYS_MM, True)
    path = tmp_path / "scenario.toml"
    stated = '[tolerances]\nnozzle_flow = { low = -0.05, high = 0.05 }\n\n[[option]]'
    path.write_text(path.read_text(encoding="utf-8").replace("[[option]]", stated), encoding="utf-8")
    found = of(read_scenario(tmp_path))
    assert scenario.tolerances is None and LOOPS_AND_TOLERANCES in found.notes
    assert loops_closed(found) == 0


def test_a_study_of_it_writes_every_file(tmp_path: Path) -> None:
    """From the files to the files: nothing on the way takes the tubing for a tree."""
    ring(tmp_path / "ring", PAYS_MM, True)
    out = tmp_path / "out"
    run = CliRunner().invoke(app, ["study", str(tmp_path / "ring"), "--out", str(out), "--workers", "1"])
    assert run.exit_code == 0, run.output
    (alternative,) = json.loads((out / "study.json").read_text(encoding="utf-8"))["alternatives"]
    assert alternative["verified"] and any("joins" in note for note in alternative["notes"])
    assert alternative["installed_cost"] == pytest.approx(solved(PAYS_MM, True).priced.installed)
    design = read_design(out / "one" / "design.json")
    features = json.loads((out / "one" / "design.geojson").read_text(encoding="utf-8"))["features"]
    drawn = {one["properties"]["id"] for one in features if one["properties"].get("kind") == "tubing"}
    place = {node.id: (node.x_m, node.y_m) for node in design.nodes}
    assert drawn >= {link.id for link in design.links if place[link.from_] != place[link.to]}
    assert CliRunner().invoke(app, ["verify", str(out / "one" / "design.json")]).exit_code == 0


def test_the_key_is_true_or_false(tmp_path: Path) -> None:
    assert ring(tmp_path, PAYS_MM, True).options[0].loops
    path = tmp_path / "scenario.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("loops = true\n", ""), encoding="utf-8")
    assert not read_scenario(tmp_path).options[0].loops
    path.write_text(text.replace("loops = true", 'loops = "often"'), encoding="utf-8")
    with pytest.raises(InputFaults, match="loops"):
        read_scenario(tmp_path)
