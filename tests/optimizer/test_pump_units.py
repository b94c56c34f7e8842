"""Pump units chosen in an option's range, against enumeration: every arrangement asked for by itself."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations_with_replacement
from typing import Any

import pytest
from typer.testing import CliRunner

import optimizer.study as module
from optimizer.cli import app
from optimizer.errors import SolverError
from optimizer.instance import Instance, Unit, candidates, instance, nozzles_at_most
from optimizer.progress import never, silent
from optimizer.scenario import Scenario
from optimizer.solve import Solved
from optimizer.solve.arranged import arrangements, best_of, largest_shares
from optimizer.solve.supply import group_choices, site_choices
from tests.optimizer.two_yards import answered, option, two_yards

LANE = 400.0  # a metre; crossing it costs more than any pump


@pytest.fixture(scope="module", name="yards")
def _yards(tmp_path_factory: pytest.TempPathFactory) -> Scenario:
    return two_yards(tmp_path_factory.mktemp("yards"), LANE)


def test_every_combination_within_the_range_is_known(yards: Scenario) -> None:
    """Counted by itertools: multisets of 2 types with 1 or 2 circuits, of 1 or 2 units."""
    asked = option(yards, pumps_most=2, circuits_most=2)
    posed = instance(yards, asked, candidates(yards, yards.nozzle_of(asked)))
    found = arrangements(posed)
    kinds = [(pump.name, circuits) for pump in posed.pumps for circuits in (1, 2)]
    expected = {tuple(sorted(own)) for n in (1, 2) for own in combinations_with_replacement(kinds, n)}
    assert {tuple(sorted((unit.pump.name, unit.circuits) for unit in units)) for units in found} == expected
    assert len(found) == len(expected) == 14
    assert max(largest_shares(posed, found)) == (nozzles_at_most(yards, asked),)


def test_unlike_units_stand_at_either_site_and_like_ones_are_not_told_apart(yards: Scenario) -> None:
    asked = option(yards, pumps_most=2)
    posed = instance(yards, asked, candidates(yards, yards.nozzle_of(asked)))
    large, small = (Unit(pump, 1) for pump in posed.pumps)
    assert site_choices(posed, (large, small)) == ((0, 1), (1, 0))
    assert site_choices(posed, (large, large)) == ((0, 1),)
    assert list(group_choices((Unit(large.pump, 2), small), 2)) == [
        ((0, 0), (1,)),
        ((0, 1), (0,)),
        ((0, 1), (1,)),
        ((1, 1), (0,)),
    ]


def test_the_highest_value_wins_but_where_another_within_the_gap_is_cheaper() -> None:
    """Small cases by hand."""
    found = [(100.0, 50.0), (99.8, 20.0), (98.0, 10.0), (60.0, 1.0)]
    assert best_of(found, 0.005)[0] == 1
    assert best_of(found, 0.0)[0] == 0
    assert best_of(found, 0.03)[0] == 2
    assert sorted(best_of(found, 0.005)) == [0, 1, 2, 3] and best_of(found, 0.005)[-1] == 3
    assert best_of([(5.0, 2.0), (5.0, 1.0)], 0.0) == [1, 0]


def test_a_range_picks_what_enumeration_picks(yards: Scenario) -> None:
    """Each arrangement that an option of fixed counts and one type can ask for is answered by itself; the range must
    cover as much as the best within the gap, and cost no more than any that does. The cheapest is one of two unlike
    units, the large one by the long yard, for the short yard needs few nozzles and the lane is dear."""
    gap = 0.005
    alone = [
        answered(yards, option(yards, pumps_least=n, pumps_most=n, pump_types=(name,)))
        for n in (1, 2)
        for name in ("Large", "Small")
    ]
    found = answered(yards, option(yards, pumps_least=1, pumps_most=2))
    assert found.verified and found.objective_value is not None and found.installed_cost is not None
    values = [one.objective_value or 0.0 for one in alone if one.verified]
    assert found.objective_value >= (1.0 - gap) * max(values)
    for one in alone:
        assert one.objective_value is not None and one.installed_cost is not None
        assert one.objective_value < (1.0 - gap) * max(values) or one.installed_cost >= found.installed_cost
    assert found.pump_types == ("Large", "Small") and found.pump_sites == ("Long shed", "Short shed")
    assert found.pump_count == 2 and found.circuit_count == 2
    assert any("pump units chosen among 5 arrangements" in note for note in found.notes)


def test_a_defect_of_one_option_leaves_the_others(yards: Scenario, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first option's solver breaks down: its alternative says so, the second is answered, the command exits 1."""
    real = module.secured

    def breaking(posed: Instance, *rest: Any) -> Solved:
        if posed.option.name == "broken":
            raise SolverError("a bound lies below a value")
        return real(posed, *rest)

    monkeypatch.setattr(module, "secured", breaking)
    small = option(yards, pump_types=("Small",))
    asked = replace(yards, options=(replace(small, name="broken"), small))
    broken, whole = module.study(asked, module.StudySettings(workers=1), silent, never).alternatives
    assert broken.status == "defect" and broken.design is None and whole.verified
    assert broken.reason is not None and "a bound lies below a value" in broken.reason
    monkeypatch.setattr("optimizer.scenario.read_scenario", lambda _: asked)
    monkeypatch.setattr("optimizer.study.study", lambda *_: replace(_no_study(asked), alternatives=(broken, whole)))
    monkeypatch.setattr("optimizer.cli._publish", lambda *_: None)
    assert CliRunner().invoke(app, ["study", "yards", "--out", "nowhere_yet"]).exit_code == 1


def _no_study(asked: Scenario) -> module.Study:
    return module.Study(asked.name, asked.title, "USD", 0, ())


def test_the_same_range_gives_the_same_design(yards: Scenario) -> None:
    asked = option(yards, pumps_least=1, pumps_most=2, pump_types=("Small",), circuits_most=2)
    assert answered(yards, asked).design == answered(yards, asked).design
