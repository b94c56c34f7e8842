"""The dynamic programme by line against enumeration, and the bound's one promise: never below the best."""

from __future__ import annotations

import itertools
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
from tests.optimizer.placement_cases import best_value, random_problem, value_of

seeds = st.integers(0, 10**6)


def best_of_line(problem: PlacementProblem, members: tuple[int, ...], price: float) -> float | None:
    """Best value minus prices over the choices on one line that keep all windows of that line."""
    own = set(members)
    spacing = [set(w) for w in problem.spacing if own.issuperset(w)]
    cover = [set(w) for w in (*problem.cover, *((j,) for j in problem.locked)) if own.issuperset(w)]
    choices = itertools.chain.from_iterable(
        itertools.combinations(members, size) for size in range(len(members) + 1)
    )
    return max(
        (
            value_of(problem, chosen) - price * len(chosen)
            for chosen in choices
            if all(len(w.intersection(chosen)) <= 1 for w in spacing)
            and all(w.intersection(chosen) for w in cover)
        ),
        default=None,
    )


@given(seeds, st.sampled_from([0.0, 1.5, 4.0]))
@settings(max_examples=150, deadline=None)
def test_one_line_with_whole_intervals_is_solved_exactly(seed: int, price: float) -> None:
    """Each line alone, its cells covered by one interval each: equal to enumeration, rings included."""
    problem = random_problem(seed, continuous=True)
    for members in problem.lines:
        alone = only_line(problem, members)
        tracks = tracks_of(alone)
        assert (tracks.intervals <= 1).all(), "no cell of these has a hole"
        expected = best_of_line(alone, tuple(range(len(members))), price)
        worth = alone.value[tracks.cell]
        found, _ = best_by_line(lines_of(alone), worth, np.full(len(tracks.order), price))
        assert found == pytest.approx(-np.inf if expected is None else expected)


def only_line(problem: PlacementProblem, members: tuple[int, ...]) -> PlacementProblem:
    """The problem with the candidates of one line only, renumbered along it."""
    new = {j: k for k, j in enumerate(members)}

    def kept(windows: tuple[tuple[int, ...], ...]) -> tuple[tuple[int, ...], ...]:
        return tuple(tuple(new[j] for j in w) for w in windows if new.keys() >= set(w))

    return replace(
        problem,
        incidence=problem.incidence[:, list(members)],
        lines=(tuple(range(len(members))),),
        spacing=kept(problem.spacing),
        cover=kept(problem.cover),
        locked=tuple(new[j] for j in problem.locked if j in new),
        group=problem.group[list(members)],
    )


@given(seeds, st.booleans(), st.sampled_from([1, 2]))
@settings(max_examples=150, deadline=None)
def test_any_prices_bound_the_best_placement(seed: int, continuous: bool, groups: int) -> None:
    problem = random_problem(seed, continuous=continuous, groups=groups)
    best = best_value(problem)
    if best is None:
        return
    rng = np.random.default_rng(seed)
    shares = [s for s in itertools.product(range(1, 4), repeat=groups) if sum(s) == problem.circuits]
    lines = lines_of(problem)
    bounds = []
    for share in shares:
        dual = dual_of(problem, lines, share)
        start = first_prices(dual, rng.uniform(0, 6, groups))
        prices = Prices(start.cell * rng.uniform(0.2, 1.0, len(start.cell)), start.nozzle)
        bounds.append(min(priced(dual, prices).bound, descend(dual, start, lambda *_: best, 30)))
    assert max(bounds) >= best - 1e-9


def test_a_line_with_one_interval_a_cell_has_no_gap() -> None:
    """Rows of consecutive ones have an integral relaxation (Nemhauser and Wolsey 1988, memory): the bound
    comes down to the optimum. Ten candidates, cells that three neighbours cover, four nozzles three apart."""
    incidence = np.array([[abs(j - c) <= 1 for j in range(10)] for c in range(10)])
    value = np.array([3.0, 1, 4, 1, 5, 9, 2, 6, 5, 3])
    problem = PlacementProblem(
        value=value,
        incidence=sp.csr_array(incidence),
        lines=(tuple(range(10)),),
        spacing=tuple((j, j + 1) for j in range(9)),
        cover=(),
        locked=(),
        group=np.zeros(10, dtype=np.int64),
        groups=1,
        circuits=1,
        per_circuit=3,
    )
    best = best_value(problem)
    assert best is not None
    dual = dual_of(problem, lines_of(problem), (1,))
    assert not dual.shared.any()
    bound = descend(dual, first_prices(dual, np.array([5.0])), lambda *_: best, 400)
    assert bound == pytest.approx(best, rel=1e-4)
