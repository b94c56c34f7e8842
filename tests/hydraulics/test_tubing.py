"""Ratings of tubing by temperature.

Physics of the trade: nylon loses about 30 to 45 % of its rating by 40 to 60 °C (common practice, no source).
"""

from __future__ import annotations

import math

import pytest

from hydraulics.errors import RangeError
from hydraulics.tubing import Rating, to_withstand_pa
from hydraulics.water import density_kg_m3

NYLON = Rating((23.0, 40.0, 60.0), (35e5, 24e5, 19e5))  # invented, within that practice


def test_linear_between_the_points_and_no_more_below_the_first() -> None:
    """By hand: a quarter of the way from 40 to 60 °C is 24 - 5/4 bar."""
    assert NYLON.at_pa(45.0) == pytest.approx(22.75e5, rel=1e-12)
    assert (NYLON.at_pa(23.0), NYLON.at_pa(0.0), NYLON.at_pa(60.0)) == (35e5, 35e5, 19e5)
    assert Rating((60.0,), (19e5,)).at_pa(20.0) == 19e5


def test_no_rating_is_made_up_above_the_last_point() -> None:
    with pytest.raises(RangeError, match="none is known at 61 °C"):
        NYLON.at_pa(61.0)
    with pytest.raises(RangeError, match="none is known at nan"):
        NYLON.at_pa(math.nan)


def test_what_tubing_must_stand() -> None:
    """The relief setting, else the pump's pressure and a tenth; 10 m further down water of 20 °C adds rho g h: 0.0979
    bar a metre (the trade's figure, rounded)."""
    assert to_withstand_pa(14e5, 19e5) == 19e5
    assert to_withstand_pa(14e5, None) == pytest.approx(15.4e5, rel=1e-12)
    weight = density_kg_m3(20.0) * 9.80665
    assert to_withstand_pa(14e5, 19e5, 10.0, weight) == pytest.approx(19e5 + 10 * 0.0979e5, rel=1e-4)
    assert to_withstand_pa(14e5, 19e5, -10.0, weight) == 19e5


@pytest.mark.parametrize(("temperatures", "ratings", "said"), [
    ((), (), "0 temperatures and 0 ratings"),
    ((20.0,), (1e6, 2e6), "1 temperatures and 2 ratings"),
    ((20.0, 20.0), (1e6, 1e6), "give rising temperatures"),
    ((20.0, 40.0), (1e6, 2e6), "ratings that fall"),
    ((20.0, math.nan), (1e6, 1e6), "temperature nan"),
    ((20.0,), (0.0,), "rating 0 Pa"),
])
def test_refuses_what_is_no_rating(temperatures: tuple[float, ...], ratings: tuple[float, ...], said: str) -> None:
    with pytest.raises(RangeError, match=said):
        Rating(temperatures, ratings)
