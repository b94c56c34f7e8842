"""The nozzle curve: facts of the trade, its inverse, its fit."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hydraulics.errors import RangeError
from hydraulics.nozzle import NozzleCurve, curve_from_readings

PSI_PA = 6894.757293  # NIST SP 811
ML_MIN_M3_S = 1e-6 / 60

curves = st.builds(
    NozzleCurve, st.just("any"), k=st.floats(1e-12, 1e-6), p0_pa=st.floats(0, 1e6), n=st.floats(0.2, 1.0)
)


def test_one_curve_meets_the_facts_of_the_trade() -> None:
    """Common practice, no source: a fine-orifice mist nozzle (0.012 in) with spring check valve passes
    18 mL/min at 100 psi, 41 at 200 psi, a little over 50 near 275 psi, and closes at about 80 psi;
    200 to 250 psi give 40 to 50 mL/min, and below 200 psi the flow drops quickly."""
    curve = curve_from_readings("fine mist", [100 * PSI_PA, 200 * PSI_PA],
                                [18 * ML_MIN_M3_S, 41 * ML_MIN_M3_S], closing_pa=80 * PSI_PA)
    flow = {psi: float(curve.flow_m3_s(psi * PSI_PA)) / ML_MIN_M3_S for psi in (80, 100, 150, 200, 250, 275)}
    assert flow[80] == 0
    assert flow[100] == pytest.approx(18, abs=0.5)
    assert flow[200] == pytest.approx(41, abs=0.5)
    assert 40 <= flow[200] < flow[250] <= 50
    assert 50 < flow[275] < 53
    assert flow[200] - flow[150] > flow[250] - flow[200]  # drops quicker below the band than within it


def test_the_orifice_law() -> None:
    """q = c A sqrt(2 p / rho), by hand: four times the pressure gives twice the flow."""
    curve = NozzleCurve("orifice", 1e-9, 0.0, 0.5)
    np.testing.assert_allclose(curve.flow_m3_s([1e6, 4e6]), [1e-6, 2e-6], rtol=1e-15)


@given(curves, st.floats(1e3, 1e7))
def test_pressure_and_flow_are_inverse(curve: NozzleCurve, over_pa: float) -> None:
    pressure = curve.p0_pa + over_pa
    back = float(curve.pressure_pa(curve.flow_m3_s(pressure)))
    assert back - curve.p0_pa == pytest.approx(over_pa, rel=1e-9, abs=1e-6)


@given(curves, st.floats(-1e6, 0))
def test_closed_below_the_closing_pressure(curve: NozzleCurve, over_pa: float) -> None:
    assert float(curve.flow_m3_s(curve.p0_pa + over_pa)) == 0


def test_no_flow_backwards() -> None:
    with pytest.raises(RangeError, match="flow -1e-06 m3/s, give at least 0"):
        NozzleCurve("n", 1e-9, 0.0, 0.5).pressure_pa([1e-6, -1e-6])


def test_all_faults_of_a_curve_at_once() -> None:
    with pytest.raises(RangeError) as error:
        NozzleCurve("odd", -1.0, math.nan, 1.5)
    assert str(error.value) == (
        "nozzle 'odd': k = -1, give a number above 0; closing pressure = nan Pa, give at least 0; "
        "exponent n = 1.5, give a number above 0 and at most 1"
    )


@given(st.builds(replace, curves, n=st.floats(0.2, 0.95)), st.booleans())
def test_the_fit_finds_the_curve_behind_exact_readings(curve: NozzleCurve, closing_read: bool) -> None:
    pressures = curve.p0_pa + np.array([0.5e5, 1.5e5, 4e5, 9e5, 12e5])
    fitted = curve_from_readings("fit", pressures.tolist(), curve.flow_m3_s(pressures).tolist(),
                                 curve.p0_pa if closing_read else None)
    band = curve.p0_pa + np.linspace(1e5, 11e5, 5)
    rtol = 1e-9 if closing_read else 1e-4
    np.testing.assert_allclose(fitted.flow_m3_s(band), curve.flow_m3_s(band), rtol=rtol)


@pytest.mark.parametrize(("pressures", "flows", "closing", "said"), [
    ([1e6], [1e-6], 5e5, "give a flow at each of at least 2 different pressures"),
    ([1e6, 1e6], [1e-6, 1e-6], 5e5, "at least 2 different pressures"),
    ([1e6, 2e6], [1e-6, 2e-6], None, "at least 3 different pressures"),
    ([1e6, 2e6], [1e-6], 5e5, "2 pressures and 1 flows read"),
    ([4e5, 2e6], [1e-6, 2e-6], 5e5, "a reading at 400000 Pa; read above the closing pressure of 500000 Pa"),
    ([1e6, 2e6], [0.0, 2e-6], 5e5, "a flow of 0 m3/s; give flows above 0"),
    ([1e6, math.nan], [1e-6, 2e-6], 5e5, "read above the closing pressure"),
    ([1e6, 2e6], [2e-6, 1e-6], 5e5, "exponent n = "),
])
def test_refuses_readings_of_no_nozzle(
    pressures: list[float], flows: list[float], closing: float | None, said: str
) -> None:
    with pytest.raises(RangeError, match=f"nozzle 'bad'.*{said}"):
        curve_from_readings("bad", pressures, flows, closing)
