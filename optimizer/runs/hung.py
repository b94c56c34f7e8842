"""One circuit's tree hung from its root: units, their flows, and a number that tells equal subtrees.

A unit is the part of a segment that one tube feeds from one end (trees.py says the same for plans).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from optimizer.runs.compiled import jit
from optimizer.runs.flat import Flat, Floats, Ints
from optimizer.runs.state import State, serves

_MIX = np.uint64(0x9E3779B97F4A7C15)


class Hung(NamedTuple):
    """Units of one tree, parents before children; every array by unit, longer than needed.

    way, pieces, parent (-1 at the root), end (junction at its end, -1 at a dead end inside a segment); kids:
    units that it feeds; first: 0 entrance, 1 straight, 2 elbow, 3 tee run, 4 tee branch at its start; flow:
    at its start, beyond: what leaves its end, flow units; nozzles: on it; depth_m: tubing from the root to
    its end; hash: of the unit with all that it feeds; run; stack: scratch.
    """

    way: Ints
    pieces: Ints
    parent: Ints
    end: Ints
    kids: Ints
    first: Ints
    flow: Ints
    beyond: Ints
    nozzles: Ints
    depth_m: Floats
    hash: NDArray[np.uint64]
    run: Ints
    stack: Ints


def new_hung(flat: Flat) -> Hung:
    """Room for a tree."""
    ways = len(flat.way_start) + 1
    arrays = {name: np.zeros(ways, dtype=np.int64) for name in Hung._fields}
    arrays["stack"] = np.zeros(3 * ways, dtype=np.int64)
    return Hung(**{**arrays, "depth_m": np.zeros(ways), "hash": np.zeros(ways, dtype=np.uint64)})  # type: ignore[arg-type]


@jit
def hang(flat: Flat, state: State, c: int, hung: Hung) -> int:
    """Hang the circuit's tree; returns the number of units."""
    count = _units(flat, state, c, hung)
    _starts(flat, state, c, hung, count)
    _sums(flat, state, c, hung, count)
    return count


@jit
def _units(flat: Flat, state: State, c: int, hung: Hung) -> int:
    """Units by a walk from the root: way, pieces, parent, end, kids, depth."""
    stack = hung.stack
    stack[0], stack[1], stack[2] = flat.root[flat.pump[c]], -1, -1
    top, count = 1, 0
    while top > 0:
        top -= 1
        junction, parent, came = stack[3 * top], stack[3 * top + 1], stack[3 * top + 2]
        depth = hung.depth_m[parent] if parent >= 0 else 0.0
        for i in range(flat.out_from[junction], flat.out_from[junction + 1]):
            w = flat.out_way[i]
            if w == came:
                continue
            low, high = flat.way_low[w], flat.way_high[w]
            e, step = (low, 1) if w % 2 == 0 else (high - 1, -1)
            pieces, length = 0, 0.0
            while pieces < high - low and state.flags[c, e]:
                length += flat.length_m[e]
                pieces += 1
                e += step
            if pieces == 0:
                continue
            hung.way[count], hung.pieces[count], hung.parent[count] = w, pieces, parent
            hung.depth_m[count] = depth + length
            hung.kids[count] = 0
            hung.end[count] = -1
            if parent >= 0:
                hung.kids[parent] += 1
            if pieces == high - low:
                end = flat.way_end[w]
                hung.end[count] = end
                stack[3 * top], stack[3 * top + 1], stack[3 * top + 2] = end, count, w ^ 1
                top += 1
            count += 1
    return count


@jit
def _starts(flat: Flat, state: State, c: int, hung: Hung, count: int) -> None:
    """The fitting at the start of each unit."""
    for u in range(count):
        parent = hung.parent[u]
        if parent < 0:
            hung.first[u] = 0
            continue
        bend = flat.bend[hung.way[parent], hung.way[u]]
        if hung.kids[parent] + serves(flat, state, c, hung.end[parent]) < 2:
            hung.first[u] = 1 if bend == 0 else 2
        else:
            hung.first[u] = 3 if bend < 2 else 4


@jit
def _sums(flat: Flat, state: State, c: int, hung: Hung, count: int) -> None:
    """Flows, nozzles and hashes, from the dead ends to the root."""
    pump = flat.pump[c]
    for u in range(count):
        hung.beyond[u] = 0
        hung.hash[u] = np.uint64(0)
    for u in range(count - 1, -1, -1):
        end, w, pieces = hung.end[u], hung.way[u], hung.pieces[u]
        nozzles = 0
        beyond_hash = hung.hash[u]
        if end >= 0 and serves(flat, state, c, end):
            nozzles = 1
            hung.beyond[u] += flat.flow[pump, end]
            beyond_hash += _MIX
        flow, bits = hung.beyond[u], np.uint64(1)
        e, step = (flat.way_low[w], 1) if w % 2 == 0 else (flat.way_high[w] - 1, -1)
        side = 1 if w % 2 == 0 else 0
        inner = pieces if end < 0 else pieces - 1
        for _ in range(inner):
            k = flat.nozzle[flat.ends[e, side]]
            bits *= np.uint64(3)
            if k >= 0 and state.owner[k] == c:
                flow += flat.flow[pump, flat.spot[k]]
                bits += np.uint64(1)
                nozzles += 1
            e += step
        hung.flow[u], hung.nozzles[u] = flow, nozzles
        key = mixed(mixed(beyond_hash ^ bits) + np.uint64(w * 8 + hung.first[u]))
        key = mixed(key + np.uint64(pieces * 64 + pump))
        hung.hash[u] = key
        if hung.parent[u] >= 0:
            hung.beyond[hung.parent[u]] += flow
            hung.hash[hung.parent[u]] += key


@jit
def mixed(x: np.uint64) -> np.uint64:
    """Every bit of x spread over all bits (the finaliser of splitmix64)."""
    x ^= x >> np.uint64(30)
    x *= np.uint64(0xBF58476D1CE4E5B9)
    x ^= x >> np.uint64(27)
    x *= np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))
