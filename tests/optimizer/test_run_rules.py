"""Run rules, checked from the design alone: lengths and counts by hand, loads by the real flows."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from optimizer.cli import app
from optimizer.design import Design, Link, RunRules, design_text, read_design
from optimizer.errors import DesignFileError
from optimizer.run_rules import run_faults, runs
from optimizer.verify import discrepancies, settled, verify
from tests.optimizer.small_designs import BAND_PA, two_circuits

# C1: pump, 12 m to each of four nozzles in a row. C2: 12 m to the first nozzle, from where two branches of 12 m go.
DESIGN = two_circuits()


def ruled(design: Design = DESIGN, **rules: Any) -> Design:
    return settled(replace(design, run_rules=RunRules(**rules)), BAND_PA)


def named_runs(design: Design = DESIGN) -> Design:
    """The branches of C2 named apart, as plans name them."""
    names = {"C2-L0": "C2-T", "C2-L1": "C2-R1", "C2-L2": "C2-R2"}
    return replace(design, links=tuple(replace(link, run=names.get(link.id, link.run)) for link in design.links))


def test_runs_by_hand() -> None:
    """C1 does not branch: one run of 4 nozzles, 4 x 12 m. C2: a trunk of 12 m with its nozzle, two runs to 24 m."""
    found = [(run.name, run.nozzles, run.length_m, run.end) for run in runs(named_runs())]
    assert found == [("C1-R1", 4, 48.0, "C1-3"), ("C2-T", 1, 12.0, "C2-0"), ("C2-R1", 1, 24.0, "C2-1"),
                     ("C2-R2", 1, 24.0, "C2-2")]


def test_a_branch_ends_at_its_furthest_nozzle_and_counts_all() -> None:
    """A fork within run C2-R1: by hand 12 + 12 + 30 m to its end, three nozzles; links written either way round."""
    more = [Link(f"x{i}", *ends, "C2", "C2-R1", "T4", 0.004, 1.5e-6, length, 0.6)
            for i, (ends, length) in enumerate(((("C2-1", "C2-8"), 5.0), (("C2-9", "C2-1"), 30.0)))]
    nozzle = DESIGN.nozzles[-1]
    design = replace(
        named_runs(), links=(*named_runs().links, *more),
        nodes=(*DESIGN.nodes, *(replace(DESIGN.nodes[-1], id=name) for name in ("C2-8", "C2-9"))),
        nozzles=(*DESIGN.nozzles, *(replace(nozzle, id=name, node=name) for name in ("C2-8", "C2-9"))),
    )
    (run,) = (run for run in runs(design) if run.name == "C2-R1")
    assert (run.nozzles, run.length_m, run.end) == (3, 54.0, "C2-9")


def test_metres_count_from_the_outlet_or_the_field_valve() -> None:
    """The manifold inside the unit and a main that circuits share are no part of any run."""
    inside = Link("C1-manifold", "P1", "C1-a", "C1", "C1-T", "manifold", 0.0125, 1.5e-6, 0.3, 5.0)
    main = Link("P1-M1", "C1-a", "C1-b", "C1", "P1-M", "T8", 0.008, 1.5e-6, 80.0, 0.5, shared=("C1", "C2"))
    first = {"C1-L0": "C1-b"}
    links = [replace(link, from_=first.get(link.id, link.from_)) for link in named_runs().links
             if link.circuit == "C1"]
    nodes = (*DESIGN.nodes, *(replace(DESIGN.nodes[0], id=name) for name in ("C1-a", "C1-b")))
    design = replace(
        DESIGN, nodes=nodes, links=(inside, main, *links),
        nozzles=tuple(nozzle for nozzle in DESIGN.nozzles if nozzle.circuit == "C1"),
        pumps=(replace(DESIGN.pumps[0], circuits=("C1",)),),
    )
    assert {run.name: run.length_m for run in runs(design)} == {"C1-R1": 48.0}


def test_a_length_at_its_limit_is_kept_and_a_metre_less_is_a_fault() -> None:
    assert ruled(run_longest_m=48.0).verification.verified
    proof = ruled(run_longest_m=47.0).verification
    assert not proof.verified
    assert proof.run_faults == ("C1-R1: 48.0 m (157.5 ft) of tubing to its end at C1-3, run_longest allows 47.0 m "
                                "(154.2 ft)",)
    assert not (proof.low_faults or proof.high_faults or proof.pump_faults)


def test_a_count_at_its_limit_is_kept_and_one_less_is_a_fault() -> None:
    assert ruled(run_nozzles_most=4).verification.verified
    assert ruled(run_nozzles_most=3).verification.run_faults == ("C1-R1: 4 nozzles, run_nozzles_most allows 3",)


def test_loads_are_those_of_the_real_flows() -> None:
    """C2 has 3 nozzles to C1's 4: its share lies a little above 3/4, for they stand at higher pressure."""
    flows = DESIGN.verification.flow_m3_s
    share = flows["C2"] / flows["C1"]
    assert 0.75 < share < 0.77
    assert ruled(circuit_balance=1 - share + 1e-6).verification.verified
    (fault,) = ruled(circuit_balance=1 - share - 1e-6).verification.run_faults
    assert fault.startswith("P1: circuit C2 takes less than 7")
    assert run_faults(replace(DESIGN, run_rules=RunRules(circuit_balance=0.25)), {"C1": 4.0, "C2": 3.0}) == ()
    (fault,) = run_faults(replace(DESIGN, run_rules=RunRules(circuit_balance=0.2)), {"C1": 4.0, "C2": 3.0})
    assert fault == ("P1: circuit C2 takes less than 80 % of what circuit C1 takes, the least that circuit_balance "
                     "allows")


def test_no_rules_no_faults() -> None:
    assert DESIGN.run_rules == RunRules()
    assert DESIGN.verification.run_faults == ()


def test_the_command_names_what_breaks_a_rule(tmp_path: Path) -> None:
    """A file whose rules were tightened by hand after it had been verified: named, exit status 3."""
    path = tmp_path / "design.json"
    path.write_text(design_text(ruled(run_longest_m=50.0)), encoding="utf-8")
    assert CliRunner().invoke(app, ["verify", str(path)]).exit_code == 0
    file = json.loads(path.read_text(encoding="utf-8"))
    assert file["run_rules"] == {"run_longest_m": 50.0, "run_nozzles_most": None, "circuit_balance": None}
    file["run_rules"]["run_longest_m"] = 40.0
    path.write_text(json.dumps(file), encoding="utf-8")
    answer = CliRunner().invoke(app, ["verify", str(path)])
    assert answer.exit_code == 3
    assert "C1-R1: 48.0 m" in answer.output
    assert any("run_faults stored none" in sentence for sentence in discrepancies(read_design(path)))


def test_files_of_before_still_verify(tmp_path: Path) -> None:
    """Without rules, reducers and mains, as files were written before these came."""
    file = json.loads(design_text(DESIGN))
    del file["run_rules"], file["verification"]["run_faults"]
    for link in file["links"]:
        for key in ("reducer_pa", "reducer_k", "reducer", "shared"):
            del link[key]
    path = tmp_path / "design.json"
    path.write_text(json.dumps(file), encoding="utf-8")
    read = read_design(path)
    assert discrepancies(read) == ()
    assert verify(read) == DESIGN.verification


@pytest.mark.parametrize("rules", [{"run_longest_m": 0}, {"run_nozzles_most": 0}, {"circuit_balance": 1.0}])
def test_rules_without_sense_are_refused(rules: dict[str, float], tmp_path: Path) -> None:
    file = {**json.loads(design_text(DESIGN)), "run_rules": rules}
    path = tmp_path / "design.json"
    path.write_text(json.dumps(file), encoding="utf-8")
    with pytest.raises(DesignFileError, match=f"run_rules.{next(iter(rules))}"):
        read_design(path)


def test_a_reducer_in_the_file_is_reckoned_with() -> None:
    """Set 0.5 bar below what reaches the start of C1-L2, by hand: what stands behind it falls by that, the rest not."""
    before = {nozzle.id: nozzle.pressure_pa for nozzle in DESIGN.nozzles}
    setting = before["N002"] - 5e4
    links = tuple(replace(link, reducer_pa=setting, reducer_k=3.0) if link.id == "C1-L2" else link
                  for link in DESIGN.links)
    after = settled(replace(DESIGN, links=links), BAND_PA)
    found = {nozzle.id: nozzle.pressure_pa for nozzle in after.nozzles}
    assert found["N003"] < before["N003"] - 4.9e4
    assert found["N002"] == pytest.approx(before["N002"], rel=1e-3)
    assert discrepancies(after) == ()
    assert any("N004" in sentence for sentence in discrepancies(replace(after, links=DESIGN.links)))
