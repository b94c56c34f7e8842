"""The steady state against the EPANET engine, called in-process: another code by another method.

Agreement: 5e-4 with SI constants on one side and the engine's on the other, at least 1e-6 with these matched (1e-9
is held here). The mutants show that the check notices another transition law and a tee's loss left out.
"""

from __future__ import annotations

import numpy as np
import pytest

from hydraulics import friction, steady_laws
from hydraulics.friction import Factor
from hydraulics.pump import Pump
from hydraulics.steady_tree import solve_tree
from hydraulics.water import water_at
from tests.hydraulics.epanet_reference import pressures_by_epanet
from tests.hydraulics.random_circuits import SUPPLY, random_circuit, water_record

WATER = water_at(20.0)


def worst_difference(seed: int, set_pressure_pa: float, matched: bool) -> float:
    """Largest relative difference of a pressure in a random circuit between the engine and solve_tree."""
    circuit = random_circuit(seed)
    network = circuit.network()
    state = solve_tree(network, Pump(set_pressure_pa, 1.0, 2e6), WATER)
    engine = pressures_by_epanet(
        circuit.nodes, circuit.links, circuit.nozzles, supply=SUPPLY, supply_pressure_pa=set_pressure_pa,
        nozzle=circuit.nozzle, water=water_record(WATER), matched=matched,
    )
    expected = np.array([engine[name] for name in network.node_ids])
    return float(np.abs(state.pressure_pa / expected - 1).max())


@pytest.mark.parametrize("seed", range(20))
def test_within_the_constants_of_the_engine(seed: int) -> None:
    assert worst_difference(seed, 1.5e6, matched=False) < 5e-4


@pytest.mark.parametrize("seed", range(20))
def test_with_matched_constants(seed: int) -> None:
    assert worst_difference(seed, 1.5e6, matched=True) < 1e-9


@pytest.mark.parametrize("seed", range(20))
def test_where_nozzles_close(seed: int) -> None:
    """A set pressure 0.1 bar above the closing pressure: high-lying nozzles are shut. The engine lets a little
    flow backwards there, up to 1e-9 ft3/s per foot of head, which moves pressures by some 1e-4."""
    assert worst_difference(seed, 5.6e5, matched=True) < 2e-4


def test_catches_another_transition_law(monkeypatch: pytest.MonkeyPatch) -> None:
    """f interpolated linearly between Re 2000 and 4000, as some codes do."""
    def linear(reynolds: friction.Floats, relative_roughness: friction.Floats) -> Factor:
        end = friction._swamee_jain(np.asarray(friction.TURBULENT_START_RE), relative_roughness).value
        rise = (end - 0.032) / (friction.TURBULENT_START_RE - friction.LAMINAR_END_RE)
        return Factor(0.032 + rise * (reynolds - friction.LAMINAR_END_RE), rise * reynolds)

    monkeypatch.setattr(friction, "_dunlop", linear)
    assert max(worst_difference(seed, 1.5e6, matched=False) for seed in range(5)) > 5e-4


def test_catches_fittings_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(k: friction.Floats, *_: object) -> friction.Floats:
        return np.zeros_like(k)

    monkeypatch.setattr(steady_laws, "minor_loss_pa", nothing)
    monkeypatch.setattr(steady_laws, "minor_loss_slope_pa_s_m3", nothing)
    assert max(worst_difference(seed, 1.5e6, matched=False) for seed in range(5)) > 5e-4


def test_catches_one_tee_left_out() -> None:
    """The loss of a single tee branch dropped from the record that the engine gets."""
    circuit = random_circuit(3)
    network = circuit.network()
    state = solve_tree(network, Pump(1.5e6, 1.0, 2e6), WATER)
    busiest = network.link_ids[1 + int((state.link_flow_m3_s * (network.minor_k > 0))[1:].argmax())]
    links = [{**link, "minor_k": 0.0} if link["id"] == busiest else link for link in circuit.links]
    engine = pressures_by_epanet(
        circuit.nodes, links, circuit.nozzles, supply=SUPPLY, supply_pressure_pa=1.5e6,
        nozzle=circuit.nozzle, water=water_record(WATER), matched=True,
    )
    expected = np.array([engine[name] for name in network.node_ids])
    assert np.abs(state.pressure_pa / expected - 1).max() > 1e-6
