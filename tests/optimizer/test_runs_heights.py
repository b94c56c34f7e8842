"""Run splits at the edges of their rules, by hand: nozzles far above or below a pump, a nozzle on a junction."""

from __future__ import annotations

import pytest

from optimizer.errors import NoDesign
from optimizer.runs.problem import LossFactors, RunProblem
from optimizer.runs.split import split
from tests.optimizer.runs_sites import CorridorArrays, Spots, problem_of

K = LossFactors(tee_run=0.6, tee_branch=1.8, elbow=0.9, entrance=0.5)


def slope(rise_m: float) -> RunProblem:
    """A pump, 20 m of link, 30 m of line at another height with nozzles at its middle and end; 15 bar, band 12."""
    c = CorridorArrays()
    pump, junction, end = c.node(0, 0), c.node(0, 20, rise_m), c.node(30, 20, rise_m)
    c.edge(pump, junction, link=0, ground="lawn")
    c.edge(junction, end, line=0, from_m=0.0, to_m=30.0)
    c.site_node.append(pump)
    return problem_of(c, Spots([0, 0], [15.0, 30.0], [0, 0]), [(0, 0, 2)])


def test_a_nozzle_below_its_pump_is_fed_and_one_too_far_above_is_refused() -> None:
    """rho g h: 40 m of water are 3.9 bar, more than the 3 bar between set pressure and band; 25 m are 2.45 bar."""
    for rise_m in (-40.0, 25.0):
        assert len(split(slope(rise_m), evaluations=50).circuits[0].served) == 2
    with pytest.raises(NoDesign):
        split(slope(40.0), evaluations=50)


@pytest.mark.parametrize("straight", [True, False])
def test_a_nozzle_on_a_junction_makes_it_a_tee(straight: bool) -> None:
    """Water reaches a junction with a nozzle on it and goes on one way only: tee run ahead, tee branch at the turn."""
    c = CorridorArrays()
    pump, junction = c.node(0, 0), c.node(0, 20)
    ahead, aside = c.node(0, 50), c.node(30, 20)
    c.edge(pump, junction, link=0, ground="lawn")
    c.edge(junction, ahead, line=0, from_m=0.0, to_m=30.0)
    c.edge(junction, aside, line=1, from_m=0.0, to_m=30.0)
    c.site_node.append(pump)
    far = 0 if straight else 1
    plan = split(problem_of(c, Spots([0, far], [0.0, 30.0], [0, 0]), [(0, 0, 2)], k=K), evaluations=50)
    first, last = plan.circuits[0].pieces
    assert plan.circuits[0].served == (0, 1)
    assert first.minor_k == pytest.approx(K.entrance)
    assert last.minor_k == pytest.approx((K.tee_run if straight else K.tee_branch) + K.elbow)
