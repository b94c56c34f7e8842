"""Linear equations of a network, solved by taking out one node after the other: compiled.

    sum over links of g (x_i - x_j) + ground_i x_i = right_i        at every node i, g > 0, ground >= 0

A node with d neighbours is replaced by d (d - 1) / 2 links between these (star to mesh), which subtracts nothing, so
that wide and narrow, long and short tubing may stand side by side (Grassmann, Taksar and Heyman 1985 for Markov
chains, memory). Taking the node with the fewest neighbours first (minimum degree) leaves tubing that is nearly a tree
with hardly any new links: rows fold from their ends, loops one tube at a time. What is taken out when, and which links
that touches, is planned once a network.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hydraulics.compiled import jit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Plan(NamedTuple):
    """In which order nodes go, and what that touches.

    order: [N], the kept nodes last; edge_of: [L] the edge that each link is part of (parallel links share one); edges:
    how many there are, new ones included. The node at place s of the order touches the slots first[s] ..
    first[s + 1] - 1: edge: [slots] and other: [slots], the neighbour that it leads to; its pairs of slots, in the order
    (0, 1), (0, 2) .. (1, 2) .., meet in the edges pair[pair_first[s]] and following.
    """

    order: Ints
    edge_of: Ints
    edges: int
    first: Ints
    edge: Ints
    other: Ints
    pair_first: Ints
    pair: Ints


def plan(count: int, from_node: Ints, to_node: Ints, kept: Ints) -> Plan:
    """The plan for a network of count nodes and links [L] between different nodes; kept: nodes that go last."""
    low, high = np.minimum(from_node, to_node), np.maximum(from_node, to_node)
    key, edge_of = np.unique(low * count + high, return_inverse=True)
    order, first, edge, other, pair_first, pair, edges = _planned(count, key // count, key % count, kept)
    return Plan(order, edge_of.astype(np.int64), edges, first, edge, other, pair_first, pair)


@jit
def fold(plan: Plan, conductance: Floats, ground: Floats, right: Floats, keep: int) -> None:
    """Take all but the last keep nodes of the order out, in place.

    conductance: [edges], ground and right: [N]. What is left of the three holds for the nodes kept.
    """
    order, first, edge, other, pair_first, pair = (
        plan.order, plan.first, plan.edge, plan.other, plan.pair_first, plan.pair)
    for s in range(len(order) - keep):
        node, at = order[s], pair_first[s]
        total = ground[node]
        for i in range(first[s], first[s + 1]):
            total += conductance[edge[i]]
        for i in range(first[s], first[s + 1]):
            share = conductance[edge[i]] / total
            ground[other[i]] += share * ground[node]
            right[other[i]] += share * right[node]
            for j in range(i + 1, first[s + 1]):
                conductance[pair[at]] += share * conductance[edge[j]]
                at += 1


@jit
def unfold(plan: Plan, conductance: Floats, ground: Floats, right: Floats, x: Floats, keep: int) -> None:
    """Put x of the nodes that `fold` took out in, in place, from x of those kept."""
    for s in range(len(plan.order) - keep - 1, -1, -1):
        node = plan.order[s]
        total, flow = ground[node], right[node]
        for i in range(plan.first[s], plan.first[s + 1]):
            g = conductance[plan.edge[i]]
            total += g
            flow += g * x[plan.other[i]]
        x[node] = flow / total


def kept_matrix(plan: Plan, conductance: Floats, ground: Floats, keep: int) -> Floats:
    """The equations between the kept nodes after `fold`: [keep, keep], in the order in which they go."""
    start = len(plan.order) - keep
    place = {int(node): i for i, node in enumerate(plan.order[start:])}
    matrix = np.diag(ground[plan.order[start:]])
    for i in range(keep):
        for slot in range(int(plan.first[start + i]), int(plan.first[start + i + 1])):
            j, g = place[int(plan.other[slot])], conductance[plan.edge[slot]]
            matrix[[i, j], [i, j]] += g
            matrix[[i, j], [j, i]] -= g
    return matrix


@jit
def _longer(array: Ints, least: int) -> Ints:
    """The array, or a copy with room for at least so many items and half as many again."""
    if len(array) >= least:
        return array
    grown = np.empty(least + least // 2, dtype=np.int64)
    grown[: len(array)] = array
    return grown


@jit
def _planned(count: int, low: Ints, high: Ints, kept: Ints) -> tuple[Ints, Ints, Ints, Ints, Ints, Ints, int]:
    """The plan's arrays, from edges that each join another pair of nodes.

    Half-edges 2 e and 2 e + 1 of edge e lead to its two ends; every node has a chain of its own half-edges, and every
    degree a chain of the nodes that have it.
    """
    edges = len(low)
    ends = np.empty(2 * edges, dtype=np.int64)
    onward = np.empty(2 * edges, dtype=np.int64)
    head = np.full(count, -1, dtype=np.int64)
    degree = np.zeros(count, dtype=np.int64)
    for e in range(edges):
        for half, start, end in ((2 * e, low[e], high[e]), (2 * e + 1, high[e], low[e])):
            ends[half], onward[half], head[start] = end, head[start], half
            degree[start] += 1
    last = np.zeros(count, dtype=np.bool_)
    for node in kept:
        last[node] = True
    of_degree = np.full(count + 1, -1, dtype=np.int64)
    after, before = np.full(count, -1, dtype=np.int64), np.full(count, -1, dtype=np.int64)
    for node in range(count - 1, -1, -1):
        if not last[node]:
            _enter(node, degree[node], of_degree, after, before)
    gone = np.zeros(count, dtype=np.bool_)
    seen, by = np.full(count, -1, dtype=np.int64), np.empty(count, dtype=np.int64)
    order, first, pair_first = np.empty(count, np.int64), np.zeros(count + 1, np.int64), np.zeros(count + 1, np.int64)
    edge, other, pair = np.empty(2 * edges, np.int64), np.empty(2 * edges, np.int64), np.empty(2 * edges, np.int64)
    lowest, looks = 0, 0
    for s in range(count):
        if s < count - len(kept):
            lowest = max(lowest - 1, 0)
            while of_degree[lowest] < 0:
                lowest += 1
            node = of_degree[lowest]
            _leave(node, degree[node], of_degree, after, before)
        else:
            node = kept[s - (count - len(kept))]
        order[s], gone[node] = node, True
        at, pairs = first[s], pair_first[s]
        half = head[node]
        edge, other = _longer(edge, at + degree[node]), _longer(other, at + degree[node])
        while half >= 0:
            if not gone[ends[half]]:
                edge[at], other[at] = half // 2, ends[half]
                at += 1
            half = onward[half]
        first[s + 1] = at
        pair = _longer(pair, pairs + (at - first[s]) * (at - first[s] - 1) // 2)
        for i in range(first[s], at):
            here = other[i]
            if not last[here]:
                _leave(here, degree[here], of_degree, after, before)
            degree[here] -= 1
            if i + 1 < at:
                looks += 1
                _look(here, looks, head, ends, onward, gone, seen, by)
                for j in range(i + 1, at):
                    there = other[j]
                    if seen[there] != looks:  # no edge joins them so far
                        ends, onward = _longer(ends, 2 * edges + 2), _longer(onward, 2 * edges + 2)
                        ends[2 * edges], onward[2 * edges], head[here] = there, head[here], 2 * edges
                        ends[2 * edges + 1], onward[2 * edges + 1], head[there] = here, head[there], 2 * edges + 1
                        by[there] = edges
                        degree[here] += 1
                        if not last[there]:
                            _leave(there, degree[there], of_degree, after, before)
                            _enter(there, degree[there] + 1, of_degree, after, before)
                        degree[there] += 1
                        edges += 1
                    pair[pairs] = by[there]
                    pairs += 1
            if not last[here]:
                _enter(here, degree[here], of_degree, after, before)
        pair_first[s + 1] = pairs
    return order, first, edge[: first[count]], other[: first[count]], pair_first, pair[: pair_first[count]], edges


@jit
def _look(
    node: int, look: int, head: Ints, ends: Ints, onward: Ints, gone: NDArray[np.bool_], seen: Ints, by: Ints
) -> None:
    """Note which neighbours a node has and by which edges, and drop those that are gone from its chain."""
    previous, half = -1, head[node]
    while half >= 0:
        if gone[ends[half]]:
            if previous < 0:
                head[node] = onward[half]
            else:
                onward[previous] = onward[half]
        else:
            seen[ends[half]], by[ends[half]] = look, half // 2
            previous = half
        half = onward[half]


@jit
def _enter(node: int, degree: int, of_degree: Ints, after: Ints, before: Ints) -> None:
    """Put a node at the head of the chain of a degree."""
    following = of_degree[degree]
    after[node], before[node], of_degree[degree] = following, -1, node
    if following >= 0:
        before[following] = node


@jit
def _leave(node: int, degree: int, of_degree: Ints, after: Ints, before: Ints) -> None:
    """Take a node out of the chain of its degree."""
    if before[node] < 0:
        of_degree[degree] = after[node]
    else:
        after[before[node]] = after[node]
    if after[node] >= 0:
        before[after[node]] = before[node]
