"""Tubing as narrow as the full calculation allows: where reckoned flows leave a wide side that real flows do not need.

On the invented ring with nozzles every 4.2 m and cheap tubing of 2.4 mm the head budget takes the dear size for a whole
side, though the cheap one does all along it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from optimizer.costs import total_of
from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.solve import Solved, SolveSettings, solve
from optimizer.solve.narrowed import slimmed, with_pieces
from optimizer.solve.trial import Trial
from optimizer.verify import discrepancies, settled
from tests.optimizer.ring_site import ring


@cache
def solved(bore_mm: float, step_m: float, frontier: int = 0) -> Solved:
    with TemporaryDirectory() as folder:
        scenario = ring(Path(folder), bore_mm, loops=False, step_m=step_m)
        (option,) = scenario.options
        posed = instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
        return solve(posed, SolveSettings(frontier=frontier), silent, never)


def test_the_cheap_size_wherever_it_keeps_the_band() -> None:
    """All of the ring in the cheap size; the riser of 2.5 m that feeds it stays wide, for else the band is broken."""
    found = solved(2.4, 4.2)
    design = found.design
    assert design.verification.verified and discrepancies(design) == ()
    assert sum(link.length_m for link in design.links if link.tubing == "T6") == pytest.approx(2.5)
    assert any("narrower" in told for told in found.rounds)
    assert found.cost_bound is not None and found.cost_bound <= found.priced.installed
    cheap = next(link for link in design.links if link.tubing == "T4")
    links = [replace(link, tubing="T4", bore_m=cheap.bore_m) if link.tubing == "T6" else link for link in design.links]
    assert settled(replace(design, links=tuple(links)), design.verification.band_pa).verification.low_faults


@pytest.mark.parametrize(("bore_mm", "step_m"), [(2.0, 6.5), (2.4, 4.2)])
def test_the_plan_knows_what_its_tubing_costs(bore_mm: float, step_m: float) -> None:
    found = solved(bore_mm, step_m)
    assert found.trial.layout.plan.tubing_cost == pytest.approx(total_of(found.priced.lines, "tubing"))
    assert found.trial.layout.plan.trench_cost == pytest.approx(total_of(found.priced.lines, "ground"))


def test_the_dearest_point_of_a_frontier_is_the_design() -> None:
    found = solved(2.4, 4.2, frontier=2)
    assert found.frontier[-1].answer.price == pytest.approx(found.priced.price)
    assert found.design == solved(2.4, 4.2).design


def mixed(trial: Trial) -> Trial:
    """The same with every second piece in the dear size."""
    plan = trial.layout.plan.circuits[0]
    wide = max({0, 1}, key=lambda size: trial.layout.problem.tubing[size].bore_m)
    uses = [replace(use, tubing=use.tubing if i % 2 else wide) for i, use in enumerate(plan.pieces)]
    return replace(trial, layout=with_pieces(trial.layout, 0, uses))


def test_wider_tubing_than_needed_comes_back_as_it_was() -> None:
    """Made narrower again piece by piece: the cost is that of before, and that is where it ends."""
    trial = solved(2.4, 4.2).trial
    wide = mixed(trial)
    assert wide.layout.plan.tubing_cost > trial.layout.plan.tubing_cost
    assert slimmed(wide, never).layout.plan.tubing_cost == pytest.approx(trial.layout.plan.tubing_cost)
    assert slimmed(trial, never) is trial


def test_after_a_stop_tubing_stays() -> None:
    wide = mixed(solved(2.4, 4.2).trial)
    assert slimmed(wide, lambda: True) is wide


def test_what_is_not_verified_stays() -> None:
    trial = solved(2.4, 4.2).trial
    broken = replace(trial.design.verification, verified=False, low_faults=("N001",))
    unsound = replace(trial, design=replace(trial.design, verification=broken))
    assert slimmed(unsound, never) is unsound
