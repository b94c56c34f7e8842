"""Connectivity cuts of the joint relaxation: tubing leads from a pump to wherever it is.

For a set K of points and a point p of it

    (14)  sum_{a into K} r_a + sum_{pumps in K} z_st >= sum_{a into p} r_a + sum_{pumps at p} z_st

K is a minimum cut between the pumps and p in the graph of pieces weighted by the relaxation's values; both the cut next
to the pumps and the one next to p are taken, then further ones behind them (nested and back cuts: Koch and Martin 1998,
Networks 32, 207-232, memory).
"""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from optimizer.placement.problem import BoolArray, FloatArray, IntArray
from optimizer.solve.trade.relaxed import Relaxed
from optimizer.solver.linear import INFINITY, Row

UNIT = 1_000_000  # capacities are whole numbers of this share of a tube
VIOLATED = 0.01  # a cut is worth a row if it lacks this much of a tube
PRESENT = 0.02  # of a tube, that makes a junction a target
NESTED = 6  # cuts behind one another, for one target
MOST = 300  # cuts at a time


def violated(m: Relaxed, columns: FloatArray) -> list[Row]:
    """Cuts (14) that a point of the relaxation violates, those before the fullest junctions first."""
    graph = _Graph(m, columns)
    degree = np.bincount(m.net.tail, minlength=m.net.points) + np.bincount(m.net.head, minlength=m.net.points)
    roots = set(m.net.roots)
    targets = [int(p) for p in np.argsort(-graph.present, kind="stable") if graph.present[p] > PRESENT]
    found: dict[bytes, Row] = {}
    for target in (p for p in targets if degree[p] > 2 and p not in roots):
        for inside in graph.cuts(target):
            found.setdefault(np.packbits(inside).tobytes() + bytes(str(target), "ascii"), _row(m, inside, target))
        if len(found) >= MOST:
            break
    return list(found.values())


class _Graph:
    """Directed pieces with their values as capacities, and one source before all pumps."""

    def __init__(self, m: Relaxed, columns: FloatArray) -> None:
        laid = np.clip(columns[m.r(0) : m.r(2 * m.net.pieces)], 0.0, 1.0)
        self.start = np.concatenate([m.net.tail, m.net.head])
        self.end = np.concatenate([m.net.head, m.net.tail])
        kinds = len(m.capacity)
        standing = columns[m.z(0, 0) : m.z(len(m.net.sites), 0)].reshape(-1, kinds).sum(axis=1)
        self.points, self.source = m.net.points, m.net.points
        self.tails = np.concatenate([self.start, np.full(len(m.net.roots), self.source)])
        self.heads = np.concatenate([self.end, np.array(m.net.roots, dtype=np.int64)])
        self.capacity = np.rint(UNIT * np.concatenate([laid, np.clip(standing, 0.0, 1.0)])).astype(np.int64) + 1
        self.present = np.bincount(self.end, weights=laid, minlength=self.points)

    def cuts(self, target: int) -> list[BoolArray]:
        """[points] of each violated cut before a target."""
        capacity, found = self.capacity.copy(), []
        least = (min(1.0, float(self.present[target])) - VIOLATED) * UNIT
        for _ in range(NESTED):
            network = self._network(capacity)
            result = maximum_flow(network, self.source, target)
            if result.flow_value >= least:
                break
            left = sp.csr_array(network - result.flow)
            left.eliminate_zeros()
            for inside in (~self._reached(left, self.source), self._reached(sp.csr_array(left.T), target)):
                into = inside[self.heads] & ~inside[self.tails]
                if self.capacity[into].sum() < least:
                    found.append(inside[: self.points])
                capacity[into] = UNIT
        return found

    def _network(self, capacity: IntArray) -> sp.csr_array:
        size = self.points + 1
        graph = sp.csr_array((capacity.astype(np.int32), (self.tails, self.heads)), shape=(size, size))
        graph.sum_duplicates()
        return graph

    def _reached(self, graph: sp.csr_array, start: int) -> BoolArray:
        reached = np.zeros(self.points + 1, dtype=bool)
        reached[breadth_first_order(graph, start, return_predecessors=False)] = True
        return reached


def _row(m: Relaxed, inside: BoolArray, target: int) -> Row:
    """Cut (14) of a set of points and one of them."""
    start = np.concatenate([m.net.tail, m.net.head])
    end = np.concatenate([m.net.head, m.net.tail])
    row = {m.r(int(a)): 1.0 for a in np.flatnonzero(inside[end] & ~inside[start])}
    for site, root in enumerate(m.net.roots):
        if inside[root]:
            row |= {m.z(site, kind): 1.0 for kind in range(len(m.capacity))}
    for column, value in m.supplied(target).items():
        row[column] = row.get(column, 0.0) - value
    kept = {column: value for column, value in row.items() if value}
    return f"linked[{target}: {','.join(map(str, np.flatnonzero(inside)))}]", kept, 0.0, INFINITY
