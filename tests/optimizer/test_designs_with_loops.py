"""A design whose circuit closes a loop: verified by the looped solver, its runs by hand, its files and the command."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from hydraulics.friction import GRAVITY_M_S2
from optimizer.cli import app
from optimizer.design import Design, Link, RunRules, design_text, read_design
from optimizer.report.engine import engine_file, engine_files
from optimizer.run_rules import runs
from optimizer.verify import circuit_states, discrepancies, settled
from tests.hydraulics.epanet_reference import state_by_epanet
from tests.hydraulics.test_inp import read_by_toolkit
from tests.optimizer.small_designs import BAND_PA, two_circuits


def branched() -> Design:
    """C2 feeds its first nozzle by a trunk of 12 m and two more by branches of 12 m and 200 m."""
    design = two_circuits()
    names = {"C2-L0": "C2-T", "C2-L1": "C2-R1", "C2-L2": "C2-R2"}
    links = [replace(link, run=names.get(link.id, link.run)) for link in design.links]
    links = [replace(link, length_m=200.0) if link.id == "C2-L2" else link for link in links]
    return settled(replace(design, links=tuple(links)), BAND_PA)


def looped() -> Design:
    """The same with a tube of 10 m between the ends of the branches."""
    design = branched()
    closing = Link("C2-L3", "C2-1", "C2-2", "C2", "C2-R1", "T4", 0.004, 1.5e-6, 10.0, 1.8)
    return settled(replace(design, links=(*design.links, closing)), BAND_PA)


def test_the_state_is_that_of_the_engine() -> None:
    """Constants matched; pressures, nozzle flows and the flow of every link."""
    design = looped()
    state = circuit_states(design)[1]
    file = json.loads(design_text(design))
    mine = [one for one in file["links"] if one["circuit"] == "C2"]
    engine = state_by_epanet(
        file["nodes"], mine, [one for one in file["nozzles"] if one["circuit"] == "C2"], supplies={"P1": 15e5},
        nozzle=file["nozzle"], water=file["water"], matched=True,
    )
    for found, expected in ((state.node_pressure_pa, engine.pressures_pa),
                            (state.link_flow_m3_s, engine.link_flows_m3_s)):
        assert found.keys() == expected.keys()
        for name, value in found.items():
            assert value == pytest.approx(expected[name], rel=1e-8, abs=1e-8 * state.net_flow_m3_s)
    assert abs(state.link_flow_m3_s["C2-L3"]) > 0.001 * state.net_flow_m3_s


def test_a_loop_raises_the_far_end() -> None:
    tree, ring = circuit_states(branched())[1], circuit_states(looped())[1]
    assert min(ring.pressure_pa.values()) > min(tree.pressure_pa.values()) + 1e4
    assert ring.link_flow_m3_s["C2-L3"] > 5 * ring.link_flow_m3_s["C2-L2"]


def test_branches_that_a_loop_joins_are_one_run() -> None:
    """By hand: the ends stand 24 m and, through the loop, 34 m from the pump. The furthest place lies on the branch of
    200 m, 12 m away on one side and 34 m on the other: half of 246 m."""
    found = [(run.name, run.nozzles, run.length_m) for run in runs(looped()) if run.circuit == "C2"]
    assert found == [("C2-T", 1, 12.0), ("C2-R1", 2, 123.0)]


def test_a_ring_from_the_pump_is_one_run() -> None:
    """C1's row of four, 12 m each, its end led back to the pump by 12 m: the furthest place is half of 60 m away."""
    design = two_circuits()
    back = replace(design.links[0], id="C1-L9", from_="C1-3", to="P1")
    ring = replace(design, links=(*design.links, back))
    found = [(run.nozzles, run.length_m) for run in runs(ring) if run.circuit == "C1"]
    assert found == [(0, 0.0), (4, 30.0)]


def test_run_rules_count_the_joined_run() -> None:
    ruled = settled(replace(looped(), run_rules=RunRules(run_longest_m=122.0, run_nozzles_most=1)), BAND_PA)
    faults = [fault for fault in ruled.verification.run_faults if fault.startswith("C2-R1")]
    assert len(faults) == 2 and "2 nozzles" in faults[1]


def test_the_file_is_verified_and_a_loop_left_out_is_noticed(tmp_path: Path) -> None:
    design = looped()
    path = tmp_path / "design.json"
    path.write_text(design_text(design), encoding="utf-8")
    assert read_design(path) == design and discrepancies(design) == ()
    run = CliRunner().invoke(app, ["verify", str(path)])
    assert run.exit_code == 0, run.output
    cut = replace(design, links=tuple(link for link in design.links if link.id != "C2-L3"))
    assert any("pressure_pa" in text for text in discrepancies(cut))


def test_the_network_file_holds_the_loop(tmp_path: Path) -> None:
    design = looped()
    state = circuit_states(design)[1]
    reads = read_by_toolkit(engine_files(design)[engine_file("C2")], tmp_path)
    fed = {nozzle.node for nozzle in design.nozzles}
    for node, metres in reads.items():
        own = metres * design.water.density_kg_m3 * GRAVITY_M_S2 + (design.nozzle.p0_pa if node in fed else 0.0)
        assert own == pytest.approx(state.node_pressure_pa[node], rel=5e-4)
