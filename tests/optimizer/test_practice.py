"""What is done by hand, on lines that can be known by head. Even pitch, ends, corners: common practice, no source."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.placement.practice import Lines, practice
from optimizer.placement.problem import Limit, PlacementProblem
from optimizer.placement.selection import Cover
from optimizer.placement.windows import line_orders, spacing_windows
from tests.optimizer.placement_cases import RULES, best_value, coverage_problem, is_legal, random_problem, value_of


def ruler(
    chainage: list[float], most: int, *, weight: list[float] | None = None, least: float = 1.0,
    closed: float | None = None, corners: tuple[float, ...] = (), locked: tuple[int, ...] = (),
) -> tuple[PlacementProblem, Lines]:  # fmt: skip
    """One line, each candidate with a cell of its own of value `weight`."""
    at, line = np.array(chainage), np.zeros(len(chainage), dtype=np.int64)
    worth = np.ones(len(at)) if weight is None else np.array(weight)
    closed_m = {} if closed is None else {0: closed}
    problem = coverage_problem(
        worth,
        sp.csr_array(np.eye(len(at), dtype=bool)),
        line_orders(line, at),
        most,
        spacing=spacing_windows(line, at, closed_m, least),
        locked=locked,
    )
    return problem, Lines(line, at, worth, closed_m, {0: corners}, pitch_m=least)


def places(problem: PlacementProblem, lines: Lines) -> list[float]:
    found = practice(Cover(problem), lines)
    assert found is not None
    return lines.chainage_m[list(found.chosen)].tolist()


def metres(length: int) -> list[float]:
    return [float(s) for s in range(length + 1)]


def test_an_open_line_is_divided_evenly_from_end_to_end() -> None:
    assert places(*ruler(metres(20), 5)) == [0, 5, 10, 15, 20]
    assert places(*ruler(metres(20), 3)) == [0, 10, 20]


def test_a_closed_line_is_divided_evenly_round_its_seam() -> None:
    assert places(*ruler(metres(19), 4, closed=20.0)) == [0, 5, 10, 15]
    assert places(*ruler(metres(19), 5, closed=20.0)) == [0, 4, 8, 12, 16]


def test_corners_are_anchors() -> None:
    """Between the corner at 6 m and the ends, 6 m and 14 m, the wider pitch is divided first."""
    assert places(*ruler(metres(20), 3, corners=(6.0,))) == [0, 6, 20]
    assert places(*ruler(metres(20), 4, corners=(6.0,))) == [0, 6, 13, 20]


def test_a_closed_line_starts_at_its_corner() -> None:
    assert places(*ruler(metres(19), 4, closed=20.0, corners=(3.0,))) == [3, 8, 13, 18]


def test_the_pitch_is_tighter_in_front_of_a_priority_zone() -> None:
    """20 m, the second half in front of a zone of four times the weight; a nozzle covers 1 m to either side."""
    at = np.arange(21.0)
    weight = np.where(at < 10.0, 1.0, 4.0)
    near = sp.csr_array(np.abs(at[:, None] - at) <= 1.0)
    line = np.zeros(21, dtype=np.int64)
    problem = coverage_problem(weight, near, line_orders(line, at), 6)
    found = practice(Cover(problem), Lines(line, at, weight, {}, {}, pitch_m=1.0))
    assert found is not None and len(found.chosen) == 6
    pitches = dict(found.pitch_m)
    assert pitches[4.0] < pitches[1.0]


def test_a_gap_between_positions_ends_a_stretch() -> None:
    assert places(*ruler([0.0, 1, 2, 3, 4, 12, 13, 14, 15, 16], 4)) == [0, 4, 12, 16]


def test_what_is_locked_stays_and_the_pitch_gives_way() -> None:
    found = places(*ruler(metres(20), 5, least=2.0, locked=(4,)))
    assert 4.0 in found and len(found) == 5


def test_one_facing_a_position_the_one_that_covers_most() -> None:
    """Two facings at each of three positions; the second covers twice as much."""
    at = np.array([0.0, 5.0, 10.0] * 2)
    strand = np.array([0, 0, 0, 1, 1, 1])
    problem = coverage_problem(
        np.array([1.0] * 3 + [2.0] * 3),
        sp.csr_array(np.eye(6, dtype=bool)),
        line_orders(strand, at),
        2,
        spacing=((0, 3), (1, 4), (2, 5)),
    )
    lines = Lines(np.zeros(6, dtype=np.int64), at, np.ones(6), {}, {}, pitch_m=1.0)
    found = practice(Cover(problem), lines)
    assert found is not None and found.chosen == (3, 5)


def test_each_schedule_group_has_its_own_count() -> None:
    problem, lines = ruler(metres(20), 20)
    limits = (Limit(tuple(range(10)), 2), Limit(tuple(range(10, 21)), 4))
    found = practice(Cover(coverage_problem(problem.value, problem.incidence, problem.lines, limits=limits)), lines)
    assert found is not None
    assert sum(j < 10 for j in found.chosen) == 2 and sum(j >= 10 for j in found.chosen) == 4


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), rule=st.sampled_from(RULES))
def test_practice_breaks_no_rule_and_never_beats_the_best(seed: int, rule: str) -> None:
    """Source: enumeration of every placement, straight from the rules."""
    problem = random_problem(seed, rule)
    line = np.zeros(problem.candidates, dtype=np.int64)
    for number, members in enumerate(problem.lines):
        line[list(members)] = number
    at = np.concatenate([np.arange(len(members), dtype=float) for members in problem.lines])
    order = np.concatenate([np.array(members) for members in problem.lines])
    chainage = np.empty(problem.candidates)
    chainage[order] = at
    found = practice(Cover(problem), Lines(line, chainage, np.ones(problem.candidates), {}, {}, pitch_m=1.0))
    if found is not None:
        assert is_legal(problem, found.chosen)
        best = best_value(problem)
        assert best is not None and value_of(problem, found.chosen) <= best + 1e-9
