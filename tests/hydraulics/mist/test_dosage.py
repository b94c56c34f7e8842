"""Dosage and deposit on places: closed forms, symmetry, sums, and what a row of nozzles does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hydraulics.errors import RangeError
from hydraulics.mist import plume
from hydraulics.mist.account import account, regions_of
from hydraulics.mist.air import Air
from hydraulics.mist.dosage import Nozzles, dosage, matrices
from hydraulics.mist.evaporation import fall_time_s, free_drop
from hydraulics.mist.kernel import Mist
from hydraulics.mist.spectrum import Lognormal, classes, spectrum_from_figures
from hydraulics.mist.wind import Wind, WindState, calm_and_variable, friction_velocity_m_s, mean_speed_m_s, speed_at_m_s

Floats = NDArray[np.float64]
AIR = Air(20.0, 0.6)
MIST = Mist(classes(Lognormal(45e-6, 1.7), 16), AIR)
ROSE = Wind((WindState(0.5, 10.0, 0.2), WindState(1.0, 130.0, 0.5), WindState(2.0, 250.0, 0.3)))


def nozzles(count: int, seed: int = 0) -> Nozzles:
    rng = np.random.default_rng(seed)
    return Nozzles(rng.uniform(0, 30, count), rng.uniform(0, 30, count), rng.choice([2.4, 3.0], count))


def square(side: int, cell_m: float = 1.0) -> tuple[Floats, Floats]:
    middles = (np.arange(side) + 0.5) * cell_m
    x, y = np.meshgrid(middles, middles)
    return x.ravel(), y.ravel()


def test_one_place_by_the_formula() -> None:
    """8 m downwind and 1 m aside of one nozzle in a west wind: class by class, without any table."""
    wind = Wind((WindState(1.5, 270.0, 1.0),))
    made = dosage(Nozzles(np.array([3.0]), np.array([4.0]), np.array([2.4])), np.array([2e-3]), wind, MIST,
                  np.array([11.0]), np.array([5.0]))
    friction = friction_velocity_m_s(1.5, 10.0, 0.03)
    speed, k = mean_speed_m_s(2.4, friction, 0.03), plume.diffusivity_m2_s(2.4, friction)
    age, airborne, ground = 8.0 / speed, 0.0, 0.0
    for d, share in zip(MIST.drops.diameter_m, MIST.drops.share, strict=True):
        fall = 2.4 / float(fall_time_s(d, 2.4, AIR)[0])
        airborne += share * float(plume.share_above(age, 2.4, fall, k) - plume.share_above(age, 2.4, fall, k, 2.0))
        ground += share * float(plume.ground_rate_per_s(age, 2.4, fall, k))
    sigma = float(plume.spread_m(age, friction))
    aside = math.exp(-0.5 / sigma**2) / (sigma * math.sqrt(2 * math.pi))
    assert float(made.airborne_s[0]) == pytest.approx(2e-3 * airborne / (2.0 * speed) * aside, rel=1e-9)
    assert float(made.deposit_m[0]) == pytest.approx(2e-3 * ground / speed * aside, rel=1e-9)


@settings(max_examples=15, deadline=None)
@given(turn=st.floats(0, 360), seed=st.integers(0, 50))
def test_site_and_wind_may_turn_together(turn: float, seed: int) -> None:
    """Bearings run clockwise: turning all by so many degrees changes no figure."""
    made = nozzles(4, seed)
    x, y = square(12, 2.5)
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))

    def turned(px: Floats, py: Floats) -> tuple[Floats, Floats]:
        return px * c + py * s, py * c - px * s

    rose = Wind(tuple(WindState(w.speed_m_s, w.from_deg + turn, w.share) for w in ROSE.states))
    volume = np.full(4, 1e-3)
    one = dosage(made, volume, ROSE, MIST, x, y)
    two = dosage(Nozzles(*turned(made.x_m, made.y_m), made.height_m), volume, rose, MIST, *turned(x, y))
    assert two.airborne_s == pytest.approx(one.airborne_s, rel=1e-6, abs=1e-12)
    assert two.deposit_m == pytest.approx(one.deposit_m, rel=1e-6, abs=1e-12)


def test_maps_are_sums_over_nozzles_and_winds() -> None:
    """Linear in each nozzle's volume, through the matrices, and in the shares of the rose."""
    made, (x, y) = nozzles(6), square(30)
    volume = np.array([1.0, 0.5, 2.0, 0.0, 1.5, 1.0]) * 1e-3
    whole = dosage(made, volume, ROSE, MIST, x, y)
    per = matrices(made, ROSE, MIST, x, y)
    assert volume @ per.airborne_s_m3 == pytest.approx(whole.airborne_s, rel=1e-12)
    assert volume @ per.deposit_per_m2 == pytest.approx(whole.deposit_m, rel=1e-12)
    states = [dosage(made, volume, Wind((WindState(w.speed_m_s, w.from_deg, 1.0),)), MIST, x, y) for w in ROSE.states]
    summed = sum(w.share * part.airborne_s for w, part in zip(ROSE.states, states, strict=True))
    assert whole.airborne_s == pytest.approx(summed, rel=1e-12)


def test_faint_entries_may_be_left_out() -> None:
    made, (x, y) = nozzles(5), square(40)
    full, thin = (matrices(made, ROSE, MIST, x, y, least).airborne_s_m3 for least in (0.0, 0.02))
    assert thin.nnz < full.nnz
    lost = (full - thin).toarray()
    assert np.all(lost < 0.02 * full.toarray().max(axis=1, keepdims=True))
    assert np.all((lost == 0) | (thin.toarray() == 0))


def test_deposit_of_the_map_is_that_of_the_account() -> None:
    """Two ways: values at middles of cells times their area, and parcels counted by region."""
    made, (x, y) = nozzles(5, 3), square(60, 0.5)
    left = (x < 15).reshape(60, 60)
    laid = dosage(made, np.full(5, 1e-3), ROSE, MIST, x, y)
    count = account(made, ROSE, MIST, regions_of(0.0, 0.0, 0.5, np.ones((60, 60), dtype=bool), {"left": left}))
    shares = np.array([w.share for w in ROSE.states]) @ count.sprayed_share.mean(axis=0)
    by_map = [float(laid.deposit_m[part].sum()) * 0.25 / 5e-3 for part in (left.ravel(), ~left.ravel())]
    assert by_map == pytest.approx(shares[:2], abs=4e-3)


def test_all_that_is_sprayed_passes_through_the_layer_downwind() -> None:
    """Before any deposit the whole plume blows through a line across the wind: the integral of dosage times speed."""
    wind, side = Wind((WindState(2.0, 270.0, 1.0),)), np.linspace(-20, 20, 801)
    fine = Mist(classes(Lognormal(2e-6, 1.1), 4), AIR)
    made = dosage(Nozzles(np.zeros(1), np.zeros(1), np.array([2.4])), np.array([1e-3]), wind, fine,
                  np.full(801, 6.0), side, top_m=50.0)
    speed = mean_speed_m_s(2.4, friction_velocity_m_s(2.0, 10.0, 0.03), 0.03)
    assert float(np.trapezoid(made.airborne_s, side)) * speed * 50.0 == pytest.approx(1e-3, rel=2e-3)


@pytest.mark.parametrize("pitch_m", [2.5, 3.5, 4.5])
@pytest.mark.parametrize("median_um", [40, 50])
def test_a_row_at_the_usual_pitch_gives_an_even_dosage(pitch_m: float, median_um: float) -> None:
    """Common practice, no source: nozzles 2.5 to 4.5 m apart on a mount of 2.4 m. Along a line 5 m in front of the row,
    in a light wind across it from all bearings within 45 degrees, no place gets less than 0.8 of the mean."""
    row = np.arange(-10, 11) * pitch_m
    wind = Wind(tuple(WindState(1.0, bearing, 1 / 13) for bearing in np.linspace(-45, 45, 13)))
    median_m = median_um * 1e-6
    mist = Mist(classes(spectrum_from_figures(0.5 * median_m, median_m, 1.9 * median_m), 16), AIR)
    along = np.linspace(-pitch_m, pitch_m, 81)
    made = dosage(Nozzles(row, np.zeros(21), np.full(21, 2.4)), np.full(21, 1e-3), wind, mist, along, np.full(81, -5.0))
    assert float(made.airborne_s.min()) > 0.8 * float(made.airborne_s.mean())


def test_calm_air_spreads_to_all_sides() -> None:
    made = dosage(Nozzles(np.zeros(1), np.zeros(1), np.array([2.4])), np.array([1e-3]), Wind(calm_and_variable()), MIST,
                  np.array([5.0, 0.0, -5.0, 0.0]), np.array([0.0, 5.0, 0.0, -5.0]))
    assert made.airborne_s == pytest.approx(np.full(4, made.airborne_s[0]), rel=1e-9)


def test_free_drops_drift_further_than_drops_that_keep_their_water() -> None:
    x, y = square(20)
    made = nozzles(3)
    kept, free = (dosage(made, np.full(3, 1e-3), ROSE, Mist(MIST.drops, AIR, how), x, y).deposit_m.sum()
                  for how in (MIST.evaporation, free_drop(AIR, 0.02)))
    assert free < kept


def test_log_profile_by_hand() -> None:
    """2 m/s at 10 m over 0.1 m: u* = 0.8 / ln 100 = 0.17372; 1.30103 m/s at 2 m; mean below: by quadrature."""
    friction = friction_velocity_m_s(2.0, 10.0, 0.1)
    assert friction == pytest.approx(0.173718, rel=1e-5)
    assert speed_at_m_s(2.0, friction, 0.1) == pytest.approx(2 * math.log(20) / math.log(100), rel=1e-12)
    heights = np.linspace(0, 3, 300_001)
    mean = np.mean([speed_at_m_s(float(z), friction, 0.1) for z in heights[::100]])
    assert mean_speed_m_s(3.0, friction, 0.1) == pytest.approx(float(mean), rel=2e-3)


@pytest.mark.parametrize(("make", "words"), [
    (lambda: Wind((WindState(0.0, 0.0, 1.0),)), "state 1: speed 0 m/s, give one above 0"),
    (lambda: Wind((WindState(1.0, 0.0, 0.4), WindState(1.0, 90.0, 0.4))), "sum to 0.8, let them sum to 1"),
    (lambda: Wind((WindState(1.0, 0.0, 1.0),), roughness_m=0.0), "roughness length 0 m"),
    (lambda: Nozzles(np.zeros(2), np.zeros(2), np.zeros(1)), "2 x, 2 y and 1 heights"),
    (lambda: dosage(Nozzles(np.zeros(1), np.zeros(1), np.array([0.01])), np.ones(1), ROSE, MIST, *square(1)),
     "nozzle height 0.01 m: give one above the roughness length"),
])
def test_refuses_what_is_no_wind_or_nozzle(make: object, words: str) -> None:
    with pytest.raises(RangeError, match=words):
        make()  # type: ignore[operator]
