"""Sites with relief: what is called verified keeps band, capacity and run rules by an independent calculation.

All 300 seeds run by `python -m tests.benchmarks.relief`, see tests/benchmarks/README.md. `check.py` there shares no
code with ours: its own walk of the tree, its own friction law, scipy's root.
"""

from __future__ import annotations

import json
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from hydraulics import steady_tree
from optimizer.design import design_text
from optimizer.solve import Solved
from optimizer.verify import discrepancies, settled
from tests.benchmarks.relief.answers import judged, solved_quickly
from tests.benchmarks.relief.check import faults
from tests.benchmarks.relief.sites import drawn, scenario
from tests.hydraulics.epanet_reference import pressures_by_epanet

# With run rules; with reducers; with positions left out; two circuits; the set pressure at the band's top.
SEEDS = (2, 3, 5, 6, 7, 24)


pytestmark = pytest.mark.xdist_group("relief")  # the designs are made once


@cache
def solved(seed: int, reducers: bool | None = None) -> Solved:
    """The seed's site solved, with or without reducers on sale if that is said."""
    found = drawn(seed) if reducers is None else replace(drawn(seed), reducers=reducers)
    with tempfile.TemporaryDirectory() as folder:
        posed = scenario(found, Path(folder))
    return solved_quickly(posed)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_called_verified_keeps_every_rule(seed: int) -> None:
    found = judged(drawn(seed), solved(seed), 0.0)
    assert found.broken == ()
    assert found.verdict == "verified" or found.reason


def test_the_seeds_show_what_mends() -> None:
    words = " ".join(judged(drawn(seed), solved(seed), 0.0).mended for seed in SEEDS)
    assert all(word in words for word in ("lower set pressure", "pressure reducers", "positions left out"))


def test_repairs_go_on_while_nothing_is_verified() -> None:
    """Four terraces below the pump and few nozzles a run: band and rule on runs refuse in turn, more than ten times."""
    found = judged(drawn(75), solved(75), 0.0)
    assert (found.verdict, found.broken) == ("verified", ())


def test_a_rise_left_out_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same designs, settled by a state that knows no heights: what it calls verified the check calls broken."""
    found, design = drawn(7), solved(7).design  # before gravity goes, for it is kept for the other tests
    monkeypatch.setattr(steady_tree, "GRAVITY_M_S2", 0.0)
    lifted = tuple(replace(pump, set_pressure_pa=(design.verification.band_pa[0] + 1.5e5)) for pump in design.pumps)
    wrong = settled(replace(design, pumps=lifted), design.verification.band_pa)
    assert wrong.verification.verified
    assert list(faults(found, json.loads(design_text(wrong))))


def test_the_check_sees_each_rule() -> None:
    """A design that keeps all, held against a site with one rule tightened in turn: named each time."""
    found, file = drawn(7), json.loads(design_text(solved(7).design))
    assert list(faults(found, file)) == []
    low, high = found.band_bar
    flows = file["verification"]["flow_m3_s"].values()
    for tighter, words in (
        ({"rules": {"run_nozzles_most": 1}}, "nozzles of 1"),
        ({"rules": {"run_longest_m": 5.0}}, "m of 5.0"),
        ({"rules": {"circuit_balance": 0.5 * (1 - min(flows) / max(flows))}}, "circuits take"),
        ({"delivery_l_min": found.delivery_l_min / 2}, "m3/s of"),
        ({"band_bar": (low, low + 0.1)}, "bar, band"),
        ({"set_bar": (high + 5.0, high + 6.0)}, "set pressure"),
    ):
        assert any(words in fault for fault in faults(replace(found, **tighter), file)), tighter


def test_reducers_serve_ground_that_is_left_out_without_them() -> None:
    """By hand: the terraces lie up to 29 m below the pump and differ by more than the band is wide."""
    fitted, plain = solved(2), solved(2, reducers=False)
    assert fitted.design.verification.verified
    assert fitted.value > plain.value * (1 + 1e-6)
    assert any(link.reducer_pa is not None for link in fitted.design.links)


def test_reducers_are_counted_priced_and_told() -> None:
    found = solved(2)
    placed = [link for link in found.design.links if link.reducer_pa is not None]
    (line,) = (line for line in found.priced.lines if line.item == "R")
    assert (line.quantity, line.unit_price) == (len(placed), 38.0)
    (note,) = (note for note in found.notes if note.startswith("pressure reducers: "))
    assert all(f"R at the start of {link.id} holds" in note for link in placed)
    assert any("brought down from above the band by pressure reducers" in told for told in found.rounds)
    assert all(link.reducer == "R" for link in placed)
    assert discrepancies(found.design) == ()


def test_a_design_with_reducers_against_the_engine() -> None:
    """The EPANET engine from the file alone, its pressure-reducing valves for ours; unmatched constants: 5e-4."""
    file = json.loads(design_text(solved(2).design))
    engine = pressures_by_epanet(
        file["nodes"], file["links"], file["nozzles"], supply=file["pumps"][0]["node"],
        supply_pressure_pa=file["pumps"][0]["set_pressure_pa"], nozzle=file["nozzle"], water=file["water"],
    )
    for nozzle in file["nozzles"]:
        assert engine[nozzle["node"]] == pytest.approx(nozzle["pressure_pa"], rel=5e-4)
