"""A network of any shape as frozen arrays: loops, parallel links, dead ends and several supplies."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

from hydraulics.elimination import Plan, plan
from hydraulics.errors import NetworkError
from hydraulics.network import Link, Node, NozzleAt, TreeNetwork, name_faults
from hydraulics.network_faults import node_rules, tubing_rules, value_faults

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class LoopNetwork:
    """Nodes and links as arrays, copied and made read-only; a tree is one too.

    By node [N]: z_m and the nozzles; nozzle_k is 0 where there is none, and nozzle_p0_pa and nozzle_n are read only
    elsewhere. By link [L]: from_node and to_node, indices of two different nodes, length_m, bore_m, roughness_m and
    minor_k; reducer_pa is NaN where the link begins with no pressure-reducing fitting, and reducer_k is read only
    elsewhere (both left out: there are none). supply: [S] indices of the nodes that a pump feeds, one each. Raises
    NetworkError with all faults.
    """

    node_ids: tuple[str, ...]
    link_ids: tuple[str, ...]
    supply: Ints
    z_m: Floats
    nozzle_k: Floats
    nozzle_p0_pa: Floats
    nozzle_n: Floats
    from_node: Ints
    to_node: Ints
    length_m: Floats
    bore_m: Floats
    roughness_m: Floats
    minor_k: Floats
    reducer_pa: Floats = field(default_factory=lambda: np.empty(0))
    reducer_k: Floats = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        if not len(self.reducer_pa) and not len(self.reducer_k):
            object.__setattr__(self, "reducer_pa", np.full(len(self.link_ids), np.nan))
            object.__setattr__(self, "reducer_k", np.zeros(len(self.link_ids)))
        for names, kind in ((_INDICES, np.int64), (_BY_NODE + _BY_LINK, np.float64)):
            for name in names:
                array = np.array(getattr(self, name), dtype=kind)
                array.setflags(write=False)
                object.__setattr__(self, name, array)
        faults = _shape_faults(self) or _end_faults(self) or (*_value_faults(self), *_unconnected_faults(self))
        if faults:
            raise NetworkError(faults)

    @cached_property
    def plan(self) -> Plan:
        """How its linear equations are solved, the supplies last."""
        return plan(len(self.node_ids), self.from_node, self.to_node, self.supply)

    @cached_property
    def tree(self) -> Hung | None:
        """The same as a tree, where it is one with one supply."""
        is_tree = len(self.supply) == 1 and len(self.link_ids) == len(self.node_ids) - 1
        return _hung(self) if is_tree else None


@dataclass(frozen=True, eq=False)
class Hung:
    """A tree of the same parts: node: [N] by node of the tree, its index in the network; link: [N - 1] that of the link
    into it, the supply left out; sign: [N - 1] 1 where that link leads away from the supply, else -1.
    """

    network: TreeNetwork
    node: Ints
    link: Ints
    sign: Floats


_INDICES = ("supply", "from_node", "to_node")
_BY_NODE = ("z_m", "nozzle_k", "nozzle_p0_pa", "nozzle_n")
_BY_LINK = ("length_m", "bore_m", "roughness_m", "minor_k", "reducer_pa", "reducer_k")


def loop_network(
    nodes: Iterable[Node], links: Iterable[Link], nozzles: Iterable[NozzleAt], supplies: Sequence[str]
) -> LoopNetwork:
    """The network of named parts in the order given, fed at the nodes named supplies.

    Raises NetworkError with all faults: names twice or unknown, a second nozzle at a node, and what LoopNetwork
    refuses.
    """
    nodes, links, nozzles = tuple(nodes), tuple(links), tuple(nozzles)
    faults = name_faults(nodes, links, nozzles, supplies)
    if faults:
        raise NetworkError(faults)
    place = {node.id: i for i, node in enumerate(nodes)}
    curves = {nozzle.node: nozzle.curve for nozzle in nozzles}
    at_node = [curves.get(node.id) for node in nodes]
    return LoopNetwork(
        node_ids=tuple(place),
        link_ids=tuple(link.id for link in links),
        supply=np.array([place[name] for name in supplies], dtype=np.int64),
        z_m=np.array([node.z_m for node in nodes]),
        nozzle_k=np.array([curve.k if curve else 0.0 for curve in at_node]),
        nozzle_p0_pa=np.array([curve.p0_pa if curve else 0.0 for curve in at_node]),
        nozzle_n=np.array([curve.n if curve else 1.0 for curve in at_node]),
        from_node=np.array([place[link.from_node] for link in links], dtype=np.int64),
        to_node=np.array([place[link.to_node] for link in links], dtype=np.int64),
        length_m=np.array([link.length_m for link in links]),
        bore_m=np.array([link.bore_m for link in links]),
        roughness_m=np.array([link.roughness_m for link in links]),
        minor_k=np.array([link.minor_k for link in links]),
        reducer_pa=np.array([np.nan if link.reducer_pa is None else link.reducer_pa for link in links]),
        reducer_k=np.array([link.reducer_k for link in links]),
    )


def _shape_faults(network: LoopNetwork) -> tuple[str, ...]:
    if not network.node_ids or not network.supply.size:
        return ("the network has no supply; give at least one node and a pump there",)
    nodes, links = (len(network.node_ids),), (len(network.link_ids),)
    shapes = {**dict.fromkeys(_BY_NODE, nodes), **dict.fromkeys((*_INDICES[1:], *_BY_LINK), links)}
    return tuple(f"{name} has shape {getattr(network, name).shape}, {shape} is expected"
                 for name, shape in shapes.items() if getattr(network, name).shape != shape)


def _end_faults(network: LoopNetwork) -> tuple[str, ...]:
    """Ends and supplies that are no nodes; supplies named twice; links from a node to itself."""
    count, links, supply = len(network.node_ids), network.link_ids, network.supply.tolist()
    ends = list(zip(links, network.from_node.tolist(), network.to_node.tolist(), strict=True))
    return (
        *(f"link {name!r} has an end at node {end}; give 0 to {count - 1}"
          for name, *both in ends for end in both if not 0 <= end < count),
        *(f"a supply is at node {node}; give 0 to {count - 1}" for node in supply if not 0 <= node < count),
        *(f"link {name!r} leads from node {network.node_ids[a]!r} back to it; take it out"
          for name, a, b in ends if a == b and 0 <= a < count),
        *(f"node {node} is a supply {supply.count(node)} times; one pump feeds a node"
          for node in sorted(set(supply)) if supply.count(node) > 1),
    )


def _value_faults(network: LoopNetwork) -> tuple[str, ...]:
    nodes, links = [f"node {name!r}" for name in network.node_ids], [f"link {name!r}" for name in network.link_ids]
    return value_faults((*node_rules(network), *tubing_rules(network)), nodes, links)


def _unconnected_faults(network: LoopNetwork) -> tuple[str, ...]:
    """Nodes without a way to a supply."""
    _, part = connected_components(_graph(network), directed=False)
    fed = np.isin(part, part[network.supply])
    return tuple(f"node {network.node_ids[i]!r} is not connected to a supply; add the missing link"
                 for i in np.flatnonzero(~fed).tolist())


def _graph(network: LoopNetwork) -> coo_array[np.float64]:
    count = len(network.node_ids)
    ones = np.ones(len(network.link_ids))
    return coo_array((ones, (network.from_node, network.to_node)), shape=(count, count))


def _hung(network: LoopNetwork) -> Hung:
    """The tree, nearest to the supply first."""
    reached = breadth_first_order(_graph(network).tocsr(), int(network.supply[0]), directed=False)
    node, above = (np.asarray(each, dtype=np.int64) for each in reached)
    place = np.empty_like(node)
    place[node] = np.arange(node.size)
    starts, ends = place[network.from_node], place[network.to_node]
    link = np.empty(node.size, dtype=np.int64)
    link[np.maximum(starts, ends)] = np.arange(starts.size)  # the farther end has the link
    link = link[1:]
    first = np.zeros(1)
    by_link = {name: np.concatenate((first, getattr(network, name)[link])) for name in _BY_LINK}
    by_link["reducer_pa"][0] = np.nan
    tree = TreeNetwork(
        node_ids=tuple(network.node_ids[i] for i in node.tolist()),
        parent=np.concatenate(([-1], place[above[node[1:]]])),
        link_ids=("", *(network.link_ids[i] for i in link.tolist())),
        **{name: getattr(network, name)[node] for name in _BY_NODE},
        **by_link,
    )
    sign = np.where(ends[link] > starts[link], 1.0, -1.0)
    return Hung(tree, node, link, sign)
