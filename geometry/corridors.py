"""The corridor graph: every way that tubing can take from the pump sites, with its length and what it costs.

Nodes are vertices of ways, places where ways meet, ends of stretches that must stay free, and pump sites.
Edges are straight: stretches of a mounting line or a link between nodes, and short joints where ways or a
pump site meet at different heights or with a gap.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import shapely

from geometry.chainage import NEAR_M, FloatArray, IntArray
from geometry.errors import ArgumentError
from geometry.joints import joined
from geometry.site import Site, Stretch
from geometry.ways import JOINED_M, Place, Way, meetings, ways

SNAP_M = 0.5
"""Ways whose ends or vertices come this close are joined."""
PUMP_SNAP_M = 1.0
"""A pump site this close to a way is joined to it."""

_COUNTS = ("tail", "head", "line", "link")


@dataclass(frozen=True, eq=False)
class Corridors:
    """The graph as arrays: V nodes, E edges, S pump sites.

    `length_m` is what tubing needs: along the slope, times 1 + routing allowance; on joints the plain
    distance. `plan_m` is the edge in plan. `line`/`link` index the site's lines and links (-1 where the edge
    is on none; both on joints); `from_m`, `to_m` are the line's chainage at tail and head (NaN off lines).
    `ground`, `unit_cost` (NaN: priced by ground) and `sleeve_cost` (the link's, shared over its edges by
    length) belong to links. `azimuth_deg` is that of travel from tail to head, clockwise from north (NaN on a
    vertical joint).
    """

    x_m: FloatArray
    y_m: FloatArray
    z_m: FloatArray
    tail: IntArray
    head: IntArray
    length_m: FloatArray
    plan_m: FloatArray
    line: IntArray
    from_m: FloatArray
    to_m: FloatArray
    link: IntArray
    ground: tuple[str, ...]
    unit_cost: FloatArray
    sleeve_cost: FloatArray
    azimuth_deg: FloatArray
    site_node: IntArray


class _Edge(NamedTuple):
    """One edge of the graph; fields as in Corridors."""

    tail: int
    head: int
    length_m: float
    plan_m: float
    line: int = -1
    from_m: float = np.nan
    to_m: float = np.nan
    link: int = -1
    ground: str = ""
    unit_cost: float = np.nan
    sleeve_cost: float = 0.0
    azimuth_deg: float = np.nan


def corridors(site: Site, routing_allowance: float, snap_m: float = SNAP_M) -> Corridors:
    """The corridor graph of a site: edges in the order of its lines, then links, then joints.

    Raises ArgumentError for a routing allowance below 0.
    """
    if not 0.0 <= routing_allowance < np.inf:
        raise ArgumentError(f"routing_allowance: {routing_allowance} is no share; give 0 or more")
    all_ways = ways(site)
    pumps = np.array([[one.x_m, one.y_m, one.elevation_m] for one in site.pump_sites]).reshape(-1, 3)
    meets = [*meetings(all_ways, snap_m), *_pump_meetings(pumps, all_ways)]
    stops = [_stops(way, [at for pair in meets for k, at in pair if k == i]) for i, way in enumerate(all_ways)]
    places = [(i, at) for i, own in enumerate(stops) for at in own]
    points = np.array([*(all_ways[i].point(at) for i, at in places), *pumps]).reshape(-1, 3)
    places += [(len(all_ways) + s, 0.0) for s in range(len(pumps))]
    snapped = [(_stop_of(p, all_ways, stops), _stop_of(q, all_ways, stops)) for p, q in meets]
    number = {place: k for k, place in enumerate(places)}
    pairs = [(number[p], number[q]) for p, q in snapped if p and q]
    node, joints = joined(points, pairs)
    nodes = points[np.unique(node, return_index=True)[1]]
    node_at = dict(zip(places, node.tolist(), strict=True))
    edges = list(_way_edges(site, all_ways, node_at, routing_allowance))
    edges += [_straight(a, b, nodes[a], nodes[b]) for a, b in joints]
    return _arrays(nodes, edges, node[len(places) - len(pumps) :])


def _pump_meetings(pumps: FloatArray, all_ways: Sequence[Way]) -> Iterator[tuple[Place, Place]]:
    """Each pump site, numbered after the ways, with the nearest way that may carry tubing there."""
    for s, point in enumerate(shapely.points(pumps[:, :2])):
        off = [round(float(shapely.distance(point, way.path)), 9) for way in all_ways]
        for i in sorted(range(len(all_ways)), key=off.__getitem__):
            at = all_ways[i].on_line(shapely.line_locate_point(all_ways[i].path, point))
            if off[i] <= PUMP_SNAP_M and all_ways[i].carries(at):
                yield (len(all_ways) + s, 0.0), (i, at)
                break


def _stops(way: Way, meets_m: Sequence[float]) -> list[float]:
    """Chainages of a way's nodes: its vertices within free stretches and the ends of these, and meetings more
    than 1 cm from any other."""
    stops = sorted({way.on_line(at) for part in way.free for at in way.corners(part)})
    for at in sorted(meets_m):
        if way.carries(at) and all(way.apart(at, stop) > JOINED_M for stop in stops):
            stops.append(at)
    return sorted(stops)


def _stop_of(place: Place, all_ways: Sequence[Way], stops: Sequence[Sequence[float]]) -> Place | None:
    """The node's place that a meeting falls on; None on a stretch that carries no tubing."""
    i, at = place
    if i >= len(all_ways):
        return place
    near = min(stops[i], key=lambda stop: all_ways[i].apart(at, stop), default=None)
    return (i, near) if near is not None and all_ways[i].apart(at, near) <= JOINED_M else None


def _way_edges(site: Site, all_ways: Sequence[Way], node_at: dict[Place, int], allowance: float) -> Iterator[_Edge]:
    """Edges along the ways from stop to stop; none where meetings made both ends one node (2 cm at most)."""
    for i, way in enumerate(all_ways):
        stops = [at for k, at in node_at if k == i]
        for part in way.free:
            cuts = [part.from_m, *(at for at in stops if part.from_m < at < part.to_m), part.to_m]
            for from_m, to_m in pairwise(cuts):
                tail, head = node_at[i, way.on_line(from_m)], node_at[i, way.on_line(to_m)]
                if tail != head:
                    yield _way_edge(site, way, tail, head, Stretch(from_m, to_m), allowance)


def _way_edge(site: Site, way: Way, tail: int, head: int, span: Stretch, allowance: float) -> _Edge:
    edge = _straight(tail, head, way.point(span.from_m), way.point(span.to_m))
    edge = edge._replace(length_m=edge.length_m * (1.0 + allowance), line=way.line, link=way.link)
    if way.link < 0:
        return edge._replace(from_m=span.from_m, to_m=span.to_m)
    link = site.links[way.link]
    share = edge.plan_m / sum(part.to_m - part.from_m for part in way.free)
    unit_cost = np.nan if link.unit_cost is None else link.unit_cost
    return edge._replace(ground=link.ground, unit_cost=unit_cost, sleeve_cost=link.sleeve_cost * share)


def _straight(tail: int, head: int, start: FloatArray, end: FloatArray) -> _Edge:
    """An edge of no feature between two places x, y, z."""
    east, north, rise = (float(one) for one in end - start)
    plan_m = float(np.hypot(east, north))
    azimuth_deg = float(np.degrees(np.arctan2(east, north)) % 360.0) if plan_m > NEAR_M else np.nan
    return _Edge(tail, head, float(np.hypot(plan_m, rise)), plan_m, azimuth_deg=azimuth_deg)


def _arrays(nodes: FloatArray, edges: Sequence[_Edge], site_node: IntArray) -> Corridors:
    x_m, y_m, z_m = nodes.T
    columns: dict[str, Any] = {name: [getattr(edge, name) for edge in edges] for name in _Edge._fields}
    for name, column in columns.items():
        if name == "ground":
            columns[name] = tuple(column)
        else:
            columns[name] = np.array(column, dtype=np.intp if name in _COUNTS else float)
    return Corridors(x_m=x_m, y_m=y_m, z_m=z_m, site_node=site_node, **columns)
