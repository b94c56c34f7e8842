"""Terminal velocity against measured drops, a handbook's values, Stokes' law and another library."""

from __future__ import annotations

import fluids
import numpy as np
import pytest

from hydraulics.errors import RangeError
from hydraulics.mist.air import Air
from hydraulics.mist.settling import DROP_KG_M3, slip, stokes_m_s, terminal_m_s
from hydraulics.units import FOOT_M, GRAVITY_M_S2

AIR = Air(20.0, 0.5)


@pytest.mark.parametrize(("diameter_mm", "cm_s", "within"), [
    # Gunn and Kinzer (1949), J. Meteor. 6, 243, at 20 °C, 760 mm and 50 % humidity; 0.1 mm from memory, 27 cm/s.
    (0.1, 27, 0.10), (0.2, 72, 0.04), (0.3, 117, 0.04), (0.4, 162, 0.04), (0.5, 206, 0.04), (0.6, 247, 0.04),
])
def test_drops_measured_by_gunn_and_kinzer(diameter_mm: float, cm_s: float, within: float) -> None:
    assert float(terminal_m_s(diameter_mm * 1e-3, AIR)) * 100 == pytest.approx(cm_s, rel=within)


@pytest.mark.parametrize(("diameter_um", "m_s"), [(1, 3.5e-5), (10, 3.06e-3), (100, 0.25)])
def test_drops_of_unit_density_in_a_handbook(diameter_um: float, m_s: float) -> None:
    """Hinds, Aerosol Technology (memory)."""
    assert float(terminal_m_s(diameter_um * 1e-6, AIR, 1000.0)) == pytest.approx(m_s, rel=0.012)


def test_small_drops_obey_stokes() -> None:
    """18 mu v = density g d^2 times slip, all inertia left out."""
    d = np.array([0.5e-6, 1e-6, 2e-6, 5e-6])
    by_hand = (DROP_KG_M3 - AIR.density_kg_m3) * GRAVITY_M_S2 * d**2 / (18 * AIR.viscosity_pa_s) * slip(d, AIR)
    assert stokes_m_s(d, AIR) == pytest.approx(by_hand, rel=1e-12)
    assert terminal_m_s(d, AIR) == pytest.approx(by_hand, rel=2e-3)


@pytest.mark.parametrize(("diameter_um", "factor"), [(1, 1.166), (10, 1.017)])
def test_slip_of_a_handbook(diameter_um: float, factor: float) -> None:
    """Cunningham's factor at 1 atm and 20 °C, Hinds, Aerosol Technology, table A11 (memory)."""
    assert float(slip(diameter_um * 1e-6, AIR)) == pytest.approx(factor, rel=0.02)


@pytest.mark.parametrize(("law", "within"), [("Clift_Gauvin", 0.02), ("Clift", 0.025), (None, 0.04)])
@pytest.mark.parametrize("diameter_um", [20, 50, 100, 200, 400, 800])
def test_another_library_agrees(diameter_um: float, law: str | None, within: float) -> None:
    """`fluids`: v_terminal with its form of the same drag, with the standard curve of Clift, Grace and Weber (1978) and
    with its default; none of them knows slip, which is 1 % at 20 um."""
    d = diameter_um * 1e-6
    reference = fluids.v_terminal(D=d, rhop=DROP_KG_M3, rho=AIR.density_kg_m3, mu=AIR.viscosity_pa_s, Method=law)
    assert float(terminal_m_s(d, AIR)) == pytest.approx(reference, rel=within)


def test_times_to_fall_five_feet_that_the_trade_tells() -> None:
    """Common practice, no source: almost 2,000 s for 5 um, about 30 s for 40 um."""
    seconds = 5 * FOOT_M / terminal_m_s(np.array([5e-6, 40e-6]), AIR)
    assert 1800 < seconds[0] < 2050
    assert 27 < seconds[1] < 34


def test_larger_drops_fall_faster_and_thin_air_lets_them() -> None:
    d = np.geomspace(1e-6, 1e-3, 60)
    assert np.all(np.diff(terminal_m_s(d, AIR)) > 0)
    assert float(terminal_m_s(3e-4, Air(20.0, 0.5, 8e4))) > float(terminal_m_s(3e-4, AIR))


@pytest.mark.parametrize("diameter_m", [0.0, -1e-6, 2e-3, float("nan")])
def test_refuses_what_is_no_drop_of_mist(diameter_m: float) -> None:
    with pytest.raises(RangeError, match="give diameters above 0 and at most 1000 um"):
        terminal_m_s(np.array([1e-5, diameter_m]), AIR)
