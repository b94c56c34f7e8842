"""The dynamic programme by line against enumeration, and the bound's one promise: never below the best."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.sparse as sp
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.placement.dual import Prices, descend, dual_of, first_prices, priced
from optimizer.placement.lines import best_by_line, lines_of
from optimizer.placement.problem import PlacementProblem
from optimizer.placement.tracks import tracks_of
from tests.optimizer.placement_cases import RULES, best_value, coverage_problem, placements, random_problem, value_of

seeds = st.integers(0, 10**6)


def best_of_line(problem: PlacementProblem, price: float) -> float | None:
    """Best value minus prices over the choices on the only line of a problem that keep its rules."""
    return max((value_of(problem, chosen) - price * len(chosen) for chosen in placements(problem)), default=None)


@given(seeds, st.sets(st.sampled_from(["barred", "bonus", "rows", "even"])), st.sampled_from([0.0, 1.5, 4.0]))
@settings(max_examples=150, deadline=None)
def test_one_line_with_whole_intervals_is_solved_exactly(seed: int, rules: set[str], price: float) -> None:
    """Each line alone, its cells covered by one interval each: equal to enumeration, also of a ring with a window
    over its seam that needs a nozzle. Without one the ring is only bounded, and so are a ring with rows, where the
    last nozzle's gap to the first is not looked at, and patterns of even pitch that break other rules."""
    problem = random_problem(seed, "continuous", *sorted(rules))
    if () in problem.cover:
        return
    for members in problem.lines:
        alone = only_line(problem, members)
        tracks = tracks_of(alone)
        over_seam = any({0, len(members) - 1} <= set(window) != set(range(len(members))) for window in alone.cover)
        expected = best_of_line(alone, price)
        worth = alone.value[tracks.cell]
        found, _ = best_by_line(lines_of(alone), worth, price - alone.bonus[tracks.order])
        expected = -np.inf if expected is None else expected
        assert found >= expected - 1e-9
        if not alone.even and (members != problem.lines[0] or (over_seam and not alone.rows)):
            assert (tracks.intervals <= 1).all(), "no cell of these has a hole"
            assert found == pytest.approx(expected)


def only_line(problem: PlacementProblem, members: tuple[int, ...]) -> PlacementProblem:
    """The problem with the candidates of one line only, renumbered along it."""
    new = {j: k for k, j in enumerate(members)}

    def kept(windows: tuple[tuple[int, ...], ...]) -> tuple[tuple[int, ...], ...]:
        return tuple(tuple(new[j] for j in w) for w in windows if new.keys() >= set(w))

    return replace(
        problem,
        incidence=problem.incidence[:, list(members)],
        bonus=problem.bonus[list(members)],
        lines=(tuple(range(len(members))),),
        spacing=kept(problem.spacing),
        cover=kept(problem.cover),
        locked=tuple(new[j] for j in problem.locked if j in new),
        barred=tuple(new[j] for j in problem.barred if j in new),
        rows=tuple(
            replace(row, members=tuple(new[j] for j in row.members))
            for row in problem.rows
            if new.keys() >= set(row.members)
        ),
        even=tuple(kept(patterns) for patterns in problem.even if new.keys() >= set().union(*patterns)),
        limits=(),
    )


@given(seeds, st.sets(st.sampled_from(RULES), max_size=4))
@settings(max_examples=200, deadline=None)
def test_any_prices_bound_the_best_placement(seed: int, rules: set[str]) -> None:
    problem = random_problem(seed, *sorted(rules))
    best = best_value(problem)
    if best is None:
        return
    rng = np.random.default_rng(seed)
    dual = dual_of(problem, lines_of(problem))
    start = first_prices(dual, rng.uniform(0, 6, len(problem.limits)))
    prices = Prices(
        start.cell * rng.uniform(0.2, 1.0, len(start.cell)),
        rng.uniform(0, 6, len(start.row)) * rng.integers(0, 2, len(start.row)),
        rng.uniform(0, 2, len(start.floor)),
    )
    assert priced(dual, prices).bound >= best - 1e-9
    assert descend(dual, start, lambda *_: best, 30) >= best - 1e-9


def test_a_line_with_one_interval_a_cell_has_no_gap() -> None:
    """Rows of consecutive ones have an integral relaxation (Nemhauser and Wolsey 1988, memory): the bound
    comes down to the optimum. Ten candidates, cells that three neighbours cover, four nozzles three apart."""
    incidence = np.array([[abs(j - c) <= 1 for j in range(10)] for c in range(10)])
    value = np.array([3.0, 1, 4, 1, 5, 9, 2, 6, 5, 3])
    spacing = tuple((j, j + 1) for j in range(9))
    problem = coverage_problem(value, sp.csr_array(incidence), (tuple(range(10)),), 3, spacing=spacing)
    best = best_value(problem)
    assert best is not None
    dual = dual_of(problem, lines_of(problem))
    assert not dual.shared.any()
    bound = descend(dual, first_prices(dual, np.array([5.0])), lambda *_: best, 400)
    assert bound == pytest.approx(best, rel=1e-4)
