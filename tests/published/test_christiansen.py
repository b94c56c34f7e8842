"""Christiansen (1942), Irrigation by Sprinkling, Univ. California Agr. Exp. Sta. Bull. 670.

The loss of a lateral with N equal outlets is F times that of the full flow to its end:
F = 1 / (m + 1) + 1 / (2 N) + sqrt(m - 1) / (6 N^2) for a loss proportional to Q^m. Values for m = 1.852 are
computed from the formula; the table in USDA-NRCS National Engineering Handbook 623, ch. 11, was not seen.

The package has no single m. Its laminar law has m = 1; where only roughness counts it has m = 2: for these
F is the exact sum over the outlets, and the lateral's loss must be F times the full one.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from hydraulics.friction import pressure_gradient_pa_m
from hydraulics.network import Link, Node, NozzleAt, TreeNetwork
from hydraulics.network_loop import loop_network
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import Pump
from hydraulics.steady import solve_network
from hydraulics.steady_tree import solve_tree
from hydraulics.water import Water


def christiansen(m: float, outlets: int) -> float:
    return 1 / (m + 1) + 1 / (2 * outlets) + math.sqrt(m - 1) / (6 * outlets**2)


@pytest.mark.parametrize(("outlets", "factor"), [
    (2, 0.639), (5, 0.457), (10, 0.402), (20, 0.376), (50, 0.361),
])
def test_the_published_formula_as_written_here(outlets: int, factor: float) -> None:
    assert round(christiansen(1.852, outlets), 3) == factor


@pytest.mark.parametrize("outlets", [2, 5, 10, 20, 50])
@pytest.mark.parametrize(("m", "bore_m", "roughness_m", "water"), [
    (1.0, 8e-3, 0.0, Water(20.0, 998.0, 1e-3)),  # Re 5 to 250
    # A made-up fluid of next to no viscosity: Re is about 1e9, and only roughness counts.
    (2.0, 8e-3, 4e-4, Water(20.0, 998.0, 1e-12)),
])
def test_a_lateral_in_one_regime(
    outlets: int, m: float, bore_m: float, roughness_m: float, water: Water
) -> None:
    """Outlets under 10 bar along a lateral that loses little, so that they flow alike within some 1e-5."""
    n_nodes = outlets + 1
    ones = np.ones(n_nodes)
    network = TreeNetwork(
        node_ids=tuple(f"n{i}" for i in range(n_nodes)), parent=np.arange(n_nodes) - 1, z_m=0 * ones,
        length_m=0.5 * ones, bore_m=bore_m * ones, roughness_m=roughness_m * ones, minor_k=0 * ones,
        nozzle_k=np.where(np.arange(n_nodes) > 0, 3e-11, 0), nozzle_p0_pa=0 * ones, nozzle_n=0.5 * ones,
    )
    state = solve_tree(network, Pump(1e6, 1e-3, 2e6), water, tolerance=1e-13)
    net = state.link_flow_m3_s[0]
    full = 0.5 * outlets * float(pressure_gradient_pa_m(net, bore_m, roughness_m, water))
    lost = state.pressure_pa[0] - state.pressure_pa[-1]
    assert lost / full == pytest.approx(christiansen(m, outlets), rel=2e-4)


@pytest.mark.parametrize("outlets", [2, 5, 10, 20, 50])
def test_a_lateral_fed_at_both_ends(outlets: int) -> None:
    """A loop of twice as many outlets, fed at one point: each half is a lateral of its own."""
    water, ring = Water(20.0, 998.0, 1e-12), 2 * outlets + 1
    names = [f"n{i}" for i in range(ring)]
    links = [Link(f"l{i}", name, names[(i + 1) % ring], 0.5, 8e-3, 4e-4) for i, name in enumerate(names)]
    nozzle = NozzleCurve("even", 3e-11, 0.0, 0.5)
    network = loop_network([Node(name, 0.0) for name in names], links, [NozzleAt(name, nozzle) for name in names[1:]],
                           ["n0"])
    state = solve_network(network, [Pump(1e6, 1e-3, 2e6)], water, tolerance=1e-13)
    full = 0.5 * outlets * float(pressure_gradient_pa_m(state.supply_flow_m3_s[0] / 2, 8e-3, 4e-4, water))
    lost = state.pressure_pa[0] - state.pressure_pa[outlets]
    assert lost / full == pytest.approx(christiansen(2.0, outlets), rel=2e-4)
