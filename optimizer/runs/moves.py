"""Moves of the compiled search: ruin and recreate, subtrees handed to another circuit, exchanges of ways.

Ruin and recreate after Schrimpf, Schneider, Stamm-Wilbrandt and Dueck (2000), J. Comput. Phys. 159,
139-171 (memory); exchanges of key paths as in local search for Steiner trees (Uchoa and Werneck 2010,
memory).
"""

from __future__ import annotations

import math

from optimizer.runs.compiled import Dice, jit, pick, uniform
from optimizer.runs.flat import Flat
from optimizer.runs.grow import Pending, grow, piece_between
from optimizer.runs.state import State, holds, lay, lift, remove, take, tree_path, trim

TWO_PLACES = 0.4  # share of ruins at two places, where there are several circuits
LEAN = 2.5  # factor on a circuit's distances at a place that it is to leave
TRIES = 8


@jit
def recreate(flat: Flat, state: State, pending: Pending, dice: Dice) -> bool:
    """Take up nozzles near one another, at one place or at two, and lead tubing to them anew.

    Two places let circuits that are full exchange nozzles; a leaning of each circuit for one place or the
    other makes them do so.
    """
    circuits = len(flat.pump)
    places = 2 if circuits > 1 and uniform(dice) < TWO_PLACES else 1
    count = 0
    for _ in range(places):
        before = count
        count = _ruin(flat, state, pending, pick(dice, len(flat.spot)), count, dice)
        for c in range(circuits):
            lean = LEAN if circuits > 1 and uniform(dice) < 1.0 / 3.0 else 1.0
            for i in range(before, count):
                pending.bias[c, pending.nozzle[i]] = lean * (1.0 + 0.3 * uniform(dice))
    return _regrow(flat, state, pending, count, dice)


@jit
def _ruin(flat: Flat, state: State, pending: Pending, centre: int, count: int, dice: Dice) -> int:
    """Take up some of the nozzles round a centre; returns the number of pending ones."""
    most = flat.neighbours.shape[1]
    size = min(most, int(2.0 * (most / 2.0) ** uniform(dice)))
    spread = 1.0 if uniform(dice) < 0.5 else 0.5
    for j in range(min(most, int(size / spread))):
        k = int(flat.neighbours[centre, j])
        if state.owner[k] >= 0 and (spread == 1.0 or uniform(dice) < spread):
            pending.last[k] = state.owner[k]
            take(flat, state, k)
            pending.nozzle[count] = k
            count += 1
    return count


@jit
def _regrow(flat: Flat, state: State, pending: Pending, count: int, dice: Dice) -> bool:
    """Lead tubing to pending nozzles in one of many ways."""
    price = pick(dice, 2)
    draw = uniform(dice)
    pull = 0.0 if draw < 0.4 else (0.2 if draw < 0.6 else (0.5 if draw < 0.8 else 1.0))
    noise = 0.4 * uniform(dice) if uniform(dice) < 0.5 else 0.0
    regret = len(flat.pump) > 1 and uniform(dice) < 0.3
    return grow(flat, state, pending, count, price, pull, noise, regret, dice)


@jit
def hand_over(flat: Flat, state: State, pending: Pending, dice: Dice) -> bool:
    """Give a subtree of one circuit to another, which gives up as many nozzles nearby if it is full."""
    k = pick(dice, len(flat.spot))
    a, b = int(state.owner[k]), pick(dice, len(flat.pump))
    if a == b or flat.may[b, k] == 0:
        return False
    length = tree_path(flat, state, a, flat.root[flat.pump[a]], flat.spot[k], pending.came, pending.path)
    if length == 0:
        return False
    cut = length - 1 - int(length * uniform(dice) ** 3)
    count = _subtree(flat, state, a, pending, pending.path[cut], cut)
    if count == 0:
        return False
    for c in range(len(flat.pump)):
        for i in range(count):
            pending.bias[c, pending.nozzle[i]] = (2.0 * LEAN if c == a else 1.0) * (1.0 + 0.3 * uniform(dice))
    given = count
    lack = count - state.room[b]
    for j in range(flat.neighbours.shape[1]):
        if lack <= 0:
            break
        other = int(flat.neighbours[k, j])
        if state.owner[other] == b:
            pending.last[other] = b
            take(flat, state, other)
            pending.nozzle[count] = other
            count += 1
            lack -= 1
    for i in range(given, count):
        for c in range(len(flat.pump)):
            pending.bias[c, pending.nozzle[i]] = (2.0 * LEAN if c == b else 1.0) * (1.0 + 0.3 * uniform(dice))
    return _regrow(flat, state, pending, count, dice)


@jit
def _subtree(flat: Flat, state: State, c: int, pending: Pending, cut: int, place: int) -> int:
    """Take up all beyond a piece of a path from the root; returns the number of nozzles, 0 where they are too many.

    place: of the piece in the path that pending.path holds.
    """
    here = flat.root[flat.pump[c]]
    for i in range(place):
        e = pending.path[i]
        here = flat.ends[e, 0] + flat.ends[e, 1] - here
    beyond = flat.ends[cut, 0] + flat.ends[cut, 1] - here
    remove(flat, state, c, cut)
    stack, top, count = pending.stack, 1, 0
    stack[0] = beyond
    while top > 0:
        top -= 1
        point = stack[top]
        k = flat.nozzle[point]
        if k >= 0 and state.owner[k] == c:
            if count == flat.neighbours.shape[1]:
                return 0
            pending.last[k] = c
            state.owner[k] = -1
            state.room[c] += 1
            pending.nozzle[count] = k
            count += 1
        for i in range(flat.around_from[point], flat.around_from[point + 1]):
            e = flat.around_piece[i]
            if state.flags[c, e]:
                remove(flat, state, c, e)
                stack[top] = flat.around_point[i]
                top += 1
    trim(flat, state, c, here)
    return count


@jit
def exchange(flat: Flat, state: State, pending: Pending, dice: Dice) -> bool:
    """Close a cycle in one circuit's tree with a way that it does not hold, and open it elsewhere."""
    c, gap = _gap(flat, state, dice)
    if gap < 0:
        return False
    price = pick(dice, 2)
    low, high = _stretch(flat, state, c, gap)
    start, end = flat.ends[low, 0], flat.ends[high, 1]
    if start == end:
        return False
    for side in range(2):
        point = start if side == 0 else end
        if not holds(flat, state, c, point) and not _tie(flat, state, c, point, low, high, price):
            return False
    count = tree_path(flat, state, c, start, end, pending.came, pending.path)
    for e in range(low, high + 1):
        lay(flat, state, c, e)
    if count == 0:
        return False
    draw = uniform(dice)
    if draw < 0.35:  # beside the way just closed
        at = min(count - 1, int(3 * uniform(dice)))
        cut = pending.path[at if uniform(dice) < 0.5 else count - 1 - at]
    elif draw < 0.75:  # the dearest of three
        cut, dearest = -1, -1.0
        for _ in range(3):
            e = pending.path[pick(dice, count)]
            if flat.price[price, e] > dearest:
                cut, dearest = e, flat.price[price, e]
    else:
        cut = pending.path[pick(dice, count)]
    lift(flat, state, c, cut)
    return True


@jit
def _gap(flat: Flat, state: State, dice: Dice) -> tuple[int, int]:
    """A circuit and a piece that its tree does not hold: beside one of its nozzles or anywhere."""
    beside = uniform(dice) < 0.6
    for _ in range(TRIES):
        if beside:
            k = pick(dice, len(flat.spot))
            c, spot = int(state.owner[k]), flat.spot[k]
            first = flat.around_from[spot]
            e = flat.around_piece[first + pick(dice, flat.around_from[spot + 1] - first)]
        else:
            c, e = pick(dice, len(flat.pump)), pick(dice, len(flat.ends))
        if not state.flags[c, e]:
            return c, int(e)
    return -1, -1


@jit
def _inside(flat: Flat, state: State, c: int, point: int) -> bool:
    """Whether the point lies inside a segment, off the circuit's tree."""
    return flat.out_from[point] == flat.out_from[point + 1] and state.degree[c, point] == 0


@jit
def _stretch(flat: Flat, state: State, c: int, e: int) -> tuple[int, int]:
    """First and last piece of the stretch of one segment round a piece that the tree does not hold."""
    low = high = e
    while _inside(flat, state, c, flat.ends[low, 0]):
        low -= 1
    while _inside(flat, state, c, flat.ends[high, 1]):
        high += 1
    return low, high


@jit
def _tie(flat: Flat, state: State, c: int, point: int, low: int, high: int, price: int) -> bool:
    """Lay the cheapest way from the tree to a point, unless it takes a piece of low .. high."""
    best, at = math.inf, -1
    for p in range(len(flat.nozzle)):
        if flat.distance[price, point, p] < best and holds(flat, state, c, p):
            best, at = flat.distance[price, point, p], p
    here, reached = point, False
    while at >= 0 and not reached:
        before = int(flat.before[price, at, here])
        e = piece_between(flat, before, here, price)
        if low <= e <= high:
            return False
        reached = holds(flat, state, c, before)
        lay(flat, state, c, e)
        here = before
    return reached
