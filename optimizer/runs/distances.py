"""Cheapest ways between points of the segments."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from optimizer.runs.prepared import Prepared

LEAST = 1e-9  # a piece costs at least this, since sparse graphs drop zeros


@dataclass(frozen=True)
class Distances:
    """cost: [P, P] price of the cheapest way; before: [P, P] last point before the end on it (negative:
    none); piece: piece between two neighbouring points; weight: price of each piece.
    """

    cost: NDArray[np.float64]
    before: NDArray[np.int32]
    piece: dict[tuple[int, int], int]
    weight: list[float]

    def way(self, start: int, end: int) -> list[int]:
        """Pieces of the cheapest way, from its end back to its start."""
        pieces = []
        row = self.before[start]
        while end != start:
            previous = int(row[end])
            pieces.append(self.piece[previous, end])
            end = previous
        return pieces


def distances(prepared: Prepared, weight: list[float]) -> Distances:
    """Cheapest ways where each piece costs its weight."""
    count = len(prepared.segments.point)
    piece: dict[tuple[int, int], int] = {}
    for e, (a, b) in enumerate(prepared.segments.ends):
        for pair in ((a, b), (b, a)):
            if a != b and (pair not in piece or weight[e] < weight[piece[pair]]):
                piece[pair] = e
    pairs = sorted(piece)
    rows, columns = [a for a, _ in pairs], [b for _, b in pairs]
    values = [max(LEAST, weight[piece[pair]]) for pair in pairs]
    graph = csr_array((values, (rows, columns)), shape=(count, count))
    cost, before = dijkstra(graph, return_predecessors=True)
    return Distances(cost, before, piece, weight)


def price(prepared: Prepared, with_trench: bool) -> list[float]:
    """Price of each piece in the cheapest tubing, with its trench or without."""
    cheapest = min(t.cost_per_m for t in prepared.problem.tubing)
    trench = prepared.trench_cost if with_trench else [0.0] * len(prepared.length_m)
    return [length * cheapest + ground for length, ground in zip(prepared.length_m, trench, strict=True)]
