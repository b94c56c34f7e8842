"""The corridor graph: every way that tubing can take from the pump sites, with its length and what it costs.

Nodes are ends of ways, places where ways meet, ends of stretches that must stay free, and pump sites. Edges
are stretches of a mounting line or a link between nodes, and short joints where ways or a pump site meet at
different heights or with a gap.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import shapely

from geometry.chainage import (
    NEAR_M,
    FloatArray,
    IntArray,
    stretch_azimuths_deg,
    stretch_index,
    vertex_chainages_m,
)
from geometry.errors import ArgumentError
from geometry.joints import joined
from geometry.site import Site, Stretch
from geometry.ways import JOINED_M, Place, Way, meetings, ways

SNAP_M = 0.5
"""Ways whose ends or vertices come this close are joined."""
PUMP_SNAP_M = 1.0
"""A pump site this close to a way is joined to it."""
BEND_DEG = 30.0
"""A turn of more than this needs a fitting; tubing is led round lesser ones."""

_COUNTS = ("tail", "head", "line", "link", "bends")


@dataclass(frozen=True, eq=False)
class Corridors:
    """The graph as arrays: V nodes, E edges, S pump sites.

    `length_m` is what tubing needs: along the slope, times 1 + routing allowance; on joints the plain
    distance. `plan_m` is the edge in plan. `line`/`link` index the site's lines and links (-1 where the edge
    is on none; both on joints); `from_m`, `to_m` are the line's chainage at tail and head (NaN off lines).
    `ground`, `unit_cost` (NaN: priced by ground) and `sleeve_cost` (the link's, shared over its edges by
    length) belong to links. `bends` counts turns of more than 30 degrees inside the edge; azimuths are those
    of travel from tail to head at either end (NaN on a vertical joint).
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
    bends: IntArray
    tail_azimuth_deg: FloatArray
    head_azimuth_deg: FloatArray
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
    bends: int = 0
    tail_azimuth_deg: float = np.nan
    head_azimuth_deg: float = np.nan


def corridors(site: Site, routing_allowance: float, snap_m: float = SNAP_M) -> Corridors:
    """The corridor graph of a site: edges in the order of its lines, then links, then joints.

    Raises ArgumentError for a routing allowance below 0.
    """
    if not 0.0 <= routing_allowance < np.inf:
        raise ArgumentError(f"routing_allowance: {routing_allowance} is no share; give 0 or more")
    all_ways = ways(site)
    pumps = np.array([[one.x_m, one.y_m, one.elevation_m] for one in site.pump_sites]).reshape(-1, 3)
    meets = [*meetings(all_ways, snap_m), *_pump_meetings(pumps, all_ways)]
    stops = [
        _stops(way, [at for pair in meets for k, at in pair if k == i]) for i, way in enumerate(all_ways)
    ]
    places = [(i, at) for i, own in enumerate(stops) for at in own]
    points = np.array([*(all_ways[i].point(at) for i, at in places), *pumps]).reshape(-1, 3)
    places += [(len(all_ways) + s, 0.0) for s in range(len(pumps))]
    snapped = [(_stop_of(p, all_ways, stops), _stop_of(q, all_ways, stops)) for p, q in meets]
    number = {place: k for k, place in enumerate(places)}
    pairs = [(number[p], number[q]) for p, q in snapped if p and q]
    node, joints = joined(points, pairs)
    nodes = list(points[np.unique(node, return_index=True)[1]])
    node_at = dict(zip(places, node.tolist(), strict=True))
    edges = list(_way_edges(site, all_ways, node_at, nodes, routing_allowance))
    edges += [_joint(nodes, a, b) for a, b in joints]
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
    """Chainages of a way's nodes: ends of its free stretches, and meetings more than 1 cm from any other."""
    stops = sorted({way.on_line(end) for part in way.free for end in (part.from_m, part.to_m)})
    for at in sorted(meets_m):
        if way.carries(at) and all(way.apart(at, stop) > JOINED_M for stop in stops):
            stops.append(at)
    return sorted(stops)


def _stop_of(place: Place, all_ways: Sequence[Way], stops: Sequence[Sequence[float]]) -> Place | None:
    """The node's place that a meeting falls on; None on a stretch that carries no tubing."""
    i, at = place
    if i >= len(all_ways):
        return place
    near = [stop for stop in stops[i] if all_ways[i].apart(at, stop) <= JOINED_M]
    return (i, near[0]) if near else None


def _way_edges(
    site: Site, all_ways: Sequence[Way], node_at: dict[Place, int], nodes: list[FloatArray], allowance: float
) -> Iterator[_Edge]:
    """Edges along the ways from stop to stop; a loop gets a node half way, so that an edge has two ends."""
    for i, way in enumerate(all_ways):
        stops = [at for k, at in node_at if k == i]
        for part in way.free:
            inner = [at for at in stops if part.from_m + JOINED_M < at < part.to_m - JOINED_M]
            cuts = [part.from_m, *inner, part.to_m]
            ends = [node_at[i, way.on_line(at)] for at in cuts]
            for k in reversed([k for k in range(len(cuts) - 1) if ends[k] == ends[k + 1]]):
                cuts.insert(k + 1, (cuts[k] + cuts[k + 1]) / 2.0)
                ends.insert(k + 1, len(nodes))
                nodes.append(way.point(cuts[k + 1]))
            for k in range(len(cuts) - 1):
                yield _way_edge(site, way, ends[k], ends[k + 1], Stretch(cuts[k], cuts[k + 1]), allowance)


def _way_edge(site: Site, way: Way, tail: int, head: int, span: Stretch, allowance: float) -> _Edge:
    plan_m = span.to_m - span.from_m
    slope_m, bends = _course(way, span)
    first, last = stretch_index(way.path, [span.from_m, span.to_m - 2 * NEAR_M])
    azimuths = stretch_azimuths_deg(way.path)
    edge = _Edge(
        tail,
        head,
        length_m=slope_m * (1.0 + allowance),
        plan_m=plan_m,
        line=way.line,
        link=way.link,
        bends=bends,
        tail_azimuth_deg=float(azimuths[first]),
        head_azimuth_deg=float(azimuths[last]),
    )
    if way.link < 0:
        return edge._replace(from_m=span.from_m, to_m=span.to_m)
    link = site.links[way.link]
    share = plan_m / sum(part.to_m - part.from_m for part in way.free)
    unit_cost = np.nan if link.unit_cost is None else link.unit_cost
    return edge._replace(ground=link.ground, unit_cost=unit_cost, sleeve_cost=link.sleeve_cost * share)


def _course(way: Way, span: Stretch) -> tuple[float, int]:
    """Length of a stretch along the slope, and its number of bends."""
    at = vertex_chainages_m(way.path)
    within = np.flatnonzero((at > span.from_m + NEAR_M) & (at < span.to_m - NEAR_M))
    stops = np.concatenate([[span.from_m], at[within], [span.to_m]])
    rises = np.diff(np.interp(stops, at, way.tube_m))
    azimuths = stretch_azimuths_deg(way.path)
    bends = np.count_nonzero(turns_deg(azimuths[within - 1], azimuths[within]) > BEND_DEG)
    return float(np.hypot(np.diff(stops), rises).sum()), int(bends)


def _joint(nodes: Sequence[FloatArray], a: int, b: int) -> _Edge:
    east, north, rise = (float(one) for one in nodes[b] - nodes[a])
    plan_m = float(np.hypot(east, north))
    azimuth_deg = float(np.degrees(np.arctan2(east, north)) % 360.0) if plan_m > NEAR_M else np.nan
    length_m = float(np.hypot(plan_m, rise))
    return _Edge(a, b, length_m, plan_m, tail_azimuth_deg=azimuth_deg, head_azimuth_deg=azimuth_deg)


def turns_deg(from_azimuth_deg: FloatArray, to_azimuth_deg: FloatArray) -> FloatArray:
    """The angle between two directions, 0 to 180 degrees; NaN where one is vertical."""
    turns: FloatArray = np.abs((to_azimuth_deg - from_azimuth_deg + 180.0) % 360.0 - 180.0)
    return turns


def _arrays(nodes: Sequence[FloatArray], edges: Sequence[_Edge], site_node: IntArray) -> Corridors:
    x_m, y_m, z_m = np.array(nodes, dtype=float).reshape(-1, 3).T
    columns: dict[str, Any] = {name: [getattr(edge, name) for edge in edges] for name in _Edge._fields}
    for name, column in columns.items():
        if name == "ground":
            columns[name] = tuple(column)
        else:
            columns[name] = np.array(column, dtype=np.intp if name in _COUNTS else float)
    return Corridors(x_m=x_m, y_m=y_m, z_m=z_m, site_node=site_node, **columns)
