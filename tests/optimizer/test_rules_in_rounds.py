"""Rules on runs in the rounds: balance of circuits by enumeration of counts, and designs that keep each rule."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from optimizer.run_rules import run_faults
from optimizer.scenario import Scenario
from optimizer.solve.balance import even_limits
from tests.optimizer.two_yards import answered, option, two_yards


@pytest.fixture(scope="module", name="scenario")
def _scenario(tmp_path_factory: pytest.TempPathFactory) -> Scenario:
    return two_yards(tmp_path_factory.mktemp("yards"), 60.0)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.2, 0.5])
@pytest.mark.parametrize("nozzles", [7, 10, 23, 100])
def test_two_circuits_within_even_limits_are_balanced_where_any_counts_are(nozzles: int, share: float) -> None:
    """Every way to deal equal nozzles to two circuits, looked at one by one."""
    ((cap, other),) = even_limits(((nozzles, nozzles),), nozzles, share)
    assert cap == other
    kept = [n for n in range(nozzles + 1) if min(n, nozzles - n) >= (1.0 - share) * max(n, nozzles - n) - 1e-9]
    within = [n for n in range(nozzles + 1) if max(n, nozzles - n) <= cap]
    assert within and (not kept or within == kept)


def test_a_design_keeps_the_balance_on_its_real_flows(scenario: Scenario) -> None:
    """Eleven nozzles in the long yard and few in the short one: without the rule the circuits part at the lane."""
    asked = option(scenario, pump_types=("Large",), pump_sites=("Short shed",), circuits_least=2, circuits_most=2)
    tight = replace(scenario, rules=replace(scenario.rules, circuit_balance=0.15))
    free, held = answered(scenario, asked), answered(tight, asked)
    assert free.verified and free.design is not None and held.verified and held.design is not None
    flows = list(held.design.verification.flow_m3_s.values())
    assert min(flows) >= 0.85 * max(flows)
    assert held.design.run_rules.circuit_balance == 0.15 and not held.design.verification.run_faults
    ruled = replace(free.design, run_rules=held.design.run_rules)
    loose = list(free.design.verification.flow_m3_s.values())
    assert bool(run_faults(ruled, free.design.verification.flow_m3_s)) == (min(loose) < 0.85 * max(loose))


def test_runs_are_no_longer_than_the_rule_allows(scenario: Scenario) -> None:
    """From the long shed to the far end of the long yard are 27 m with 5 % allowance and 2.5 m of riser: with 20 m the
    far third goes without nozzles; without the rule it has some. Lengths are counted from the links by hand."""
    asked = option(scenario, pump_types=("Large",), pump_sites=("Long shed",))
    ruled = replace(scenario, rules=replace(scenario.rules, run_longest_m=20.0))
    free, held = answered(scenario, asked), answered(ruled, asked)
    assert free.verified and held.verified and free.design is not None and held.design is not None
    assert min(n.chainage_m for n in free.design.nozzles if n.line == "Long") < 27.0 - 20.0
    assert min(n.chainage_m for n in held.design.nozzles if n.line == "Long") >= 27.0 - 20.0 / 1.05
    metres = {"P1": 0.0}
    for link in held.design.links:
        metres[link.to] = metres[link.from_] + (0.0 if link.tubing == "manifold" else link.length_m)
    assert max(metres.values()) <= 20.0 + 1e-9
    assert held.objective_value is not None and free.objective_value is not None
    assert held.objective_value <= free.objective_value


def test_runs_hold_no_more_nozzles_than_the_rule_allows(scenario: Scenario) -> None:
    """Counted from the design by run name."""
    asked = option(scenario, pump_types=("Large",), pump_sites=("Far shed",))
    ruled = replace(scenario, rules=replace(scenario.rules, run_nozzles_most=4))
    held = answered(ruled, asked)
    assert held.verified and held.design is not None
    counts = Counter((nozzle.circuit, nozzle.run) for nozzle in held.design.nozzles)
    assert max(counts.values()) <= 4 and len(held.design.nozzles) > 4
