"""The elastic model never calls impossible what can be fed, and a refusal says the least that would resolve it.

References: enumeration of tiny sites, run splits with their full hydraulics, capacity reckoned by hand.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.errors import NoDesign, SolverLimit
from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.runs.elastic import RULES, in_conflict, reliefs
from optimizer.runs.problem import RunProblem
from optimizer.runs.required import required
from optimizer.solve import SolveSettings, solve
from optimizer.solve.conflict import resolved
from tests.optimizer.runs_enumeration import least_cost
from tests.optimizer.runs_sites import estate, problem_of
from tests.optimizer.test_capacity_edges import scenario
from tests.optimizer.test_runs_split import CASES, ESTATES, small


def carried(problem: RunProblem) -> tuple[float, ...]:
    return tuple(float(circuit.nozzles_at_most) for circuit in problem.circuits)


@pytest.mark.parametrize("case", CASES)
def test_what_enumeration_can_feed_is_not_called_impossible(case: str) -> None:
    """Set pressures from just above the band's low edge, where nothing can be fed, to where all can; and where the
    elastic model says that none can, enumeration of every tree, share and size finds none."""
    circuits, sites = CASES[case]
    told = {True: 0, False: 0}
    for seed in range(3):
        plain = small(seed, circuits, sites)
        for set_bar in (13.2, 13.8, 14.5, 15.0):
            pumps = tuple(replace(pump, set_pressure_pa=set_bar * 1e5) for pump in plain.pumps)
            problem = replace(plain, pumps=pumps)
            impossible = in_conflict(required(problem, carried(problem)))
            assert not (impossible and math.isfinite(least_cost(problem))), (seed, set_bar)
            told[impossible] += 1
    assert min(told.values()) > 0


@pytest.mark.parametrize("case", ESTATES)
def test_estates_full_to_the_last_nozzle_are_not_called_impossible(case: str) -> None:
    """tests/optimizer/test_runs_split.py feeds them all, verified by the nonlinear state."""
    circuits, sites = ESTATES[case]
    c, spots = estate(5, across=3, down=2, pitch_m=5.0)
    problem = problem_of(c, spots, circuits(len(spots.line)), sites=sites)
    assert not in_conflict(required(problem, carried(problem)))


def test_one_nozzle_too_many_takes_its_share_of_delivery_or_goes() -> None:
    """n nozzles, circuits that carry n - 1 in all: half a nozzle's worth short each way by hand: the circuit with the
    more room must carry one more than it does."""
    c, spots = estate(5, across=2, down=2, pitch_m=6.0)
    n = len(spots.line)
    problem = problem_of(c, spots, [(0, 0, n // 2), (0, 0, n - 1 - n // 2)])
    found = reliefs(required(problem, carried(problem)))
    assert found["locked"] == pytest.approx(1.0, rel=1e-3)
    assert found["reserve"] == pytest.approx(1.0 / (n // 2), rel=1e-3)  # the larger circuit takes the one more


def test_157_locked_nozzles_where_two_circuits_carry_78_9_each(tmp_path: Path) -> None:
    """79 on one circuit take 79 / 78.9 of its delivery: 0.13 % more; or one position unlocked."""
    given = scenario(tmp_path, locked=157)
    option = next(option for option in given.options if option.name == "any")
    posed = instance(given, option, candidates(given, given.nozzle_of(option)))
    with pytest.raises(NoDesign) as caught:
        solve(posed, SolveSettings(), silent, never)
    words = str(caught.value)
    assert "157 locked positions are more than the 156 nozzles" in words
    assert "the 157 locked positions can be fed only with at least 0.13 % more delivery of a pump, or 1 posi" in words


def test_a_refusal_without_locked_positions_stays_as_it_is(tmp_path: Path) -> None:
    given = scenario(tmp_path, locked=0)
    option = next(option for option in given.options if option.name == "any")
    posed = instance(given, option, candidates(given, given.nozzle_of(option)))
    refusal = NoDesign("band", "as it was")
    assert resolved(posed, refusal) is refusal


def test_a_refusal_that_is_not_proven_stays_as_it_is(tmp_path: Path) -> None:
    """156 locked positions can be fed, so that whatever refused them was no proof."""
    given = scenario(tmp_path, locked=156)
    option = next(option for option in given.options if option.name == "any")
    posed = instance(given, option, candidates(given, given.nozzle_of(option)))
    refusal = NoDesign("band", "as it was")
    assert resolved(posed, refusal) is refusal


@pytest.mark.parametrize(("valves", "told"), [("pump", True), ("field", False)])
def test_runs_too_long_for_locked_positions_are_told_unless_valves_stand_in_the_field(
    tmp_path: Path, valves: str, told: bool
) -> None:
    """40 locked positions, 20 on each wire, reach 19.5 m along it, with the link of 4 m 23.5 m, with 5 % allowance
    24.675 m; the drop from the pump at 2.5 m and the riser to the wire add 5 m: 29.675 m where runs may be 20 m long.
    Within 20 m lie (20 - 5) / 1.05 - 4 = 10.3 m of wire, 10 positions each: the other 20 would have to go."""
    given = scenario(tmp_path, locked=40)
    given = replace(given, rules=replace(given.rules, run_longest_m=20.0))
    option = next(option for option in given.options if option.name == "any")
    posed = instance(given, replace(option, zone_valves=valves), candidates(given, given.nozzle_of(option)))  # type: ignore[arg-type]
    refusal = NoDesign("run_longest", "as it was")
    found = resolved(posed, refusal)
    assert (found is not refusal) == told
    if told:
        assert "only with at least runs 9.7 m (31.7 ft) longer, or 20 positions unlocked" in str(found)


def test_a_solver_that_comes_to_no_answer_proves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """No conflict is claimed, no amount is known, and no rule is said to be of no use."""

    def limited(*_: object, **__: object) -> None:
        raise SolverLimit("a limit was reached")

    c, spots = estate(5, across=2, down=2, pitch_m=6.0)
    problem = problem_of(c, spots, [(0, 0, 1)])
    data = required(problem, carried(problem))
    assert in_conflict(data) and reliefs(data)["locked"] > 0.0
    monkeypatch.setattr("optimizer.runs.elastic.solve", limited)
    assert not in_conflict(data)
    assert set(reliefs(data)) == set(RULES) and not any(reliefs(data).values())
