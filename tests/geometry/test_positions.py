"""Candidate positions; expected chainages by hand from the rule: every step, both ends, locked ones always."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geometry.errors import ArgumentError
from geometry.positions import candidate_positions
from geometry.site import KeepOut, Stretch
from tests.geometry.drawn_sites import box_ring, line, site

STRAIGHT = [(0, 0), (2.2, 0)]


def chainages(step_m: float = 1.0, points: Any = STRAIGHT, keep_outs: Any = (), **more: Any) -> list[float]:
    found = candidate_positions(site([line("a", points, **more)], keep_outs=keep_outs), step_m)
    return [round(float(at), 6) for at in found.chainage_m]


def test_every_step_and_both_ends() -> None:
    assert chainages() == [0, 1, 2, 2.2]
    assert chainages(points=[(0, 0), (3, 0)]) == [0, 1, 2, 3]
    assert chainages(step_m=0.1, points=[(0, 0), (0.3, 0)]) == [0, 0.1, 0.2, 0.3]
    assert chainages(step_m=5.0) == [0, 2.2]


def test_a_closed_line_has_its_seam_once() -> None:
    assert chainages(points=box_ring(0, 0, 1, 1)) == [0, 1, 2, 3]
    assert chainages(points=box_ring(0, 0, 1, 1), locked_m=(4.0,)) == [0, 1, 2, 3]


def test_doors_and_windows_stay_free_but_their_edges_do_not() -> None:
    assert chainages(step_m=0.5, no_nozzles=(Stretch(0.5, 1.5, "door"),)) == [0, 0.5, 1.5, 2, 2.2]
    assert chainages(step_m=0.5, no_tubing=(Stretch(0.5, 1.5, "gate"),)) == [0, 0.5, 1.5, 2, 2.2]


def test_locked_positions_stay_even_off_step() -> None:
    found = candidate_positions(site([line("a", STRAIGHT, locked_m=(0.37, 1.0))]), 1.0)
    np.testing.assert_allclose(found.chainage_m, [0, 0.37, 1, 2, 2.2])
    np.testing.assert_array_equal(found.locked, [False, True, True, False, False])


def test_preferred_positions_are_offered_off_step_and_off_support() -> None:
    found = candidate_positions(site([line("a", STRAIGHT, preferred_m=(0.37, 1.0), locked_m=(0.37,))]), 1.0)
    np.testing.assert_allclose(found.chainage_m, [0, 0.37, 1, 2, 2.2])
    np.testing.assert_array_equal(found.preferred, [False, True, True, False, False])
    np.testing.assert_array_equal(found.locked, [False, True, False, False, False])
    assert chainages(supports_m=(0.4,), preferred_m=(1.5,)) == [0.4, 1.5]
    assert chainages(forbidden_m=(1.2,), preferred_m=(1.0,)) == [0, 1, 2, 2.2]


def test_the_seam_may_be_preferred_by_either_end() -> None:
    ring = line("a", box_ring(0, 0, 1, 1), preferred_m=(4.0,))
    np.testing.assert_array_equal(candidate_positions(site([ring]), 1.0).preferred, [True, False, False, False])


def test_forbidden_chainages_clear_half_a_step_about_them() -> None:
    assert chainages(forbidden_m=(1.2,)) == [0, 2, 2.2]
    assert chainages(forbidden_m=(1.6,)) == [0, 1, 2.2]
    assert chainages(forbidden_m=(1.5,)) == [0, 2.2]
    assert chainages(points=box_ring(0, 0, 1, 1), forbidden_m=(3.9,)) == [1, 2, 3]


def test_supports_are_the_only_places() -> None:
    assert chainages(supports_m=(0.4, 1.9)) == [0.4, 1.9]
    assert chainages(supports_m=(0.4, 1.9), locked_m=(1.0,)) == [0.4, 1.0, 1.9]


@pytest.mark.parametrize(
    ("forbids", "left"), [("mounting", [0, 2, 2.2]), ("tubing", [0, 2, 2.2]), ("mist", [0, 1, 2, 2.2])]
)
def test_keep_outs_bar_what_they_forbid(forbids: str, left: list[float]) -> None:
    yard = KeepOut("yard", shapely.box(0.5, -1, 1.5, 1), frozenset([forbids]))
    assert chainages(keep_outs=[yard]) == left


def test_height_stands_on_the_ground_along_the_slope() -> None:
    found = candidate_positions(site([line("a", [(0, 0, 10), (2, 0, 11)], height_m=2.5)]), 1.0)
    np.testing.assert_allclose(found.z_m, [12.5, 13.0, 13.5])
    np.testing.assert_allclose(found.height_m, 2.5)


@pytest.mark.parametrize("step", [0.0, -1.0, float("nan")])
def test_a_step_of_nothing_is_named(step: float) -> None:
    with pytest.raises(ArgumentError, match="step_m"):
        candidate_positions(site([line("a", STRAIGHT)]), step)


@given(length=st.floats(0.2, 60), step=st.floats(0.1, 5))
def test_neighbours_are_never_further_apart_than_the_step(length: float, step: float) -> None:
    at = np.array(chainages(step, points=[(0, 0), (length, 0)]))
    assert at[0] == 0 and at[-1] == pytest.approx(length, abs=1e-5)
    assert np.all(np.diff(at) <= step + 2e-6) and np.all(np.diff(at) > 0)


@given(cut=st.floats(0.1, 9.9))
def test_a_vertex_more_on_a_straight_line_changes_nothing(cut: float) -> None:
    plain = candidate_positions(site([line("a", [(0, 0), (10, 0)])]), 0.7)
    split = candidate_positions(site([line("a", [(0, 0), (cut, 0), (10, 0)])]), 0.7)
    np.testing.assert_allclose(split.chainage_m, plain.chainage_m, atol=1e-9)
    np.testing.assert_allclose(split.x_m, plain.x_m, atol=1e-9)
