"""Random small sites with a planted design, and others made infeasible in a known way: a few seeds of each.

The reference is the planted design: legal by `geometry`, fed and proven by `hydraulics.solve_tree` alone, so a design
at least that good exists. All 200 and 50 seeds run by `python -m tests.benchmarks.planted`, see its README.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.benchmarks.planted.answers import answer_to_planted, answer_to_spoiled
from tests.benchmarks.planted.files import read
from tests.benchmarks.planted.planting import KINDS, planted
from tests.benchmarks.planted.spoiled import WAYS, spoiled

SEEDS = (1, 5, 7, 10, 12, 66)  # quick ones: every kind, one and two circuits


@pytest.mark.parametrize("seed", SEEDS)
def test_the_answer_is_at_least_as_good_as_the_planted_design(seed: int) -> None:
    answer = answer_to_planted(planted(seed))
    assert not answer.problem, answer


@pytest.mark.parametrize("seed", range(len(WAYS)))
def test_the_refusal_names_the_rule(seed: int) -> None:
    answer = answer_to_spoiled(spoiled(seed))
    assert not answer.problem, answer


def test_the_seeds_plant_every_kind() -> None:
    assert {planted(seed).kind for seed in SEEDS} == set(KINDS)


def test_a_seed_gives_the_same_case_again() -> None:
    assert planted(3) == planted(3)


def test_a_planted_design_that_nobody_reaches_is_told() -> None:
    found = planted(1)
    answer = answer_to_planted(replace(found, value=100.0 * found.value))
    assert answer.problem.startswith("covers less than planted")


def test_the_reader_reads_what_was_planted(tmp_path: Path) -> None:
    found = planted(1)
    rules = read(found.case, tmp_path).rules
    assert rules.band_low_pa == pytest.approx(found.case.band_bar[0] * 1e5, abs=10.0)
    assert rules.reserve == found.case.reserve
