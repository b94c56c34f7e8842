"""Pressure-reducing fittings in the steady state: closed forms, its own conditions, scipy's root and the EPANET engine.

The engine's pressure-reducing valve holds the same law: the setting where the inlet less the loss of the open valve is
above it, else the inlet less that loss (EPANET 2.2 user manual, from memory).
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.optimize import root

from hydraulics.errors import ColumnBreaks, NetworkError
from hydraulics.fittings import minor_loss_pa
from hydraulics.friction import pressure_gradient_pa_m
from hydraulics.network import Link, Node, NozzleAt, TreeNetwork, tree_network
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import Pump
from hydraulics.steady_tree import SteadyState, solve_tree
from hydraulics.water import water_at
from tests.hydraulics.epanet_reference import pressures_by_epanet
from tests.hydraulics.random_circuits import CURVE, SUPPLY, Circuit, random_circuit, water_record, with_reducers

WATER = water_at(20.0)
AMPLE = Pump(set_pressure_pa=1.5e6, delivery_m3_s=1.0, limit_pa=2e6)
WEIGHT_PA_M = WATER.density_kg_m3 * 9.80665

seeds = st.integers(0, 100_000)
# From a pump that starves to one with plenty, from all nozzles closed to all open.
pumps = st.builds(Pump, st.floats(4e5, 2e6), st.floats(1e-7, 1e-3), st.just(2e6))


def valley(setting_pa: float | None, k: float = 0.0) -> TreeNetwork:
    """Two nozzles in a valley 40 m below the supply, the second behind a reducer."""
    nodes = [Node("top", 0.0), Node("first", -40.0), Node("second", -40.0)]
    links = [Link("fall", "top", "first", 60.0, 0.006, 1.5e-6),
             Link("onward", "first", "second", 5.0, 0.006, 1.5e-6, 0.0, setting_pa, k)]
    return tree_network(nodes, links, [NozzleAt("first", CURVE), NozzleAt("second", CURVE)], "top")


def lost_pa(network: TreeNetwork, state: SteadyState) -> Any:
    """Loss along each link into its node, without its reducer."""
    here = slice(1, None)
    flow, bore = state.link_flow_m3_s[here], network.bore_m[here]
    lost = network.length_m[here] * pressure_gradient_pa_m(flow, bore, network.roughness_m[here], WATER)
    return lost + minor_loss_pa(network.minor_k[here], flow, bore, WATER.density_kg_m3)


def assert_meets_all_laws(network: TreeNetwork, pump: Pump, state: SteadyState) -> None:
    """The equations once more, apart from the solver."""
    pressure, flow, nozzle = state.pressure_pa, state.link_flow_m3_s, state.nozzle_flow_m3_s
    above, here, near = network.parent[1:], slice(1, None), 1e-9 * pump.set_pressure_pa
    taken = minor_loss_pa(network.reducer_k[here], flow[here], network.bore_m[here], WATER.density_kg_m3)
    start = np.fmin(pressure[above] - np.nan_to_num(taken), network.reducer_pa[here])
    start = np.where(np.isnan(network.reducer_pa[here]), pressure[above], start)
    fall = WEIGHT_PA_M * (network.z_m[above] - network.z_m[here])
    np.testing.assert_allclose(pressure[here], start + fall - lost_pa(network, state), atol=near)

    balance = nozzle.copy()
    np.add.at(balance, above, flow[here])
    np.testing.assert_allclose(balance, flow, atol=1e-9 * max(flow[0], 1e-9))
    free = network.nozzle_k * np.maximum(pressure - network.nozzle_p0_pa, 0.0) ** network.nozzle_n
    away = np.abs(pressure - network.nozzle_p0_pa) > 1e3
    np.testing.assert_allclose(nozzle[away], free[away], rtol=1e-5, atol=1e-16)

    assert flow[0] <= pump.delivery_m3_s * (1 + 1e-9)
    held = abs(pressure[0] / pump.set_pressure_pa - 1) < 1e-9
    assert held or flow[0] == pytest.approx(pump.delivery_m3_s, rel=1e-9)
    for i, status in enumerate(state.reducer_status):
        spare = pressure[network.parent[i]] - (taken[i - 1] if i else 0.0) - network.reducer_pa[i]
        assert (status == "") == bool(np.isnan(network.reducer_pa[i]))
        assert status not in ("active", "shut") or spare >= -near
        assert status != "open" or spare <= near
        assert status != "shut" or flow[i] == pytest.approx(0.0, abs=1e-15)


@pytest.mark.parametrize("k", [0.0, 40.0])
def test_holds_its_setting(k: float) -> None:
    """Behind the fitting stands the setting less what the tubing loses; the other nozzle does not feel it."""
    network = valley(9e5, k)
    state = solve_tree(network, AMPLE, WATER)
    assert state.reducer_status == ("", "", "active")
    assert state.pressure_pa[2] == pytest.approx(9e5 - lost_pa(network, state)[1], rel=1e-10)
    assert state.pressure_pa[1] == pytest.approx(1.5e6 + 40 * WEIGHT_PA_M - lost_pa(network, state)[0], rel=1e-10)
    assert state.nozzle_flow_m3_s[2] == pytest.approx(float(CURVE.flow_m3_s(state.pressure_pa[2])), rel=1e-9)


def test_passes_what_it_gets_where_that_is_less() -> None:
    """Set above all that comes it is a fitting of its own loss: the same network with that K and no reducer."""
    open_state = solve_tree(valley(1.99e6, k=40.0), AMPLE, WATER)
    plain = valley(None)
    fitted = tree_network(
        [Node(name, z) for name, z in zip(plain.node_ids, plain.z_m.tolist(), strict=True)],
        [Link("fall", "top", "first", 60.0, 0.006, 1.5e-6),
         Link("onward", "first", "second", 5.0, 0.006, 1.5e-6, 40.0)],
        [NozzleAt("first", CURVE), NozzleAt("second", CURVE)], "top",
    )
    assert open_state.reducer_status == ("", "", "open")
    np.testing.assert_allclose(open_state.pressure_pa, solve_tree(fitted, AMPLE, WATER).pressure_pa, rtol=1e-11)
    lossless = solve_tree(valley(1.99e6), AMPLE, WATER)
    np.testing.assert_allclose(lossless.pressure_pa, solve_tree(plain, AMPLE, WATER).pressure_pa, rtol=1e-11)


def test_shuts_over_a_closed_nozzle() -> None:
    """Set below the closing pressure nothing flows: the setting stands behind it, as in still water."""
    state = solve_tree(valley(4e5), AMPLE, WATER)
    assert state.reducer_status[2] == "shut"
    assert state.pressure_pa[2] == pytest.approx(4e5, rel=1e-12)
    assert state.nozzle_flow_m3_s[2] == 0


def test_a_starving_pump_behind_which_all_is_held() -> None:
    """Delivery D below what one held nozzle takes: its pressure falls to p0 + (D / k)^(1/n), the reducer opens."""
    nodes = [Node("pump", 0.0), Node("nozzle", 0.0)]
    link = Link("l", "pump", "nozzle", 0.0, 0.02, 0.0, 0.0, 1.2e6, 0.0)
    network = tree_network(nodes, [link], [NozzleAt("nozzle", CURVE)], "pump")
    delivery = 0.6 * float(CURVE.flow_m3_s(1.2e6))
    state = solve_tree(network, Pump(1.5e6, delivery, 2e6), WATER)
    assert state.reducer_status[1] == "open"
    assert state.supply_pressure_pa == pytest.approx(5.5e5 + (delivery / CURVE.k) ** (1 / CURVE.n), rel=1e-10)


def test_one_behind_another_holds_the_lower() -> None:
    """In a row on level ground the lower setting rules behind the second, whichever comes first."""
    nodes = [Node("n0", 0.0), Node("n1", 0.0), Node("n2", 0.0)]
    for settings_pa, status in (((9e5, 8e5), ("active", "active")), ((8e5, 9e5), ("active", "open"))):
        links = [Link(f"l{i}", f"n{i}", f"n{i + 1}", 0.0, 0.02, 0.0, 0.0, setting) for i, setting in
                 enumerate(settings_pa)]
        network = tree_network(nodes, links, [NozzleAt("n2", CURVE)], "n0")
        state = solve_tree(network, AMPLE, WATER)
        assert state.reducer_status == ("", *status)
        assert state.pressure_pa[2] == pytest.approx(8e5, rel=1e-12)


@settings(deadline=None, max_examples=200)
@given(seed=seeds, pump=pumps, share=st.floats(0.05, 1.0), low_pa=st.floats(3e5, 1.4e6))
@example(seed=85, pump=Pump(913670.0, 1e-7, 2e6), share=0.75, low_pa=3e5)  # whole steps alone go round in a circle
def test_every_state_meets_all_laws(seed: int, pump: Pump, share: float, low_pa: float) -> None:
    network = with_reducers(random_circuit(seed), seed, share, low_pa, 1.6e6).network()
    state = solve_tree(network, pump, WATER)
    assert max(state.mass_residual, state.energy_residual) <= 1e-10
    assert_meets_all_laws(network, pump, state)


@settings(deadline=None, max_examples=100)
@given(seed=seeds, pump=pumps, n=st.floats(0.4, 1.0), p0_pa=st.floats(0, 1.2e6), size=st.floats(-1, 2))
def test_any_nozzle_at_all(seed: int, pump: Pump, n: float, p0_pa: float, size: float) -> None:
    curve = NozzleCurve("any", k=7e-7 * 10**size / 8e5**n, p0_pa=p0_pa, n=n)
    network = with_reducers(random_circuit(seed, curve=curve), seed, 0.3, 2e5, 1.6e6).network()
    try:
        state = solve_tree(network, pump, WATER)
    except ColumnBreaks:
        return
    assert_meets_all_laws(network, pump, state)


def by_root(network: TreeNetwork, set_pa: float) -> Any:
    """Pressures by scipy's hybrid Powell method on the nozzles' flows alone, walking down from the supply."""
    fed, parent = np.flatnonzero(network.nozzle_k > 0), network.parent.tolist()
    scale = float(CURVE.flow_m3_s(set_pa))

    def pressures(shares: Any) -> Any:
        flow = np.zeros(len(parent))
        flow[fed] = shares * scale
        for i in reversed(network.order[1:]):
            flow[parent[i]] += flow[i]
        found = np.full(len(parent), set_pa)
        for i in network.order[1:]:
            gradient = pressure_gradient_pa_m(flow[i], network.bore_m[i], network.roughness_m[i], WATER)
            start = found[parent[i]]
            if not np.isnan(network.reducer_pa[i]):
                taken = minor_loss_pa(network.reducer_k[i], flow[i], network.bore_m[i], WATER.density_kg_m3)
                start = min(start - float(taken), network.reducer_pa[i])
            fittings = minor_loss_pa(network.minor_k[i], flow[i], network.bore_m[i], WATER.density_kg_m3)
            rise = network.z_m[i] - network.z_m[parent[i]]
            found[i] = start - float(network.length_m[i] * gradient + fittings) - WEIGHT_PA_M * rise
        return found

    answer = root(lambda shares: CURVE.flow_m3_s(pressures(shares)[fed]) / scale - shares,
                  np.full(fed.size, 0.8), tol=1e-12)
    assert np.abs(answer.fun).max() < 1e-9
    return pressures(answer.x)


@pytest.mark.parametrize("seed", range(8))
def test_against_a_second_calculation(seed: int) -> None:
    network = with_reducers(random_circuit(seed, most_nodes=30), seed, 0.4, 9e5, 1.5e6).network()
    state = solve_tree(network, AMPLE, WATER)
    np.testing.assert_allclose(state.pressure_pa, by_root(network, 1.5e6), rtol=1e-8)


def worst_difference(circuit: Circuit, state: SteadyState) -> float:
    """Largest relative difference of a pressure between the engine and a state."""
    engine = pressures_by_epanet(
        circuit.nodes, circuit.links, circuit.nozzles, supply=SUPPLY, supply_pressure_pa=1.5e6,
        nozzle=circuit.nozzle, water=water_record(WATER), matched=True,
    )
    expected = np.array([engine[name] for name in circuit.network().node_ids])
    return float(np.abs(state.pressure_pa / expected - 1).max())


def test_against_the_engine() -> None:
    """Circuits on which the engine balances to its tightest accuracy (on 8, 12 and 16 its valves keep switching);
    together they show reducers in every status that it knows."""
    seen: Counter[str] = Counter()
    for seed in (*range(8), 9, 10, 11, 13, 14, 15):
        circuit = with_reducers(random_circuit(seed, most_nodes=50), seed, 0.25, 9.5e5, 1.5e6)
        state = solve_tree(circuit.network(), AMPLE, WATER)
        assert worst_difference(circuit, state) < 1e-9, seed
        seen.update(state.reducer_status)
    assert seen["active"] > 20
    assert seen["open"] > 20


def test_the_engine_notices_a_reducer_left_out() -> None:
    circuit = with_reducers(random_circuit(1), 1, 0.15, 9.5e5, 1.5e6)
    assert worst_difference(circuit, solve_tree(random_circuit(1).network(), AMPLE, WATER)) > 1e-2


def test_values_of_a_reducer_are_checked() -> None:
    for setting_pa, k, words in ((-1.0, 0.0, "reducer_pa = -1; give an outlet pressure above 0"),
                                 (np.inf, 0.0, "reducer_pa = inf"), (9e5, -2.0, "reducer_k = -2; give at least 0")):
        with pytest.raises(NetworkError, match="link 'onward'") as error:
            valley(setting_pa, k)
        assert words in str(error.value)
