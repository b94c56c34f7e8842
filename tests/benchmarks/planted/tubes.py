"""Tubing of a planted design: shortest ways from a pump along the corridors, its fittings, its steady state.

A calculation of its own beside optimizer/runs: every legal position cuts the corridors at once, ways are Dijkstra's,
and the loss factors are read off the tree from the pump outwards. The state is `hydraulics.solve_tree`'s.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from geometry.corridors import Corridors
from hydraulics.fittings import k_of_loss
from hydraulics.network import Link, Node, NozzleAt, tree_network
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import Pump
from hydraulics.steady_tree import SteadyState, solve_tree
from hydraulics.water import Water
from optimizer.solve.supply import MANIFOLD_BORE_M, MANIFOLD_LENGTH_M, MANIFOLD_ROUGHNESS_M
from tests.benchmarks.planted.files import (
    BAR,
    ELBOW_K,
    ENTRANCE_K,
    FILTER_BAR,
    LOSS_L_MIN,
    MANIFOLD_BAR,
    ROUGHNESS_MM,
    TEE_BRANCH_K,
    TEE_RUN_K,
    VALVE_BAR,
)

AT_END_M = 1e-6
ELBOW_FROM_DEG = 30.0  # a sharper turn without branching takes an elbow
BRANCH_FROM_DEG = 45.0  # a sharper turn at a tee is a branch
L_MIN = 1.0 / 60e3  # m3/s


@dataclass(frozen=True)
class Piece:
    """A stretch between two points, walked from a to b: azimuth of travel, NaN where vertical."""

    a: int
    b: int
    length_m: float
    azimuth_deg: float

    def back(self) -> Piece:
        """The same stretch walked from b to a."""
        return Piece(self.b, self.a, self.length_m, (self.azimuth_deg + 180.0) % 360.0)


@dataclass(frozen=True)
class Ways:
    """Points (z_m) and the pieces that leave each; spot: point of each position, -1 where it can have none of its own;
    sites: point of each pump site."""

    z_m: tuple[float, ...]
    leaving: tuple[tuple[Piece, ...], ...]
    spot: tuple[int, ...]
    sites: tuple[int, ...]


Tree = dict[int, list[Piece]]  # pieces that go on from each point, away from the pump


def ways(graph: Corridors, line: Sequence[int], chainage_m: Sequence[float], z_m: Sequence[float]) -> Ways:
    """The corridors cut at every position (line, chainage, elevation)."""
    z = [float(value) for value in graph.z_m]
    taken = {int(node) for node in graph.site_node}
    spot = [-1] * len(line)
    cuts: dict[int, list[tuple[float, int]]] = {}
    for i, (number, at) in enumerate(zip(line, chainage_m, strict=True)):
        edges = np.flatnonzero((graph.line == number) & (graph.from_m <= at + AT_END_M) & (graph.to_m >= at - AT_END_M))
        if not edges.size:
            continue
        edge = int(edges[0])
        end = _end(graph, edge, at)
        if end is None:
            spot[i] = len(z)
            z.append(float(z_m[i]))
            cuts.setdefault(edge, []).append((float(at), spot[i]))
        elif end not in taken:
            taken.add(end)
            spot[i] = end
    leaving: list[list[Piece]] = [[] for _ in z]
    for edge in range(len(graph.tail)):
        for piece in _pieces(graph, edge, sorted(cuts.get(edge, []))):
            leaving[piece.a].append(piece)
            leaving[piece.b].append(piece.back())
    return Ways(tuple(z), tuple(map(tuple, leaving)), tuple(spot), tuple(int(n) for n in graph.site_node))


def _end(graph: Corridors, edge: int, at: float) -> int | None:
    if abs(at - graph.from_m[edge]) <= AT_END_M:
        return int(graph.tail[edge])
    return int(graph.head[edge]) if abs(at - graph.to_m[edge]) <= AT_END_M else None


def _pieces(graph: Corridors, edge: int, cuts: list[tuple[float, int]]) -> list[Piece]:
    """Pieces of an edge, which is straight."""
    start, end = float(graph.from_m[edge]), float(graph.to_m[edge])
    shares = [0.0, *((at - start) / (end - start) for at, _ in cuts), 1.0]
    points = [int(graph.tail[edge]), *(point for _, point in cuts), int(graph.head[edge])]
    return [
        Piece(
            points[i],
            points[i + 1],
            float(graph.length_m[edge]) * (shares[i + 1] - shares[i]),
            float(graph.azimuth_deg[edge]),
        )
        for i in range(len(cuts) + 1)
    ]


def shortest(net: Ways, root: int) -> tuple[dict[int, float], dict[int, Piece]]:
    """Length from a root to every point that it reaches, and the piece that leads there (Dijkstra 1959)."""
    length, last = {root: 0.0}, {}
    queue = [(0.0, root)]
    done = set()
    while queue:
        here_m, here = heapq.heappop(queue)
        if here in done:
            continue
        done.add(here)
        for piece in net.leaving[here]:
            there_m = here_m + piece.length_m
            if there_m < length.get(piece.b, math.inf):
                length[piece.b], last[piece.b] = there_m, piece
                heapq.heappush(queue, (there_m, piece.b))
    return length, last


def tree(last: dict[int, Piece], root: int, served: Iterable[int]) -> Tree:
    """The shortest ways from the root to the points served, together."""
    onward: Tree = {}
    reached = {root}
    for point in served:
        while point not in reached:
            reached.add(point)
            onward.setdefault(last[point].a, []).append(last[point])
            point = last[point].a
    return onward


def state(
    net: Ways, root: int, onward: Tree, served: set[int], bore_mm: float, curve: NozzleCurve, pump: Pump, water: Water
) -> tuple[SteadyState, list[float]]:
    """Steady state of a circuit in one tubing size, and the pressures of its nozzles in Pa."""
    points = [root, *(piece.b for pieces in onward.values() for piece in pieces)]
    links = [_manifold(root, water)]
    for here, pieces in onward.items():
        for piece in pieces:
            k = _fitting_k(here, piece, root, onward, served)
            rough_m = ROUGHNESS_MM / 1e3
            links.append(Link(f"{here}-{piece.b}", str(here), str(piece.b), piece.length_m, bore_mm / 1e3, rough_m, k))
    found = tree_network(
        [Node("gauge", net.z_m[root]), *(Node(str(point), net.z_m[point]) for point in points)],
        links,
        [NozzleAt(str(point), curve) for point in sorted(served)],
        "gauge",
    )
    solved = solve_tree(found, pump, water)
    at = {name: i for i, name in enumerate(found.node_ids)}
    return solved, [float(solved.pressure_pa[at[str(point)]]) for point in sorted(served)]


def _manifold(root: int, water: Water) -> Link:
    """Filter, valve and manifold of the pump unit as one link."""
    loss_pa = (FILTER_BAR + VALVE_BAR + MANIFOLD_BAR) * BAR
    k = k_of_loss(loss_pa, LOSS_L_MIN * L_MIN, MANIFOLD_BORE_M, water.density_kg_m3)
    return Link("unit", "gauge", str(root), MANIFOLD_LENGTH_M, MANIFOLD_BORE_M, MANIFOLD_ROUGHNESS_M, k)


def _fitting_k(here: int, piece: Piece, root: int, onward: Tree, served: set[int]) -> float:
    """Entrance at the pump, else tee or elbow at the start; the elbow under a last nozzle."""
    if here == root:
        k = ENTRANCE_K
    else:
        before = next(p for pieces in onward.values() for p in pieces if p.b == here)
        turn = abs((piece.azimuth_deg - before.azimuth_deg + 180.0) % 360.0 - 180.0)
        turn = 90.0 if math.isnan(turn) else turn
        if len(onward[here]) + (here in served) > 1:
            k = TEE_RUN_K if turn < BRANCH_FROM_DEG else TEE_BRANCH_K
        else:
            k = ELBOW_K if turn > ELBOW_FROM_DEG else 0.0
    return k + (0.0 if piece.b in onward else ELBOW_K)
