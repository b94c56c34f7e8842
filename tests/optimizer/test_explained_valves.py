"""A design with valves in the field explained: the same main by hand, its rooms, and a pump more beside it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from optimizer.appraisal.explain import Explanation
from tests.optimizer.two_yards import answered, option, two_yards


@pytest.fixture(scope="module")
def explained(tmp_path_factory: pytest.TempPathFactory) -> Explanation:
    """The far shed with two circuits, its valves in the field, and a site to spare for one pump more."""
    scenario = two_yards(tmp_path_factory.mktemp("yards"), 60.0)
    sheds = ("Far shed", "Long shed")
    asked = option(scenario, pump_types=("Small",), pump_sites=sheds, circuits_least=2, circuits_most=2)
    dear = tuple(
        replace(site, missing=(("power", 9000.0),)) if site.name == "Long shed" else site
        for site in scenario.site.pump_sites
    )
    scenario = replace(scenario, site=replace(scenario.site, pump_sites=dear))
    found = answered(scenario, replace(asked, zone_valves="field"))
    assert found.verified and found.explanation is not None
    return found.explanation


def test_by_hand_the_main_stays_and_tubing_is_no_cheaper(explained: Explanation) -> None:
    by_hand = explained.by_hand
    assert by_hand.verified and by_hand.saving is not None and by_hand.saving >= -1e-9


def test_both_circuits_have_their_rooms_and_edges(explained: Explanation) -> None:
    rooms = [slack for slack in explained.slacks if slack.rule == "reserve"]
    assert [slack.at for slack in rooms] == ["C1", "C2"] and all(slack.slack >= 0.0 for slack in rooms)
    edges = [slack for slack in explained.slacks if slack.rule == "band.low"]
    assert len(edges) == 2 and all(slack.slack >= 0.0 for slack in edges)


def test_one_pump_more_stands_beside_the_main(explained: Explanation) -> None:
    """A pump like the first feeds some five nozzles more; 300 for it, 9,000 for power, 10 a nozzle are the least."""
    (pump,) = [one for one in explained.marginals if one.change == "pump"]
    assert pump.reason is None and pump.nozzles is not None and pump.cost is not None and pump.weighted_m2 is not None
    assert pump.nozzles > 0 and pump.weighted_m2 >= 8.0 * pump.nozzles and pump.cost >= 9300.0 + 10.0 * pump.nozzles
