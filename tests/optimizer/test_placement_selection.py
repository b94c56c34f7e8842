"""Selection, repair, fill and swaps against the rules' words and figures recomputed from the problem's data.

`placement_cases` states every rule in words of its own and enumerates; here is nothing of the package that it checks.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from functools import partial

import numpy as np
import pytest
import scipy.sparse as sp
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.placement.problem import Floor, Limit, PlacementProblem, Row
from optimizer.placement.rows import RowLine, chain, row_line
from optimizer.placement.selection import Cover, Selection
from optimizer.placement.start import fill, improved, repaired, repitch, swap
from tests.optimizer.placement_cases import (
    RULES,
    counting,
    coverage_problem,
    is_legal,
    keeps_rows,
    placements,
    random_problem,
    value_of,
)

seeds = st.integers(0, 10**6)
rule_sets = st.sets(st.sampled_from(RULES))


def credit_of(problem: PlacementProblem, chosen: tuple[int, ...]) -> float:
    """Of a cell that needs n nozzles each of the first n brings 1 / n of its value; bonuses besides."""
    hits = problem.incidence.toarray().astype(float)[:, list(chosen)].sum(axis=1)
    brought = np.minimum(hits, problem.need) / problem.need  # of summed dosage the share of what is enough
    return float(problem.value @ brought + problem.bonus[list(chosen)].sum())


def some(candidates: int, seed: int) -> list[int]:
    rng = np.random.default_rng(seed)
    return np.flatnonzero(rng.random(candidates) < rng.random()).tolist()


@given(seeds, rule_sets)
@settings(max_examples=150, deadline=None)
def test_figures_stay_true_through_any_changes(seed: int, rules: set[str]) -> None:
    problem = random_problem(seed, *rules)
    rng = np.random.default_rng(seed)
    selection = Selection(Cover(problem))
    for j in rng.integers(problem.candidates, size=12).tolist():
        (selection.remove if selection.chosen[j] else selection.add)(j)
    members = selection.members()
    credit = credit_of(problem, members)
    assert selection.value == pytest.approx(value_of(problem, members))
    assert selection.is_legal() == is_legal(problem, members)
    for j in range(problem.candidates):
        if selection.chosen[j]:
            rest = credit_of(problem, tuple(k for k in members if k != j))
            assert selection.loss(j) == pytest.approx(credit - rest, abs=1e-9)
            lost = value_of(problem, members) - value_of(problem, tuple(k for k in members if k != j))
            assert selection.value_loss(j) == pytest.approx(lost, abs=1e-9)
        else:
            assert selection.gain[j] == pytest.approx(credit_of(problem, (*members, j)) - credit, abs=1e-9)
            won = value_of(problem, (*members, j)) - value_of(problem, members)
            assert selection.value_gain()[j] == pytest.approx(won, abs=1e-9)
    areas = [floor.area_m2 @ counting(problem, members) for floor in problem.floors]
    assert selection.floor_m2 == pytest.approx(areas, abs=1e-9)
    drifts = [drift.excess[list(members)].sum() for drift in problem.drifts]
    assert selection.drift == pytest.approx(drifts, abs=1e-9)
    assert selection.in_limit.tolist() == [len(set(limit.members).intersection(members)) for limit in problem.limits]


def legal_choices(seed: int, rules: set[str]) -> Iterator[tuple[PlacementProblem, Selection]]:
    """Up to ten of the legal choices of a small problem."""
    problem = random_problem(seed, *rules)
    choices = list(placements(problem))
    cover = Cover(problem)
    for k in np.random.default_rng(seed).permutation(len(choices))[:10].tolist():
        yield problem, Selection(cover, choices[k])


@given(seeds, rule_sets)
@settings(max_examples=80, deadline=None)
def test_what_may_be_added_or_removed_is_what_leaves_every_rule_kept(seed: int, rules: set[str]) -> None:
    """Singly: patterns of even pitch change only as a whole, and locks are not asked for at a removal."""
    for problem, selection in legal_choices(seed, rules):
        chosen = selection.members()
        addable = selection.addable()
        even = {j for patterns in problem.even for pattern in patterns for j in pattern}
        for j in set(range(problem.candidates)) - even:
            if j not in chosen:
                assert addable[j] == is_legal(problem, (*chosen, j))
            elif j not in problem.locked:
                assert selection.removable(j) == is_legal(problem, tuple(k for k in chosen if k != j))
        assert not addable[sorted(even)].any()


@given(seeds, rule_sets)
@settings(max_examples=80, deadline=None)
def test_fill_swap_and_repitch_keep_every_rule_and_lose_nothing(seed: int, rules: set[str]) -> None:
    for problem, selection in legal_choices(seed, rules):
        steps: tuple[Callable[[Selection], bool | None], ...] = (fill, swap, repitch, partial(swap, truly=True))
        for step in steps:
            before = credit_of(problem, selection.members())
            truly = selection.value
            step(selection)
            assert is_legal(problem, selection.members())
            assert credit_of(problem, selection.members()) >= before - 1e-9 or step not in (fill, swap)
            assert selection.value >= truly - 1e-9 or step is swap


@given(seeds, rule_sets)
@settings(max_examples=200, deadline=None)
def test_what_repair_and_improvement_return_keeps_every_rule(seed: int, rules: set[str]) -> None:
    problem = random_problem(seed, *rules)
    cover = Cover(problem)
    for chosen in ([], some(problem.candidates, seed), range(problem.candidates)):
        mended, better = repaired(cover, chosen), improved(cover, chosen)
        assert (mended is None) == (better is None)
        if mended is not None and better is not None:
            assert is_legal(problem, mended.members())
            assert is_legal(problem, better.members())
            assert better.value >= mended.value - 1e-9


@given(seeds, rule_sets)
@settings(max_examples=60, deadline=None)
def test_a_legal_choice_needs_no_repair(seed: int, rules: set[str]) -> None:
    for _, selection in legal_choices(seed, rules):
        kept = repaired(selection.cover, selection.members())
        assert kept is not None
        assert kept.members() == selection.members()


def line_of(length: int, greatest_m: float, gap_m: float, *, closed: bool = False) -> Row:
    """Positions each metre; a closed line's last is a metre before its first."""
    return Row(
        tuple(range(length)), tuple(map(float, range(length))), length if closed else math.inf, greatest_m, gap_m
    )


def on_line(row: Row, most: int, **rules: object) -> Cover:
    """Each position covers a cell of its own; later ones are worth a little more."""
    count = len(row.members)
    own = sp.csr_array(np.eye(count, dtype=bool))
    return Cover(coverage_problem(1.0 + np.arange(count) / 100.0, own, (row.members,), most=most, rows=(row,), **rules))


def test_an_illegal_gap_is_bridged_with_the_fewest_where_the_limit_allows() -> None:
    """0 and 7 with at most 3 m in a row, 8 m between rows: two more, the first of 1-3, the second within 3 of both."""
    mended = repaired(on_line(line_of(10, 3.0, 8.0), most=4), [0, 7])
    assert mended is not None
    assert mended.members() == (0, 3, 6, 7)
    shorter = repaired(on_line(line_of(10, 3.0, 8.0), most=3), [0, 7])
    assert shorter is not None
    assert shorter.members() == (7,)  # the less valuable neighbour goes


def test_a_closed_line_keeps_its_rows_across_the_seam() -> None:
    """12 m round, 3 m at most or 6 m at least: from 10 to 1 are 3 m over the seam, from 1 to 10 are 9 m."""
    cover = on_line(line_of(12, 3.0, 6.0, closed=True), most=12)
    selection = Selection(cover, [1, 10])
    assert selection.is_legal()
    assert np.flatnonzero(selection.addable()).tolist() == [0, 2, 3, 4, 7, 8, 9, 11]
    assert not Selection(cover, [2, 10]).is_legal()  # 4 m over the seam


def test_a_single_nozzle_on_a_closed_line_is_a_row() -> None:
    """5 m round, where its own image would stand within the gap of 6 m."""
    selection = Selection(on_line(line_of(5, 3.0, 6.0, closed=True), most=2), [2])
    assert selection.is_legal()
    assert selection.removable(2)


def test_rows_that_single_nozzles_cannot_join_are_joined_by_chains() -> None:
    """Ends 8 m apart are two rows; nothing fits singly between (3 m at most, 8 m at least), two nozzles together do."""
    selection = Selection(on_line(line_of(9, 3.0, 8.0), most=9), [0, 8])
    assert not selection.addable().any()
    fill(selection)
    assert selection.count == 9


@given(seeds)
@settings(max_examples=150, deadline=None)
def test_a_chain_is_the_shortest_of_all_that_join(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 10))
    at = np.sort(rng.choice(25, count, replace=False)) * 0.5
    length = 13.0 if rng.random() < 0.5 else math.inf
    greatest = float(rng.choice([1.0, 2.0, 3.0]))
    row = Row(tuple(range(count)), tuple(at.tolist()), length, greatest, greatest + 20.0)
    first, last = sorted(rng.choice(count, 2, replace=False).tolist())
    allowed = rng.random(count) < 0.8
    found = chain(row_line(row), first, last, allowed, rng.random(count), lambda j: np.array([j]))
    inside = [j for j in range(first + 1, last) if allowed[j]]
    ends = Row(row.members, row.chainage_m, math.inf, greatest, row.gap_m)
    joining = (
        size
        for size in range(1, len(inside) + 1)
        for chosen in itertools.combinations(inside, size)
        if keeps_rows(ends, {first, *chosen, last})
    )
    assert len(found) == next(joining, 0)
    assert not found or keeps_rows(ends, {first, *found, last})


def test_a_chain_keeps_the_least_spacing_between_its_own() -> None:
    """0 and 5 at most 2 m apart: 1 and 3, 2 and 3, or 2 and 4; the first two of the pairs 1 m apart are refused."""
    line: RowLine = row_line(line_of(6, 2.0, 20.0))
    near = {j: np.array([k for k in range(6) if abs(k - j) <= 1]) for j in range(6)}
    gain = np.array([0.0, 9.0, 5.0, 1.0, 5.0, 0.0])
    free = np.array([False, True, True, True, True, False])
    assert chain(line, 0, 5, free, gain, lambda j: near[j]) == [1, 3]


def even_cover(most: int, **rules: object) -> Cover:
    """Positions 0-5 on a line of even pitch of 2 or 3, 6-8 free; each covers a cell of its own."""
    value = np.array([1.0, 2.0, 1.0, 4.0, 1.0, 2.0, 3.0, 0.5, 0.5])
    even = (((0, 2, 4), (1, 3, 5), (0, 3), (1, 4), (2, 5)),)
    own = sp.csr_array(np.eye(9, dtype=bool))
    return Cover(coverage_problem(value, own, ((0, 1, 2, 3, 4, 5), (6, 7, 8)), most=most, even=even, **rules))


def test_nozzles_of_even_pitch_become_the_pattern_that_differs_least() -> None:
    mended = repaired(even_cover(5), [1, 3, 4])
    assert mended is not None
    assert mended.members() == (1, 4)
    assert is_legal(mended.problem, mended.members())


def test_a_pattern_takes_the_place_of_nozzles_that_are_worth_less() -> None:
    """Three of 3, 0.5 and 0.5 beside an empty line: the pattern of 2, 4 and 2 pays for the two that go."""
    best = improved(even_cover(4), [])
    assert best is not None
    assert best.members() == (1, 3, 5, 6)
    assert best.value == pytest.approx(11.0)


def test_patterns_without_a_locked_position_or_over_a_limit_are_none() -> None:
    cover = even_cover(4, locked=(0,), limits=(Limit(tuple(range(6)), 2), Limit(tuple(range(9)), 4)))
    best = improved(cover, [])
    assert best is not None
    assert best.members() == (0, 3, 6, 7)


def test_floors_are_met_before_what_is_worth_more() -> None:
    """Two of six cells are a zone of little weight; with two nozzles one must stand there for half of it."""
    value = np.array([0.1, 0.2, 5.0, 4.0, 3.0, 2.0])
    zone = np.array([1.0, 1.0, 0.0, 0.0, 0.0, 0.0])
    own = sp.csr_array(np.eye(6, dtype=bool))
    floor = Floor("Terrace", zone, 1.0)
    best = improved(Cover(coverage_problem(value, own, (tuple(range(6)),), most=2, floors=(floor,))), [2, 3])
    assert best is not None
    assert best.members() == (1, 2)
    assert not best.removable(1)
    assert repaired(Cover(coverage_problem(value, own, (tuple(range(6)),), most=1, floors=(floor,))), []) is not None


def test_a_cell_that_two_must_reach_draws_the_first_by_half() -> None:
    """Worth 4 for two nozzles, against 1.5 for one: both go there, though the first alone makes nothing count."""
    incidence = sp.csr_array(np.array([[True, True, False], [False, False, True]]))
    problem = PlacementProblem(
        value=np.array([4.0, 1.5]),
        incidence=incidence,
        need=np.array([2, 1]),
        bonus=np.array([0.0, 0.25, 0.0]),
        lines=((0, 1, 2),),
        limits=(Limit((0, 1, 2), 2),),
    )
    selection = Selection(Cover(problem))
    assert selection.gain.tolist() == [2.0, 2.25, 1.5]
    fill(selection)
    assert selection.members() == (0, 1)
    assert selection.value == 4.25
