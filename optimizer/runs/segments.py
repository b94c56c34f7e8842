"""The layout contracted to segments: chains of pieces between junctions.

Points and pieces are renumbered so that a segment's pieces, and the points between them, stand side by
side: a tree of tubing is then a string of flags in which a segment's part fed from either end is found at
once.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass

from optimizer.runs.layout import Layout

TURN_DEG = 30.0  # a sharper turn without branching takes an elbow
STRAIGHT_DEG = 45.0  # flow that turns less than this goes straight on through a tee


@dataclass(frozen=True)
class Way:
    """A segment walked in one direction: segment, start and end junction, and points and pieces in that
    order.

    low, high: the segment's pieces are low..high-1, walked upwards if forward; turns: sharpness in
    degrees of the turn at the start of each piece (0 for the first); leave_deg, arrive_deg: azimuth of
    travel at the start and at the end.
    """

    segment: int
    forward: bool
    start: int
    end: int
    low: int
    high: int
    points: tuple[int, ...]
    pieces: tuple[int, ...]
    turns: tuple[float, ...]
    leave_deg: float
    arrive_deg: float

    def inside(self, by_point: bytes | bytearray) -> bytes:
        """The part of a string with one entry a point that belongs to the points between start and end."""
        if len(self.points) == 2:
            return b""
        first, last = self.points[1], self.points[-2]
        return bytes(by_point[min(first, last) : max(first, last) + 1])


@dataclass(frozen=True)
class Segments:
    """Renumbered points and pieces of a layout, and its segments.

    point: layout point of each point (points inside segments first, segment by segment, then junctions);
    piece: layout piece of each piece; ways: segment s forward is ways[2 s], backward ways[2 s + 1];
    outgoing: ways that start at each point (none inside segments); around: (piece, other end) at each
    point; inside: number of points inside segments.
    """

    point: tuple[int, ...]
    piece: tuple[int, ...]
    ways: tuple[Way, ...]
    outgoing: tuple[tuple[int, ...], ...]
    around: tuple[tuple[tuple[int, int], ...], ...]
    inside: int
    ends: tuple[tuple[int, int], ...]

    @property
    def count(self) -> int:
        """Number of segments."""
        return len(self.ways) // 2


def contract(layout: Layout, roots: Iterable[int] = ()) -> Segments:
    """Segments between junctions: points where not exactly two pieces meet, where ground work begins, pump
    sites and roots.

    A ring without any junction is broken at its first piece's tail. So a segment is ground work all along
    or nowhere, and nozzles stand on segments without.
    """
    touching: list[list[int]] = [[] for _ in range(layout.points)]
    for e in range(layout.pieces):
        touching[int(layout.tail[e])].append(e)
        touching[int(layout.head[e])].append(e)
    sites = {*map(int, layout.site_point), *roots}
    dug = [bool(cost > 0) for cost in layout.trench_cost]
    junctions = {
        p for p, near in enumerate(touching) if len(near) != 2 or p in sites or dug[near[0]] != dug[near[1]]
    }
    chains = _chains(layout, touching, junctions)
    return _renumber(layout, chains, junctions)


_Chain = tuple[list[int], list[int]]


def _chains(layout: Layout, touching: list[list[int]], junctions: set[int]) -> list[_Chain]:
    """Points and pieces of every segment. Adds a junction to `junctions` for each ring without one."""
    seen: set[int] = set()
    chains = []
    for p in sorted(junctions):
        chains += [_walk(layout, touching, junctions, p, e, seen) for e in touching[p] if e not in seen]
    for e in range(layout.pieces):
        if e not in seen:
            start = int(layout.tail[e])
            junctions.add(start)
            chains.append(_walk(layout, touching, junctions, start, e, seen))
    return chains


def _walk(
    layout: Layout, touching: list[list[int]], junctions: set[int], start: int, piece: int, seen: set[int]
) -> _Chain:
    points, pieces = [start], [piece]
    seen.add(piece)
    here = _other(layout, piece, start)
    while here not in junctions:
        points.append(here)
        one, two = touching[here]
        piece = two if one == piece else one
        seen.add(piece)
        pieces.append(piece)
        here = _other(layout, piece, here)
    return [*points, here], pieces


def _other(layout: Layout, piece: int, point: int) -> int:
    tail, head = int(layout.tail[piece]), int(layout.head[piece])
    return head if tail == point else tail


def _renumber(layout: Layout, chains: list[_Chain], junctions: set[int]) -> Segments:
    inner = [p for points, _ in chains for p in points[1:-1]]
    point = inner + sorted(junctions)
    number = {p: i for i, p in enumerate(point)}
    piece: list[int] = []
    ways: list[Way] = []
    ends: list[tuple[int, int]] = []
    for s, (points, pieces) in enumerate(chains):
        numbers = list(range(len(piece), len(piece) + len(pieces)))
        piece += pieces
        here = [number[p] for p in points]
        ends += itertools.pairwise(here)
        ways.append(_way(layout, s, True, (points, pieces), (here, numbers)))
        ways.append(_way(layout, s, False, (points[::-1], pieces[::-1]), (here[::-1], numbers[::-1])))
    outgoing: list[list[int]] = [[] for _ in point]
    around: list[list[tuple[int, int]]] = [[] for _ in point]
    for w, way in enumerate(ways):
        outgoing[way.start].append(w)
    for e, (a, b) in enumerate(ends):
        around[a].append((e, b))
        around[b].append((e, a))
    return Segments(
        tuple(point),
        tuple(piece),
        tuple(ways),
        tuple(map(tuple, outgoing)),
        tuple(map(tuple, around)),
        len(inner),
        tuple(ends),
    )


def _way(layout: Layout, segment: int, forward: bool, chain: _Chain, numbers: _Chain) -> Way:
    headings = []
    for p, e in zip(*chain, strict=False):
        along = int(layout.tail[e]) == p
        azimuth = float(layout.azimuth_deg[e])
        headings.append(azimuth if along else (azimuth + 180.0) % 360.0)
    turns = [0.0, *(turn_deg(before, after) for before, after in itertools.pairwise(headings))]
    points, pieces = numbers
    return Way(
        segment=segment,
        forward=forward,
        start=points[0],
        end=points[-1],
        low=min(pieces),
        high=max(pieces) + 1,
        points=tuple(points),
        pieces=tuple(pieces),
        turns=tuple(turns),
        leave_deg=headings[0],
        arrive_deg=headings[-1],
    )


def turn_deg(arrive_deg: float, leave_deg: float) -> float:
    """Sharpness of a turn, 0 straight on to 180 back; 90 where either direction is vertical (NaN).

    Rounded, so that a turn drawn at a limit is judged alike in either direction.
    """
    if math.isnan(arrive_deg) or math.isnan(leave_deg):
        return 90.0
    return round(abs((leave_deg - arrive_deg + 180.0) % 360.0 - 180.0), 6)


def fed(flags: bytes | bytearray, way: Way) -> int:
    """Number of pieces of the way that flags hold in one stretch from its start."""
    low, high = way.low, way.high
    if way.forward:
        found = flags.find(0, low, high)
        return (high if found < 0 else found) - low
    found = flags.rfind(0, low, high)
    return high - (low if found < 0 else found + 1)
