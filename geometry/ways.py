"""Ways that tubing can take, mounting lines and links alike, and where they meet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString

from geometry.chainage import (
    NEAR_M,
    FloatArray,
    merged_stretches,
    places_at,
    stretches_inside,
    vertex_chainages_m,
)
from geometry.site import Site, Stretch

JOINED_M = 0.01
"""Places along one way closer than this are one junction; so are points of different ways."""

Place = tuple[int, float]
"""A place on a way: index of the way and chainage."""


@dataclass(frozen=True, eq=False)
class Way:
    """A mounting line (index `line`) or a link (index `link`); the other index is -1.

    `tube_m` is the elevation of its tubing per vertex, `free` the stretches that may carry tubing.
    """

    line: int
    link: int
    path: LineString
    tube_m: FloatArray
    free: tuple[Stretch, ...]

    @property
    def closed(self) -> bool:
        """Whether the way ends where it starts."""
        return bool(self.path.is_closed)

    def point(self, chainage_m: float) -> FloatArray:
        """x, y, z of the tubing at a chainage."""
        return np.array([float(one[0]) for one in places_at(self.path, self.tube_m, [chainage_m])])

    def corners(self, part: Stretch) -> list[float]:
        """Chainages of a free stretch's ends and of the vertices between them, in order."""
        at = vertex_chainages_m(self.path)
        within = at[(at > part.from_m + NEAR_M) & (at < part.to_m - NEAR_M)]
        return [part.from_m, *within.tolist(), part.to_m]

    def on_line(self, chainage_m: float) -> float:
        """The chainage with the end of a closed way put at its start."""
        return 0.0 if self.closed and chainage_m > self.path.length - NEAR_M else float(chainage_m)

    def apart(self, a_m: float, b_m: float) -> float:
        """Distance of two chainages along the way, the shorter way round on a closed one."""
        apart = abs(a_m - b_m)
        return min(apart, float(self.path.length) - apart) if self.closed else apart

    def carries(self, chainage_m: float) -> bool:
        """Whether tubing may lie at a chainage."""
        return any(part.from_m - JOINED_M <= chainage_m <= part.to_m + JOINED_M for part in self.free)


def ways(site: Site) -> tuple[Way, ...]:
    """All mounting lines, tubing at the nozzles' height, then all links, tubing on the ground.

    Keep-outs that forbid tubing bar both, those that forbid a trench bar links, as do stretches without
    tubing.
    """
    lines = [
        Way(
            index,
            -1,
            line.line,
            np.array(line.ground_m) + line.height_m,
            _free(site, line.line, {"tubing"}, line.no_tubing),
        )
        for index, line in enumerate(site.lines)
    ]
    links = [
        Way(-1, index, link.line, np.array(link.ground_m), _free(site, link.line, {"tubing", "trench"}, ()))
        for index, link in enumerate(site.links)
    ]
    return (*lines, *links)


def _free(site: Site, path: LineString, bars: set[str], barred: Sequence[Stretch]) -> tuple[Stretch, ...]:
    inside = [
        stretch
        for keep_out in site.keep_outs
        if keep_out.forbids & bars
        for stretch in stretches_inside(path, keep_out.polygon, keep_out.name)
    ]
    ends = [0.0]
    for stretch in merged_stretches([*inside, *barred]):
        ends += [max(stretch.from_m, 0.0), min(stretch.to_m, path.length)]
    ends.append(float(path.length))
    return tuple(Stretch(a, b) for a, b in zip(ends[::2], ends[1::2], strict=True) if b - a > JOINED_M)


def meetings(all_ways: Sequence[Way], snap_m: float) -> list[tuple[Place, Place]]:
    """Pairs of places where ways cross or touch, or come within `snap_m` of each other at a vertex.

    Also the two ends of one way that is all but closed. In the order of the ways.
    """
    paths = [way.path for way in all_ways]
    if not paths:
        return []
    first, second = shapely.STRtree(paths).query(paths, predicate="dwithin", distance=snap_m)
    pairs = sorted((i, j) for i, j in zip(first.tolist(), second.tolist(), strict=True) if i < j)
    found: list[tuple[Place, Place]] = []
    for i, way in enumerate(all_ways):
        gap = np.hypot(*(way.point(0.0) - way.point(way.path.length))[:2])
        if not way.closed and gap <= snap_m < way.path.length / 2.0:
            found.append(((i, 0.0), (i, float(way.path.length))))
    for i, j in pairs:
        found += [((i, a), (j, b)) for a, b in _meetings_of(all_ways[i], all_ways[j], snap_m)]
    return found


def _meetings_of(one: Way, other: Way, snap_m: float) -> list[tuple[float, float]]:
    """Chainages on both ways: crossings, then near vertices unless one stands beside it on both."""
    kept: list[tuple[float, float]] = []
    for a, b in (*_crossings(one.path, other.path), *_near_vertices(one.path, other.path, snap_m)):
        a, b = one.on_line(a), other.on_line(b)
        if not any(one.apart(a, p) <= snap_m and other.apart(b, q) <= snap_m for p, q in kept):
            kept.append((a, b))
    return kept


def _crossings(one: LineString, other: LineString) -> Iterator[tuple[float, float]]:
    points = shapely.points(shapely.get_coordinates(shapely.intersection(one, other)))
    places = np.column_stack([shapely.line_locate_point(path, points) for path in (one, other)])
    yield from sorted((float(a), float(b)) for a, b in places)


def _near_vertices(one: LineString, other: LineString, snap_m: float) -> Iterator[tuple[float, float]]:
    """Vertices of either path within `snap_m` of the other path, nearest first."""
    near: list[tuple[float, float, float]] = []
    for path, across, turned in ((one, other, False), (other, one, True)):
        points = shapely.points(shapely.get_coordinates(path))
        off = shapely.distance(points, across)
        for k in np.flatnonzero(off <= snap_m):
            own = float(vertex_chainages_m(path)[k])
            there = float(shapely.line_locate_point(across, points[k]))
            near.append((round(float(off[k]), 9), *((there, own) if turned else (own, there))))
    yield from ((a, b) for _, a, b in sorted(near))
