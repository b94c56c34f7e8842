"""Random small sites with a planted design, and others made infeasible in a known way: a few seeds of each.

The reference is the planted design: legal by `geometry`, fed and proven by `hydraulics.solve_tree` alone, so a design
at least that good exists. All 200 and 50 seeds run by `python -m tests.benchmarks.planted`, see its README.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from shapely import LineString, Point, box

from tests.benchmarks.planted.answers import answer_to_planted, answer_to_spoiled
from tests.benchmarks.planted.files import read
from tests.benchmarks.planted.planting import KINDS, planted
from tests.benchmarks.planted.spacing import Spot, stand_apart, stand_close
from tests.benchmarks.planted.spoiled import WAYS, spoiled

SEEDS = (1, 5, 7, 10, 12, 66, 125)  # quick ones: every kind, one and two circuits


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


BENT = LineString([(0.0, 0.0), (4.0, 0.0), (4.0, 4.0)])
BESIDE = LineString([(0.0, 1.0), (4.0, 1.0)])


@pytest.mark.parametrize(
    ("one", "other", "apart", "close"),
    [
        pytest.param((BENT, 0.0), (BENT, 1.9), False, True, id="along the line"),
        pytest.param((BENT, 0.0), (BENT, 2.0), True, False, id="just far enough"),
        pytest.param((BENT, 3.0), (BENT, 5.0), False, True, id="round a corner: 1.41 m"),
        pytest.param((BENT, 0.0), (BESIDE, 1.0), False, True, id="on two lines: 1.41 m"),
        pytest.param((BENT, 0.0), (BESIDE, 1.8), True, False, id="on two lines: 2.06 m"),
    ],
)
def test_least_spacing_of_two_metres(
    one: tuple[LineString, float], other: tuple[LineString, float], apart: bool, close: bool
) -> None:
    a, b = (Spot(line, at_m, Point(line.interpolate(at_m)).buffer(2.0)) for line, at_m in (one, other))
    assert (stand_apart(a, b, 2.0), stand_close(a, b, 2.0, box(-5.0, -5.0, 9.0, 9.0), 0.25)) == (apart, close)


@pytest.mark.parametrize(
    ("clear_m", "apart", "close"), [(0.3, True, False), (0.1, False, False), (-0.1, False, False), (-0.4, False, True)]
)
def test_close_nozzles_may_mist_ground_of_their_own(clear_m: float, apart: bool, close: bool) -> None:
    south, north = Spot(BENT, 1.0, box(0.0, -2.0, 2.0, 0.0)), Spot(BESIDE, 1.0, box(0.0, clear_m, 2.0, 2.0))
    assert (stand_apart(south, north, 2.0), stand_close(south, north, 2.0, box(-5.0, -5.0, 9.0, 9.0), 0.25)) == (
        apart,
        close,
    )


def test_the_reader_reads_what_was_planted(tmp_path: Path) -> None:
    found = planted(1)
    rules = read(found.case, tmp_path).rules
    assert rules.band_low_pa == pytest.approx(found.case.band_bar[0] * 1e5, abs=10.0)
    assert rules.reserve == found.case.reserve
