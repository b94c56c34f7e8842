"""Corridors cut at every place, contracted to edges between places, junctions and pump sites; every tree in them.

A calculation of its own beside optimizer/runs: it reads geometry's corridor graph and nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations, pairwise

import numpy as np

from geometry.corridors import Corridors

ELBOW_FROM_DEG = 30.0  # a sharper turn without branching takes an elbow
BRANCH_FROM_DEG = 45.0  # a sharper turn at a tee is a branch
AT_END_M = 1e-6


@dataclass(frozen=True)
class Edge:
    """A corridor from a to b without a place or a junction on it.

    leaves_deg, arrives_deg: azimuth of travel a to b at either end; elbows: turns on it; dug: ground work, 0 on lines.
    stretch: number of the corridor between junctions that it is part of; number: its own.
    """

    a: int
    b: int
    length_m: float
    leaves_deg: float
    arrives_deg: float
    elbows: int
    dug: float
    stretch: int = -1
    number: int = -1

    def back(self) -> Edge:
        """Walked from b to a."""
        leaves, arrives = ((at + 180.0) % 360.0 for at in (self.arrives_deg, self.leaves_deg))
        return replace(self, a=self.b, b=self.a, leaves_deg=leaves, arrives_deg=arrives)


@dataclass(frozen=True)
class Net:
    """z_m of each point; edges; spot: point of each place; sites: point of each pump site."""

    z_m: tuple[float, ...]
    edges: tuple[Edge, ...]
    spot: tuple[int, ...]
    sites: tuple[int, ...]
    _spanning: dict[int, list[tuple[Edge, ...]]] = field(default_factory=dict, compare=False)

    def spanning(self, root: int) -> list[tuple[Edge, ...]]:
        """Every spanning tree of what the root reaches."""
        if root not in self._spanning:
            reach = _reach(self.edges, root)
            within = [e for e in self.edges if e.a in reach]
            loops = len(within) - len(reach) + 1
            cuts = combinations(range(len(within)), loops)
            kept = ([e for i, e in enumerate(within) if i not in cut] for cut in cuts)
            self._spanning[root] = [_ordered(some, root) for some in kept if len(_reach(some, root)) == len(reach)]
        return self._spanning[root]


def net(
    graph: Corridors,
    line: Sequence[int],
    chainage_m: Sequence[float],
    z_m: Sequence[float],
    ground_cost: Mapping[str, float],
) -> Net:
    """The corridors cut at places, none of which stands on a node of the graph."""
    z = [*map(float, graph.z_m), *map(float, z_m)]
    nodes = len(graph.z_m)
    pieces: list[Edge] = []
    for e in range(len(graph.tail)):
        start, end = float(graph.from_m[e]), float(graph.to_m[e])
        inside = [
            ((at - start) / (end - start), nodes + i)
            for i, at in enumerate(chainage_m)
            if line[i] == graph.line[e] and graph.link[e] < 0 and min(start, end) < at < max(start, end)
        ]
        stops = [(0.0, int(graph.tail[e])), *sorted(inside), (1.0, int(graph.head[e]))]
        heading, price = float(graph.azimuth_deg[e]), 0.0
        if graph.link[e] >= 0:
            own = float(graph.unit_cost[e])
            a_metre = ground_cost[graph.ground[e]] if math.isnan(own) else own
            price = float(graph.plan_m[e]) * a_metre + float(graph.sleeve_cost[e])
        for (s, a), (t, b) in pairwise(stops):
            length = float(graph.length_m[e]) * (t - s)
            pieces.append(Edge(a, b, length, heading, heading, 0, price * (t - s)))
    spot = tuple(range(nodes, nodes + len(line)))
    assert all(any(point in (p.a, p.b) for p in pieces) for point in spot), "a place stands on no corridor"
    sites = tuple(int(n) for n in graph.site_node)
    joined = _joined(pieces, {*spot, *sites})
    return Net(tuple(z), tuple(_numbered(joined, set(spot), set(sites))), spot, sites)


def _joined(pieces: list[Edge], kept: set[int]) -> list[Edge]:
    """Pieces joined at points where just two meet, unless kept or one is ground work and the other not."""
    edges = list(pieces)
    for point in sorted({p.a for p in pieces} | {p.b for p in pieces}):
        near = [e for e in edges if point in (e.a, e.b)]
        if point in kept or len(near) != 2 or (near[0].dug > 0) != (near[1].dug > 0):
            continue
        first = near[0] if near[0].b == point else near[0].back()
        second = near[1] if near[1].a == point else near[1].back()
        turns = turn_deg(first.arrives_deg, second.leaves_deg) > ELBOW_FROM_DEG
        edges = [e for e in edges if e is not near[0] and e is not near[1]]
        edges.append(
            Edge(
                first.a,
                second.b,
                first.length_m + second.length_m,
                first.leaves_deg,
                second.arrives_deg,
                first.elbows + second.elbows + turns,
                first.dug + second.dug,
            )
        )
    return edges


def _numbered(edges: list[Edge], spots: set[int], sites: set[int]) -> Iterator[Edge]:
    """The edges with their numbers; a stretch goes on through places where just two edges meet."""
    number = list(range(len(edges)))
    for point in spots - sites:
        near = [i for i, e in enumerate(edges) if point in (e.a, e.b)]
        if len(near) == 2 and (edges[near[0]].dug > 0) == (edges[near[1]].dug > 0):
            old, new = number[near[0]], number[near[1]]
            number = [new if n == old else n for n in number]
    for i, (edge, stretch) in enumerate(zip(edges, number, strict=True)):
        yield replace(edge, stretch=stretch, number=i)


def turn_deg(arrives_deg: float, leaves_deg: float) -> float:
    """Sharpness of a turn; 90 where a direction is vertical."""
    if math.isnan(arrives_deg) or math.isnan(leaves_deg):
        return 90.0
    return round(abs((leaves_deg - arrives_deg + 180.0) % 360.0 - 180.0), 6)


def trees(of: Net, root: int, served: frozenset[int]) -> list[tuple[Edge, ...]]:
    """Every tree from the root whose ends are all served points: edges in the order of the water.

    Each is what is left of a spanning tree when ends that nobody needs are cut off, so all spanning trees are tried.
    """
    found: dict[frozenset[int], tuple[Edge, ...]] = {}
    for spanning in of.spanning(root):
        order = list(spanning)
        while spare := {e.b for e in order} - served - {e.a for e in order}:
            order = [e for e in order if e.b not in spare]
        if served <= {e.b for e in order}:
            found.setdefault(frozenset(e.number for e in order), tuple(order))
    return list(found.values())


def _reach(edges: Sequence[Edge], root: int) -> set[int]:
    reached, grown = {root}, True
    while grown:
        more = {p for e in edges if e.a in reached or e.b in reached for p in (e.a, e.b)} - reached
        reached, grown = reached | more, bool(more)
    return reached


def _ordered(edges: list[Edge], root: int) -> tuple[Edge, ...]:
    """A spanning tree's edges away from the root, parents first."""
    order: list[Edge] = []
    reached, left = {root}, list(edges)
    while left:
        e = next(e for e in left if e.a in reached or e.b in reached)
        left.remove(e)
        order.append(e if e.a in reached else e.back())
        reached.add(order[-1].b)
    return tuple(order)


def fittings_k(tree: Sequence[Edge], root: int, served: frozenset[int], k: dict[str, float]) -> np.ndarray:
    """Loss factor of each edge: entrance, tee or elbow at its start, elbows on it, an elbow under a last nozzle."""
    factors = []
    into = {e.b: e for e in tree}
    for e in tree:
        ways_on = sum(o.a == e.a for o in tree) + (e.a in served)
        if e.a == root:
            factor = k["entrance"]
        elif ways_on > 1:
            straight = turn_deg(into[e.a].arrives_deg, e.leaves_deg) < BRANCH_FROM_DEG
            factor = k["tee_run"] if straight else k["tee_branch"]
        else:
            factor = k["elbow"] * (turn_deg(into[e.a].arrives_deg, e.leaves_deg) > ELBOW_FROM_DEG)
        last = all(o.a != e.b for o in tree)
        factors.append(factor + k["elbow"] * (e.elbows + last))
    return np.array(factors)
