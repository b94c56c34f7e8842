"""Better hosts for a choice of nozzles, compiled: a piece that the host lacks takes the place of one on the cycle that
it closes. Plain arrays only; a host is what `kernel.Host` says."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit


@njit(cache=True)
def laid_cost(parent: Any, length: Any, ground: Any, spots: Any, tube: Any, below: Any) -> float:
    """Tubing and ground on a host that leads to the spots, one nozzle each; below [points] is scratch."""
    below[:] = 0
    cost = 0.0
    for p0 in spots:
        p = p0
        while p >= 0:
            n = below[p]
            below[p] = n + 1
            cost += length[p] * (tube[n + 1] - tube[n])
            if n == 0:
                cost += ground[p]
            p = parent[p]
    return cost


@njit(cache=True)
def turn(parent: Any, length: Any, ground: Any, chain: Any, to: int, a: int, metres: float, dug: float) -> None:
    """Hang the chain of points from a by a new piece, up to chain[to], which leaves its parent."""
    for k in range(to + 1):
        x = chain[k]
        old_length, old_ground = length[x], ground[x]
        parent[x], length[x], ground[x] = a, metres, dug
        a, metres, dug = x, old_length, old_ground


@njit(cache=True)
def rehost(parent: Any, length: Any, ground: Any, spots: Any, tube: Any, pieces: Any, costs: Any) -> None:
    """Better host for the spots, in place: a piece that the host lacks takes the place of one on the cycle that it
    closes, as long as that saves. pieces [E, 2] ends; costs [E, 2] length and ground."""
    points = len(parent)
    below = np.zeros(points, dtype=np.int64)
    chain = np.zeros(points, dtype=np.int64)
    above = np.zeros(points, dtype=np.bool_)
    kept = np.zeros((points, 3))
    now = laid_cost(parent, length, ground, spots, tube, below)
    for _ in range(4):
        better = False
        for e in range(len(pieces)):
            for side in range(2):
                a, b = pieces[e, side], pieces[e, 1 - side]
                if parent[a] == -2 or parent[b] < 0 or parent[a] == b or parent[b] == a:
                    continue
                above[:] = False
                p = a
                while p >= 0:
                    above[p] = True
                    p = parent[p]
                size, p = 0, b
                while not above[p] and parent[p] >= 0:
                    chain[size] = p
                    kept[size, 0], kept[size, 1], kept[size, 2] = parent[p], length[p], ground[p]
                    size += 1
                    p = parent[p]
                least, cut = now - 1e-9, -1
                for i in range(size):
                    turn(parent, length, ground, chain, i, a, costs[e, 0], costs[e, 1])
                    cost = laid_cost(parent, length, ground, spots, tube, below)
                    if cost < least:
                        least, cut = cost, i
                    for k in range(i + 1):
                        x = chain[k]
                        parent[x], length[x], ground[x] = np.int64(kept[k, 0]), kept[k, 1], kept[k, 2]
                if cut >= 0:
                    turn(parent, length, ground, chain, cut, a, costs[e, 0], costs[e, 1])
                    now, better = least, True
        if not better:
            break
