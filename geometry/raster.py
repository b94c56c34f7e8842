"""Which points of a square grid lie in which shapes, as spans along the grid's rows: the even-odd rule in numpy.

A point on an edge lies in the shape on its right, or above where the edge is level, so that shapes that share an edge
share no point. Points are numbered row by row.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_array

from geometry.chainage import FloatArray, IntArray
from geometry.sight import Shapes

Signatures = NDArray[np.uint64]

KEY_SEED = 20_259
"""Shapes draw the same keys each time."""


@dataclass(frozen=True)
class Grid:
    """Points every `step_m` metres: `rows` of `columns` each, the first at `x_m`, `y_m`."""

    x_m: float
    y_m: float
    step_m: float
    rows: int
    columns: int


@dataclass(frozen=True, eq=False)
class Spans:
    """Points `first` to before `past` of one row lie in shape number `shape`, [S] of each; `shapes` in all."""

    shape: IntArray
    first: IntArray
    past: IntArray
    shapes: int


def spans(grid: Grid, shapes: Shapes) -> Spans:
    """The grid's points inside each of some polygons or multipolygons."""
    shape, low, high = _edges(shapes)
    from_row, to_row = (_ceiling(end[:, 1], grid.y_m, grid.step_m, grid.rows) for end in (low, high))
    edge, row = _expanded(from_row, to_row)
    rise = np.where(to_row > from_row, high[:, 1] - low[:, 1], 1.0)
    along = (grid.y_m + row * grid.step_m - low[edge, 1]) / rise[edge]
    x = low[edge, 0] + along * (high[edge, 0] - low[edge, 0])
    column = _ceiling(x, grid.x_m, grid.step_m, grid.columns)
    # Along a row, edges enter and leave a shape in turn.
    width = grid.columns + 1
    crossings = np.sort((shape[edge] * grid.rows + row) * width + column).reshape(-1, 2)
    enter, leave = crossings[crossings[:, 1] > crossings[:, 0]].T
    shape, row = np.divmod(enter // width, max(grid.rows, 1))
    return Spans(shape, row * grid.columns + enter % width, row * grid.columns + leave % width, len(shapes))


def signatures(grid: Grid, of: Spans) -> Signatures:
    """A number for every point of the grid, equal where the same shapes hold it, 0 outside all.

    It is the sum of random 64-bit keys of the shapes: n kinds of points collide with probability n^2 / 2^65, which is
    3e-10 for 100,000 kinds.
    """
    keys = np.random.default_rng(KEY_SEED).integers(1, 2**64 - 1, of.shapes, dtype=np.uint64)
    change = np.zeros(grid.rows * grid.columns + 1, dtype=np.uint64)
    np.add.at(change, of.first, keys[of.shape])
    np.subtract.at(change, of.past, keys[of.shape])
    return np.cumsum(change, out=change)[:-1]


def incidence_at(of: Spans, points: IntArray) -> csr_array:
    """Boolean matrix [P, M]: point (numbers in ascending order) lies in shape."""
    low, high = np.searchsorted(points, of.first), np.searchsorted(points, of.past)
    span, point = _expanded(low, high)
    matrix = csr_array((np.ones(len(span), dtype=bool), (point, of.shape[span])), shape=(len(points), of.shapes))
    matrix.sort_indices()
    return matrix


def _edges(shapes: Shapes) -> tuple[IntArray, FloatArray, FloatArray]:
    """Shape, lower and upper end of every edge of every ring."""
    parts, part_of = shapely.get_parts(shapes, return_index=True)
    rings, ring_of = shapely.get_rings(parts, return_index=True)
    xy, corner_of = shapely.get_coordinates(rings, return_index=True)
    same = corner_of[1:] == corner_of[:-1]
    a, b = xy[:-1][same], xy[1:][same]
    upward = (a[:, 1] <= b[:, 1])[:, None]
    shape = part_of[ring_of[corner_of[:-1][same]]].astype(np.intp)
    return shape, np.where(upward, a, b), np.where(upward, b, a)


def _ceiling(at_m: FloatArray, start_m: float, step_m: float, most: int) -> IntArray:
    """Number of the first grid line at or past each place, within 0 to `most`."""
    return np.clip(np.ceil((at_m - start_m) / step_m), 0, most).astype(np.intp)


def _expanded(low: IntArray, high: IntArray) -> tuple[IntArray, IntArray]:
    """Every number from each low to before its high: whose it is, and the number."""
    counts = np.maximum(high - low, 0)
    owner = np.repeat(np.arange(len(counts)), counts)
    return owner, np.arange(len(owner)) + np.repeat(low - (np.cumsum(counts) - counts), counts)
