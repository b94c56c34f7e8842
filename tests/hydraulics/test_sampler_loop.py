"""Sampled states of looped networks: against the EPANET engine, and a tree's samples against those of the tree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hydraulics.pump import Pump
from hydraulics.sampler import Circuit, Sampler
from hydraulics.sampler_loop import looped_sample, looped_samples
from hydraulics.steady import solve_network
from hydraulics.steady_tree import solve_tree
from hydraulics.water import water_at
from tests.hydraulics.epanet_reference import pressures_by_epanet
from tests.hydraulics.random_circuits import SUPPLY, random_circuit
from tests.hydraulics.random_loops import network_of, random_looped
from tests.hydraulics.test_sampler import WIDE

WATER, PUMP = water_at(20.0), Pump(12e5, 1.0, 14e5)


@pytest.mark.parametrize("seed", range(3))
def test_samples_of_loops_agree_with_the_epanet_engine(seed: int) -> None:
    """The EPANET 2.3 engine, to 5e-4 with its own constants and to 1e-8 with ours."""
    looped = random_looped(seed, 60)
    network, calm = looped.network(), replace(WIDE, clogged_left=0.5, leak_chance=0.0)
    for sample in range(3):
        shaken, (pump,), water = looped_sample(network, [PUMP], WATER, calm, seed, sample)
        ours = solve_network(shaken, [pump], water).pressure_pa
        links = [
            {"id": shaken.link_ids[i],
             "from": shaken.node_ids[shaken.from_node[i]], "to": shaken.node_ids[shaken.to_node[i]],
             "length_m": shaken.length_m[i], "bore_m": shaken.bore_m[i], "roughness_m": shaken.roughness_m[i],
             "minor_k": shaken.minor_k[i]}
            for i in range(len(shaken.link_ids))
        ]  # fmt: skip
        nozzles = [{"node": name, "k": k} for name, k in zip(shaken.node_ids, shaken.nozzle_k, strict=True) if k > 0]
        record = {"density_kg_m3": water.density_kg_m3, "viscosity_pa_s": water.viscosity_pa_s}
        for matched, tolerance in ((False, 5e-4), (True, 1e-8)):
            told = pressures_by_epanet(
                looped.circuit.nodes, links, nozzles, supply=SUPPLY, supply_pressure_pa=pump.set_pressure_pa,
                nozzle=looped.circuit.nozzle, water=record, matched=matched,
            )  # fmt: skip
            np.testing.assert_allclose(ours, [told[name] for name in shaken.node_ids], rtol=tolerance)


def test_a_tree_is_sampled_as_trees_are() -> None:
    """Water, roughness, fittings, drift and leaks of a sample are drawn alike; with these alone the states agree."""
    circuit = random_circuit(3)
    same = replace(WIDE, clogged_share=0.0, leak_chance=0.0)
    for source in ("nozzle_flow", "bore_batch", "bore_tube"):
        same = same.without(source)
    tree = Sampler(Circuit(circuit.network(), PUMP, WATER)).samples(same, 11e5, 20, 4)
    loop = looped_samples(network_of(circuit), [PUMP], WATER, same, 11e5, 20, 4)
    for name in ("lowest_pa", "highest_pa", "set_pa", "supply_pa", "net_flow_m3_s"):
        np.testing.assert_allclose(getattr(loop, name), getattr(tree, name), rtol=1e-7)
    assert loop.below.sum() == tree.below.sum() and loop.residual.max() <= 1e-10


def test_leaks_clogged_nozzles_and_two_supplies_are_sampled_and_reproducible() -> None:
    network = random_looped(5, 40, supplies=2).network()
    one, longer = (looped_samples(network, [PUMP, PUMP], WATER, WIDE, 11e5, count, 2) for count in (10, 15))
    np.testing.assert_array_equal(one.lowest_pa, longer.lowest_pa[:10])
    assert np.unique(one.set_pa).size == 10 and one.residual.max() <= 1e-10
    drawn = [looped_sample(network, [PUMP, PUMP], WATER, WIDE, 2, sample) for sample in range(15)]
    leaking = [shaken for shaken, _, _ in drawn if shaken.node_ids[-1] == "leak"]
    assert 0 < len(leaking) < 15
    assert all(leak.from_node[-1] not in network.supply for leak in leaking)
    assert any(pumps[0].set_pressure_pa != pumps[1].set_pressure_pa for _, pumps, _ in drawn)


def test_a_leak_takes_what_its_orifice_lets_through() -> None:
    """q = k sqrt(p) at the node that leaks, the general solver's state of a tree with that orifice as a nozzle."""
    certain = replace(WIDE, leak_chance=1.0)
    shaken, (pump,), water = looped_sample(network_of(random_circuit(1)), [PUMP], WATER, certain, 0, 0)
    state = solve_network(shaken, [pump], water)
    at = int(shaken.from_node[-1])
    assert state.nozzle_flow_m3_s[-1] == pytest.approx(certain.leak_k * np.sqrt(state.pressure_pa[at]), rel=1e-6)
    sampler = Sampler(Circuit(random_circuit(1).network(), PUMP, WATER))
    states = sampler.drawn(certain, 0, 0, 1)
    assert solve_tree(*sampler.by_itself(states, 0)).nozzle_flow_m3_s[-1] > 0
