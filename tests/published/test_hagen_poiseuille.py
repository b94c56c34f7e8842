"""Laminar flow in a round tube: Hagen (1839) and Poiseuille (1840), dp / L = 128 mu Q / (pi D^4)."""

from __future__ import annotations

import numpy as np
import pytest

from hydraulics.friction import pressure_gradient_pa_m
from hydraulics.network import TreeNetwork
from hydraulics.pump import Pump
from hydraulics.steady_tree import solve_tree
from hydraulics.water import Water


def test_one_millilitre_a_second_through_one_millimetre() -> None:
    # 40,743.67 Pa by the formula, computed apart. The viscosity is 1 mPa s; a density of 100 kg/m3 keeps
    # the Reynolds number at 127, where the flow is laminar. The density itself does not enter.
    water = Water(temperature_c=20.0, density_kg_m3=100.0, viscosity_pa_s=1e-3)
    assert float(pressure_gradient_pa_m(1e-6, 1e-3, 0.0, water)) == pytest.approx(40743.67, abs=0.005)


def test_a_linear_nozzle_at_the_end_of_a_laminar_tube() -> None:
    """Both laws linear: p = p_set / (1 + k R) in closed form, R the tube's resistance 128 mu L / (pi D^4)."""
    water = Water(temperature_c=20.0, density_kg_m3=998.0, viscosity_pa_s=1e-3)
    k, length_m, bore_m, set_pa = 1e-12, 30.0, 2e-3, 1e6
    resistance = 128 * 1e-3 * length_m / (np.pi * bore_m**4)
    network = TreeNetwork(
        node_ids=("pump", "end"), parent=np.array([-1, 0]), z_m=np.zeros(2),
        length_m=np.array([0, length_m]), bore_m=np.array([0, bore_m]), roughness_m=np.zeros(2),
        minor_k=np.zeros(2), nozzle_k=np.array([0, k]), nozzle_p0_pa=np.zeros(2), nozzle_n=np.ones(2),
    )
    state = solve_tree(network, Pump(set_pa, 1e-3, 2e6), water)
    assert state.pressure_pa[1] == pytest.approx(set_pa / (1 + k * resistance), rel=1e-10)
    assert state.link_flow_m3_s[0] == pytest.approx(k * set_pa / (1 + k * resistance), rel=1e-10)
