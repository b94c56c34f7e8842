"""Least spacing where lines meet, face each other or bend: windows of positions close in plan that mist common ground.

Along a line chainage says what is too close (`windows`); here the straight distance does, between nozzles of
different lines and round the corners of one, where their footprints share ground.
"""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from scipy.spatial import KDTree

from optimizer.placement.problem import TOLERANCE_M, FloatArray, IntArray, Window


def crossing_windows(
    xy_m: FloatArray, incidence: sp.csr_array, along: tuple[Window, ...], least_m: float
) -> tuple[Window, ...]:
    """Sets of two or more candidates that all lie closer than `least_m` to one another and hold a pair that no
    window of `along` holds and whose footprints share a cell.

    xy_m [J, 2]; incidence [C, J]; along: windows of least spacing along lines. Every such pair is in some window.
    """
    count = len(xy_m)
    known = _pairs_of(along, count)
    pairs = KDTree(xy_m).query_pairs(least_m - 2.0 * TOLERANCE_M, output_type="ndarray").astype(np.int64)
    pairs = pairs[np.asarray(known[pairs[:, 0], pairs[:, 1]]).ravel() == 0] if len(pairs) else pairs
    pairs = pairs[_share_ground(incidence, pairs)]
    close = [set(known.indices[known.indptr[j] : known.indptr[j + 1]].tolist()) for j in range(count)]
    for i, j in pairs.tolist():
        close[i].add(j)
        close[j].add(i)
    return _cliques(sorted((min(pair), max(pair)) for pair in pairs.tolist()), close)


def _pairs_of(windows: tuple[Window, ...], count: int) -> sp.csr_array:
    """[J, J], symmetric, above 0 where some window holds both."""
    rows = np.repeat(np.arange(len(windows)), [len(window) for window in windows])
    members = np.array([j for window in windows for j in window], dtype=np.int64)
    held = sp.csr_array((np.ones(len(members), dtype=np.int64), (rows, members)), shape=(len(windows), count))
    pairs = sp.csr_array(held.T @ held)
    pairs.setdiag(0)
    pairs.eliminate_zeros()
    return pairs


def _share_ground(incidence: sp.csr_array, pairs: IntArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    if not len(pairs):
        return np.zeros(0, dtype=bool)
    columns = sp.csc_array(incidence)
    common = columns[:, pairs[:, 0]].multiply(columns[:, pairs[:, 1]])
    return np.asarray(common.sum(axis=0)).ravel() > 0


def _cliques(pairs: list[tuple[int, int]], close: list[set[int]]) -> tuple[Window, ...]:
    """Sets of mutually close candidates that together hold every pair, each as large as it grows in order."""
    held: set[tuple[int, int]] = set()
    cliques: list[Window] = []
    for i, j in pairs:
        if (i, j) in held:
            continue
        clique, common = [i, j], close[i] & close[j]
        while common:
            grown = min(common)
            clique.append(grown)
            common &= close[grown]
        members = sorted(clique)
        held.update((a, b) for k, a in enumerate(members) for b in members[k + 1 :])
        cliques.append(tuple(members))
    return tuple(sorted(set(cliques)))
