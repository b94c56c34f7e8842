"""What one step of relief buys, on a wire 60 m long with its pump 12 m from one end: reckoned by hand and verified.

With one tubing size both arms bear the wide one, which the long arm needs; with two the short arm bears the narrow.
"""

from __future__ import annotations

import re
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hydraulics.friction import GRAVITY_M_S2
from optimizer.appraisal.explain import Explanation
from optimizer.appraisal.explain_words import STEPS, explain_remarks, step_rows
from optimizer.appraisal.hand import ByHand
from optimizer.appraisal.marginals import Marginal, Steps, marginals
from optimizer.errors import NoDesign
from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.scenario import read_scenario
from optimizer.solve.posed import placement_problem
from optimizer.solve.supply import Supply
from optimizer.solve.trial import Effort, Feeder, Trial
from optimizer.verify import verify
from tests.optimizer.garden_site import box, feature
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, swapped, yard

README = Path(__file__).resolve().parents[2] / "README.md"
SHORT_M, LONG_M, ALLOWANCE = 12.0, 48.0, 1.05
T4, T6 = 1.5 + 2.0, 2.5 + 2.25  # prices of a metre with fixing, of tests/optimizer/scenario_files.py
SET_PA = 13e5
AT = (-12.0, -4.0, 4.0, 12.0, 20.0, 28.0, 36.0, 44.0, 48.0)  # from the pump


def wire() -> dict[str, Any]:
    return {
        "type": "FeatureCollection",
        "schema_version": 1,
        "name": "invented wire",
        "frame": "local_m",
        "features": [
            feature("boundary", "Polygon", [box(-30, -20, 70, 20)]),
            feature("zone", "Polygon", [box(-16, 0, 52, 4)], name="Lawn", schedule="late"),
            feature("mounting_line", "LineString", [[-12, 0], [0, 0], [48, 0]], name="Wire", height_m=2.0, facing=0),
            feature("tubing_link", "LineString", [[0, 0], [0, -1]], name="Drop", ground="lawn"),
            feature("pump_site", "Point", [0, -1], name="Shed"),
        ],
    }


def fed(folder: Path, sizes: int, set_pa: float = SET_PA, delivery: str = "2 L/min", outlets: int = 2) -> Steps:
    """The design with so many tubing sizes, and the steps from it."""
    shop = swapped(CATALOGUE, 'bore = "4 mm"', 'bore = "2.2 mm"')
    shop = swapped(shop, 'delivery = "2 L/min"', f'delivery = "{delivery}"')
    shop = swapped(shop, "outlets = 2", f"outlets = {outlets}")
    text = swapped(SCENARIO, "tubing_sizes = 2", f"tubing_sizes = {sizes}")
    scenario = read_scenario(yard(folder, scenario=text, catalogue=shop, site=wire()))
    option = scenario.options[0]
    posed = instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
    chosen = [int(np.flatnonzero(np.isclose(posed.candidates.chainage_m, x + 12.0))[0]) for x in AT]
    feeder = Feeder(posed, silent, never)
    supply = Supply((posed.pumps[0],), (0,), ((0,),), (set_pa,))
    trial = feeder.feed(supply, chosen, ((len(chosen),),), Effort(2.0, 200, 4, seed=1))
    assert trial.design.verification.verified
    return Steps(feeder, placement_problem(posed), trial, 0)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Steps:
    return fed(tmp_path_factory.mktemp("wire"), 1)


def told(steps: Steps, change: str) -> Marginal:
    (found,) = (steps.bought(step) for step in steps.steps() if step.change == change)
    return found


def metres(trial: Trial) -> dict[str, float]:
    """Metres of each size in a design."""
    found: dict[str, float] = {}
    for link in trial.design.links:
        found[link.tubing] = found.get(link.tubing, 0.0) + link.length_m
    del found["manifold"]
    return found


def test_a_second_size_saves_the_price_of_width_on_the_short_arm(plain: Steps) -> None:
    """12 m of arm with its allowance at the difference of the two prices; one coupling, at 2.5, where the trunk of 1 m
    branches into arms of two sizes."""
    assert set(metres(plain.trial)) == {"T6"}
    found = told(plain, "tubing_size")
    assert found.cost == pytest.approx(-SHORT_M * ALLOWANCE * (T6 - T4) + 2.5)
    assert (found.nozzles, found.weighted_m2, found.reason) == (0, 0.0, None)


def test_no_step_to_more_sizes_where_all_on_offer_may_be_used(tmp_path: Path) -> None:
    steps = fed(tmp_path, 2)
    assert set(metres(steps.trial)) == {"T4", "T6"}
    assert "tubing_size" not in {step.change for step in steps.steps()}


def test_every_step_that_tells_figures_has_a_design_that_verifies(plain: Steps) -> None:
    """The full check anew from each step's design, nozzles and bill counted from it."""
    seen = set()
    for step in plain.steps():
        found = plain.bought(step)
        if found.reason is None:
            trial = step.taken()
            state = verify(trial.design)
            assert not (state.high_faults or state.pump_faults or state.low_faults), step.words
            assert found.nozzles == len(trial.design.nozzles) - len(AT)
            seen.add(step.change)
    assert {"head", "band", "tubing_size", "delivery", "circuit"} <= seen


def test_head_and_a_lower_edge_buy_no_dearer_tubing(plain: Steps) -> None:
    """The design itself still stands after either, so neither can cost more; a metre is rho g 1 m, 0.0979 bar."""
    for change in ("head", "band"):
        found = told(plain, change)
        assert found.cost is not None and found.cost <= 1e-9
        assert "0.10 bar" in found.step
    assert plain.metre_pa == pytest.approx(998.2 * GRAVITY_M_S2, rel=1e-4)


def test_a_wider_trunk_costs_its_metre(plain: Steps, tmp_path: Path) -> None:
    """One metre of trunk with its allowance and 2 m of riser without go from T4 to T6. Either way one arm is of another
    size than the trunk, so that couplings stay as many."""
    steps = fed(tmp_path, 2)
    (circuit,) = steps.made.plan.circuits
    narrow = tuple(use if use.run else replace(use, tubing=0) for use in circuit.pieces)
    plan = replace(steps.made.plan, circuits=(replace(circuit, pieces=narrow),))
    thin = steps.feeder.trial(steps.made.pumps, steps.made.chosen, steps.problem, plan)
    found = told(Steps(steps.feeder, steps.base, thin, 0), "trunk")
    assert found.cost == pytest.approx((1.0 * ALLOWANCE + 2.0) * (T6 - T4)) and "lowest pressure" in found.note
    assert told(plain, "trunk").reason == "no circuit has a trunk that could be wider"


def test_more_delivery_feeds_as_many_nozzles_as_it_says(tmp_path: Path) -> None:
    """Nozzles that 5 % more delivery have room for at the mean flow, beyond the nine; each adds least_gain at least,
    and costs its price at least."""
    usable = 0.85 * 0.5 / 60e3  # of 0.5 L/min
    steps = fed(tmp_path, 1, delivery="0.5 L/min")
    flow = sum(nozzle.flow_m3_s for nozzle in steps.trial.design.nozzles)
    mean = flow / len(AT)
    room = int(1.05 * usable / mean) - len(AT)
    found = told(steps, "delivery")
    assert found.nozzles is not None and found.weighted_m2 is not None and found.cost is not None
    assert found.nozzles == room
    assert (found.weighted_m2 >= 2.0 * room) and (found.cost >= 10.0 * room)  # least_gain; price of a nozzle


def test_what_run_rules_cost_is_told_where_some_are_stated(plain: Steps) -> None:
    """The long arm bears seven nozzles: a rule of seven costs nothing here, where every tree is the same."""
    assert "run_rules" not in {step.change for step in plain.steps()}
    scenario = plain.made.instance.scenario
    ruled = replace(scenario, rules=replace(scenario.rules, run_nozzles_most=7))
    posed = replace(plain.made.instance, scenario=ruled)
    feeder = replace(plain.feeder, instance=posed)
    problem = replace(plain.problem, run_nozzles_most=7)
    trial = feeder.trial(plain.made.pumps, plain.made.chosen, problem, plain.made.plan)
    assert trial.design.verification.verified
    found = told(Steps(feeder, plain.base, trial, 0), "run_rules")
    assert found.reason is None and found.cost == pytest.approx(0.0, abs=1e-9)


def test_steps_that_the_site_has_no_place_for_say_so(tmp_path: Path) -> None:
    steps = fed(tmp_path, 1, outlets=1)
    assert told(steps, "circuit").reason == "no pump has an outlet to spare"
    assert told(steps, "pump").reason == "no pump site is free"


def test_a_step_that_breaks_capacity_does_not_verify(plain: Steps) -> None:
    """The pump's delivery made to be just what the design takes: a metre of head more takes more."""
    flow = sum(nozzle.flow_m3_s for nozzle in plain.trial.design.nozzles)
    pump = replace(plain.made.pumps[0], delivery_m3_s=flow / 0.85 * (1 + 1e-6))
    full = replace(plain.trial, layout=replace(plain.made, pumps=(pump,)))
    found = told(Steps(plain.feeder, plain.base, full, 0), "head")
    assert found.nozzles is None
    assert "does not verify: beyond the pump: P1: circuit C1 takes more" in (found.reason or "")


def test_the_same_steps_buy_the_same(plain: Steps) -> None:
    twice = [marginals(plain.feeder, plain.base, plain.trial, 0) for _ in range(2)]
    assert twice[0] == twice[1] and len(twice[0]) == 7


def test_after_a_stop_nothing_more_is_asked(plain: Steps) -> None:
    stopped = replace(plain.feeder, stop=lambda: True)
    assert marginals(stopped, plain.base, plain.trial, 0) == ()


def test_rows_and_remarks_carry_units() -> None:
    """Source of the factor: NIST SP 811, 1 ft = 0.3048 m."""
    bought = Marginal("delivery", "pumps of 5 % more delivery", 2, 9.290304, 51.4)
    nothing = Marginal("head", "pumps set one metre of head higher", 0, 0.0, 0.2)
    refused = Marginal("pump", "one pump more", reason="no pump site is free")
    one = Explanation(ByHand(False, None), (), (nothing, bought, refused))
    metric, us = ({name: cell(one) for name, cell in step_rows(units, "EUR")} for units in ("metric", "us"))
    assert metric["5 % more delivery"] == "+9.3 m², +51 EUR" and us["5 % more delivery"] == "+100 ft², +51 EUR"
    assert metric["pumps set 1 m of head higher"] == "nothing" and metric["one pump more"] == "–"
    assert list(explain_remarks(one)) == ["what binds: no rule", "one pump more: no pump site is free"]


def test_every_member_and_change_is_told_in_the_readme(plain: Steps) -> None:
    read = set(re.findall(r"`([\w.]+)`", README.read_text(encoding="utf-8")))
    changes = {step.change for step in plain.steps()} | {"run_rules"}
    assert changes == set(STEPS)
    assert {field.name for field in fields(Marginal)} | changes <= read


def test_where_a_search_finds_nothing_the_designs_own_run_split_is_left(
    plain: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A refusal of the search must not lose a verified design: what it needs is known, and the study goes on."""

    def refused(*_: object) -> None:
        raise NoDesign("band", "no run split was found")

    monkeypatch.setattr(Feeder, "again", refused)
    assert plain.cheapest(plain.problem).design.verification.verified
    found = marginals(plain.feeder, plain.base, plain.trial, 0)
    assert "head" in {one.change for one in found}
