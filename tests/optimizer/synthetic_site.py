"""Invented sites as bare arrays, for checks of placement: no geometry package, no real place.

Rectangular buildings stand in a fenced plot. A closed line runs round every building with half-disc footprints
facing out, a closed line along the fence with half-discs facing in, and straight lines with full discs cross the
gardens. Cells are squares in five zones of weights 1 to 3, identical cells merged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sp

Array = np.ndarray[Any, Any]


@dataclass(frozen=True)
class SyntheticSite:
    """Candidates on lines and merged cells; incidence is [cells, candidates]."""

    x_m: Array
    y_m: Array
    line: Array
    chainage_m: Array
    closed_length_m: dict[int, float]
    value: Array
    incidence: sp.csr_array
    raw_cells: int


def rectangle(x: float, y: float, w: float, h: float) -> Array:
    return np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h], [x, y]])


def along(points: Array, step_m: float) -> tuple[Array, Array, Array, float]:
    """Points every step along a polyline with their chainage and the outward normal (right of a ccw ring)."""
    legs = np.hypot(*np.diff(points, axis=0).T)
    ends = np.concatenate([[0.0], np.cumsum(legs)])
    total = float(ends[-1])
    s = np.arange(0.0, total - 1e-9, step_m)
    leg = np.minimum(np.searchsorted(ends, s, side="right") - 1, len(legs) - 1)
    direction = np.diff(points, axis=0)[leg] / legs[leg, None]
    xy = points[leg] + direction * (s - ends[leg])[:, None]
    return s, xy, np.column_stack([direction[:, 1], -direction[:, 0]]), total


def synthetic_site(
    *, width_m: float, height_m: float, across: int, down: int, step_m: float = 1.0, cell_m: float = 0.5,
    reach_m: float = 4.5, gardens: int = 2, seed: int = 0,
) -> SyntheticSite:  # fmt: skip
    """A fenced plot with across x down buildings of random size and `gardens` straight lines between them."""
    rng = np.random.default_rng(seed)
    pitch_x, pitch_y = width_m / across, height_m / down
    rings, houses = [(rectangle(0, 0, width_m, height_m), -1.0)], []
    for i in range(across):
        for j in range(down):
            w, h = rng.uniform(0.35, 0.6) * pitch_x, rng.uniform(0.35, 0.6) * pitch_y
            x = i * pitch_x + rng.uniform(0.1, 0.9) * (pitch_x - w)
            y = j * pitch_y + rng.uniform(0.1, 0.9) * (pitch_y - h)
            rings.append((rectangle(x, y, w, h), 1.0))
            houses.append((x, y, x + w, y + h))
    for k in range(gardens):
        x = (k + 1) * width_m / (gardens + 1) + rng.uniform(-2, 2)
        rings.append((np.array([[x, 2.0], [x + rng.uniform(-4, 4), height_m - 2.0]]), 0.0))
    parts = [(along(points, step_m), side) for points, side in rings]
    line = np.concatenate([np.full(len(p[0]), k) for k, (p, _) in enumerate(parts)])
    xy = np.concatenate([p[1] for p, _ in parts])
    facing = np.concatenate([p[2] * side for p, side in parts])
    closed = {k: p[3] for k, (p, side) in enumerate(parts) if side != 0.0}
    cells, weight = _cells(width_m, height_m, cell_m, houses)
    incidence = _incidence(cells, xy, facing, reach_m)
    value, merged = _merged(incidence, weight * cell_m**2)
    return SyntheticSite(
        xy[:, 0], xy[:, 1], line, np.concatenate([p[0] for p, _ in parts]), closed, value, merged, len(cells)
    )


def _cells(width: float, height: float, size: float, houses: list[Any]) -> tuple[Array, Array]:
    gx, gy = np.meshgrid(np.arange(size / 2, width, size), np.arange(size / 2, height, size))
    cells = np.column_stack([gx.ravel(), gy.ravel()])
    open_air = np.ones(len(cells), dtype=bool)
    for x0, y0, x1, y1 in houses:
        open_air &= ~((cells > (x0, y0)).all(axis=1) & (cells < (x1, y1)).all(axis=1))
    cells = cells[open_air]
    stripe = np.minimum((5 * cells[:, 0] / width).astype(int), 4)
    return cells, np.array([1.0, 2.0, 1.5, 3.0, 1.0])[stripe]


def _incidence(cells: Array, xy: Array, facing: Array, reach: float) -> sp.csr_array:
    columns = []
    for point, normal in zip(xy, facing, strict=True):
        away = cells - point
        near = np.flatnonzero((np.abs(away) < reach).all(axis=1))
        inside = (away[near] ** 2).sum(axis=1) <= reach**2
        inside &= away[near] @ normal >= -1e-9
        columns.append(near[inside])
    index = np.concatenate(columns)
    start = np.concatenate([[0], np.cumsum([len(c) for c in columns])])
    shape = (len(cells), len(xy))
    return sp.csr_array(sp.csc_array((np.ones(len(index), dtype=bool), index, start), shape=shape))


def _merged(incidence: sp.csr_array, value: Array) -> tuple[Array, sp.csr_array]:
    rows: dict[bytes, int] = {}
    keep, owner = [], np.full(incidence.shape[0], -1)
    incidence.sort_indices()
    for c in range(incidence.shape[0]):
        key = incidence.indices[incidence.indptr[c] : incidence.indptr[c + 1]].tobytes()
        if key:
            if key not in rows:
                rows[key] = len(keep)
                keep.append(c)
            owner[c] = rows[key]
    covered = owner >= 0
    return np.bincount(owner[covered], weights=value[covered]), sp.csr_array(incidence[keep])
