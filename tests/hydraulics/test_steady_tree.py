"""The steady state by closed forms, by its own conditions and by a second calculation.

The comparison with the EPANET engine stands in test_steady_tree_epanet.py, the linear closed form in
tests/published/test_hagen_poiseuille.py.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import root

from hydraulics.errors import ColumnBreaks, NotConverged
from hydraulics.fittings import minor_loss_pa
from hydraulics.friction import GRAVITY_M_S2, pressure_gradient_pa_m
from hydraulics.network import Link, Node, NozzleAt, TreeNetwork, tree_network
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import Pump
from hydraulics.steady_tree import (
    SteadyState,
    _Iterate,
    _link_law,
    _nozzle_law,
    _residuals,
    solve_tree,
)
from hydraulics.water import water_at
from tests.hydraulics.random_circuits import CURVE, Circuit, random_circuit

WATER = water_at(20.0)
AMPLE = Pump(set_pressure_pa=1.5e6, delivery_m3_s=1.0, limit_pa=2e6)
WEIGHT_PA_M = WATER.density_kg_m3 * 9.80665

seeds = st.integers(0, 100_000)
# From a pump that starves to one with plenty, from all nozzles closed to all open.
pumps = st.builds(Pump, st.floats(4e5, 2e6), st.floats(1e-7, 1e-3), st.just(2e6))


def chain(count: int, **link: float) -> TreeNetwork:
    """A level row of `count` nozzles, 3 m apart."""
    values: dict[str, float] = {"length_m": 3.0, "bore_m": 0.0085, "roughness_m": 1.5e-6, "minor_k": 0.6, **link}
    nodes = [Node(f"n{i}", 0.0) for i in range(count + 1)]
    links = [Link(f"l{i}", f"n{i - 1}", f"n{i}", **values) for i in range(1, count + 1)]
    return tree_network(nodes, links, [NozzleAt(node.id, CURVE) for node in nodes[1:]], "n0")


def assert_meets_all_laws(network: TreeNetwork, pump: Pump, state: SteadyState) -> None:
    """The equations once more, apart from the solver; tolerances relative to set pressure and net flow."""
    pressure, flow, nozzle = state.pressure_pa, state.link_flow_m3_s, state.nozzle_flow_m3_s
    above, here = network.parent[1:], slice(1, None)
    bore = network.bore_m[here]
    gradient = pressure_gradient_pa_m(flow[here], bore, network.roughness_m[here], WATER)
    lost = network.length_m[here] * gradient
    lost += minor_loss_pa(network.minor_k[here], flow[here], bore, WATER.density_kg_m3)
    head = pressure + WATER.density_kg_m3 * GRAVITY_M_S2 * network.z_m
    np.testing.assert_allclose(head[above] - head[here], lost, atol=1e-9 * pump.set_pressure_pa)

    taken = nozzle.copy()
    np.add.at(taken, above, flow[here])
    np.testing.assert_allclose(taken, flow, atol=1e-9 * max(flow[0], 1e-9))

    fitted = network.nozzle_k > 0
    at_open, at_closed = fitted & state.open, fitted & ~state.open
    k, p0, n = network.nozzle_k, network.nozzle_p0_pa, network.nozzle_n
    over = (nozzle[at_open] / k[at_open]) ** (1 / n[at_open])
    np.testing.assert_allclose(pressure[at_open] - p0[at_open], over, atol=1e-9 * pump.set_pressure_pa)
    assert np.all(nozzle[at_open] > 0)
    assert np.all(nozzle[~state.open] == 0)
    assert np.all(pressure[at_closed] <= p0[at_closed] + 1e-9 * pump.set_pressure_pa)

    assert state.supply_pressure_pa == pressure[0] <= pump.set_pressure_pa * (1 + 1e-9)
    assert flow[0] <= pump.delivery_m3_s * (1 + 1e-9)
    held = abs(pressure[0] / pump.set_pressure_pa - 1) < 1e-9
    assert held or flow[0] == pytest.approx(pump.delivery_m3_s, rel=1e-9)
    assert state.bypass_m3_s == pytest.approx(pump.delivery_m3_s - flow[0], abs=1e-9 * pump.delivery_m3_s)


@settings(deadline=None, max_examples=150)
@given(seed=seeds, pump=pumps)
def test_every_state_meets_all_laws(seed: int, pump: Pump) -> None:
    network = random_circuit(seed).network()
    state = solve_tree(network, pump, WATER)
    assert state.mass_residual <= 1e-10
    assert state.energy_residual <= 1e-10
    assert_meets_all_laws(network, pump, state)


@settings(deadline=None, max_examples=100)
@given(seed=seeds, pump=pumps, n=st.floats(0.4, 1.0), p0_pa=st.floats(0, 1.2e6), size=st.floats(-1, 2))
def test_any_nozzle_at_all(seed: int, pump: Pump, n: float, p0_pa: float, size: float) -> None:
    """Nozzles from a tenth to a hundred times the usual size, so that most pressure may be lost on the way."""
    curve = NozzleCurve("any", k=7e-7 * 10**size / 8e5**n, p0_pa=p0_pa, n=n)
    network = random_circuit(seed, curve=curve).network()
    try:
        state = solve_tree(network, pump, WATER)
    except ColumnBreaks:
        return
    assert_meets_all_laws(network, pump, state)


def second_calculation(circuit: Circuit, pump: Pump) -> dict[str, float]:
    """Pressures by scipy's hybrid Powell method on the nozzles' flows alone, walking the records."""
    curve = NozzleCurve(**circuit.nozzle)
    height = {node["id"]: node["z_m"] for node in circuit.nodes}
    touching: dict[str, list[dict[str, Any]]] = {name: [] for name in height}
    for link in circuit.links:
        touching[link["from"]].append(link)
        touching[link["to"]].append(link)
    places = [record["node"] for record in circuit.nozzles]
    scale = float(curve.flow_m3_s(pump.set_pressure_pa))

    def walk(node: str, came_by: str, taken: dict[str, float], flows: dict[str, float]) -> float:
        total = taken.get(node, 0.0)
        for link in touching[node]:
            if link["id"] != came_by:
                other = link["to"] if link["from"] == node else link["from"]
                flows[link["id"]] = walk(other, link["id"], taken, flows)
                total += flows[link["id"]]
        return total

    def pressures(shares: np.ndarray[Any, Any]) -> dict[str, float]:
        flows: dict[str, float] = {}
        walk("n0", "", dict(zip(places, shares * scale, strict=True)), flows)
        found = {"n0": pump.set_pressure_pa}
        queue = ["n0"]
        for node in queue:
            for link in touching[node]:
                other = link["to"] if link["from"] == node else link["from"]
                if other not in found:
                    flow, bore = flows[link["id"]], link["bore_m"]
                    gradient = pressure_gradient_pa_m(flow, bore, link["roughness_m"], WATER)
                    fittings = minor_loss_pa(link["minor_k"], flow, bore, WATER.density_kg_m3)
                    lost = float(link["length_m"] * gradient + fittings)
                    found[other] = found[node] - lost - WEIGHT_PA_M * (height[other] - height[node])
                    queue.append(other)
        return found

    def lacks(shares: np.ndarray[Any, Any]) -> Any:
        found = pressures(shares)
        return np.array([float(curve.flow_m3_s(found[place])) for place in places]) / scale - shares

    answer = root(lacks, np.full(len(places), 0.8), tol=1e-12)
    assert np.abs(answer.fun).max() < 1e-9
    return pressures(answer.x)


@pytest.mark.parametrize("seed", range(6))
def test_against_a_second_calculation(seed: int) -> None:
    circuit = random_circuit(seed, most_nodes=40)
    network = circuit.network()
    state = solve_tree(network, AMPLE, WATER)
    expected = second_calculation(circuit, AMPLE)
    assert state.open.sum() == len(circuit.nozzles)
    by_node = [expected[name] for name in network.node_ids]
    np.testing.assert_allclose(state.pressure_pa, by_node, rtol=1e-9)


def test_still_water_below_the_closing_pressure() -> None:
    """All closed: p = p_set - rho g z in closed form; nothing flows, all goes through the bypass."""
    nodes = [Node("n0", 2.0), Node("up", 12.0), Node("down", -30.0)]
    links = [Link("l1", "n0", "up", 20.0, 0.006, 0.0), Link("l2", "up", "down", 60.0, 0.006, 0.0)]
    network = tree_network(nodes, links, [NozzleAt("up", CURVE)], "n0")
    state = solve_tree(network, Pump(5e5, 2e-4, 2e6), WATER)
    expected = [5e5, 5e5 - 10 * WEIGHT_PA_M, 5e5 + 32 * WEIGHT_PA_M]
    np.testing.assert_allclose(state.pressure_pa, expected, rtol=1e-12)
    assert not state.open.any()
    assert state.link_flow_m3_s.tolist() == [0.0, 0.0, 0.0]
    assert state.bypass_m3_s == 2e-4
    assert state.mass_residual == 0


def test_only_the_nozzles_that_stand_low_are_open() -> None:
    """At 5.6 bar and 5.5 bar closing pressure only what lies at most 1.02 m above the pump can flow (rho g)."""
    nodes = [Node("n0", 0.0), *(Node(f"n{i}", 0.4 * i) for i in range(1, 8))]
    links = [Link(f"l{i}", f"n{i - 1}", f"n{i}", 0.1, 0.02, 0.0) for i in range(1, 8)]
    network = tree_network(nodes, links, [NozzleAt(node.id, CURVE) for node in nodes[1:]], "n0")
    state = solve_tree(network, Pump(5.6e5, 1e-3, 2e6), WATER)
    assert state.open.tolist() == [False, True, True, False, False, False, False, False]


def test_losses_close_the_far_end_of_a_long_row() -> None:
    """Where the flow dies out the pressure is the closing pressure itself, so look for flows that count."""
    state = solve_tree(chain(400, bore_m=0.0044), AMPLE, WATER)
    flows = (state.nozzle_flow_m3_s[1:] > 1e-3 * state.nozzle_flow_m3_s[1]).tolist()
    assert flows == sorted(flows, reverse=True)
    assert 50 < sum(flows) < 400
    assert state.pressure_pa[-1] == pytest.approx(CURVE.p0_pa, rel=1e-6)


def test_a_starving_pump_gives_its_delivery() -> None:
    """Both nozzles at the pump: each takes half the delivery D, p = p0 + (D / 2 k)^(1/n) in closed form."""
    nodes = [Node("n0", 0.0), Node("a", 0.0), Node("b", 0.0)]
    links = [Link("l1", "n0", "a", 0.0, 0.02, 0.0), Link("l2", "n0", "b", 0.0, 0.02, 0.0)]
    network = tree_network(nodes, links, [NozzleAt("a", CURVE), NozzleAt("b", CURVE)], "n0")
    state = solve_tree(network, Pump(1.5e6, 1e-6, 2e6), WATER)
    assert state.supply_pressure_pa == pytest.approx(5.5e5 + (0.5e-6 / 1.45e-9) ** (1 / 0.46), rel=1e-10)
    assert state.link_flow_m3_s[0] == pytest.approx(1e-6, rel=1e-10)
    assert state.bypass_m3_s == pytest.approx(0.0, abs=1e-15)


def test_a_flat_curve_on_a_starving_pump() -> None:
    """Flow as the fourth root of pressure and a hundredth of the water it would take: tangents alone run away."""
    curve = NozzleCurve("flat", k=7e-7 / 8e5**0.25, p0_pa=0.0, n=0.25)
    network, pump = random_circuit(0, curve=curve).network(), Pump(4e5, 1e-6, 2e6)
    assert_meets_all_laws(network, pump, solve_tree(network, pump, WATER))


def test_the_residuals_see_what_is_wrong_with_a_state() -> None:
    """Each law broken in turn, by an amount known by hand, in a state that met all."""
    network, pump = chain(5), Pump(1.5e6, 1e-4, 2e6)
    state = solve_tree(network, pump, WATER)
    none = np.zeros(6, dtype=np.bool_)
    good = _Iterate(state.pressure_pa, state.link_flow_m3_s, state.nozzle_flow_m3_s, state.open, none)

    def residuals(iterate: _Iterate, fed_by: Pump = pump) -> tuple[float, float]:
        laws = _link_law(network, WATER, iterate), _nozzle_law(network, iterate)
        mass, energy = _residuals(network, fed_by, WATER, iterate, *laws)
        return float(mass.max()), float(energy.max())

    assert max(residuals(good)) <= 1e-10
    net, far = state.link_flow_m3_s[0], np.array([0, 0, 0, 0, 0, 1])
    leak = good._replace(link_flow_m3_s=state.link_flow_m3_s + 0.01 * net * far)
    assert residuals(leak)[0] == pytest.approx(0.01, rel=1e-6)
    lower = good._replace(pressure_pa=state.pressure_pa - 3e4 * far)
    assert residuals(lower)[1] == pytest.approx(0.02, rel=1e-6)
    shut = good._replace(open=state.open & (far == 0))
    assert residuals(shut)[1] == pytest.approx((state.pressure_pa[5] - CURVE.p0_pa) / 1.5e6, rel=1e-6)
    assert residuals(good, replace(pump, set_pressure_pa=2e6))[1] == pytest.approx(0.25)  # held too low
    assert residuals(good, replace(pump, delivery_m3_s=net / 1.5))[1] == pytest.approx(0.5)  # more than it gives


def test_the_bypass_takes_what_the_nozzles_leave() -> None:
    state = solve_tree(chain(20), Pump(1.5e6, 5e-5, 2e6), WATER)
    assert state.supply_pressure_pa == 1.5e6
    assert state.bypass_m3_s == pytest.approx(5e-5 - state.nozzle_flow_m3_s.sum(), rel=1e-12)


def test_a_nozzle_at_the_supply_itself() -> None:
    network = tree_network([Node("n0", 0.0)], [], [NozzleAt("n0", CURVE)], "n0")
    state = solve_tree(network, AMPLE, WATER)
    assert state.nozzle_flow_m3_s[0] == pytest.approx(float(CURVE.flow_m3_s(1.5e6)), rel=1e-10)


@settings(deadline=None, max_examples=40)
@given(seed=seeds, lift_m=st.floats(-500, 500))
def test_only_differences_of_elevation_matter(seed: int, lift_m: float) -> None:
    network = random_circuit(seed).network()
    lifted = replace(network, z_m=network.z_m + lift_m)
    np.testing.assert_allclose(solve_tree(lifted, AMPLE, WATER).pressure_pa,
                               solve_tree(network, AMPLE, WATER).pressure_pa, rtol=1e-8)


@settings(deadline=None, max_examples=40)
@given(seed=seeds, shuffle=seeds)
def test_the_order_of_the_records_does_not_matter(seed: int, shuffle: int) -> None:
    circuit, rng = random_circuit(seed), np.random.default_rng(shuffle)
    mixed = Circuit([circuit.nodes[i] for i in rng.permutation(len(circuit.nodes))],
                    [circuit.links[i] for i in rng.permutation(len(circuit.links))],
                    circuit.nozzles[::-1], circuit.nozzle)
    found = [dict(zip(network.node_ids, solve_tree(network, AMPLE, WATER).pressure_pa, strict=True))
             for network in (circuit.network(), mixed.network())]
    assert found[0] == pytest.approx(found[1], rel=1e-8)


@settings(deadline=None, max_examples=40)
@given(seed=seeds, data=st.data())
def test_a_tube_split_in_two_is_the_same_tube(seed: int, data: st.DataObject) -> None:
    circuit = random_circuit(seed, most_nodes=30)
    cut = data.draw(st.integers(1, len(circuit.links) - 1))
    share = data.draw(st.floats(0.1, 0.9))
    link = circuit.links[cut]
    z = {node["id"]: node["z_m"] for node in circuit.nodes}
    halves = [{**link, "to": "cut", "length_m": share * link["length_m"]},
              {**link, "id": "cut", "from": "cut", "length_m": (1 - share) * link["length_m"], "minor_k": 0.0}]
    middle = {"id": "cut", "z_m": (z[link["from"]] + z[link["to"]]) / 2}
    split = Circuit([*circuit.nodes, middle], [*circuit.links[:cut], *halves, *circuit.links[cut + 1:]],
                    circuit.nozzles, circuit.nozzle)
    whole, parts = circuit.network(), split.network()
    before = dict(zip(whole.node_ids, solve_tree(whole, AMPLE, WATER).pressure_pa, strict=True))
    after = dict(zip(parts.node_ids, solve_tree(parts, AMPLE, WATER).pressure_pa, strict=True))
    assert {name: after[name] for name in before} == pytest.approx(before, rel=1e-8)


@settings(deadline=None, max_examples=40)
@given(seed=seeds, more_pa=st.floats(1e3, 3e5))
def test_more_set_pressure_never_lowers_a_nozzle(seed: int, more_pa: float) -> None:
    network = random_circuit(seed).network()
    low = solve_tree(network, AMPLE, WATER)
    high = solve_tree(network, replace(AMPLE, set_pressure_pa=1.5e6 + more_pa), WATER)
    assert np.all(high.nozzle_flow_m3_s >= low.nozzle_flow_m3_s * (1 - 1e-9))


def test_few_iterations_on_a_long_row() -> None:
    """Newton on the exact tree: the count does not grow with the number of nozzles."""
    counts = [solve_tree(chain(count, bore_m=0.02), AMPLE, WATER).iterations for count in (10, 100, 500)]
    assert max(counts) <= 6


def test_what_does_not_converge_names_the_worst_node() -> None:
    """No double meets a residual of 0 in a network with losses."""
    with pytest.raises(NotConverged) as error:
        solve_tree(chain(30), AMPLE, WATER, tolerance=0.0)
    assert error.value.node in {f"n{i}" for i in range(31)}
    assert f"node '{error.value.node}' is off by" in str(error.value)


def test_a_column_that_breaks_is_no_state() -> None:
    nodes = [Node("n0", 0.0), Node("tower", 80.0)]
    network = tree_network(nodes, [Link("l", "n0", "tower", 80.0, 0.006, 0.0)], [], "n0")
    with pytest.raises(ColumnBreaks, match=r"node 'tower' at 80 m would stand at -2[0-9]{5} Pa") as error:
        solve_tree(network, Pump(5e5, 1e-4, 1e6), WATER)
    assert error.value.node == "tower"
