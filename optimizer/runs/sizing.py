"""Least-cost tubing of a circuit's tree, compiled: labels of units from the dead ends to the root.

A unit has one size, so sizes change at junctions only. Labels of subtrees are remembered by hash, so that a
change of the tree costs the way from it to the root.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from optimizer.runs.compiled import jit
from optimizer.runs.flat import Flat, Floats, Ints
from optimizer.runs.hung import Hung, hang, new_hung
from optimizer.runs.labels import cheapest, extended, joined, step_of
from optimizer.runs.state import State, serves

ROOM = 96  # labels of a list in the search
SLOTS = 4096  # remembered lists
ROUNDING_PA = 1e-6  # what sums of floats may be off by when sizes are read back


class Sizing(NamedTuple):
    """Lists of labels and the memory of them.

    sizes: indices allowed; hung: scratch tree; need, cost: [units, room], counts: [units] labels at the start of
    each unit; below_*: likewise beyond its end; wanted: [units] 1 where labels are needed; spare_*: [3, room];
    inner, drop, price: [units, sizes] of the sizes allowed; memo_*: by slot.
    """

    sizes: Ints
    hung: Hung
    need: Floats
    cost: Floats
    counts: Ints
    below_need: Floats
    below_cost: Floats
    below_count: Ints
    wanted: Ints
    spare_need: Floats
    spare_cost: Floats
    inner: Floats
    drop: Floats
    price: Floats
    memo_hash: NDArray[np.uint64]
    memo_need: Floats
    memo_cost: Floats
    memo_count: Ints


def new_sizing(flat: Flat, sizes: tuple[int, ...], room: int = ROOM, slots: int = SLOTS) -> Sizing:
    """Room to size with these sizes. slots: 1 for a memory that is not wanted."""
    units = len(flat.way_start) + 1

    def lists(count: int) -> Floats:
        return np.zeros((count, room))

    return Sizing(
        sizes=np.array(sizes, dtype=np.int64),
        hung=new_hung(flat),
        need=lists(units),
        cost=lists(units),
        counts=np.zeros(units, dtype=np.int64),
        below_need=lists(units),
        below_cost=lists(units),
        below_count=np.zeros(units, dtype=np.int64),
        wanted=np.zeros(units, dtype=np.int64),
        spare_need=lists(3),
        spare_cost=lists(3),
        inner=np.zeros((units, len(sizes))),
        drop=np.zeros((units, len(sizes))),
        price=np.zeros((units, len(sizes))),
        memo_hash=np.zeros(slots, dtype=np.uint64),
        memo_need=lists(slots),
        memo_cost=lists(slots),
        memo_count=np.zeros(slots, dtype=np.int64),
    )


@jit
def label(flat: Flat, state: State, c: int, work: Sizing, units: int) -> int:
    """Labels at the start of every unit at the root, and of those below that were not remembered; returns the
    greatest number of labels met, above the room where a list was thinned."""
    hung, slots = work.hung, len(work.memo_hash)
    for u in range(units):
        parent = hung.parent[u]
        work.wanted[u] = 1
        if parent >= 0 and work.wanted[parent] != 2:
            work.wanted[u] = 0
            continue
        slot = int(hung.hash[u] % np.uint64(slots))
        if work.memo_hash[slot] == hung.hash[u]:
            n = work.memo_count[slot]
            work.counts[u] = n
            work.need[u, :n] = work.memo_need[slot, :n]
            work.cost[u, :n] = work.memo_cost[slot, :n]
        else:
            work.wanted[u] = 2
            work.below_count[u] = 0
    most = 0
    for u in range(units - 1, -1, -1):
        if work.wanted[u] == 2:
            most = max(most, _unit_labels(flat, state, c, work, u))
            if slots > 1:
                slot, n = int(hung.hash[u] % np.uint64(slots)), work.counts[u]
                work.memo_hash[slot], work.memo_count[slot] = hung.hash[u], n
                work.memo_need[slot, :n] = work.need[u, :n]
                work.memo_cost[slot, :n] = work.cost[u, :n]
        if work.wanted[u] and hung.parent[u] >= 0:
            most = max(most, _join_below(flat, work, hung.parent[u], u))
    return most


@jit
def _join_below(flat: Flat, work: Sizing, parent: int, u: int) -> int:
    """Add a unit's labels to those beyond its parent's end."""
    n, room = work.counts[u], work.need.shape[1]
    if work.below_count[parent] == 0:
        work.below_count[parent] = n
        work.below_need[parent, :n] = work.need[u, :n]
        work.below_cost[parent, :n] = work.cost[u, :n]
        return n
    old = work.below_count[parent]
    work.spare_need[0, :old] = work.below_need[parent, :old]
    work.spare_cost[0, :old] = work.below_cost[parent, :old]
    work.below_count[parent] = joined(
        work.spare_need[0], work.spare_cost[0], old, work.need[u], work.cost[u], n,
        work.below_need[parent], work.below_cost[parent],
        flat.limits[1], step_of(old + n, room, flat.limits[0], flat.limits[1]),
    )  # fmt: skip
    return old + n


@jit
def _unit_labels(flat: Flat, state: State, c: int, work: Sizing, u: int) -> int:
    """Labels at a unit's start from those beyond its end."""
    end, room, cap = work.hung.end[u], work.need.shape[1], flat.limits[1]
    below, below_cost, n = work.below_need[u], work.below_cost[u], work.below_count[u]
    if n == 0:
        below[0], below_cost[0], n = -math.inf, 0.0, 1
    if end >= 0 and serves(flat, state, c, end):
        skip = cheapest(below, n, flat.limits[0])
        for i in range(skip, n):
            below[i - skip], below_cost[i - skip] = max(below[i], flat.limits[0]), below_cost[i]
        n -= skip
    work.below_count[u] = n
    losses(flat, state, c, work, u)
    most, olds = 0, 0
    for d in range(len(work.sizes)):
        last = d == len(work.sizes) - 1
        need = work.need[u] if last else work.spare_need[1 + d % 2]
        cost = work.cost[u] if last else work.spare_cost[1 + d % 2]
        old, old_cost = work.spare_need[2 - d % 2], work.spare_cost[2 - d % 2]
        grid = step_of(olds + n, room, flat.limits[0], cap)
        most = max(most, olds + n)
        olds = extended(
            old, old_cost, olds, below, below_cost, n,
            work.inner[u, d], work.drop[u, d], work.price[u, d], need, cost, cap, grid,
        )  # fmt: skip
    work.counts[u] = olds
    return most


@jit
def losses(flat: Flat, state: State, c: int, work: Sizing, u: int) -> None:
    """In each size: pressure that a unit's own nozzles need at its start (inner), loss and rise to its end
    (drop), price.

    Pressure at a piece's end = pressure at its start - friction - minor losses - rho g rise.
    """
    hung, pump = work.hung, flat.pump[c]
    w, pieces, end = hung.way[u], hung.pieces[u], hung.end[u]
    forward = w % 2 == 0
    side, step = (0, 1) if forward else (1, -1)
    last = (flat.way_low[w] if forward else flat.way_high[w] - 1) + step * (pieces - 1)
    for d in range(len(work.sizes)):
        work.inner[u, d], work.drop[u, d], work.price[u, d] = -math.inf, 0.0, 0.0
    flow, e = hung.beyond[u], last
    for i in range(pieces - 1, -1, -1):  # from the end to the start, losses of what lies beyond summed up
        point = flat.ends[e, 1 - side]
        own = (i < pieces - 1 or end < 0) and serves(flat, state, c, point)
        if own:
            flow += flat.flow[pump, point]
        factor = _factor(flat, state, c, hung, u, i, e, side)
        place = flow * flat.per_unit
        knot = int(place)
        rise = flat.rise_pa[e] if forward else -flat.rise_pa[e]
        for d in range(len(work.sizes)):
            size = work.sizes[d]
            low = flat.gradient[size, knot]
            friction = low + (place - knot) * (flat.gradient[size, knot + 1] - low)
            loss = flat.length_m[e] * friction + factor * flat.minor_pa[size] * float(flow) ** 2 + rise
            inner = max(work.inner[u, d], flat.limits[0]) if own else work.inner[u, d]
            work.inner[u, d] = inner + loss
            work.drop[u, d] += loss
            work.price[u, d] += flat.length_m[e] * flat.cost_per_m[size]
        e -= step


@jit
def _factor(flat: Flat, state: State, c: int, hung: Hung, u: int, i: int, e: int, side: int) -> float:
    """Loss factor of a unit's i-th piece: the fitting at its start, the elbow under a last nozzle."""
    factor = flat.k[1] if i == hung.pieces[u] - 1 and hung.kids[u] == 0 else 0.0
    if i == 0:
        first = hung.first[u]
        return factor + (0.0 if first == 1 else flat.k[first - 1 if first > 0 else 0])
    tee = serves(flat, state, c, flat.ends[e, side])
    return factor + (flat.k_tee[side, e] if tee else flat.k_alone[side, e])


@jit
def supply_pa(flat: Flat, pump: int, flow: int) -> float:
    """Pressure at the pump's outlet point, on the chord of its table."""
    place = flow * flat.per_unit
    knot = int(place)
    low = flat.supply[pump, knot]
    return low + (place - knot) * (flat.supply[pump, knot + 1] - low)


@jit
def sized(flat: Flat, state: State, c: int, work: Sizing, size: Ints) -> float:
    """Write the size of each piece of the circuit's tree at least cost into size: [E]; returns that cost.

    The tree must be one that can be fed. work must hold no memory, so that the labels of all units are known.
    """
    hung = work.hung
    units = hang(flat, state, c, hung)
    label(flat, state, c, work, units)
    flow, total = 0, 0.0
    for u in range(units):
        flow += hung.flow[u] if hung.parent[u] < 0 else 0
    left = np.zeros(units)
    for u in range(units):
        pressure = supply_pa(flat, flat.pump[c], flow) if hung.parent[u] < 0 else left[hung.parent[u]]
        d = _choice(work, u, pressure)
        left[u] = pressure - work.drop[u, d]
        total += work.price[u, d]
        w = hung.way[u]
        e, step = (flat.way_low[w], 1) if w % 2 == 0 else (flat.way_high[w] - 1, -1)
        for _ in range(hung.pieces[u]):
            size[e] = work.sizes[d]
            e += step
    return total


@jit
def _choice(work: Sizing, u: int, pressure: float) -> int:
    """Place in the sizes allowed of the one that feeds a unit and all beyond it at least cost."""
    best, best_cost, best_short = 0, math.inf, math.inf
    for d in range(len(work.sizes)):
        left = pressure - work.drop[u, d] + ROUNDING_PA
        i = cheapest(work.below_need[u], work.below_count[u], left)
        short = max(0.0, work.below_need[u, i] - left, work.inner[u, d] - pressure - ROUNDING_PA)
        price = work.below_cost[u, i] + work.price[u, d]
        if short < best_short or (short == best_short and price < best_cost):
            best, best_cost, best_short = d, price, short
    return best
