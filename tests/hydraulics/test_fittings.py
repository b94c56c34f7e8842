"""Losses of fittings against the library `fluids` and by hand."""

from __future__ import annotations

import math

import pytest
from fluids import dP_from_K
from hypothesis import given
from hypothesis import strategies as st

from hydraulics.errors import RangeError
from hydraulics.fittings import k_of_loss, minor_loss_pa, minor_loss_slope_pa_s_m3

positive = {"flow": st.floats(1e-8, 1e-3), "bore": st.floats(1e-3, 0.1)}


@given(k=st.floats(0, 20), **positive)
def test_velocity_heads_of_fluids(k: float, flow: float, bore: float) -> None:
    velocity = flow / (math.pi * bore**2 / 4)
    expected = dP_from_K(k, rho=998.2, V=velocity)
    assert float(minor_loss_pa(k, flow, bore, 998.2)) == pytest.approx(expected, rel=1e-12)
    assert float(minor_loss_pa(k, -flow, bore, 998.2)) == pytest.approx(-expected, rel=1e-12)


def test_a_tee_by_hand() -> None:
    # v = 2 m/s in an area of 1e-5 m2, K 1.8, 1000 kg/m3: 1.8 * 1000 * 4 / 2 = 3600 Pa, slope 2 * 3600 / 2e-5
    bore = math.sqrt(4e-5 / math.pi)
    assert float(minor_loss_pa(1.8, 2e-5, bore, 1000.0)) == pytest.approx(3600.0)
    assert float(minor_loss_slope_pa_s_m3(1.8, 2e-5, bore, 1000.0)) == pytest.approx(3.6e8)
    assert float(minor_loss_slope_pa_s_m3(1.8, -2e-5, bore, 1000.0)) == pytest.approx(3.6e8)


@given(loss=st.floats(0, 1e6), **positive)
def test_k_of_a_loss_gives_that_loss(loss: float, flow: float, bore: float) -> None:
    k = k_of_loss(loss, flow, bore, 998.2)
    assert float(minor_loss_pa(k, flow, bore, 998.2)) == pytest.approx(loss, rel=1e-12)


@pytest.mark.parametrize(("loss", "flow", "bore"), [
    (-1.0, 1e-4, 0.01), (1.0, 0.0, 0.01), (1.0, 1e-4, 0.0), (math.nan, 1e-4, 0.01), (1.0, math.inf, 0.01),
])
def test_refuses_a_loss_that_cannot_be(loss: float, flow: float, bore: float) -> None:
    with pytest.raises(RangeError, match="give a loss of at least 0, flow and bore above 0"):
        k_of_loss(loss, flow, bore, 998.2)
