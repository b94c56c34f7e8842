"""How far pressure reaches: what a tube can carry where it lies, and the range of pressure at a junction.

A tube from u to v that feeds g nozzles beyond v stands at the end of a way of tubes that carry at least as much. So
with the widest tubing all the way, on the shortest way from the nearest pump, pressure at v must still do for the
highest of the g lowest nozzles. What fails even so can be laid in no design.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from hydraulics.friction import GRAVITY_M_S2
from optimizer.runs.layers import Layer, Losses
from optimizer.runs.lines import Floats
from optimizer.runs.prepared import Prepared

ROUNDING_PA = 1.0  # pressures that differ by less are equal: no tube is barred by rounding


@dataclass(frozen=True)
class Reach:
    """Of one layer, all in Pa with height: pressure + rho g z.

    best: [points, nozzles + 1] most that a tube can bring to a point when it carries so many nozzles; least:
    [nozzles + 1] what the highest of so many nozzles needs, if they are the layer's lowest; head_pa: [points]
    rho g z.
    """

    best: Floats
    least: Floats
    head_pa: Floats

    @classmethod
    def of(cls, losses: Losses) -> Reach:
        """The reach of a layer's pumps in its sizes."""
        prepared, layer = losses.prepared, losses.layer
        problem = prepared.problem
        weight = problem.water.density_kg_m3 * GRAVITY_M_S2
        head = weight * problem.layout.z_m[list(prepared.segments.point)]
        count = len(head)
        best = np.full((count, layer.most + 1), -np.inf)
        widest = losses.gradient_pa_m.min(axis=0)
        for root, metres in zip(layer.roots, _metres(prepared, layer), strict=True):
            start = losses.supply_pa(root) + head[root.junction]
            with np.errstate(invalid="ignore"):
                lost = np.where(np.isinf(metres)[:, None], np.inf, metres[:, None] * widest[None, :])
            best = np.maximum(best, start[None, :] - lost)
        may = [any(prepared.may_feed[c][k] for c in layer.circuits) for k in range(problem.nozzles)]
        able = sorted(head[spot] for spot, one in zip(prepared.spot, may, strict=True) if one)
        highest = np.array([able[0], *able][: layer.most + 1]) if able else np.zeros(1)
        return cls(best, highest + problem.band_low_pa, head)

    def most_beyond(self, start: int, end: int, nozzles: int, need: Floats, lost: Floats) -> int:
        """Most nozzles that a tube can feed beyond its end, -1 where it cannot be laid at all.

        nozzles: fed on the way; need: [beyond + 1] pressure at its start that those need; lost: [beyond + 1].
        """
        at_start = self.best[start, nozzles:]
        able = at_start - self.head_pa[start] >= need - ROUNDING_PA
        able[1:] &= (at_start - lost >= self.least[: len(lost)] - ROUNDING_PA)[1:]
        return int(np.flatnonzero(able)[-1]) if able.any() else -1

    def budget(self, losses: Losses) -> float:
        """Pressure that tubing may take on its way to all nozzles together (Pa x nozzles).

        A design loses in all tubes, each loss times the nozzles beyond, what its outlet points have above the heights
        and the band's low edge of its nozzles. No circuit feeds fewer than its mates leave.
        """
        prepared, layer = losses.prepared, losses.layer
        own = [spot for spot, g in zip(prepared.spot, prepared.problem.group, strict=True) if g == layer.group]
        starts = []
        for root in layer.roots:
            room = dict(zip(layer.circuits, layer.rooms, strict=True))
            rooms = [n for c, n in room.items() if prepared.problem.circuits[c].pump == root.pump]
            fewest = max(0, len(own) - sum(layer.rooms) + min(rooms))
            starts.append(float(losses.supply_pa(root)[min(fewest, layer.most)] + self.head_pa[root.junction]))
        low = prepared.problem.band_low_pa
        return sum(max(starts) - low - float(self.head_pa[spot]) for spot in own)

    def range_pa(self, point: int) -> tuple[float, float]:
        """Least and greatest pressure at a point that tubing reaches to feed something there or beyond."""
        least = float(self.least[0] - self.head_pa[point])
        most = float(self.best[point, min(1, self.best.shape[1] - 1)] - self.head_pa[point])
        return least, max(least, most)


def _metres(prepared: Prepared, layer: Layer) -> Floats:
    """[roots, points] shortest tubing from each root to each junction, infinite where there is none."""
    shortest: dict[tuple[int, int], float] = {}
    for way in prepared.segments.ways:
        length = max(1e-9, sum(prepared.length_m[e] for e in way.pieces))  # sparse graphs drop zeros
        key = way.start, way.end
        shortest[key] = min(length, shortest.get(key, length))
    rows, columns = zip(*shortest, strict=True)
    count = len(prepared.segments.point)
    graph = csr_array((list(shortest.values()), (rows, columns)), shape=(count, count))
    found: Floats = dijkstra(graph, indices=[root.junction for root in layer.roots])
    return found
