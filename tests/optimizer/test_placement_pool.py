"""A problem of some candidates against enumeration: legal there is legal here, and worth the same."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.placement.pool import restricted
from tests.optimizer.placement_cases import RULES, is_legal, placements, random_problem, value_of


@given(st.integers(0, 10**6), st.sets(st.sampled_from(RULES)))
@settings(max_examples=150, deadline=None)
def test_what_is_legal_among_some_is_legal_among_all_and_worth_the_same(seed: int, rules: set[str]) -> None:
    problem = random_problem(seed, *sorted(rules))
    rng = np.random.default_rng(seed)
    legal = list(placements(problem))
    if not legal:
        return
    best = max(legal, key=lambda chosen: value_of(problem, chosen))
    some = set(np.flatnonzero(rng.random(problem.candidates) < 0.6).tolist()).union(best, problem.locked)
    pool = np.array(sorted(some), dtype=np.int64)
    less = restricted(problem, pool)
    within = {tuple(int(pool[j]) for j in chosen) for chosen in placements(less)}
    assert within <= set(legal) and best in within
    for chosen in within:
        assert is_legal(problem, chosen)
        assert np.isclose(value_of(less, tuple(np.searchsorted(pool, chosen))), value_of(problem, chosen))
