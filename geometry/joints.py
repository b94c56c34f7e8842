"""Joints: points of different ways that meet become one node, or nodes with short tubing between them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geometry.chainage import FloatArray, IntArray
from geometry.ways import JOINED_M


def joined(points: FloatArray, pairs: Sequence[tuple[int, int]]) -> tuple[IntArray, list[tuple[int, int]]]:
    """The node [P] of each point [P, 3], and the joints (pairs of nodes) between different nodes that meet.

    Points that `pairs` bring together, directly or through others, form a place: those within 1 cm are one
    node, the rest are tied by the shortest tree, so that tubing drops once past all heights. Nodes are
    numbered by their first point.
    """
    first = np.arange(len(points))
    ties: list[tuple[int, int]] = []
    for members in _groups(len(points), pairs):
        for length_m, a, b in _shortest_tree(points, members):
            if length_m <= JOINED_M:
                low, high = sorted((first[a], first[b]))
                first[first == high] = low
            else:
                ties.append((a, b))
    _, node = np.unique(first, return_inverse=True)
    return node, [(int(node[a]), int(node[b])) for a, b in ties]


def _groups(count: int, pairs: Sequence[tuple[int, int]]) -> list[list[int]]:
    """Points that belong together, groups of two or more, in order of first point."""
    a, b = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
    _, label = connected_components(coo_array((np.ones(len(a)), (a, b)), shape=(count, count)), directed=False)
    groups: dict[int, list[int]] = {}
    for point, group in enumerate(label.tolist()):
        groups.setdefault(group, []).append(point)
    return [members for members in groups.values() if len(members) > 1]


def _shortest_tree(points: FloatArray, members: Sequence[int]) -> Iterator[tuple[float, int, int]]:
    """Kruskal's tree over a few points: (length, point, point), shortest first, ties by number."""
    lengths = sorted(
        (round(float(np.linalg.norm(points[a] - points[b])), 9), a, b) for a in members for b in members if a < b
    )
    tree = {a: a for a in members}
    for length_m, a, b in lengths:
        if tree[a] != tree[b]:
            old, new = max(tree[a], tree[b]), min(tree[a], tree[b])
            tree = {point: new if root == old else root for point, root in tree.items()}
            yield length_m, a, b
