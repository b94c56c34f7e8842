"""How many nozzles a floor takes at least: by hand, and never more than any placement by enumeration has there."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.placement.floors import fewest_for
from optimizer.placement.problem import Floor
from tests.optimizer.placement_cases import RULES, coverage_problem, placements, random_problem


@given(st.integers(0, 10**6), st.sets(st.sampled_from([rule for rule in RULES if rule != "floors"]), max_size=2))
@settings(max_examples=80, deadline=None)
def test_every_placement_has_as_many_nozzles_where_they_reach_the_zone(seed: int, rules: set[str]) -> None:
    problem = random_problem(seed, "floors", *sorted(rules))
    for floor in problem.floors:
        reaching, needed = fewest_for(problem, floor)
        assert all(len(set(reaching).intersection(chosen)) >= needed for chosen in placements(problem))


def test_the_largest_areas_add_up_to_the_floor() -> None:
    """Three candidates cover 3, 2 and 1 m²; the fourth covers nothing of the zone."""
    problem = coverage_problem(np.ones(4), sp.csr_array(np.eye(4, dtype=bool)), ((0, 1, 2, 3),))
    area = np.array([2.0, 3.0, 1.0, 0.0])
    found = [fewest_for(problem, Floor("Lawn", area, least)) for least in (0.0, 2.9, 3.0, 3.1, 6.0, 6.1)]
    assert found == [((0, 1, 2), needed) for needed in (0, 1, 1, 2, 3, 4)]
