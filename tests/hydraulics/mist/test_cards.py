"""Reach from cards against bells of known reach, and its error against many noisy sets of cards."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hydraulics.errors import RangeError
from hydraulics.mist.cards import reach_of_cards

EAST, NORTH = np.meshgrid(np.arange(-4.0, 4.1, 1.0), np.arange(-4.0, 4.1, 1.0))
DISTANCE_M = np.hypot(EAST, NORTH).ravel()
PEAK_M, WIDTH_M, LEAST_M = 0.8e-6, 1.7, 0.1e-6
REACH_M = WIDTH_M * math.sqrt(math.log(8.0))  # closed form: 0.8 exp(-(r / 1.7)^2) = 0.1
BELL_M = PEAK_M * np.exp(-((DISTANCE_M / WIDTH_M) ** 2))


def test_the_reach_of_a_bell_is_found() -> None:
    found = reach_of_cards(DISTANCE_M.tolist(), BELL_M.tolist(), LEAST_M)
    assert found.reach_m == pytest.approx(REACH_M, rel=1e-6) and found.cards == 81
    assert found.error_m < 1e-6 and found.residual_m < 1e-12


def test_nineteen_of_twenty_noisy_sets_hold_the_reach_within_two_errors() -> None:
    """Source: the normal distribution; 300 draws of cards read with an error of 1 % of the peak."""
    draw, held = np.random.default_rng(11), 0
    for _ in range(300):
        read = np.maximum(BELL_M + draw.normal(0.0, 0.01 * PEAK_M, BELL_M.size), 0.0)
        found = reach_of_cards(DISTANCE_M.tolist(), read.tolist(), LEAST_M)
        held += abs(found.reach_m - REACH_M) <= 2.0 * found.error_m
    assert 0.9 <= held / 300 <= 0.99


@pytest.mark.parametrize(
    ("distance", "deposit", "said"),
    [
        ([0.0, 1.0, 2.0], [3e-7, 2e-7, 1e-7], "at least 4"),
        ([0.0, 1.0, 2.0, 3.0], [0.9e-7, 0.8e-7, 0.5e-7, 0.1e-7], "none has more than the least deposit"),
        ([0.0, 0.5, 1.0, 1.5], [8e-7, 7.9e-7, 7.6e-7, 7.4e-7], "lay cards further out"),
        ([0.0, 1.0, 2.0, 3.0], [8e-7, 4e-7, -1e-7, 0.0], "at least 0"),
    ],
)
def test_cards_that_tell_no_reach(distance: list[float], deposit: list[float], said: str) -> None:
    with pytest.raises(RangeError, match=said):
        reach_of_cards(distance, deposit, LEAST_M)
