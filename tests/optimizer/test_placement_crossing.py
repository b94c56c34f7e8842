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
from optimizer.placement.pitches import FINEST_M, even_patterns, tried_pitches

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


@pytest.mark.parametrize("closed", [False, True])
def test_a_position_off_the_step_is_in_a_pattern(closed: bool) -> None:
    """A lock at 1.3 m of 20 m, candidates every metre: at a pitch of 4 m its neighbours' places are 5.3 m and so on."""
    s = np.sort(np.append(np.arange(0.0, 20.0 if closed else 20.5, 1.0), 1.3))
    members, pitch = tuple(range(len(s))), np.array([4.0])
    assert not any(2 in one for one in even_patterns(members, s, 20.0, pitch, 1.0, closed=closed))
    found = even_patterns(members, s, 20.0, pitch, 1.0, closed=closed, anchors_m=np.array([1.3]))
    assert (1.3, 5.0, 9.0, 13.0, 17.0) in [tuple(s[list(one)]) for one in found]


def test_of_two_candidates_within_half_a_step_a_pattern_may_hold_the_anchor() -> None:
    """Places at 1, 5 and 9 m: the lock at 5.4 m is within 0.5 m of the second, whose own candidate is nearer."""
    s = np.sort(np.append(np.arange(0.0, 10.5, 1.0), 5.4))
    found = even_patterns(tuple(range(12)), s, 10.0, np.array([4.0]), 1.0, closed=False, anchors_m=np.array([5.4]))
    held = [tuple(s[list(one)]) for one in found]
    assert (1.0, 5.4, 9.0) in held
    assert (1.0, 5.0, 9.0) in held


def test_fine_steps_do_not_multiply_patterns() -> None:
    """20 m at 2 m, from starts a quarter of a metre apart: 8 patterns at any step below; pitches likewise."""
    s = np.arange(0.0, 20.01, 0.05)
    assert len(even_patterns(tuple(range(len(s))), s, 20.0, np.array([2.0]), 0.05, closed=False)) == 2.0 / FINEST_M
    assert tried_pitches(1.5, 3.0, 0.05).tolist() == [1.5, 1.75, 2.0, 2.25, 2.5, 2.75, 3.0]
    assert tried_pitches(1.5, 3.0, 1.0).tolist() == [1.5, 2.5]
