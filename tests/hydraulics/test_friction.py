"""The friction law against `fluids`, the EPANET engine and its own conditions."""

from __future__ import annotations

import numpy as np
import pytest
from fluids.friction import friction_factor as fluids_friction_factor
from hypothesis import given
from hypothesis import strategies as st

from hydraulics.friction import friction_factor, gradient_and_slope, pressure_gradient_pa_m
from hydraulics.water import water_at
from tests.hydraulics.epanet_reference import pressures_by_epanet
from tests.hydraulics.random_circuits import water_record

WATER = water_at(20.0)
BORE_M, ROUGHNESS_M = 0.0044, 1.5e-6

tubing = {"bore": st.floats(1e-3, 0.05), "rough": st.floats(0, 2e-5)}


def flow_at(reynolds: float, bore_m: float = BORE_M) -> float:
    return reynolds * np.pi * bore_m * WATER.viscosity_pa_s / (4 * WATER.density_kg_m3)


@pytest.mark.parametrize("reynolds", [1e-3, 1.0, 150.0, 1999.0])
def test_laminar_factor_of_fluids(reynolds: float) -> None:
    theirs = fluids_friction_factor(Re=reynolds, Method="laminar")
    assert float(friction_factor(reynolds, 3e-4)) == pytest.approx(theirs, rel=1e-14)


@pytest.mark.parametrize("reynolds", [300.0, 5e3, 3e4])
def test_gradient_is_darcy_weisbach_with_that_factor(reynolds: float) -> None:
    method = "laminar" if reynolds < 2000 else "Swamee_Jain_1976"
    factor = fluids_friction_factor(Re=reynolds, eD=ROUGHNESS_M / BORE_M, Method=method)
    velocity = reynolds * WATER.viscosity_pa_s / (WATER.density_kg_m3 * BORE_M)
    expected = factor * WATER.density_kg_m3 * velocity**2 / (2 * BORE_M)
    gradient = float(pressure_gradient_pa_m(flow_at(reynolds), BORE_M, ROUGHNESS_M, WATER))
    assert gradient == pytest.approx(expected, rel=2e-5)  # fluids' rounding of Swamee-Jain


@pytest.mark.parametrize("reynolds", [500.0, 1990.0, 2010.0, 2400.0, 2800.0, 3300.0, 3990.0, 4010.0, 2e4])
def test_one_tube_in_the_epanet_engine(reynolds: float) -> None:
    """The engine solves a tube with a plain orifice whose flow has this Reynolds number; the loss is ours."""
    flow, length_m, end_pa = flow_at(reynolds), 4.0, 1e6
    nozzle = {"name": "orifice", "k": flow / end_pa**0.5, "p0_pa": 0.0, "n": 0.5}
    lost = length_m * float(pressure_gradient_pa_m(flow, BORE_M, ROUGHNESS_M, WATER))
    found = pressures_by_epanet(
        [{"id": "a", "z_m": 0.0}, {"id": "b", "z_m": 0.0}],
        [{"id": "l", "from": "a", "to": "b", "length_m": length_m, "bore_m": BORE_M,
          "roughness_m": ROUGHNESS_M, "minor_k": 0.0}],
        [{"id": "z", "node": "b"}], supply="a", supply_pressure_pa=end_pa + lost,
        nozzle=nozzle, water=water_record(WATER), matched=True,
    )
    assert end_pa + lost - found["b"] == pytest.approx(lost, rel=1e-7)


@pytest.mark.parametrize("relative_roughness", [0.0, 1e-4, 3e-3, 0.05])
def test_the_cubic_meets_its_neighbours_in_value_and_slope(relative_roughness: float) -> None:
    """Dunlop (1991): f and df/dRe are continuous at Re 2000 and 4000; 64/Re gives 0.032 and -1.6e-5 there."""
    def slope(a: float, b: float) -> float:
        low, high = friction_factor([a, b], relative_roughness)
        return float(high - low) / (b - a)

    at_2000, at_4000 = friction_factor([2000.0, 4000.0], relative_roughness)
    assert at_2000 == pytest.approx(0.032, rel=1e-12)
    assert slope(2000, 2000.001) == pytest.approx(-1.6e-5, rel=2e-3)
    assert at_4000 == pytest.approx(float(friction_factor(4000 + 1e-6, relative_roughness)), rel=1e-9)
    assert slope(3999.999, 4000) == pytest.approx(slope(4000, 4000.001), rel=2e-3)


@given(reynolds=st.floats(1.0, 1e5), **tubing)
def test_the_slope_is_the_derivative(reynolds: float, bore: float, rough: float) -> None:
    flow = flow_at(reynolds, bore)
    step = 1e-5 * flow
    low, high = pressure_gradient_pa_m([flow - step, flow + step], bore, rough, WATER)
    slope = float(gradient_and_slope(flow, bore, rough, WATER)[1])
    assert slope == pytest.approx((high - low) / (2 * step), rel=1e-3)


@given(reynolds=st.floats(0.0, 1e5), **tubing)
def test_odd_in_the_flow(reynolds: float, bore: float, rough: float) -> None:
    flow = flow_at(reynolds, bore)
    there, back = (gradient_and_slope(sign * flow, bore, rough, WATER) for sign in (1, -1))
    assert float(there[0]) == -float(back[0]) >= 0
    assert float(there[1]) == float(back[1]) > 0


@given(reynolds=st.floats(1.0, 1e5), more=st.floats(1.0001, 3.0), **tubing)
def test_more_flow_loses_more(reynolds: float, more: float, bore: float, rough: float) -> None:
    flow = flow_at(reynolds, bore)
    low, high = pressure_gradient_pa_m([flow, more * flow], bore, rough, WATER)
    assert low < high


def test_arguments_broadcast() -> None:
    flows, bores = np.full((3, 1), 1e-6), np.array([2e-3, 4e-3])
    assert pressure_gradient_pa_m(flows, bores, 0.0, WATER).shape == (3, 2)
