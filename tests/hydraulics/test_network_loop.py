"""Networks of any shape: what is refused, all at once and by name, and what a tree among them is."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from hydraulics.errors import NetworkError, RangeError
from hydraulics.network import Link, Node, NozzleAt
from hydraulics.network_loop import LoopNetwork, loop_network
from hydraulics.pump import Pump
from hydraulics.steady import solve_network
from hydraulics.steady_loop import solve_loop
from hydraulics.water import water_at
from tests.hydraulics.random_circuits import CURVE

NODES = [Node(name, 0.0) for name in "abcd"]
SOUND = Link("ab", "a", "b", 3.0, 0.006, 1.5e-6, 0.6)
RING = [SOUND, replace(SOUND, id="bc", from_node="b", to_node="c"), replace(SOUND, id="cd", from_node="c", to_node="d"),
        replace(SOUND, id="da", from_node="d", to_node="a")]
PUMP = Pump(1e6, 1e-4, 2e6)


def ring(links: list[Link] = RING, nodes: list[Node] = NODES, supplies: tuple[str, ...] = ("a",)) -> LoopNetwork:
    return loop_network(nodes, links, [NozzleAt("c", CURVE)], supplies)


def faults(**arguments: Any) -> tuple[str, ...]:
    with pytest.raises(NetworkError) as caught:
        ring(**arguments)
    return caught.value.faults


def test_a_ring_stands_as_given() -> None:
    network = ring()
    assert network.node_ids == ("a", "b", "c", "d") and network.link_ids == ("ab", "bc", "cd", "da")
    assert network.tree is None and network.nozzle_k.tolist() == [0, 0, CURVE.k, 0]
    with pytest.raises(ValueError, match="read-only"):
        network.length_m[0] = 1.0


@pytest.mark.parametrize(("change", "text"), [
    ({"length_m": -1.0}, "link 'ab': length_m = -1; give a length of at least 0"),
    ({"length_m": math.nan}, "link 'ab': length_m = nan; give a length of at least 0"),
    ({"length_m": math.inf}, "link 'ab': length_m = inf; give a length of at least 0"),
    ({"bore_m": 0.0}, "link 'ab': bore_m = 0; give a bore above 0"),
    ({"roughness_m": -1e-6}, "link 'ab': roughness_m = -1e-06; give at least 0"),
    ({"minor_k": math.nan}, "link 'ab': minor_k = nan; give at least 0"),
    ({"reducer_pa": -1.0}, "link 'ab': reducer_pa = -1; give an outlet pressure above 0, on a link"),
])
def test_bad_values_are_named(change: dict[str, float], text: str) -> None:
    assert faults(links=[replace(SOUND, **change), *RING[1:]]) == (text,)


def test_all_faults_at_once() -> None:
    links = [replace(SOUND, bore_m=0.0), replace(RING[1], length_m=-2.0)]
    nodes = [*NODES[:3], Node("d", math.nan)]
    found = faults(links=links, nodes=nodes)
    assert found == (
        "node 'd': z_m = nan; give a finite elevation",
        "link 'bc': length_m = -2; give a length of at least 0",
        "link 'ab': bore_m = 0; give a bore above 0",
        "node 'd' is not connected to a supply; add the missing link",
    )


def test_names_and_ends() -> None:
    assert faults(links=[*RING, SOUND]) == ("link 'ab' stands 2 times; name each link apart",)
    assert "link 'ab' is at node 'x', which is not among the nodes" in faults(links=[replace(SOUND, to_node="x")])[0]
    assert faults(links=[*RING, replace(SOUND, id="bb", from_node="b")]) == (
        "link 'bb' leads from node 'b' back to it; take it out",)
    assert faults(supplies=()) == ("the network has no supply; give at least one node and a pump there",)
    assert faults(supplies=("a", "a")) == ("node 0 is a supply 2 times; one pump feeds a node",)
    assert faults(supplies=("a", "x"))[0].startswith("the supply is at node 'x', which is not among the nodes")


def test_shapes_and_indices() -> None:
    sound = ring()
    with pytest.raises(NetworkError, match=r"bore_m has shape \(1,\), \(4,\) is expected"):
        replace(sound, bore_m=np.array([0.006]))
    with pytest.raises(NetworkError, match="link 'ab' has an end at node 7; give 0 to 3"):
        replace(sound, to_node=np.array([7, 2, 3, 0]))
    with pytest.raises(NetworkError, match="a supply is at node -1; give 0 to 3"):
        replace(sound, supply=np.array([-1]))


def test_a_tree_is_hung_from_its_supply() -> None:
    hung = ring(links=RING[:3], supplies=("c",)).tree
    assert hung is not None and hung.network.node_ids[0] == "c"
    names = {hung.network.node_ids[i]: (hung.network.link_ids[i], hung.network.node_ids[hung.network.parent[i]])
             for i in range(1, 4)}
    assert names == {"b": ("bc", "c"), "d": ("cd", "c"), "a": ("ab", "b")}
    assert dict(zip(hung.link.tolist(), hung.sign.tolist(), strict=True)) == {0: -1.0, 1: -1.0, 2: 1.0}


def test_reducers_are_for_trees() -> None:
    reduced = [replace(SOUND, reducer_pa=8e5), *RING[1:]]
    with pytest.raises(NetworkError, match="link 'ab' has a reducer in a network with loops"):
        solve_network(ring(links=reduced), [PUMP], water_at(20.0))
    state = solve_network(ring(links=reduced[:3]), [PUMP], water_at(20.0))
    assert state.reducer_status == ("active", "", "")
    assert state.pressure_pa[1] < 8e5


def test_a_pump_for_every_supply() -> None:
    for network in (ring(), ring(links=RING[:3])):
        for solve in (solve_network, solve_loop):
            with pytest.raises(RangeError, match=r"2 pumps for 1 suppl(y|ies)"):
                solve(network, [PUMP, PUMP], water_at(20.0))
