"""Sets of candidates as sparse matrices and marks."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import scipy.sparse as sp

from optimizer.placement.problem import BoolArray, IntArray, Window


def membership(windows: tuple[Window, ...], candidates: int) -> sp.csr_array:
    """[windows, candidates] of ones where a candidate lies in a window."""
    indices = np.array([j for window in windows for j in window], dtype=np.int64)
    start = np.cumsum([0, *(len(window) for window in windows)])
    ones = np.ones(len(indices), dtype=np.int64)
    return sp.csr_array((ones, indices, start), shape=(len(windows), candidates))


def row_of(matrix: sp.csr_array | sp.csc_array, index: int) -> IntArray:
    start, end = matrix.indptr[index : index + 2]
    return np.asarray(matrix.indices[start:end], dtype=np.int64)


def marked(members: Iterable[int], candidates: int) -> BoolArray:
    marked = np.zeros(candidates, dtype=bool)
    marked[list(members)] = True
    return marked
