"""The steady state of networks of any shape: by its equations, by closed forms and by a second calculation."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import root

from hydraulics.errors import ColumnBreaks, NotConverged
from hydraulics.fittings import minor_loss_pa
from hydraulics.friction import GRAVITY_M_S2, pressure_gradient_pa_m
from hydraulics.network import Link, Node, NozzleAt
from hydraulics.network_loop import LoopNetwork, loop_network
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import DeliveryCurve, Pump, pump_of
from hydraulics.steady import solve_network
from hydraulics.steady_loop import LoopState, solve_loop
from hydraulics.water import water_at
from tests.hydraulics.random_circuits import CURVE, random_circuit
from tests.hydraulics.random_loops import network_of, random_looped

WATER = water_at(20.0)
AMPLE = Pump(set_pressure_pa=1.5e6, delivery_m3_s=1.0, limit_pa=2e6)
WEIGHT_PA_M = WATER.density_kg_m3 * GRAVITY_M_S2

seeds = st.integers(0, 100_000)
# From pumps that starve to some with plenty, from all nozzles closed to all open.
pumps = st.builds(Pump, st.floats(4e5, 2e6), st.floats(1e-7, 1e-3), st.just(2e6))


def tube(name: str, start: str, end: str, length_m: float = 3.0, bore_m: float = 0.006, minor_k: float = 0.6) -> Link:
    return Link(name, start, end, length_m, bore_m, 1.5e-6, minor_k)


def losses_pa(network: LoopNetwork, flow_m3_s: np.ndarray) -> np.ndarray:
    gradient = pressure_gradient_pa_m(flow_m3_s, network.bore_m, network.roughness_m, WATER)
    fittings = minor_loss_pa(network.minor_k, flow_m3_s, network.bore_m, WATER.density_kg_m3)
    return network.length_m * gradient + fittings


def assert_meets_all_laws(network: LoopNetwork, fed_by: list[Pump], state: LoopState) -> None:
    """The equations once more, apart from the solver; tolerances relative to set pressure and net flow."""
    pressure, flow, nozzle, supply = state.pressure_pa, state.link_flow_m3_s, state.nozzle_flow_m3_s, network.supply
    close_pa = 1e-9 * min(pump.set_pressure_pa for pump in fed_by)
    head = pressure + WEIGHT_PA_M * network.z_m
    np.testing.assert_allclose(head[network.from_node] - head[network.to_node], losses_pa(network, flow), atol=close_pa)

    balance = -nozzle
    np.add.at(balance, network.to_node, flow)
    np.subtract.at(balance, network.from_node, flow)
    np.add.at(balance, supply, state.supply_flow_m3_s)
    net = state.supply_flow_m3_s.sum()
    assert np.abs(balance).max() <= 1e-9 * max(net, 1e-9)

    fitted = network.nozzle_k > 0
    at_open, at_closed = fitted & state.open, fitted & ~state.open
    k, p0, n = network.nozzle_k, network.nozzle_p0_pa, network.nozzle_n
    over = (nozzle[at_open] / k[at_open]) ** (1 / n[at_open])
    np.testing.assert_allclose(pressure[at_open] - p0[at_open], over, atol=close_pa)
    assert np.all(nozzle[at_open] > 0) and np.all(nozzle[~state.open] == 0)
    assert np.all(pressure[at_closed] <= p0[at_closed] + close_pa)

    for pump, node, given_m3_s, spare in zip(fed_by, supply, state.supply_flow_m3_s, state.bypass_m3_s, strict=True):
        slight, over_pa = 1e-9 * pump.delivery_m3_s, pressure[node] - pump.set_pressure_pa
        most = pump.delivery_at_m3_s(min(pressure[node], pump.set_pressure_pa))
        assert -slight <= given_m3_s <= most + slight
        assert over_pa <= close_pa or given_m3_s == pytest.approx(0, abs=slight)  # its non-return valve is shut
        assert over_pa >= -close_pa or given_m3_s == pytest.approx(most, rel=1e-9)  # it starves
        assert spare == pytest.approx(most - given_m3_s, abs=slight)


@settings(deadline=None, max_examples=200)
@given(seed=seeds, fed_by=st.lists(pumps, min_size=1, max_size=3))
def test_every_state_meets_all_laws(seed: int, fed_by: list[Pump]) -> None:
    network = random_looped(seed, supplies=len(fed_by)).network()
    try:
        state = solve_loop(network, fed_by, WATER)
    except ColumnBreaks:
        return
    assert max(state.mass_residual, state.energy_residual) <= 1e-10
    assert_meets_all_laws(network, fed_by, state)


@settings(deadline=None, max_examples=100)
@given(seed=seeds, pump=pumps, n=st.floats(0.4, 1.0), p0_pa=st.floats(0, 1.2e6), size=st.floats(-1, 2))
def test_any_nozzle_at_all(seed: int, pump: Pump, n: float, p0_pa: float, size: float) -> None:
    """Nozzles from a tenth to a hundred times the usual size, so that most pressure may be lost on the way."""
    curve = NozzleCurve("any", k=7e-7 * 10**size / 8e5**n, p0_pa=p0_pa, n=n)
    network = random_looped(seed, curve=curve).network()
    try:
        assert_meets_all_laws(network, [pump], solve_loop(network, [pump], WATER))
    except ColumnBreaks:
        return


@settings(deadline=None, max_examples=60)
@given(seed=seeds, pump=pumps)
def test_a_tree_by_either_way(seed: int, pump: Pump) -> None:
    """`random_circuit` has a link without length and links that point to the supply."""
    network = network_of(random_circuit(seed))
    by_tree, by_loop = solve_network(network, [pump], WATER, tolerance=1e-12), solve_loop(network, [pump], WATER)
    assert_meets_all_laws(network, [pump], by_tree)
    np.testing.assert_allclose(by_loop.pressure_pa, by_tree.pressure_pa, atol=1e-8 * pump.set_pressure_pa)
    net = max(float(by_tree.supply_flow_m3_s[0]), 1e-9)
    np.testing.assert_allclose(by_loop.nozzle_flow_m3_s, by_tree.nozzle_flow_m3_s, atol=1e-6 * net)


@pytest.mark.parametrize("seed", range(8))
def test_against_a_second_calculation(seed: int) -> None:
    """All equations at once, heads and flows as unknowns, by scipy's hybrid Powell method."""
    network = random_looped(seed, most_nodes=30).network()
    state = solve_loop(network, [AMPLE], WATER, tolerance=1e-12)
    count, links = len(network.node_ids), len(network.link_ids)
    scale = float(state.nozzle_flow_m3_s.sum())
    k, p0, n = network.nozzle_k, network.nozzle_p0_pa, network.nozzle_n

    def lacks(x: np.ndarray) -> np.ndarray:
        pressure, flow = x[:count] * AMPLE.set_pressure_pa, x[count:] * scale
        head = pressure + WEIGHT_PA_M * network.z_m
        balance = -k * np.maximum(pressure - p0, 0) ** n
        np.add.at(balance, network.to_node, flow)
        np.subtract.at(balance, network.from_node, flow)
        balance /= scale
        balance[network.supply] = pressure[network.supply] / AMPLE.set_pressure_pa - 1
        lost = head[network.from_node] - head[network.to_node] - losses_pa(network, flow)
        return np.concatenate([balance, lost / AMPLE.set_pressure_pa])

    start = np.concatenate([0.9 * np.ones(count), np.full(links, 0.1)])
    answer = root(lacks, start, tol=1e-13)
    assert np.abs(answer.fun).max() < 1e-9
    np.testing.assert_allclose(state.pressure_pa, answer.x[:count] * AMPLE.set_pressure_pa, rtol=1e-7)


def test_two_equal_tubes_side_by_side_share_the_flow() -> None:
    """Each takes half: the pair loses what one tube loses at half the flow."""
    nodes = [Node("a", 0.0), Node("b", 0.0)]
    network = loop_network(nodes, [tube("1", "a", "b"), tube("2", "b", "a")], [NozzleAt("b", CURVE)], ["a"])
    state = solve_network(network, [AMPLE], WATER)
    net = state.nozzle_flow_m3_s[1]
    np.testing.assert_allclose(state.link_flow_m3_s, [net / 2, -net / 2], rtol=1e-9)
    lost = float(losses_pa(network, state.link_flow_m3_s)[0])
    assert state.pressure_pa[1] == pytest.approx(1.5e6 - lost, rel=1e-12)


def test_laminar_tubes_side_by_side_share_by_conductance() -> None:
    """Hagen-Poiseuille: flow in proportion to D^4 / L."""
    small = NozzleCurve("small", k=1e-12, p0_pa=0.0, n=0.5)
    links = [tube("1", "a", "b", 2.0, 0.004, 0.0), tube("2", "a", "b", 5.0, 0.005, 0.0)]
    network = loop_network([Node("a", 0.0), Node("b", 0.0)], links, [NozzleAt("b", small)], ["a"])
    flow = solve_network(network, [AMPLE], WATER, tolerance=1e-15).link_flow_m3_s
    assert flow[0] / flow[1] == pytest.approx(0.004**4 / 2 / (0.005**4 / 5), rel=1e-6)


def test_a_ring_of_equal_nozzles_is_two_rows_of_half_as_many() -> None:
    """Fed at one point, a level ring of 2 N nozzles stands as a row of N, twice, from the same point."""
    count = 10
    names = [f"n{i}" for i in range(2 * count + 1)]
    nodes = [Node(name, 0.0) for name in names]
    nozzles = [NozzleAt(name, CURVE) for name in names[1:]]
    around = [tube(f"r{i}", names[i], names[(i + 1) % len(names)]) for i in range(len(names))]
    ring = solve_network(loop_network(nodes, around, nozzles, ["n0"]), [AMPLE], WATER, tolerance=1e-12)
    row = loop_network(nodes[: count + 1], around[:count], nozzles[:count], ["n0"])
    assert row.tree is not None
    pressures = solve_network(row, [AMPLE], WATER, tolerance=1e-12).pressure_pa
    np.testing.assert_allclose(ring.pressure_pa[: count + 1], pressures, rtol=1e-9)
    np.testing.assert_allclose(ring.pressure_pa[count + 1 :], pressures[:0:-1], rtol=1e-9)
    assert abs(ring.link_flow_m3_s[count]) < 1e-9 * ring.nozzle_flow_m3_s.sum()  # the far link stands still


def test_tubing_without_length_in_a_loop_joins_its_ends() -> None:
    nodes = [Node(name, 0.0) for name in "abc"]
    links = [tube("ab", "a", "b"), tube("bc", "b", "c", length_m=0.0, minor_k=0.0), tube("ac", "a", "c")]
    network = loop_network(nodes, links, [NozzleAt("b", CURVE), NozzleAt("c", CURVE)], ["a"])
    state = solve_network(network, [AMPLE], WATER)
    assert state.pressure_pa[1] == pytest.approx(state.pressure_pa[2], rel=1e-9)
    assert_meets_all_laws(network, [AMPLE], state)


def test_a_dead_end_stands_still() -> None:
    nodes = [Node(name, z) for name, z in zip("abcd", (0.0, 1.0, 2.0, 5.0), strict=True)]
    links = [tube("ab", "a", "b"), tube("bc", "b", "c"), tube("ac", "a", "c"), tube("cd", "c", "d")]
    state = solve_network(loop_network(nodes, links, [NozzleAt("b", CURVE)], ["a"]), [AMPLE], WATER)
    assert state.link_flow_m3_s[3] == pytest.approx(0, abs=1e-9 * state.nozzle_flow_m3_s.sum())
    assert state.pressure_pa[3] == pytest.approx(state.pressure_pa[2] - 3 * WEIGHT_PA_M, rel=1e-12)


@pytest.mark.parametrize("seed", range(10))
def test_still_water_where_all_nozzles_are_closed(seed: int) -> None:
    network = random_looped(seed).network()
    pump = Pump(4e5, 1e-5, 2e6)
    state = solve_loop(network, [pump], WATER)
    assert not state.open.any() and state.supply_flow_m3_s[0] == 0 and state.bypass_m3_s[0] == 1e-5
    still = 4e5 + WEIGHT_PA_M * (network.z_m[network.supply[0]] - network.z_m)
    np.testing.assert_allclose(state.pressure_pa, still, rtol=1e-10)


def two_supplies() -> LoopNetwork:
    """Two pumps at the ends of a level row of three nozzles."""
    names = ["left", "1", "2", "3", "right"]
    links = [tube(f"{a}-{b}", a, b) for a, b in pairwise(names)]
    return loop_network([Node(name, 0.0) for name in names], links,
                        [NozzleAt(name, CURVE) for name in names[1:-1]], ["left", "right"])


def test_two_equal_supplies_share_alike() -> None:
    state = solve_network(two_supplies(), [AMPLE, AMPLE], WATER)
    np.testing.assert_allclose(state.pressure_pa, state.pressure_pa[::-1], rtol=1e-12)
    assert state.supply_flow_m3_s[0] == pytest.approx(state.supply_flow_m3_s[1], rel=1e-9)


def test_the_weaker_supply_is_shut_off_by_its_non_return_valve() -> None:
    weak, network = replace(AMPLE, set_pressure_pa=8e5), two_supplies()
    state = solve_network(network, [AMPLE, weak], WATER)
    assert state.supply_flow_m3_s[1] == 0 and state.pressure_pa[4] > 8e5
    alone = replace(network, supply=network.supply[:1])
    np.testing.assert_allclose(state.pressure_pa, solve_network(alone, [AMPLE], WATER).pressure_pa, rtol=1e-9)


def test_a_supply_that_starves_is_helped_by_the_other() -> None:
    small = replace(AMPLE, delivery_m3_s=2e-7)
    state = solve_network(two_supplies(), [small, replace(AMPLE, set_pressure_pa=1.2e6)], WATER)
    assert state.supply_flow_m3_s[0] == pytest.approx(2e-7, rel=1e-9)
    assert 1.1e6 < state.pressure_pa[0] < 1.5e6 and state.bypass_m3_s[0] == pytest.approx(0, abs=1e-16)


def test_pumps_with_a_curve_share_a_ring() -> None:
    """Both starve: pressure and net flow of each lie on its curve, linear between 5 and 20 bar."""
    curve = DeliveryCurve((5e5, 2e6), (3e-7, 1e-7))
    fed_by = [pump_of(1.5e6, curve, 2e6), pump_of(1.4e6, curve, 2e6)]
    network = two_supplies()
    state = solve_network(network, fed_by, WATER)
    for i in range(2):
        pressure = float(state.pressure_pa[network.supply[i]])
        assert pressure < 1.4e6
        assert state.supply_flow_m3_s[i] == pytest.approx(3e-7 - 2e-7 * (pressure - 5e5) / 1.5e6, rel=1e-8)


@settings(deadline=None, max_examples=40)
@given(seed=seeds, turned=st.integers(0, 2**32 - 1))
def test_the_direction_of_links_is_a_matter_of_sign(seed: int, turned: int) -> None:
    network = random_looped(seed).network()
    at = np.random.default_rng(turned).random(len(network.link_ids)) < 0.5
    other = replace(network, from_node=np.where(at, network.to_node, network.from_node),
                    to_node=np.where(at, network.from_node, network.to_node))
    one, two = (solve_loop(each, [AMPLE], WATER, tolerance=1e-11) for each in (network, other))
    np.testing.assert_allclose(two.pressure_pa, one.pressure_pa, rtol=1e-9)
    net = one.nozzle_flow_m3_s.sum()
    np.testing.assert_allclose(np.where(at, -1, 1) * two.link_flow_m3_s, one.link_flow_m3_s, atol=1e-6 * net)


def test_what_does_not_converge_names_the_worst_node(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hydraulics.steady_loop.MOST_ITERATIONS", 1)
    with pytest.raises(NotConverged, match=r"off by .* of the net flow") as caught:
        solve_loop(random_looped(3).network(), [AMPLE], WATER)
    assert caught.value.node


def test_a_column_that_breaks_is_no_state() -> None:
    nodes = [Node("a", 0.0), Node("b", 80.0)]
    network = loop_network(nodes, [tube("1", "a", "b"), tube("2", "a", "b")], [], ["a"])
    with pytest.raises(ColumnBreaks, match="node 'b' at 80 m"):
        solve_loop(network, [Pump(4e5, 1e-5, 2e6)], WATER)
