"""Windows of least and greatest spacing against the rule they stand for, by enumeration of small lines."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.sparse as sp
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.errors import NoDesign
from optimizer.placement.problem import Floor, Limit, Window, require_possible
from optimizer.placement.windows import cover_windows, line_orders, near_window, spacing_windows
from tests.optimizer.placement_cases import coverage_problem

Subset = tuple[int, ...]


def subsets(count: int) -> list[Subset]:
    return [s for size in range(count + 1) for s in itertools.combinations(range(count), size)]


def keeps(chosen: Subset, windows: tuple[Window, ...], *, least: bool) -> bool:
    counts = [len(set(chosen).intersection(window)) for window in windows]
    return all(c <= 1 for c in counts) if least else all(c >= 1 for c in counts)


def lines_of_steps(low: int, high: int) -> st.SearchStrategy[list[int]]:
    """Whole numbers of a 0.1 m grid, so that sums of floats miss equality as real chainages do."""
    return st.lists(st.integers(low, high), min_size=1, max_size=8, unique=True).map(sorted)


@given(lines_of_steps(0, 30), st.integers(1, 12), st.booleans())
@settings(max_examples=150, deadline=None)
def test_spacing_windows_forbid_exactly_what_stands_too_close(steps: list[int], least: int, closed: bool) -> None:
    length = 31
    chainage = np.array([0.1 * k for k in steps])
    windows = spacing_windows(
        np.zeros(len(steps), dtype=int), chainage, {0: 0.1 * length} if closed else {}, 0.1 * least
    )

    def apart(a: int, b: int) -> int:
        d = abs(steps[a] - steps[b])
        return min(d, length - d) if closed else d

    for chosen in subsets(len(steps)):
        legal = all(apart(a, b) >= least for a, b in itertools.combinations(chosen, 2))
        assert keeps(chosen, windows, least=True) == legal
    sets = [set(window) for window in windows]
    assert not any(a < b for a in sets for b in sets), "windows are maximal"


@given(lines_of_steps(0, 30), st.integers(4, 20))
@settings(max_examples=150, deadline=None)
def test_cover_windows_of_an_open_line_allow_exactly_short_gaps(steps: list[int], greatest: int) -> None:
    """The rule: first and last nozzle within the greatest spacing of the row's ends, no gap longer than it."""
    chainage = np.array([0.1 * k for k in steps])
    windows = cover_windows(np.zeros(len(steps), dtype=int), chainage, {}, {0: 0.1 * greatest}, {0: ((-9.0, 9.0),)})
    rows: list[list[int]] = [[0]]
    for i in range(1, len(steps)):
        if steps[i] - steps[i - 1] > greatest:
            rows.append([])
        rows[-1].append(i)
    for chosen in subsets(len(steps)):
        legal = True
        for row in rows:
            inside = [steps[i] for i in row if i in chosen]
            legal &= bool(inside) and inside[0] - steps[row[0]] <= greatest
            legal &= bool(inside) and steps[row[-1]] - inside[-1] <= greatest
            legal &= all(b - a <= greatest for a, b in itertools.pairwise(inside))
        assert keeps(chosen, windows, least=False) == legal, (chosen, windows)


@given(lines_of_steps(0, 30), st.integers(4, 20))
@settings(max_examples=150, deadline=None)
def test_cover_windows_of_a_ring_allow_exactly_short_gaps(steps: list[int], greatest: int) -> None:
    length = 31
    gaps = [b - a for a, b in itertools.pairwise([*steps, steps[0] + length])]
    if max(gaps) > greatest:
        return
    windows = cover_windows(
        np.zeros(len(steps), dtype=int),
        np.array([0.1 * k for k in steps]),
        {0: 0.1 * length},
        {0: 0.1 * greatest},
        {},
    )
    for chosen in subsets(len(steps)):
        at = [steps[i] for i in chosen]
        legal = bool(at) and all(b - a <= greatest for a, b in itertools.pairwise([*at, at[0] + length]))
        assert keeps(chosen, windows, least=False) == legal, (chosen, windows)


def test_a_ring_with_a_free_gap_is_an_open_row_behind_it() -> None:
    """Ring of 20 m, candidates every metre but from 3 m to 9 m, where doors stand; greatest spacing 4 m."""
    at = np.array([0.0, 1, 2, 3, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19])
    line = np.zeros(15, dtype=int)
    windows = cover_windows(line, at, {0: 20.0}, {0: 4.0}, {0: ((3.0, 9.0),)})
    chainages = [set(at[list(window)]) for window in windows]
    assert {10.0, 11.0, 12.0, 13.0} in chainages, "behind the row's first"
    assert {19.0, 0.0, 1.0, 2.0} in chainages, "behind 18 m, over the seam"
    assert not any({3.0, 9.0} <= window for window in chainages), "none over the doors"
    assert () not in windows


def test_a_gap_nobody_declared_free_cannot_be_served() -> None:
    line, at = np.zeros(3, dtype=int), np.array([0.0, 1.0, 9.0])
    assert () in cover_windows(line, at, {}, {0: 4.0}, {})
    assert () not in cover_windows(line, at, {}, {0: 4.0}, {0: ((2.0, 8.0),)})
    assert cover_windows(line, at, {}, {1: 4.0}, {}) == ()


def test_a_ring_with_one_gap_nobody_declared_free_cannot_be_served() -> None:
    """Ring of 12 m, candidates at 0 to 4 m: from 4 m over the seam it is 8 m to the next."""
    line, at = np.zeros(5, dtype=int), np.arange(5.0)
    assert () in cover_windows(line, at, {0: 12.0}, {0: 4.0}, {})
    assert () not in cover_windows(line, at, {0: 12.0}, {0: 4.0}, {0: ((5.0, 11.0),)})


def test_line_orders_follow_chainage() -> None:
    line, at = np.array([1, 0, 1, 0]), np.array([5.0, 2.0, 1.0, 1.0])
    assert line_orders(line, at) == ((3, 1), (2, 0))


BASE = coverage_problem(np.ones(3), sp.csr_array(np.eye(3, dtype=bool)), ((0, 1, 2),), 2, spacing=((0, 1), (1, 2)))


@pytest.mark.parametrize(
    ("change", "rule", "words"),
    [
        ({"locked": (0, 1), "names": ("a at 1 m", "a at 2 m", "b")}, "spacing_least_m", "locked a at 1 m and a at"),
        ({"locked": (0, 2), "limits": (Limit((0, 1, 2), 1, "both pumps"),)}, "reserve",
         "2 locked positions are more than the 1 nozzles that both pumps feed"),
        ({"cover": ((),)}, "spacing_greatest_m", "gap without candidate positions"),
        ({"cover": ((0, 1),), "barred": (0, 1), "names": ("a at 1 m", "a at 2 m", "b")}, "cover",
         "a nozzle must stand at a at 1 m to a at 2 m, but none there can be fed"),
        ({"floors": (Floor("zone Lawn", np.array([1.0, 2.0, 5.0]), 5.5),), "barred": (2,)}, "least_coverage",
         r"only 54 % of the 5.5 m² that least coverage asks of zone Lawn"),
        ({"incidence": sp.csr_array((3, 3), dtype=bool)}, "reach", "covers any part of a zone"),
        ({"incidence": sp.csr_array((3, 0), dtype=bool), "lines": ()}, "step_m", "no candidate position is left"),
    ],
)  # fmt: skip
def test_rules_in_conflict_are_named(change: dict[str, object], rule: str, words: str) -> None:
    with pytest.raises(NoDesign, match=words) as caught:
        require_possible(replace(BASE, **change))  # type: ignore[arg-type]
    assert caught.value.rule == rule


def test_a_possible_problem_passes() -> None:
    require_possible(BASE)
    assert BASE.name(1) == "position 1"


def test_a_floor_on_all_that_is_reached_passes_and_ground_that_two_must_reach_counts_when_two_can() -> None:
    """Of 8 m² each nozzle reaches its own 1, 2 and 5 m²; the second of two that must reach the 5 m² is not there."""
    floor = Floor("zone Lawn", np.array([1.0, 2.0, 5.0]), 8.0)
    require_possible(replace(BASE, floors=(floor,)))
    with pytest.raises(NoDesign, match=r"only 37 % of the 8 m²"):
        require_possible(replace(BASE, floors=(floor,), need=np.array([1, 1, 2])))


def test_every_candidate_stands_on_one_line() -> None:
    with pytest.raises(ValueError, match="each of the 3 candidates exactly once"):
        replace(BASE, lines=((0, 1),))


@pytest.mark.parametrize(
    ("length_m", "near"),
    [(math.inf, [8.0, 9.5]), (11.0, [8.0, 9.5, 0.0])],
)
def test_near_a_chainage_counts_over_the_seam_of_a_closed_line(length_m: float, near: list[float]) -> None:
    """Within 1.5 m of 9.5 m on a line of 11 m: 8 m (just so), 9.5 m, and 0 m, which is 11 m, where it closes."""
    at = np.array([0.0, 0.5, 7.9, 8.0, 9.5])
    assert at[near_window(at, length_m, 9.5, 1.5)].tolist() == sorted(near)
