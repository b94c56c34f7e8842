"""Elimination against scipy's sparse LU, and what it may cost: no new links on a tree, hardly any on a ladder."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.linalg import spsolve

from hydraulics.elimination import Floats, Ints, Plan, fold, kept_matrix, plan, unfold


def random_ends(rng: np.random.Generator, count: int, more: int) -> tuple[Ints, Ints]:
    """A random tree with more links across it, some of them side by side."""
    start = np.array([int(rng.integers(0, i)) for i in range(1, count)], dtype=np.int64)
    across = np.array([rng.choice(count, 2, replace=False) for _ in range(more)], dtype=np.int64).reshape(-1, 2)
    return np.append(start, across[:, 0]), np.append(np.arange(1, count), across[:, 1])


def matrix(count: int, start: Ints, end: Ints, g: Floats, ground: Floats) -> Floats:
    rows = np.concatenate([start, end, start, end, np.arange(count)])
    columns = np.concatenate([start, end, end, start, np.arange(count)])
    return np.asarray(coo_array((np.concatenate([g, g, -g, -g, ground]), (rows, columns))).toarray())


def summed(found: Plan, g: Floats) -> Floats:
    return np.bincount(found.edge_of, weights=g, minlength=found.edges)


@settings(deadline=None, max_examples=150)
@given(seed=st.integers(0, 100_000), count=st.integers(2, 60), more=st.integers(0, 60), keep=st.integers(1, 4))
def test_against_sparse_lu(seed: int, count: int, more: int, keep: int) -> None:
    rng = np.random.default_rng(seed)
    start, end = random_ends(rng, count, more)
    keep = min(keep, count)
    kept = rng.choice(count, keep, replace=False).astype(np.int64)
    g, ground = rng.uniform(0.1, 10, start.size), rng.uniform(0, 1, count) * (rng.random(count) < 0.5)
    ground[kept[0]] += 1.0
    right = rng.normal(size=count)
    expected = spsolve(coo_array(matrix(count, start, end, g, ground)).tocsc(), right)

    found = plan(count, start, end, kept)
    assert sorted(found.order.tolist()) == list(range(count)) and found.order[-keep:].tolist() == kept.tolist()
    edges, x = summed(found, g), np.zeros(count)
    fold(found, edges, ground, right, keep)
    x[kept] = np.linalg.solve(kept_matrix(found, edges, ground, keep), right[kept])
    unfold(found, edges, ground, right, x, keep)
    np.testing.assert_allclose(x, expected, rtol=1e-9, atol=1e-9 * np.abs(expected).max())


def test_two_resistors_to_ground_by_hand() -> None:
    """1 A into a node with 2 S to each of two nodes, of which one has 1 S and the other 3 S to ground, and one kept
    node between them: 2 S and 1 S in a row are 2/3 S, 2 S and 3 S are 6/5 S, together 28/15 S: 15/28 V."""
    found = plan(3, np.array([0, 0]), np.array([1, 2]), np.array([0]))
    edges, ground, right = summed(found, np.array([2.0, 2.0])), np.array([0.0, 1.0, 3.0]), np.array([1.0, 0.0, 0.0])
    fold(found, edges, ground, right, 1)
    assert kept_matrix(found, edges, ground, 1)[0, 0] == pytest.approx(28 / 15)


def test_a_tree_gets_no_new_link_and_a_ladder_one_a_rung_at_most() -> None:
    rng = np.random.default_rng(1)
    start, end = random_ends(rng, 500, 0)
    assert plan(500, start, end, np.array([0])).edges == 499
    left, right = np.arange(0, 400, 2), np.arange(1, 400, 2)
    ladder = plan(400, np.concatenate([left[:-1], right[:-1], left]), np.concatenate([left[1:], right[1:], right]),
                  np.array([0]))
    assert ladder.edges <= 199 + 199 + 200 + 200


def test_wide_and_narrow_side_by_side_lose_no_digits() -> None:
    """Conductances over 24 orders of magnitude along a row: the drop over each is known, unit flow over it."""
    g = 10.0 ** np.array([12, -12, 9, -6, 0, 12, -12], dtype=float)
    found = plan(8, np.arange(7), np.arange(1, 8), np.array([0]))
    edges, ground, right = summed(found, g), np.zeros(8), np.zeros(8)
    right[7] = -1.0
    fold(found, edges, ground, right, 1)
    x = np.zeros(8)
    unfold(found, edges, ground, right, x, 1)
    assert right[0] == pytest.approx(-1.0, rel=1e-15)
    np.testing.assert_allclose(x[1:], -np.cumsum(1 / g), rtol=1e-14)
