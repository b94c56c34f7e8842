"""Connectivity cuts of the contracted model's linear relaxation: tubing must lead from a pump to whatever
is fed.

A relaxation pays for a hundredth of a tube that could carry a hundredth of the flow. For a set K of
junctions without a pump of the group, some tube must enter K if a segment with both ends in K is fed, and
a circuit's tube if the circuit reaches a junction of K (Steiner cuts: Koch and Martin 1998, Networks 32,
207-232, memory). The most violated K is a minimum cut in the graph of passes weighted by the relaxation's
values.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from optimizer.runs.contracted import Contracted

UNIT = 1_000_000  # capacities of the cut graph are whole numbers of this share of a tube
VIOLATED = 0.02  # a cut is worth a row if it lacks this much of a tube


class Cut(NamedTuple):
    """Tubes of `circuits` that enter `inside` are at least 1, or at least the tubes of circuit c into
    junction v if `reached` is (c, v).
    """

    circuits: tuple[int, ...]
    inside: frozenset[int]
    reached: tuple[int, int] | None


def violated_cuts(data: Contracted, laid: Mapping[int, float]) -> list[Cut]:
    """Cuts that a relaxation violates. laid: value of each pass, all sizes together."""
    found: list[Cut] = []
    circuits = data.prepared.problem.circuits
    groups = sorted({circuit.group for circuit in circuits})
    for group in groups:
        own = tuple(c for c, circuit in enumerate(circuits) if circuit.group == group)
        graph = _Graph(data, own, laid)
        for segment, of_group in sorted({*data.shares, *data.loose}):
            way = data.prepared.segments.ways[2 * segment]
            if of_group == group:
                found += graph.cut({way.start, way.end}, 1.0, None)
    for c in range(len(circuits)):
        graph = _Graph(data, (c,), laid)
        arriving: dict[int, float] = {}
        for a, one in enumerate(data.passes):
            if one.circuit == c:
                arriving[one.end] = arriving.get(one.end, 0.0) + laid[a]
        for v, value in sorted(arriving.items()):
            if value > VIOLATED:
                found += graph.cut({v}, min(1.0, value), (c, v))
    return list(dict.fromkeys(found))


class _Graph:
    """The passes of some circuits with their values as capacities, and one source before all their
    pumps."""

    def __init__(self, data: Contracted, circuits: tuple[int, ...], laid: Mapping[int, float]) -> None:
        self.circuits = circuits
        self.count = len(data.prepared.segments.point)
        self.roots = {data.prepared.root[data.prepared.problem.circuits[c].pump] for c in circuits}
        self.capacity: dict[tuple[int, int], int] = {}
        for a, one in enumerate(data.passes):
            if one.circuit in circuits and laid[a] > 0.0:
                key = (one.start, one.end)
                self.capacity[key] = self.capacity.get(key, 0) + round(UNIT * laid[a])

    def cut(self, targets: set[int], needed: float, reached: tuple[int, int] | None) -> list[Cut]:
        """The minimum cut before the targets, if it carries less than needed."""
        if targets & self.roots:
            return []
        source, sink = self.count, self.count + 1
        capacity = dict(self.capacity)
        capacity.update({(source, root): 2 * UNIT for root in self.roots})
        capacity.update({(v, sink): 2 * UNIT for v in targets})
        rows, columns = zip(*capacity, strict=True)
        values = np.array(list(capacity.values()), dtype=np.int32)
        graph = csr_array((values, (rows, columns)), shape=(self.count + 2, self.count + 2))
        result = maximum_flow(graph, source, sink)
        if result.flow_value >= (needed - VIOLATED) * UNIT:
            return []
        inside = frozenset(range(self.count)) - _reachable(graph - result.flow, source)
        return [Cut(self.circuits, inside, reached)]


def _reachable(residual: Any, source: int) -> frozenset[int]:
    residual.eliminate_zeros()
    order: NDArray[np.int32] = breadth_first_order(residual, source, return_predecessors=False)
    return frozenset(int(v) for v in order)
