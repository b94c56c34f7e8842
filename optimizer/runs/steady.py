"""Steady states of one tree with many assignments of tubing sizes at once.

With real nozzle flows q = k (p - p0)^n instead of the head budget's: p = p_root - sum over the way of (friction + K
v^2 rho / 2 + rho g rise). More pressure means more flow and less pressure, so that states from too much and too little
flow enclose the real one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from optimizer.runs.prepared import FLOW_UNIT_M3_S, Prepared
from optimizer.runs.trees import Tree

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ENCLOSING = 4  # pairs of states that enclose the real one
DAMPING = 0.5
MOST_STEPS = 100
CLOSE_PA = 0.1


@dataclass(frozen=True)
class Steady:
    """A tree from a pump as arrays of its E pieces and the N nozzles it feeds.

    unit: [E] unit of each piece; length_m, rise_pa, minor_k: [E]; feeds: [E, N], whether a piece leads to a nozzle.
    """

    prepared: Prepared
    pump: int
    unit: Ints
    length_m: Floats
    rise_pa: Floats
    minor_k: Floats
    feeds: Floats

    def within(self, sizes: Ints, band_pa: tuple[float, float], usable_m3_s: float) -> NDArray[np.bool_]:
        """[S] whether every nozzle stands in the band and the circuit draws no more than usable; sizes: [S, U]."""
        good = np.zeros(len(sizes), dtype=bool)
        rows = np.arange(len(sizes))
        high = self._pressures(sizes, np.zeros((len(sizes), self.feeds.shape[1])))
        for _ in range(ENCLOSING):
            low = self._pressures(sizes[rows], self._flows(high))
            flows = self._flows(low).sum(axis=1)
            may = (high >= band_pa[0]).all(axis=1) & (low <= band_pa[1]).all(axis=1) & (flows <= usable_m3_s)
            rows, low = rows[may], low[may]
            if not len(rows):
                return good
            high = self._pressures(sizes[rows], self._flows(low))
        at = self._settled(sizes[rows], (low + high) / 2)
        kept = (at >= band_pa[0]).all(axis=1) & (at <= band_pa[1]).all(axis=1)
        good[rows] = kept & (self._flows(at).sum(axis=1) <= usable_m3_s)
        return good

    def _settled(self, sizes: Ints, pressures: Floats) -> Floats:
        for _ in range(MOST_STEPS):
            change = self._pressures(sizes, self._flows(pressures)) - pressures
            pressures = pressures + DAMPING * change
            if np.abs(change).max() < CLOSE_PA:
                break
        return pressures

    def _flows(self, pressures: Floats) -> Floats:
        return np.asarray(self.prepared.problem.curve.flow_m3_s(pressures), dtype=np.float64)

    def _pressures(self, sizes: Ints, nozzle_flows: Floats) -> Floats:
        """[S, N] pressures at flows [S, N]."""
        flow = nozzle_flows @ self.feeds.T / FLOW_UNIT_M3_S
        size = sizes[:, self.unit]
        gradient, knots, minor = self._laws
        at = np.minimum(flow * knots, gradient.shape[1] - 2)
        low = at.astype(np.int64)
        below, above = gradient[size, low], gradient[size, low + 1]
        friction = below + (at - low) * (above - below)
        lost = friction * self.length_m + minor[size] * self.minor_k * flow**2 + self.rise_pa
        root = self.prepared.problem.supply_pa(self.pump, nozzle_flows.sum(axis=1))
        return np.asarray(root[:, None] - lost @ self.feeds)

    @cached_property
    def _laws(self) -> tuple[Floats, float, Floats]:
        """Friction at the knots of each size, knots a flow unit, and what K = 1 takes at unit flow in each."""
        sizes = self.prepared.sizes
        table = np.array([size.gradient_pa_m for size in sizes])
        return table, sizes[0].knots_per_unit, np.array([size.minor_pa for size in sizes])


def steady(prepared: Prepared, pump: int, tree: Tree, served: bytes | bytearray, nozzles: Sequence[int]) -> Steady:
    """The arrays of a tree that feeds these nozzles; served: by point, whether one of them stands there."""
    ways, column = prepared.segments.ways, {k: n for n, k in enumerate(nozzles)}
    below: list[set[int]] = [set() for _ in tree.units]
    rows: list[tuple[int, float, float, float, set[int]]] = []
    for u in range(len(tree.units) - 1, -1, -1):
        way, count = ways[tree.units[u].way], tree.units[u].pieces
        fed = set().union(*(below[kid] for kid in tree.kids[u]))
        factors = tree.minor_k(prepared, u, served)
        for i in range(count - 1, -1, -1):
            point, e = way.points[i + 1], way.pieces[i]
            fed = fed | ({column[prepared.nozzle[point]]} if served[point] else set())
            rise = prepared.rise_pa[e] if way.forward else -prepared.rise_pa[e]
            rows.append((u, prepared.length_m[e], rise, factors[i], fed))
        below[u] = fed
    feeds = np.array([[n in row[4] for n in range(len(nozzles))] for row in rows], dtype=np.float64)
    unit, length, rise_pa, minor_k = (np.array(column) for column in list(zip(*rows, strict=True))[:4])
    return Steady(prepared, pump, unit.astype(np.int64), length, rise_pa, minor_k, feeds)
