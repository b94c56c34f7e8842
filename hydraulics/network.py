"""A circuit of tubing as frozen arrays: a tree from the supply to the nozzles.

Node i hangs from node parent[i] by one link, whose values stand at index i; node 0 is the supply.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from hydraulics.errors import NetworkError
from hydraulics.network_faults import node_rules, tubing_rules, value_faults
from hydraulics.nozzle import NozzleCurve

Floats = NDArray[np.float64]
Hung = dict[int, tuple[int, int]]  # node -> its parent and the link from it, nearest to the supply first


@dataclass(frozen=True)
class Node:
    """A point of the tubing and its elevation above the site's datum."""

    id: str
    z_m: float


@dataclass(frozen=True)
class Link:
    """Tubing between two nodes, in either direction; minor_k counts the velocity heads of its fittings.

    reducer_pa: outlet pressure that a pressure-reducing fitting at the end nearer the supply holds (None: there is
    none); reducer_k: velocity heads that it takes when fully open.
    """

    id: str
    from_node: str
    to_node: str
    length_m: float
    bore_m: float
    roughness_m: float
    minor_k: float = 0.0
    reducer_pa: float | None = None
    reducer_k: float = 0.0


@dataclass(frozen=True)
class NozzleAt:
    """A nozzle at a node."""

    node: str
    curve: NozzleCurve


@dataclass(frozen=True, eq=False)
class TreeNetwork:
    """Nodes and links as arrays of shape [N], copied and made read-only.

    parent is -1 at the supply, node 0; the order of the other nodes is free. length_m, bore_m, roughness_m
    and minor_k belong to the link into each node and are not read at index 0. nozzle_k is 0 where there is
    no nozzle, and nozzle_p0_pa and nozzle_n are read only elsewhere. reducer_pa is NaN where the link begins with no
    pressure-reducing fitting, and reducer_k is read only elsewhere; both left out: there are none. Raises
    NetworkError with all faults.
    """

    node_ids: tuple[str, ...]
    parent: NDArray[np.int64]
    z_m: Floats
    length_m: Floats
    bore_m: Floats
    roughness_m: Floats
    minor_k: Floats
    nozzle_k: Floats
    nozzle_p0_pa: Floats
    nozzle_n: Floats
    reducer_pa: Floats = field(default_factory=lambda: np.empty(0))
    reducer_k: Floats = field(default_factory=lambda: np.empty(0))
    link_ids: tuple[str, ...] = ()
    order: NDArray[np.int64] = field(init=False, repr=False)
    """[N] all nodes, each after its parent."""
    reduced: bool = field(init=False, repr=False)
    """Some link begins with a pressure-reducing fitting."""

    def __post_init__(self) -> None:
        if not len(self.reducer_pa) and not len(self.reducer_k):
            object.__setattr__(self, "reducer_pa", np.full(len(self.node_ids), np.nan))
            object.__setattr__(self, "reducer_k", np.zeros(len(self.node_ids)))
        for name in _ARRAYS:
            array = np.array(getattr(self, name), dtype=np.int64 if name == "parent" else np.float64)
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        if not self.link_ids:
            object.__setattr__(self, "link_ids", ("", *(f"link to {node}" for node in self.node_ids[1:])))
        faults = _shape_faults(self) or (*_value_faults(self), *_parent_faults(self))
        if faults:
            raise NetworkError(faults)
        order = np.array(_from_supply(self.parent.tolist()), dtype=np.int64)
        order.setflags(write=False)
        object.__setattr__(self, "order", order)
        object.__setattr__(self, "reduced", not np.isnan(self.reducer_pa).all())


_OTHERS = ("node_ids", "link_ids", "order", "reduced")
_ARRAYS = tuple(f.name for f in fields(TreeNetwork) if f.name not in _OTHERS)


def tree_network(
    nodes: Iterable[Node], links: Iterable[Link], nozzles: Iterable[NozzleAt], supply: str
) -> TreeNetwork:
    """The network of named parts, hung from the node named supply.

    node_ids and link_ids of the result are in the order of distance from the supply, counted in links.
    Raises NetworkError with all faults: names twice or unknown, loops, parts not connected to the supply, a
    second nozzle at a node, and the values that TreeNetwork refuses.
    """
    nodes, links, nozzles = tuple(nodes), tuple(links), tuple(nozzles)
    faults = name_faults(nodes, links, nozzles, [supply])
    if faults:
        raise NetworkError(faults)
    place = {node.id: i for i, node in enumerate(nodes)}
    ends = [(place[link.from_node], place[link.to_node]) for link in links]
    hung, loops = _hang(len(nodes), ends, place[supply])
    faults = (
        *(f"link {links[i].id!r} closes a loop between {links[i].from_node!r} and {links[i].to_node!r}; "
          "a circuit is a tree, take one link of the loop out" for i in loops),
        *(f"node {node.id!r} is not connected to the supply {supply!r}; add the missing link"
          for i, node in enumerate(nodes) if i not in hung),
    )
    if faults:
        raise NetworkError(faults)
    return _arrays(nodes, links, nozzles, hung)


def _arrays(
    nodes: Sequence[Node], links: Sequence[Link], nozzles: Sequence[NozzleAt], hung: Hung
) -> TreeNetwork:
    """The arrays of a sound tree."""
    index = {node: i for i, node in enumerate(hung)}
    above = [links[link] for _, link in list(hung.values())[1:]]
    curves = {nozzle.node: nozzle.curve for nozzle in nozzles}
    ids = tuple(nodes[node].id for node in hung)
    at_node = [curves.get(node) for node in ids]
    return TreeNetwork(
        node_ids=ids,
        parent=np.array([index.get(parent, -1) for parent, _ in hung.values()]),
        z_m=np.array([nodes[node].z_m for node in hung]),
        length_m=np.array([0.0, *(link.length_m for link in above)]),
        bore_m=np.array([0.0, *(link.bore_m for link in above)]),
        roughness_m=np.array([0.0, *(link.roughness_m for link in above)]),
        minor_k=np.array([0.0, *(link.minor_k for link in above)]),
        nozzle_k=np.array([curve.k if curve else 0.0 for curve in at_node]),
        nozzle_p0_pa=np.array([curve.p0_pa if curve else 0.0 for curve in at_node]),
        nozzle_n=np.array([curve.n if curve else 1.0 for curve in at_node]),
        reducer_pa=np.array([np.nan, *(np.nan if link.reducer_pa is None else link.reducer_pa for link in above)]),
        reducer_k=np.array([0.0, *(link.reducer_k for link in above)]),
        link_ids=("", *(link.id for link in above)),
    )


def _hang(count: int, ends: Sequence[tuple[int, int]], supply: int) -> tuple[Hung, list[int]]:
    """Parent and link of each node reached, nearest first, and the links that close a loop."""
    touching: list[list[tuple[int, int]]] = [[] for _ in range(count)]
    for link, (a, b) in enumerate(ends):
        touching[a].append((link, b))
        touching[b].append((link, a))
    hung: Hung = {supply: (-1, -1)}
    queue, loops = [supply], set()
    for node in queue:
        for link, other in touching[node]:
            if other not in hung:
                hung[other] = (node, link)
                queue.append(other)
            elif link != hung[node][1]:
                loops.add(link)
    return hung, sorted(loops)


def _from_supply(parent: Sequence[int]) -> list[int]:
    """The nodes that hang from node 0, each after its parent."""
    children: list[list[int]] = [[] for _ in parent]
    for node, above in enumerate(parent):
        if node and above >= 0:
            children[above].append(node)
    order = [0]
    for node in order:
        order.extend(children[node])
    return order


def name_faults(
    nodes: Sequence[Node], links: Sequence[Link], nozzles: Sequence[NozzleAt], supplies: Sequence[str]
) -> tuple[str, ...]:
    """Names that stand twice or are unknown, and nodes with a second nozzle."""
    known = {node.id for node in nodes}
    places = [(f"link {link.id!r}", node) for link in links for node in (link.from_node, link.to_node)]
    places += [("a nozzle", nozzle.node) for nozzle in nozzles] + [("the supply", supply) for supply in supplies]
    return (
        *(f"node {name!r} stands {count} times; name each node apart" for name, count in _twice(nodes)),
        *(f"link {name!r} stands {count} times; name each link apart" for name, count in _twice(links)),
        *(f"{what} is at node {node!r}, which is not among the nodes; add it or mend the name"
          for what, node in places if node not in known),
        *(f"node {name!r} carries {count} nozzles; give each nozzle a node of its own"
          for name, count in Counter(nozzle.node for nozzle in nozzles).items() if count > 1),
    )


def _twice(parts: Sequence[Node] | Sequence[Link]) -> list[tuple[str, int]]:
    return [(name, count) for name, count in Counter(part.id for part in parts).items() if count > 1]


def _shape_faults(network: TreeNetwork) -> tuple[str, ...]:
    shape = (len(network.node_ids),)
    if shape == (0,):
        return ("the network has no nodes; give at least the supply",)
    faults = [f"{name} has shape {getattr(network, name).shape}, {shape} is expected"
              for name in _ARRAYS if getattr(network, name).shape != shape]
    if len(network.link_ids) != shape[0]:
        faults.append(f"{len(network.link_ids)} link names for {shape[0]} nodes; the supply's is left empty")
    return tuple(faults)


def _value_faults(network: TreeNetwork) -> tuple[str, ...]:
    link = np.arange(len(network.node_ids)) > 0
    nodes, links = [f"node {name!r}" for name in network.node_ids], [f"link {name!r}" for name in network.link_ids]
    unread = ~link & np.isnan(network.reducer_pa)  # at the supply; a reducer there is a fault
    at_links = (rule._replace(sound=(rule.sound & link) | unread) for rule in tubing_rules(network))
    return value_faults((*node_rules(network), *at_links), nodes, links)


def _parent_faults(network: TreeNetwork) -> tuple[str, ...]:
    parent, ids = network.parent.tolist(), network.node_ids
    faults = [] if parent[0] == -1 else [f"node {ids[0]!r} is the supply; its parent is {parent[0]}, give -1"]
    bad = [i for i, above in enumerate(parent) if i and not 0 <= above < len(ids)]
    faults += [f"node {ids[i]!r}: parent {parent[i]} is no node; give 0 to {len(ids) - 1}" for i in bad]
    if not faults:
        reached = set(_from_supply(parent))
        faults = [f"node {ids[i]!r} hangs from itself through its parents, not from the supply {ids[0]!r}"
                  for i in range(len(ids)) if i not in reached]
    return tuple(faults)
