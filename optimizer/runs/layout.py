"""Corridors cut at the nozzles: the points where tubing may branch, and the pieces of corridor between
them.

Pure geometry of numbers: no shapes, no water, no optimisation. Every nozzle has a point of its own, so
that a network built on the points carries at most one nozzle a node.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import NoDesign

if TYPE_CHECKING:
    from geometry.corridors import Corridors

SNAP_M = 1e-6
STUB_M = 0.05  # drop from a junction to a nozzle that stands exactly on it beside another nozzle or a pump

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Layout:
    """Points (corridor nodes first, then nozzles) and the pieces of corridor that join them.

    x_m, y_m, z_m: [P] points, z the tubing's elevation. tail, head: [E] point at each end of a piece;
    length_m: [E] hydraulic length; trench_m: [E] plan metres to be paid as ground work (0 on mounting
    lines and risers); trench_cost: [E] ground work of the piece with its sleeves, paid once however many
    tubes lie in it; edge: [E] corridor edge it was cut from (-1: stub); azimuth_deg: [E] direction of travel
    tail -> head, clockwise from north, NaN where vertical; nozzle_point: [K] point of each nozzle;
    site_point: [S] point of each pump site.
    """

    x_m: Floats
    y_m: Floats
    z_m: Floats
    tail: Ints
    head: Ints
    length_m: Floats
    trench_m: Floats
    trench_cost: Floats
    edge: Ints
    azimuth_deg: Floats
    nozzle_point: Ints
    site_point: Ints

    @property
    def points(self) -> int:
        """Number of points."""
        return len(self.x_m)

    @property
    def pieces(self) -> int:
        """Number of pieces."""
        return len(self.tail)


def layout(
    corridors: Corridors,
    line: Sequence[int] | Ints,
    chainage_m: Sequence[float] | Floats,
    ground_cost: Mapping[str, float],
    kept: Sequence[int] = (),
) -> Layout:
    """Cut the corridors at the nozzles.

    line, chainage_m: [K] mounting line and plan chainage of each nozzle; ground_cost: price a metre of
    trench by ground, for links without a unit cost of their own; kept: corridor nodes that no nozzle takes.
    Edges are straight: their length is shared out by chainage, and what stands on them is linear between
    their ends. Raises NoDesign where a nozzle stands on no tubing corridor or a ground has no price.
    """
    lines = np.asarray(line, dtype=np.int64)
    chainages = np.asarray(chainage_m, dtype=np.float64)
    cuts, stubs, point = _place(corridors, lines, chainages, kept)
    prices = _trench_prices(corridors, ground_cost)
    rows: list[_Piece] = []
    for e in range(len(corridors.tail)):
        rows += _cut_edge(corridors, e, cuts.get(e, []), prices[e])
    rows += [_Piece(node, p, STUB_M, 0.0, 0.0, -1, math.nan) for node, p in stubs]
    x, y, z = _coordinates(corridors, cuts, stubs)
    kinds = ("i8", "i8", "f8", "f8", "f8", "i8", "f8")
    columns = {
        name: np.array(column, dtype=kind)
        for name, column, kind in zip(_Piece._fields, zip(*rows, strict=True), kinds, strict=True)
    }
    site_point = np.asarray(corridors.site_node, dtype=np.int64)
    return Layout(x, y, z, **columns, nozzle_point=point, site_point=site_point)


class _Piece(NamedTuple):
    tail: int
    head: int
    length_m: float
    trench_m: float
    trench_cost: float
    edge: int
    azimuth_deg: float


_Cuts = dict[int, list[tuple[float, int]]]


def _place(
    corridors: Corridors, lines: Ints, chainages: Floats, kept: Sequence[int]
) -> tuple[_Cuts, list[tuple[int, int]], Ints]:
    """Edge and share of its chainage at which each nozzle cuts it; nozzles on a node take it, or a stub
    if taken."""
    nodes = len(corridors.x_m)
    taken = {int(n) for n in corridors.site_node}.union(kept)
    point = np.full(len(lines), -1, dtype=np.int64)
    cuts: _Cuts = {}
    stubs: list[tuple[int, int]] = []
    fresh = nodes
    for k in range(len(lines)):
        edge, share = _locate(corridors, int(lines[k]), float(chainages[k]))
        spot = _end_node(corridors, edge, share)
        if spot is not None and spot not in taken:
            point[k] = spot
            taken.add(spot)
            continue
        if spot is None:
            spot = next((p for s, p in cuts.get(edge, []) if _same(corridors, edge, s, share)), None)
        point[k] = fresh
        if spot is None:
            cuts.setdefault(edge, []).append((share, fresh))
        else:
            stubs.append((spot, fresh))
        fresh += 1
    return cuts, stubs, point


def _locate(corridors: Corridors, line: int, chainage: float) -> tuple[int, float]:
    """Corridor edge that carries the chainage, and the share of the edge that lies before it."""
    for e in np.flatnonzero(np.asarray(corridors.line) == line):
        start, end = float(corridors.from_m[e]), float(corridors.to_m[e])
        if min(start, end) - SNAP_M <= chainage <= max(start, end) + SNAP_M:
            share = (chainage - start) / (end - start) if end != start else 0.0
            return int(e), min(1.0, max(0.0, share))
    raise NoDesign(
        "no_tubing",
        f"no tubing can reach the nozzle at {chainage:.2f} m of mounting line {line}: "
        "shorten the stretch kept free of tubing there or forbid the position",
    )


def _end_node(corridors: Corridors, edge: int, share: float) -> int | None:
    """Node that the nozzle stands on, if it stands on an end of the edge."""
    span = abs(float(corridors.to_m[edge] - corridors.from_m[edge]))
    if share * span <= SNAP_M:
        return int(corridors.tail[edge])
    if (1.0 - share) * span <= SNAP_M:
        return int(corridors.head[edge])
    return None


def _same(corridors: Corridors, edge: int, one: float, other: float) -> bool:
    return abs(one - other) * abs(float(corridors.to_m[edge] - corridors.from_m[edge])) <= SNAP_M


def _trench_prices(corridors: Corridors, ground_cost: Mapping[str, float]) -> list[float]:
    """Price of a metre of ground work on each edge; 0 off the links."""
    prices = []
    for e in range(len(corridors.tail)):
        own = float(corridors.unit_cost[e])
        ground = corridors.ground[e]
        if corridors.link[e] < 0:
            prices.append(0.0)
        elif not np.isnan(own):
            prices.append(own)
        elif ground in ground_cost:
            prices.append(float(ground_cost[ground]))
        else:
            raise NoDesign(
                "ground", f"ground '{ground}' of a tubing link has no price: add it to the scenario's grounds"
            )
    return prices


def _cut_edge(corridors: Corridors, e: int, cuts: list[tuple[float, int]], price: float) -> list[_Piece]:
    """Pieces of one edge."""
    ordered = sorted(cuts)
    shares = [0.0, *(s for s, _ in ordered), 1.0]
    points = [int(corridors.tail[e]), *(p for _, p in ordered), int(corridors.head[e])]
    azimuth = float(corridors.azimuth_deg[e])
    trench_m = float(corridors.plan_m[e]) if corridors.link[e] >= 0 else 0.0
    rows = []
    for i in range(len(points) - 1):
        part = shares[i + 1] - shares[i]
        cost = trench_m * part * price + (float(corridors.sleeve_cost[e]) if i == 0 else 0.0)
        length = float(corridors.length_m[e]) * part
        rows.append(_Piece(points[i], points[i + 1], length, trench_m * part, cost, e, azimuth))
    return rows


def _coordinates(
    corridors: Corridors, cuts: _Cuts, stubs: list[tuple[int, int]]
) -> tuple[Floats, Floats, Floats]:
    nodes = len(corridors.x_m)
    total = nodes + sum(len(c) for c in cuts.values()) + len(stubs)
    axes = []
    for values in (corridors.x_m, corridors.y_m, corridors.z_m):
        axis = np.full(total, np.nan)
        axis[:nodes] = values
        for e, found in cuts.items():
            start, end = axis[int(corridors.tail[e])], axis[int(corridors.head[e])]
            for share, p in found:
                axis[p] = start + share * (end - start)
        for node, p in stubs:
            axis[p] = axis[node]
        axes.append(axis)
    return axes[0], axes[1], axes[2]
