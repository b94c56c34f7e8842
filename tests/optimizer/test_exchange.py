"""Moves of single nozzles, and which further start is tried: by enumeration, by hand, and against a planted design.

The planted design is fed and proven by `hydraulics.solve_tree` alone, so what it covers can be won back.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import pytest

from optimizer.placement.problem import PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.progress import never, silent
from optimizer.solve.best import close_claim
from optimizer.solve.exchange import exchanges, won_back
from optimizer.solve.explore import Start
from optimizer.solve.posed import limited, placement_problem
from optimizer.solve.servable import highest_pressures_pa
from optimizer.solve.trial import Effort, Feeder
from tests.benchmarks.planted.planting import planted
from tests.optimizer.placement_cases import Choice, placements, random_problem, value_of
from tests.optimizer.test_servable import chosen, everywhere, instance_of

TIGHT = 156  # a seed whose head is tight to 0.1 mbar, with one tubing size


def moves(problem: PlacementProblem, choice: Choice, least_gain: float, least_of_one_more: float) -> set[Choice]:
    """Every legal choice with one nozzle elsewhere, or one more, that gains as much."""
    value = value_of(problem, choice)
    near = [c for c in placements(problem) if len(set(c) - set(choice)) == 1]
    moved = {c for c in near if len(c) == len(choice) and value_of(problem, c) >= value + least_gain}
    grown = {c for c in near if set(c) > set(choice) and value_of(problem, c) >= value + least_of_one_more}
    return moved | grown


@pytest.mark.parametrize(
    "rule",
    ["locked", "barred", "continuous", "limits", "rows", "need", "bonus", "floors", "across", "facings", "drifts"],
)
def test_every_move_that_gains_enough_is_found(rule: str) -> None:
    found = 0
    for seed in range(12):
        problem = random_problem(seed, rule)
        for choice in list(placements(problem))[::7]:
            expected = moves(problem, choice, 2.0, 3.0)
            told = exchanges(problem, choice, 2.0, 3.0)
            assert set(told) == expected and len(told) == len(expected)
            values = [value_of(problem, c) for c in told]
            assert values == sorted(values, reverse=True)
            found += len(told)
    assert found


@pytest.mark.parametrize("instead", [[-1], []], ids=["one stands elsewhere", "one is missing"])
def test_a_nozzle_left_out_is_won_back(instead: list[int], tmp_path: Path) -> None:
    case = planted(TIGHT)
    asked = instance_of(case, tmp_path)
    supply, planted_ones = everywhere(asked, case.set_bar), sorted(chosen(case, asked))
    most = highest_pressures_pa(asked, supply).max(axis=0)
    hardest = min(planted_ones, key=lambda j: most[j])
    limits = ((len(planted_ones),),)
    base = limited(placement_problem(asked), asked, supply, limits)
    feeder = Feeder(asked, silent, never)
    others = [j for j in planted_ones if j != hardest]
    trial = feeder.feed(supply, [*others, *(hardest + by for by in instead)], limits, Effort(0.6, 100, 3, 0))
    assert trial.design.verification.verified
    before = Selection(Cover(base), trial.layout.chosen).value
    won = won_back(feeder, base, trial, 0.005 * before, seed=0)
    assert won.design.verification.verified
    assert before < case.value <= Selection(Cover(base), won.layout.chosen).value


def start(score: float, claimed: float, band_kept: bool = True) -> Start:
    """A start of 10 nozzles; what it feeds does not matter here."""
    unseen = cast(Any, None)
    return Start(unseen, unseen, ((4, 6),), 0.9, (band_kept, score, 0.0), False, {}, claimed)


def test_a_start_that_scores_as_well_and_claims_more_is_tried() -> None:
    first = start(1000.0, 900.0)
    near, worse, less = start(986.0, 910.0), start(984.0, 950.0), start(999.0, 890.0)
    assert close_claim([first, less, near, worse]) is near
    assert close_claim([first, less, worse]) is None
    assert close_claim([first, start(999.0, 910.0, band_kept=False)]) is None


def test_a_score_further_off_than_a_nozzle_is_not_as_good() -> None:
    first = start(1000.0, 50.0)  # 5 m² a nozzle
    assert close_claim([first, start(994.0, 60.0)]) is None
    near = start(996.0, 60.0)
    assert close_claim([first, near]) is near
