"""A design held against the run split by hand: verified anew, bill reckoned from its links, refusals in words."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import fields, replace
from pathlib import Path

import pytest

from optimizer.appraisal.explain import Explanation
from optimizer.appraisal.explain_words import explain_remarks, hand_rows
from optimizer.appraisal.hand import ByHand, hand_trial, held_against_hand
from optimizer.appraisal.words import NONE
from optimizer.solve.trial import Trial
from optimizer.verify import verify
from tests.optimizer.garden_trial import garden_trial

README = Path(__file__).resolve().parents[2] / "README.md"


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    return garden_trial(tmp_path_factory.mktemp("garden"))


def test_the_same_nozzles_are_fed_by_hand_and_verified_anew(trial: Trial) -> None:
    hand = hand_trial(trial)
    assert isinstance(hand, Trial)
    places = [sorted((n.line, n.chainage_m, n.azimuth_deg) for n in one.design.nozzles) for one in (trial, hand)]
    assert places[0] == places[1] and len(places[0]) > 10
    assert verify(hand.design).verified
    tubes = {link.tubing for link in hand.design.links} - {"manifold"}
    assert len(tubes) == 1


def test_what_is_saved_is_the_difference_of_two_bills(trial: Trial) -> None:
    """Tubing reckoned from the links of both designs at the catalogue's prices; the rest of the bill is nozzles, pump
    unit and site works, the same for both, and fittings and ground work."""
    hand, told = hand_trial(trial), held_against_hand(trial)
    assert isinstance(hand, Trial) and told.verified and told.reason is None
    catalogue = trial.layout.instance.scenario.catalogue
    costs = []
    for one in (trial, hand):
        metres: dict[str, float] = defaultdict(float)
        for link in one.design.links:
            metres[link.tubing] += link.length_m if link.tubing != "manifold" else 0.0
        priced = {name: length * (catalogue.tube(name).price_per_m + catalogue.tube(name).fixing_per_m)
                  for name, length in metres.items() if length}  # fmt: skip
        costs.append((sum(metres.values()), sum(priced.values())))
    assert told.tubing_m == pytest.approx(costs[1][0])
    assert one.layout.plan.tubing_cost == pytest.approx(costs[1][1])
    assert told.laid_cost is not None and told.installed_cost is not None
    assert told.saving is not None and told.saving_laid is not None
    own_laid = told.laid_cost * (1 - told.saving_laid)
    own_all = told.installed_cost * (1 - told.saving)
    assert told.laid_cost - own_laid == pytest.approx(told.installed_cost - own_all)
    ground = hand.layout.plan.trench_cost - trial.layout.plan.trench_cost
    assert told.laid_cost - own_laid == pytest.approx(costs[1][1] - costs[0][1] + ground, abs=25.0)  # but for fittings
    assert own_all >= own_laid > 0


def test_a_set_pressure_too_high_for_the_band_is_lowered(trial: Trial) -> None:
    """A bar above the band's top nozzles near the pump stand above the band: the rival may be set lower."""
    high = trial.layout.instance.scenario.rules.band_high_pa
    pumps = tuple(replace(pump, set_pressure_pa=high + 1e5) for pump in trial.layout.problem.pumps)
    raised = replace(trial, layout=replace(trial.layout, problem=replace(trial.layout.problem, pumps=pumps)))
    hand = hand_trial(raised)
    assert isinstance(hand, Trial) and hand.design.verification.verified
    assert hand.layout.problem.pumps[0].set_pressure_pa < high + 1e5


def test_where_no_size_by_itself_does_the_reason_is_told(trial: Trial) -> None:
    thin = tuple(replace(tube, bore_m=0.0005) for tube in trial.layout.problem.tubing)
    bad = replace(trial, layout=replace(trial.layout, problem=replace(trial.layout.problem, tubing=thin)))
    told = held_against_hand(bad)
    assert not told.verified and told.tubing is None and "by hand the worst nozzle gets" in (told.reason or "")
    cells = {name: cell(told) for name, cell in hand_rows("metric", "EUR")}
    assert cells.pop("by hand") == "none" and set(cells.values()) == {NONE}
    assert list(explain_remarks(Explanation(told, ()))) == ["what binds: no rule", f"by hand: {told.reason}"]


def test_rows_carry_units_in_either_system() -> None:
    """Source of the factors: NIST SP 811, 1 ft = 0.3048 m, 1 psi = 6894.757 Pa."""
    one = ByHand(True, None, "T6", 304.8, (13e5, 13e5, 14e5), 1000.0, 0.25, 4000.0, 0.1)
    metric, us = ({name: cell(one) for name, cell in hand_rows(units, "EUR")} for units in ("metric", "us"))
    assert metric["tubing by hand"] == "305 m of T6" and us["tubing by hand"] == "1000 ft of T6"
    assert metric["set pressure by hand"] == "13.00 bar to 14.00 bar"
    assert us["set pressure by hand"] == "188.5 psi to 203.1 psi"
    assert (metric["laid by hand"], metric["saved of what is laid"]) == ("1,000 EUR", "25.0 %")
    assert (metric["installed cost by hand"], metric["saved of the installed cost"]) == ("4,000 EUR", "10.0 %")


def test_every_member_is_told_in_the_readme() -> None:
    told = set(re.findall(r"`(\w+)`", README.read_text(encoding="utf-8")))
    assert {field.name for field in fields(ByHand)} <= told
