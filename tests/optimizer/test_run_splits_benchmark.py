"""The benchmark of run splits on its oddest and smallest cases: real pressures, the bound, the cold model, the tables.

References: the full nonlinear steady state, and HiGHS on the contracted model without a start.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from optimizer.runs.split import split
from optimizer.solver import Limits
from tests.benchmarks.run_splits import table
from tests.benchmarks.run_splits.cases import CASES, ODD, SIZES_AT_MOST, posed
from tests.benchmarks.run_splits.measure import bounded, fed, in_band, measured
from tests.benchmarks.run_splits.peers import cold
from tests.optimizer.test_runs_split import check_plan

EVALUATIONS = 800
MINUTE_S = 60.0  # processor seconds, never reached on odd sites


@pytest.mark.parametrize("name", ODD)
def test_an_odd_site_is_fed_in_the_band_and_costs_no_less_than_its_bound(name: str) -> None:
    problem = ODD[name]()
    found = fed(problem, 0, EVALUATIONS, 0.0)
    check_plan(problem, found.safe)
    assert found.verified and in_band(problem, found.plan)
    proven = bounded(problem, found, 0.01, MINUTE_S)
    assert 0.0 < proven.bound <= proven.plan.cost <= found.plan.cost <= found.safe.cost


@pytest.mark.parametrize("name", ODD)
def test_the_cold_model_finds_nothing_cheaper_on_an_odd_site(name: str) -> None:
    problem = ODD[name]()
    answer = cold(problem, MINUTE_S)
    assert answer is not None
    assert split(problem, evaluations=EVALUATIONS).cost <= answer.cost * (1.0 + 1e-6)


def test_trench_of_the_long_crossing_is_paid_once() -> None:
    """By hand: 120 m of paving at 28 and a sleeve of 400, whichever circuits pass."""
    plan = split(ODD["long crossing of two circuits"](), evaluations=EVALUATIONS)
    assert plan.trench_cost == pytest.approx(120 * 28.0 + 400.0)


def test_a_bound_holds_for_any_flow_factor() -> None:
    """A bound found at highest flows is one for plans at real flows: it reckons with the band's low edge."""
    problem = ODD["ground that costs nothing"]()
    found = fed(problem, 0, EVALUATIONS, 0.0)
    bounds = [
        split(replace(problem, flow_factor=factor), evaluations=300, limits=Limits(gap=0.01)).cost_bound
        for factor in (1.0, found.factor)
    ]
    assert all(bound <= found.plan.cost for bound in bounds)


def test_cases_are_what_their_names_say() -> None:
    for case in CASES:
        problem = posed(case)
        assert case.name.startswith(str(problem.nozzles)) and len(problem.pumps) == case.pumps
        assert sum(circuit.nozzles_at_most for circuit in problem.circuits) - problem.nozzles < len(problem.circuits)
        assert problem.sizes_at_most == SIZES_AT_MOST
        ends = [problem.layout.tail, problem.layout.head]
        for pump in range(case.pumps):  # at the end of one link
            assert sum(int((end == problem.pump_point(pump)).sum()) for end in ends) == 1


def test_a_table_has_a_row_for_the_case_and_one_for_its_peer() -> None:
    found = measured(CASES[0], seeds=1, evaluations=100, gap=0.5, cap_s=MINUTE_S, peers=[])
    head, _ = table.head()
    assert table.row(found).count("|") == head.count("|")
    assert math.isfinite(found.bounded.gap) and found.fed.verified
    answered = replace(found, peers=(("HiGHS", cold(ODD["one nozzle"](), MINUTE_S)), ("HiGHS", None)))
    *_, peers, _ = table.peers_head()
    assert all(row.count("|") == peers.count("|") for row in table.peer_rows(answered))
