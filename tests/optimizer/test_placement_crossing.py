"""Windows between lines against all pairs by plain distances; even patterns against counts by division."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import scipy.sparse as sp
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.placement.crossing import crossing_windows
from optimizer.placement.pitches import even_patterns

LEAST_M = 2.0


@given(st.integers(0, 10**6))
@settings(max_examples=100, deadline=None)
def test_a_window_holds_every_close_pair_that_mists_common_ground_and_no_other(seed: int) -> None:
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0.0, 6.0, (12, 2))
    covers = rng.random((9, 12)) < 0.3
    along = tuple((j, j + 1) for j in range(0, 12, 3))
    found = crossing_windows(xy, sp.csr_array(covers), along, LEAST_M)
    held = {pair for window in found for pair in itertools.combinations(window, 2)}
    for i, j in itertools.combinations(range(12), 2):
        near = math.dist(xy[i], xy[j]) < LEAST_M
        shares = bool((covers[:, i] & covers[:, j]).any())
        if near and shares and (i, j) not in along:
            assert (i, j) in held
        if (i, j) in held:
            assert (i, j) in along or (near and shares)


def test_two_lines_that_meet_at_a_corner() -> None:
    """Positions 1 m apart on both legs of a right angle, each misting a disc of 3 m: sqrt(1 + 1) m is too close,
    sqrt(1 + 4) m and a distance of exactly 2 m are not (Pythagoras)."""
    legs = [(float(s), 0.0) for s in range(4)] + [(0.0, float(s)) for s in range(1, 4)]
    ground = [(x + 0.5, y + 0.5) for x in range(-4, 8) for y in range(-4, 8)]
    covers = np.array([[math.dist(cell, nozzle) <= 3.0 for nozzle in legs] for cell in ground])
    along = ((0, 1), (1, 2), (2, 3), (4, 5), (5, 6))
    assert crossing_windows(np.array(legs), sp.csr_array(covers), along, LEAST_M) == ((0, 1, 4),)


def test_nozzles_back_to_back_do_not_hinder_each_other() -> None:
    xy = np.array([[0.0, 0.0], [0.3, 0.0]])
    assert crossing_windows(xy, sp.csr_array(np.eye(2, dtype=bool)), (), LEAST_M) == ()


@pytest.mark.parametrize(("pitch_m", "start_m"), [(3.0, 0), (3.0, 2), (4.0, 3), (7.0, 6)])
def test_an_open_line_bears_one_nozzle_a_pitch(pitch_m: float, start_m: int) -> None:
    s = np.arange(0.0, 20.5, 1.0)
    found = even_patterns(tuple(range(21)), s, 20.0, np.array([pitch_m]), 1.0, closed=False)
    assert len(found) == pitch_m
    pattern = next(one for one in found if one[0] == start_m)
    assert len(pattern) == math.floor((20 - start_m) / pitch_m) + 1
    assert set(np.diff(pattern)) == {pitch_m}


def test_a_closed_line_is_divided_evenly() -> None:
    """24 m at a pitch of 5 m takes 4 nozzles, 6 m apart."""
    found = even_patterns(tuple(range(24)), np.arange(24.0), 24.0, np.array([5.0]), 1.0, closed=True)
    assert found == tuple((k, k + 6, k + 12, k + 18) for k in range(6))


def test_a_door_leaves_a_gap_in_the_pattern() -> None:
    s = np.array([0.0, 1.0, 2.0, 3.0, 7.0, 8.0, 9.0])
    found = even_patterns(tuple(range(7)), s, 9.0, np.array([3.0]), 1.0, closed=False)
    assert (0, 3, 6) in found, "0, 3 and 9 m; the place at 6 m is the door"
