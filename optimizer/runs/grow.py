"""Leading tubing to nozzles: the nearest nozzle next, along the cheapest way to a tree that has room for it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from optimizer.runs.compiled import Dice, jit, uniform
from optimizer.runs.flat import Flat, Floats, Ints
from optimizer.runs.state import State, give, holds, lay

TRIED_MOST = 8  # points of a tree, from the nearest on, that may be where a way begins
FAR = 3.0  # a circuit so many times further than another is not thought of


class Pending(NamedTuple):
    """Nozzles that nobody feeds yet. nozzle: [K]; last: [K] circuit that fed each last; bias: [C, K] factor on a
    circuit's distance, by nozzle (inf bars it); near, at: [C, K] price to the circuit's tree and the point
    there, by place in nozzle; depth: [C, P] price of the way from the root; stack, path, came: [P] scratch."""

    nozzle: Ints
    last: Ints
    bias: Floats
    near: Floats
    at: Ints
    depth: Floats
    stack: Ints
    path: Ints
    came: Ints


def new_pending(flat: Flat) -> Pending:
    """Room for all nozzles."""
    circuits, nozzles, points = len(flat.pump), len(flat.spot), len(flat.nozzle)
    shape = (circuits, nozzles)
    return Pending(
        nozzle=np.zeros(nozzles, dtype=np.int64),
        last=np.zeros(nozzles, dtype=np.int64),
        bias=np.ones(shape),
        near=np.zeros(shape),
        at=np.zeros(shape, dtype=np.int64),
        depth=np.zeros((circuits, points)),
        stack=np.zeros(points + 1, dtype=np.int64),
        path=np.zeros(points + 1, dtype=np.int64),
        came=np.zeros(points + 1, dtype=np.int64),
    )


@jit
def grow(
    flat: Flat, state: State, pending: Pending, count: int, price: int, pull: float, noise: float, regret: bool,
    dice: Dice,
) -> bool:  # fmt: skip
    """Feed the pending nozzles, one after the other, from circuits of their group that have room.

    Next is the nozzle nearest to a tree, or with `regret` the one that would lose most by its second best
    circuit. price: which price of pieces; pull: share of the way from the root that counts as well; noise:
    prices are raised at random by up to this share. False where a nozzle is left that no circuit can take;
    the forest is then half grown.
    """
    circuits = len(flat.pump)
    for c in range(circuits):
        if state.room[c] > 0 and pull > 0.0:
            _deepen(flat, state, c, pending, price)
    for i in range(count):
        pending.near[:, i] = math.inf
        best = math.inf
        for turn in range(circuits):  # from the circuit that fed it last, most likely the nearest
            c = (pending.last[pending.nozzle[i]] + turn) % circuits
            if state.room[c] > 0:
                _seek(flat, state, c, pending, i, price, pull, noise, FAR * best, dice)
                best = min(best, pending.near[c, i])
    for _ in range(count):
        c, i = _next(pending, circuits, count, regret)
        if i < 0:
            return False
        fresh = _lead(flat, state, c, pending, i, price)
        give(flat, state, pending.nozzle[i], c)
        pending.near[:, i] = math.inf
        pending.nozzle[i] = -1
        if state.room[c] <= 0:
            pending.near[c, :count] = math.inf
        else:
            _approach(flat, c, pending, count, fresh, price, pull, noise, dice)
    return True


@jit
def _deepen(flat: Flat, state: State, c: int, pending: Pending, price: int) -> None:
    """Price of the way from the root to every point of the circuit's tree."""
    root = flat.root[flat.pump[c]]
    depth, stack = pending.depth, pending.stack
    depth[c, root] = 0.0
    stack[0] = root
    pending.came[root] = -1
    top = 1
    while top > 0:
        top -= 1
        here = stack[top]
        for i in range(flat.around_from[here], flat.around_from[here + 1]):
            e = flat.around_piece[i]
            if state.flags[c, e] and e != pending.came[here]:
                beyond = flat.around_point[i]
                depth[c, beyond] = depth[c, here] + flat.price[price, e]
                pending.came[beyond] = e
                stack[top] = beyond
                top += 1


@jit
def _seek(
    flat: Flat, state: State, c: int, pending: Pending, i: int, price: int, pull: float, noise: float,
    reach: float, dice: Dice,
) -> None:  # fmt: skip
    """The nearest point of the circuit's tree to a pending nozzle, within reach."""
    k = pending.nozzle[i]
    bias = pending.bias[c, k]
    if flat.may[c, k] == 0 or bias == math.inf:
        return
    root, degree = flat.root[flat.pump[c]], state.degree[c]
    points, prices = flat.nearest[price, k], flat.near_price[price, k]
    best, at, tried = reach / bias, -1, 0
    for j in range(len(points)):
        value = prices[j]
        if value >= best or tried == TRIED_MOST:
            break
        point = int(points[j])
        if degree[point] == 0 and point != root:
            continue
        tried += 1
        if pull > 0.0:
            value += pull * pending.depth[c, point]
        if noise > 0.0:
            value *= 1.0 + noise * uniform(dice)
        if value < best:
            best, at = value, point
        if pull == 0.0 and noise == 0.0:
            break
    if at >= 0:
        pending.near[c, i], pending.at[c, i] = best * bias, at


@jit
def _next(pending: Pending, circuits: int, count: int, regret: bool) -> tuple[int, int]:
    """Circuit and pending nozzle to serve next; -1 where none can be."""
    best_c, best_i = -1, -1
    best, loss = math.inf, -1.0
    for i in range(count):
        first, second, chosen = math.inf, math.inf, -1
        for c in range(circuits):
            value = pending.near[c, i]
            if value < first:
                first, second, chosen = value, first, c
            elif value < second:
                second = value
        if chosen < 0:
            continue
        if regret:
            if second - first > loss or (second == math.inf and loss < math.inf):
                loss, best_c, best_i = second - first, chosen, i
        elif first < best:
            best, best_c, best_i = first, chosen, i
    return best_c, best_i


@jit
def _lead(flat: Flat, state: State, c: int, pending: Pending, i: int, price: int) -> int:
    """Lay the way from the tree to a pending nozzle; returns the number of fresh points, which stack then holds."""
    at, here = pending.at[c, i], flat.spot[pending.nozzle[i]]
    stack, path = pending.stack, pending.path
    count = 0
    while not holds(flat, state, c, here):
        before = int(flat.before[price, at, here])
        e = piece_between(flat, before, here, price)
        stack[count], path[count] = here, e
        count += 1
        here = before
    for j in range(count - 1, -1, -1):
        pending.depth[c, stack[j]] = pending.depth[c, here] + flat.price[price, path[j]]
        here = stack[j]
        lay(flat, state, c, path[j])
    return count


@jit
def piece_between(flat: Flat, one: int, other: int, price: int) -> int:
    """The cheapest piece between two neighbouring points."""
    best, found = math.inf, -1
    for i in range(flat.around_from[one], flat.around_from[one + 1]):
        e = flat.around_piece[i]
        if flat.around_point[i] == other and flat.price[price, e] < best:
            best, found = flat.price[price, e], e
    return found


@jit
def _approach(
    flat: Flat, c: int, pending: Pending, count: int, fresh: int, price: int, pull: float, noise: float, dice: Dice
) -> None:
    """Take note of fresh points of a tree that are nearer to pending nozzles than those known."""
    for i in range(count):
        k = pending.nozzle[i]
        if k < 0 or flat.may[c, k] == 0 or pending.bias[c, k] == math.inf:
            continue
        bias = pending.bias[c, k]
        for j in range(fresh):
            point = pending.stack[j]
            value = flat.distance[price, flat.spot[k], point]
            if pull > 0.0:
                value += pull * pending.depth[c, point]
            value *= bias
            if noise > 0.0:
                value *= 1.0 + noise * uniform(dice)
            if value < pending.near[c, i]:
                pending.near[c, i], pending.at[c, i] = value, point
