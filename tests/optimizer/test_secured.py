"""A least yield as a rule: each way of meeting it, what stands in the way where none does, and that the band stays."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hydraulics.steady_tree import solve_tree
from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.publish import publish, study_text
from optimizer.scenario import Scenario, read_scenario
from optimizer.solve import SolveSettings
from optimizer.solve.secured import secured
from optimizer.study import Alternative, Study, StudySettings, study
from optimizer.verify import discrepancies
from optimizer.yields import field_of
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, yard

DRIFTS = 'set_pressure = { low = "-0.6 bar", high = "0.2 bar" }'
NARROWS = "bore_batch = { low = -0.06, high = 0.02 }"
EMPTY = Study("yard", "An invented yard", "USD", 0, ())
NARROW_TUBE = CATALOGUE.replace('bore = "4 mm"', 'bore = "1.5 mm"')


def posed(folder: Path, tolerances: str, highest: str = "15.5 bar", catalogue: str = CATALOGUE) -> Scenario:
    given = SCENARIO.replace('high = "15.5 bar"', f'high = "{highest}"')
    given = given.replace("[ground.lawn]", f"[tolerances]\nsamples = 500\n{tolerances}\n\n[ground.lawn]")
    return read_scenario(yard(folder, scenario=given, catalogue=catalogue))


def studied(scenario: Scenario) -> Study:
    return study(scenario, StudySettings(options=("one",), workers=1), silent, never)


def answered(scenario: Scenario) -> Alternative:
    return studied(scenario).alternatives[0]


def without_rule(scenario: Scenario) -> Alternative:
    assert scenario.tolerances is not None
    return answered(replace(scenario, tolerances=replace(scenario.tolerances, least_yield=None)))


def recounted(scenario: Scenario, one: Alternative) -> float:
    """The share of 100 samples that hold, each solved by the general solver, in the band as the scenario states it."""
    assert one.design is not None and scenario.tolerances is not None
    lowest = np.full(100, np.inf)
    for sampler in field_of(one.design, 0).samplers.values():
        states = sampler.drawn(scenario.tolerances.differs, 0, 0, 100)
        for s in range(100):
            state = solve_tree(*sampler.by_itself(states, s))
            lowest[s] = min(lowest[s], state.pressure_pa[sampler.nozzles].min())
    return float(np.mean(lowest >= scenario.rules.band_low_pa))


def test_a_higher_set_pressure_where_that_is_enough(tmp_path: Path) -> None:
    scenario = posed(tmp_path, f"least_yield = 0.9\n{DRIFTS}")
    plain, found = without_rule(scenario), answered(scenario)
    assert plain.verified and plain.field_yield is not None and plain.field_yield.share < 0.9
    assert found.verified and found.field_yield is not None and found.field_yield.share >= 0.9
    assert recounted(scenario, found) >= 0.85
    assert plain.design is not None and found.design is not None
    assert found.design.pumps[0].set_pressure_pa > plain.design.pumps[0].set_pressure_pa
    assert found.installed_cost == plain.installed_cost and found.nozzle_count == plain.nozzle_count
    assert found.design.verification.band_pa == (12e5, 15e5)
    assert any(line.startswith("yield: set pressure") for line in found.rounds)


def test_wider_tubing_where_the_pump_is_at_its_top(tmp_path: Path) -> None:
    scenario = posed(tmp_path, f"least_yield = 0.95\n{NARROWS}", "12.75 bar", NARROW_TUBE)
    plain, found = without_rule(scenario), answered(scenario)
    assert plain.field_yield is not None and plain.field_yield.share < 0.6
    assert found.verified and found.field_yield is not None and found.field_yield.share >= 0.95
    assert recounted(scenario, found) >= 0.9
    assert plain.design is not None and found.design is not None
    assert [n.chainage_m for n in found.design.nozzles] == [n.chainage_m for n in plain.design.nozzles]
    assert max(link.bore_m for link in found.design.links if link.tubing == "T6") == pytest.approx(0.00635)
    assert plain.installed_cost is not None and found.installed_cost is not None
    assert found.installed_cost > plain.installed_cost
    assert discrepancies(found.design) == () and found.design.verification.band_pa == (12e5, 15e5)
    assert any(line.startswith("yield: tubing for a low edge") for line in found.rounds)
    assert found.cost_bound_class is None or found.cost_bound_class.endswith("for the least yield")


def test_a_new_design_where_neither_is_enough_and_gaps_stay_against_every_design(tmp_path: Path) -> None:
    scenario = posed(tmp_path, 'least_yield = 0.99\nset_pressure = { low = "-3 bar", high = "1 bar" }')
    plain, found = without_rule(scenario), answered(scenario)
    assert found.verified and found.field_yield is not None and found.field_yield.share >= 0.99
    assert any(line.startswith("yield: designed for a low edge") for line in found.rounds)
    assert found.objective_bound == plain.objective_bound
    assert found.explanation is not None
    edges = [slack.words for slack in found.explanation.slacks if slack.rule == "band.low"]
    assert edges and all("raised by" in words for words in edges)


def test_a_least_yield_out_of_reach_says_what_is_reached_and_what_limits_it(tmp_path: Path) -> None:
    scenario = posed(tmp_path, 'least_yield = 0.99\nset_pressure = { low = "-4 bar", high = "0 bar" }')
    answer = studied(scenario)
    found = answer.alternatives[0]
    assert found.status == "unverified" and not found.verified and found.reason is not None
    assert "least yield of 99 % is not met" in found.reason and "hold on site" in found.reason
    assert "highest set pressure" in found.reason and "too narrow to raise its low edge" in found.reason
    assert "drift of the set pressure" in found.reason
    assert found.design is not None and found.design.verification.verified
    assert found.notes[0].startswith("holds on paper, ")
    publish(answer, scenario, tmp_path / "out")
    assert not (tmp_path / "out" / "one" / "quantities.csv").exists()  # no basis for a bid


def test_a_least_yield_that_is_met_anyhow_changes_nothing(tmp_path: Path) -> None:
    scenario = posed(tmp_path, 'least_yield = 0.9\nset_pressure = { low = "0 bar", high = "0.1 bar" }')
    plain, found = without_rule(scenario), answered(scenario)
    assert plain.design == found.design
    assert found.rounds == (*plain.rounds, "least yield 90 %: as first designed 100 % hold on site")


def test_the_same_scenario_gets_the_same_answer(tmp_path: Path) -> None:
    scenario = posed(tmp_path, f"least_yield = 0.95\n{NARROWS}", "12.75 bar", NARROW_TUBE)
    one, other = (replace(answered(scenario), seconds={}) for _ in range(2))
    assert study_text(replace(EMPTY, alternatives=(one,))) == study_text(replace(EMPTY, alternatives=(other,)))


def test_a_stop_ends_the_search_for_a_yield_and_says_so(tmp_path: Path) -> None:
    """What is known by then is kept: the design as first made, its yield, and that the rule is not met."""
    scenario = posed(tmp_path, f"least_yield = 0.95\n{NARROWS}", "12.75 bar", NARROW_TUBE)
    option = scenario.options[0]
    made = instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
    asked: list[str] = []

    def stop() -> bool:
        return any(stage == "yield" for stage in asked)

    found = secured(made, SolveSettings(), lambda progress: asked.append(progress.stage), stop)
    assert found.solved.reason is not None and "not met" in found.solved.reason
    assert found.field_yield is not None and found.field_yield.share < 0.95
    assert found.solved.design.verification.verified
