"""Junctions that promise most as places for the valve box of a pump unit, by sums of lengths on the corridors.

Promise of a box: its main with trench and wire, the box, and the tubing from there: the union of the shortest ways to
the nozzles, whose trench the main saves where it lies in it, and for each further circuit one more tube to the nearest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from optimizer.costs import tube_cost_per_m
from optimizer.instance import Instance
from optimizer.solve.mains import Main, box_price
from optimizer.solve.servable import ways_m
from optimizer.solve.supply import Supply, run_layout

MOST_BOXES = 5
LEAST_COST = 1e-9  # of an edge, since sparse graphs drop zeros

Floats = NDArray[np.float64]
Path = tuple[int, ...]  # corridor edges


def screened(instance: Instance, supply: Supply, unit: int, chosen: Sequence[int]) -> list[Path]:
    """Edges of the mains to the most promising boxes of a unit that feeds the chosen candidates, best first."""
    net = _net(instance)
    found, circuits = instance.candidates.corridors, len(supply.groups[unit])
    site = int(found.site_node[supply.sites[unit]])
    degree = np.bincount(np.concatenate([found.tail, found.head]), minlength=len(found.x_m))
    mains = _Ways(net, site, net.main_cost)
    targets = _targets(instance, chosen)
    promised = []
    for box in sorted(set(np.flatnonzero(degree >= 3).tolist()) - {int(node) for node in found.site_node}):
        if np.isfinite(mains.cost[box]):
            path = mains.to(box)
            price = float(net.main_cost[list(path)].sum()) + box_price(instance.scenario.catalogue.equipment, circuits)
            promised.append((price + _tubing_cost(net, box, set(path), targets, circuits), box, path))
    return [path for _, _, path in sorted(promised)[:MOST_BOXES]]


def mains_to_boxes(instance: Instance, supply: Supply, chosen: Sequence[int]) -> tuple[Main | None, ...]:
    """A main of the widest tubing for each unit, to the box that promises most for those of the chosen candidates that
    lie nearer to it than to the other units; None where no junction is left."""
    ways = ways_m(instance.candidates, supply.sites)[:, list(chosen)]
    nearest = ways.argmin(axis=0)
    widest = max(range(len(instance.tubing)), key=lambda size: instance.tubing[size].bore_m)
    mains: list[Main | None] = []
    for unit in range(len(supply.pumps)):
        own = [j for j, of in zip(chosen, nearest, strict=True) if of == unit]
        paths = screened(instance, supply, unit, own) if own else []
        mains.append(Main(paths[0], widest) if paths else None)
    return tuple(mains)


@dataclass(frozen=True, eq=False)
class _Net:
    """The corridor edges [E] with what a tube, its trench, and a main in trench with wire cost there."""

    tail: NDArray[np.int64]
    head: NDArray[np.int64]
    nodes: int
    tube_cost: Floats
    dug_cost: Floats
    main_cost: Floats


def _net(instance: Instance) -> _Net:
    graph, ground = instance.candidates.corridors, run_layout(instance, ())
    tube = min(tube_cost_per_m(size) for size in instance.tubing)
    wire = instance.scenario.catalogue.equipment.wire_per_m or 0.0
    length, dug = np.zeros(len(graph.tail)), np.zeros(len(graph.tail))
    np.add.at(length, ground.edge, ground.length_m)
    np.add.at(dug, ground.edge, ground.trench_cost)
    return _Net(graph.tail, graph.head, len(graph.x_m), tube * length, dug, (tube + wire) * length + dug)


class _Ways:
    """Cheapest ways from a node by the cost of edges; of two edges between the same nodes the cheaper counts."""

    def __init__(self, net: _Net, start: int, cost: Floats) -> None:
        self.start = start
        self.edge: dict[tuple[int, int], int] = {}
        for edge in np.argsort(-cost, kind="stable").tolist():
            for pair in ((int(net.tail[edge]), int(net.head[edge])), (int(net.head[edge]), int(net.tail[edge]))):
                self.edge[pair] = edge
        rows, columns = zip(*self.edge, strict=True)
        values = [max(LEAST_COST, float(cost[edge])) for edge in self.edge.values()]
        graph = csr_array((values, (rows, columns)), shape=(net.nodes, net.nodes))
        costs, before = dijkstra(graph, indices=[start], return_predecessors=True)
        self.cost, self.before = costs[0], before[0]

    def to(self, node: int) -> Path:
        """The edges of the way to a node, in their order."""
        edges: list[int] = []
        while node != self.start:
            edges.append(self.edge[int(self.before[node]), node])
            node = int(self.before[node])
        return tuple(reversed(edges))


def _targets(instance: Instance, chosen: Sequence[int]) -> list[int]:
    """The corridor node nearest along its line to each of the chosen candidates."""
    graph, found = instance.candidates.corridors, instance.candidates
    nodes: set[int] = set()
    for j in chosen:
        ends = [
            (abs(float(at[edge]) - float(found.chainage_m[j])), int(node[edge]))
            for at, node in ((graph.from_m, graph.tail), (graph.to_m, graph.head))
            for edge in np.flatnonzero(graph.line == found.line[j])
        ]
        nodes.add(min(ends)[1])
    return sorted(nodes)


def _tubing_cost(net: _Net, box: int, dug: set[int], targets: Sequence[int], circuits: int) -> float:
    """Tubing and trench of the circuits from a box; dug: edges whose trench is paid for. inf where one is cut off."""
    trench = net.dug_cost.copy()
    trench[list(dug)] = 0.0
    ways = _Ways(net, box, net.tube_cost + trench)
    if not np.isfinite(ways.cost[list(targets)]).all():
        return float("inf")
    paths = [ways.to(node) for node in targets]
    union = sorted({edge for path in paths for edge in path})
    nearest = min(float(net.tube_cost[list(path)].sum()) for path in paths)
    return float((net.tube_cost + trench)[union].sum()) + (circuits - 1) * nearest
