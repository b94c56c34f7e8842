"""How long free drops last, and what they weigh and how they fall meanwhile."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from hydraulics.errors import RangeError
from hydraulics.mist.air import Air
from hydraulics.mist.evaporation import NO_EVAPORATION, Evaporation, fall_time_s, free_drop, life_s, liquid_share
from hydraulics.mist.settling import terminal_m_s


def test_rate_by_hand() -> None:
    """20 °C, 50 %: wet bulb 13.8 °C, saturated there 11.9 g/m3, in the air 8.65 g/m3; D at 17 °C 2.37e-5 m2/s:
    8 * 2.37e-5 * 3.25e-3 / 998 = 6.2e-10 m2/s (vapour densities of a handbook's steam table, memory)."""
    assert free_drop(Air(20.0, 0.5), 0.01).rate_m2_s == pytest.approx(6.2e-10, rel=0.03)


@pytest.mark.parametrize("humidity", [0.5, 0.65, 0.8])
@pytest.mark.parametrize("diameter_um", [40, 50])
def test_free_drops_of_a_mist_last_seconds(humidity: float, diameter_um: float) -> None:
    """Common practice, no source: 40 to 50 um at 50 to 80 % humidity last 3 to 10 s."""
    life = float(life_s(diameter_um * 1e-6, free_drop(Air(20.0, humidity), 1e-6)))
    assert 2.3 < life < 10.5


def test_saturated_air_takes_nothing() -> None:
    free = free_drop(Air(20.0, 1.0), 0.02)
    assert free.rate_m2_s < 1e-16
    assert np.all(np.isinf(life_s([1e-5, 5e-5], NO_EVAPORATION)))


def test_diameter_squared_falls_evenly_to_the_residue() -> None:
    """By hand: half of d^2 left is 2^-1.5 of the volume; at the end of its life a drop is its residue, and stays so."""
    free = Evaporation(1e-10, 0.02)
    assert float(liquid_share(0.5 * (40e-6) ** 2 / 1e-10, 40e-6, free)) == pytest.approx(2**-1.5, rel=1e-12)
    life = float(life_s(40e-6, free))
    assert life == pytest.approx((40e-6) ** 2 * (1 - 0.02 ** (2 / 3)) / 1e-10, rel=1e-12)
    assert liquid_share([life, 10 * life], 40e-6, free) == pytest.approx([0.02, 0.02], rel=1e-9)


@pytest.mark.parametrize("residue_share", [0.001, 0.05, 0.5])
@pytest.mark.parametrize("diameter_um", [15, 40, 80, 150])
def test_falls_as_an_integrator_says(diameter_um: float, residue_share: float) -> None:
    air, d, height_m = Air(25.0, 0.4), diameter_um * 1e-6, 2.4
    free = free_drop(air, residue_share)
    ours = float(fall_time_s(np.array([d]), height_m, air, free)[0])
    path = solve_ivp(lambda t, _: [float(terminal_m_s(d * liquid_share(t, d, free) ** (1 / 3), air))],
                     (0, 1.05 * ours), [0.0], max_step=ours / 50, rtol=1e-6, dense_output=True)
    times = np.linspace(0, 1.05 * ours, 2001)
    assert float(np.interp(height_m, path.sol(times)[0], times)) == pytest.approx(ours, rel=2e-3)


def test_both_ends_lie_apart() -> None:
    """A drop that shrinks falls longer; the more it keeps, the less so."""
    air, d = Air(25.0, 0.4), np.array([20e-6, 45e-6, 90e-6])
    none = fall_time_s(d, 2.4, air)
    some, most = (fall_time_s(d, 2.4, air, free_drop(air, residue)) for residue in (0.3, 0.01))
    assert np.all(none < some) and np.all(some < most)
    assert none == pytest.approx(2.4 / terminal_m_s(d, air), rel=1e-12)


@pytest.mark.parametrize(("rate", "residue", "words"), [
    (-1.0, 0.1, "give at least 0"), (1e-10, 0.0, "above 0 and at most 1"), (1e-10, 1.1, "above 0 and at most 1"),
])
def test_refuses_what_is_no_evaporation(rate: float, residue: float, words: str) -> None:
    with pytest.raises(RangeError, match=words):
        Evaporation(rate, residue)
