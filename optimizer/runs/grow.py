"""Leading tubing to nozzles: the nearest nozzle next, along the cheapest way to a tree that has room for
it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.runs.distances import Distances
from optimizer.runs.forest import Forest


def grow(
    forest: Forest,
    pending: list[int],
    distances: Distances,
    bias: NDArray[np.float64] | None = None,
    regret: bool = False,
    owner: list[int] | None = None,
    pull: float = 0.0,
) -> bool:
    """Feed the pending nozzles, one after the other, from circuits of their group that have room.

    Next is the nozzle nearest to a tree, or with `regret` the one that would lose most by its second best
    circuit. bias: [circuits, pending] factors on the distances; owner: by nozzle, the only circuit to
    take it. False where a nozzle is left that no circuit can take; the forest is then half grown.
    """
    circuits = forest.prepared.problem.circuits
    spots = np.array([forest.prepared.spot[k] for k in pending], dtype=np.int64)
    near = np.full((len(circuits), len(pending)), np.inf)
    at = np.zeros(near.shape, dtype=np.int64)
    factor = np.ones(near.shape) if bias is None else bias
    depth: list[dict[int, float]] = [{} for _ in circuits]
    barred = _barred(forest, pending, owner)
    for c in range(len(circuits)):
        if forest.room[c] > 0 and not barred[c].all():
            depth[c] = (
                forest.depth(c, distances.weight) if pull > 0.0 else dict.fromkeys(forest.points(c), 0.0)
            )
            _approach(near, at, c, depth[c], spots, distances, factor, pull)
    near[barred] = np.inf
    for _ in pending:
        c, i = _next(near, regret)
        if not np.isfinite(near[c, i]):
            return False
        way = _outside(forest, c, int(spots[i]), distances.way(int(at[c, i]), int(spots[i])))
        fresh = _deeper(forest, depth[c], int(spots[i]), way, distances)
        forest.lay(c, way)
        forest.give(pending[i], c)
        near[:, i] = np.inf
        barred[:, i] = True
        if forest.room[c] == 0:
            near[c] = np.inf
            barred[c] = True
        elif way:
            _approach(near, at, c, fresh, spots, distances, factor, pull)
            near[barred] = np.inf
    return True


def _barred(forest: Forest, pending: list[int], owner: list[int] | None) -> NDArray[np.bool_]:
    """[circuits, pending] whether the circuit must not take the nozzle."""
    may_feed = forest.prepared.may_feed
    barred = np.array(
        [[room <= 0 or not may[k] for k in pending] for room, may in zip(forest.room, may_feed, strict=True)]
    )
    if owner is not None:
        barred |= np.arange(len(may_feed))[:, None] != np.array([owner[k] for k in pending])
    return barred


def _approach(
    near: NDArray[np.float64],
    at: NDArray[np.int64],
    circuit: int,
    depth: dict[int, float],
    spots: NDArray[np.int64],
    distances: Distances,
    factor: NDArray[np.float64],
    pull: float,
) -> None:
    """Take note of the points of a tree that are nearer to the pending nozzles than those known."""
    points = np.fromiter(depth, dtype=np.int64, count=len(depth))
    cost = distances.cost[np.ix_(points, spots)]
    if pull > 0.0:
        cost = cost + pull * np.fromiter(depth.values(), dtype=np.float64, count=len(depth))[:, None]
    best = cost.argmin(axis=0)
    value = cost[best, np.arange(len(spots))] * factor[circuit]
    closer = value < near[circuit]
    near[circuit, closer] = value[closer]
    at[circuit, closer] = points[best[closer]]


def _outside(forest: Forest, circuit: int, end: int, way: list[int]) -> list[int]:
    """The last part of a way, from its end back to the first point that the circuit's tree holds
    already."""
    outside = []
    for e in way:
        if forest.holds(circuit, end):
            break
        outside.append(e)
        a, b = forest.prepared.segments.ends[e]
        end = b if a == end else a
    return outside


def _deeper(
    forest: Forest, depth: dict[int, float], end: int, way: list[int], distances: Distances
) -> dict[int, float]:
    """Points of a way (pieces from its end back to a tree), with the weight of their way from the pump."""
    points = [end]
    for e in way:
        a, b = forest.prepared.segments.ends[e]
        points.append(b if a == points[-1] else a)
    fresh, here = {}, depth[points.pop()]
    for e, point in zip(reversed(way), reversed(points), strict=True):
        here += distances.weight[e]
        fresh[point] = depth[point] = here
    return fresh


def _next(near: NDArray[np.float64], regret: bool) -> tuple[int, int]:
    if regret and len(near) > 1:
        ordered = np.partition(near, 1, axis=0)
        left = np.isfinite(ordered[0])
        if left.any():
            loss = np.where(left, ordered[1] - np.where(left, ordered[0], 0.0), -1.0)
            i = int(loss.argmax())
            return int(near[:, i].argmin()), i
    c, i = divmod(int(near.argmin()), near.shape[1])
    return c, i
