"""Networks are trees of sound tubing; everything else is refused, all faults at once."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hydraulics.errors import NetworkError
from hydraulics.network import Link, Node, NozzleAt, TreeNetwork, tree_network
from hydraulics.nozzle import NozzleCurve
from tests.hydraulics.random_circuits import random_circuit

CURVE = NozzleCurve("n", 1e-9, 5e5, 0.46)
NODES = [Node("pump", 0.0), Node("a", 1.0), Node("b", 2.0)]
LINKS = [Link("l1", "pump", "a", 5.0, 0.006, 1e-6, 0.5), Link("l2", "b", "a", 3.0, 0.0044, 1e-6)]
NOZZLES = [NozzleAt("b", CURVE)]


def faults(
    nodes: list[Node], links: list[Link], nozzles: list[NozzleAt], supply: str = "pump"
) -> tuple[str, ...]:
    with pytest.raises(NetworkError) as error:
        tree_network(nodes, links, nozzles, supply)
    assert str(error.value) == "\n".join(error.value.faults)
    return error.value.faults


def arrays(**changes: Any) -> TreeNetwork:
    """Pump -> a -> b with a nozzle at b."""
    values: dict[str, Any] = {
        "node_ids": ("pump", "a", "b"), "parent": [-1, 0, 1], "z_m": [0, 1, 2], "length_m": [0, 5, 3],
        "bore_m": [0, 0.006, 0.0044], "roughness_m": [0, 1e-6, 1e-6], "minor_k": [0, 0.5, 0],
        "nozzle_k": [0, 0, 1e-9], "nozzle_p0_pa": [0, 0, 5e5], "nozzle_n": [1, 1, 0.46],
    }
    return TreeNetwork(**{**values, **changes})


def test_a_chain_hung_from_its_supply() -> None:
    network = tree_network(NODES, LINKS, NOZZLES, "pump")
    assert network.node_ids == ("pump", "a", "b")
    assert network.link_ids == ("", "l1", "l2")
    for name in ("parent", "z_m", "length_m", "bore_m", "roughness_m", "minor_k", "nozzle_k", "nozzle_p0_pa"):
        np.testing.assert_array_equal(getattr(network, name), getattr(arrays(), name))


def test_the_supply_may_stand_anywhere_in_the_list() -> None:
    network = tree_network(NODES[::-1], LINKS[::-1], NOZZLES, "a")
    assert network.node_ids[0] == "a"
    assert {network.node_ids[i]: network.link_ids[i] for i in (1, 2)} == {"pump": "l1", "b": "l2"}


@given(st.integers(0, 10_000))
def test_every_node_hangs_by_one_of_its_own_links(seed: int) -> None:
    circuit = random_circuit(seed)
    network = circuit.network()
    ends = {link["id"]: {link["from"], link["to"]} for link in circuit.links}
    for i in range(1, len(network.node_ids)):
        assert {network.node_ids[i], network.node_ids[network.parent[i]]} == ends[network.link_ids[i]]
    seen = {0}
    for i in network.order[1:]:
        assert int(network.parent[i]) in seen
        seen.add(i)
    assert len(seen) == len(circuit.nodes)


def test_arrays_are_copied_and_frozen() -> None:
    mine = np.array([0.0, 1.0, 2.0])
    network = arrays(z_m=mine)
    mine[1] = 99.0
    assert network.z_m[1] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        network.z_m[1] = 5.0


def test_a_loop_names_a_link_of_it() -> None:
    assert faults(NODES, [*LINKS, Link("l3", "b", "pump", 1.0, 0.006, 1e-6)], NOZZLES) == (
        "link 'l2' closes a loop between 'b' and 'a'; a circuit is a tree, take one link of the loop out",
    )


def test_a_link_to_itself_and_a_second_link_are_loops() -> None:
    extra = [Link("l3", "a", "a", 1.0, 0.006, 1e-6), Link("l4", "pump", "a", 1.0, 0.006, 0.0)]
    said = [text.split(" between")[0] for text in faults(NODES, [*LINKS, *extra], [])]
    assert said == ["link 'l3' closes a loop", "link 'l4' closes a loop"]


def test_what_the_supply_does_not_reach() -> None:
    links = [*LINKS, Link("l3", "c", "d", 1.0, 0.006, 0.0)]
    assert faults([*NODES, Node("c", 0.0), Node("d", 0.0)], links, []) == (
        "node 'c' is not connected to the supply 'pump'; add the missing link",
        "node 'd' is not connected to the supply 'pump'; add the missing link",
    )


def test_all_names_at_fault_at_once() -> None:
    assert faults(
        [*NODES, Node("a", 3.0)],
        [*LINKS, Link("l1", "a", "nowhere", 1.0, 0.006, 0.0)],
        [*NOZZLES, NozzleAt("b", CURVE), NozzleAt("lost", CURVE)],
        "tank",
    ) == (
        "node 'a' stands 2 times; name each node apart",
        "link 'l1' stands 2 times; name each link apart",
        "link 'l1' is at node 'nowhere', which is not among the nodes; add it or mend the name",
        "a nozzle is at node 'lost', which is not among the nodes; add it or mend the name",
        "the supply is at node 'tank', which is not among the nodes; add it or mend the name",
        "node 'b' carries 2 nozzles; give each nozzle a node of its own",
    )


def test_all_values_at_fault_at_once() -> None:
    links = [Link("l1", "pump", "a", -5.0, 0.0, math.nan, -1.0), Link("l2", "a", "b", math.inf, 0.0044, 0.0)]
    assert faults([NODES[0], Node("a", math.nan), NODES[2]], links, NOZZLES) == (
        "node 'a': z_m = nan; give a finite elevation",
        "link 'l1': length_m = -5; give a length of at least 0",
        "link 'l2': length_m = inf; give a length of at least 0",
        "link 'l1': bore_m = 0; give a bore above 0",
        "link 'l1': roughness_m = nan; give at least 0",
        "link 'l1': minor_k = -1; give at least 0",
    )


@pytest.mark.parametrize(("changes", "said"), [
    ({"nozzle_k": [0, 0, -1e-9]}, "node 'b': nozzle_k = -1e-09; give a number above 0, or 0 for no nozzle"),
    ({"nozzle_k": [0, 0, math.inf]}, "node 'b': nozzle_k = inf; give a number above 0, or 0 for no nozzle"),
    ({"nozzle_n": [1, 1, 0]}, "node 'b': nozzle_n = 0; give an exponent above 0 and at most 1"),
    ({"nozzle_p0_pa": [0, 0, -1]}, "node 'b': nozzle_p0_pa = -1; give at least 0"),
    ({"parent": [0, 0, 1]}, "node 'pump' is the supply; its parent is 0, give -1"),
    ({"parent": [-1, 0, 7]}, "node 'b': parent 7 is no node; give 0 to 2"),
    ({"parent": [-1, -1, 1]}, "node 'a': parent -1 is no node; give 0 to 2"),
    ({"z_m": [0, 1]}, "z_m has shape (2,), (3,) is expected"),
    ({"link_ids": ("", "l1")}, "2 link names for 3 nodes; the supply's is left empty"),
    ({"node_ids": ()}, "the network has no nodes; give at least the supply"),
])
def test_arrays_that_are_no_network(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(NetworkError) as error:
        arrays(**changes)
    assert said in error.value.faults


def test_nodes_that_hang_from_themselves() -> None:
    with pytest.raises(NetworkError) as error:
        arrays(parent=[-1, 2, 1])
    assert error.value.faults == (
        "node 'a' hangs from itself through its parents, not from the supply 'pump'",
        "node 'b' hangs from itself through its parents, not from the supply 'pump'",
    )


def test_what_is_not_read_may_be_anything() -> None:
    network = arrays(bore_m=[math.nan, 0.006, 0.0044], nozzle_n=[math.nan, math.nan, 0.46])
    assert network.order.tolist() == [0, 1, 2]
