"""Looped networks and trees of 40 to 2,000 nozzles against the EPANET engine, all nozzles open.

Agreement asked for: 1e-8 relative with the constants matched, in pressure, nozzle flow and (relative to the net flow,
since flows in a loop may vanish) link flow; 5e-4 in pressure with SI constants on one side and the engine's on the
other.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hydraulics import steady_loop
from hydraulics.pump import Pump
from hydraulics.steady import solve_network
from hydraulics.steady_laws import Floats, loss_and_slope
from hydraulics.water import Water, water_at
from tests.hydraulics.epanet_reference import state_by_epanet
from tests.hydraulics.random_circuits import random_circuit, water_record
from tests.hydraulics.random_loops import Looped, blocks, random_looped

WATER = water_at(20.0)
SET_PA = 1.5e6


def worst_differences(looped: Looped, matched: bool = True) -> tuple[float, float, float]:
    """Largest relative differences of pressures, nozzle flows and link flows from the engine's."""
    network, circuit = looped.network(), looped.circuit
    state = solve_network(network, [Pump(SET_PA, 1.0, 2e6)] * len(looped.supplies), WATER, tolerance=1e-11)
    assert state.open.sum() == len(circuit.nozzles)
    engine = state_by_epanet(
        circuit.nodes, circuit.links, circuit.nozzles, supplies=dict.fromkeys(looped.supplies, SET_PA),
        nozzle=circuit.nozzle, water=water_record(WATER), matched=matched,
    )
    fed = [i for i, name in enumerate(network.node_ids) if name in engine.nozzle_flows_m3_s]
    nozzles = np.array([engine.nozzle_flows_m3_s[network.node_ids[i]] for i in fed])
    pressures = np.array([engine.pressures_pa[name] for name in network.node_ids])
    links = np.array([engine.link_flows_m3_s[name] for name in network.link_ids])
    return (
        float(np.abs(state.pressure_pa / pressures - 1).max()),
        float(np.abs(state.nozzle_flow_m3_s[fed] / nozzles - 1).max()),
        float(np.abs(state.link_flow_m3_s - links).max() / nozzles.sum()),
    )


@pytest.mark.parametrize("supplies", [1, 3])
@pytest.mark.parametrize("seed", range(20))
def test_random_loops(seed: int, supplies: int) -> None:
    looped = random_looped(seed, 200, supplies=supplies)
    assert max(worst_differences(looped)) < 1e-8
    assert worst_differences(looped, matched=False)[0] < 5e-4


@pytest.mark.parametrize("nozzles", [40, 150, 500, 2000])
@pytest.mark.parametrize("looped", [False, True])
def test_sites_of_40_to_2000_nozzles(nozzles: int, looped: bool) -> None:
    site = Looped(blocks(nozzles, seed=nozzles, across=max(2, nozzles // 25), looped=looped))
    assert max(worst_differences(site)) < 1e-8
    assert worst_differences(site, matched=False)[0] < 5e-4


@pytest.mark.parametrize("seed", range(10))
def test_random_trees_and_loops_of_up_to_2000_nodes(seed: int) -> None:
    """With four times the bores, so that all nozzles open."""
    for make in (lambda: Looped(random_circuit(seed, 2000)), lambda: random_looped(seed, 2000)):
        found = make()
        links = [link | {"length_m": max(link["length_m"], 0.2), "bore_m": 4 * link["bore_m"]}
                 for link in found.circuit.links]
        wide = Looped(replace(found.circuit, links=links))
        assert max(worst_differences(wide)) < 1e-8


def test_catches_a_loss_that_is_a_thousandth_off(monkeypatch: pytest.MonkeyPatch) -> None:
    def more(*arguments: Floats, water: Water | None = None) -> tuple[Floats, Floats]:
        loss, slope = loss_and_slope(*arguments)  # type: ignore[arg-type]
        return 1.001 * loss, 1.001 * slope

    monkeypatch.setattr(steady_loop, "loss_and_slope", more)
    assert max(worst_differences(random_looped(3, 200))) > 1e-6
