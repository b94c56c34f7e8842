"""Where the tubing of a design runs in plan.

A design knows each link's ends and length; its bends are those of the mounting line or tubing link that
carries it. Here they are found again, for drawing only: no figure of a design is computed from these paths.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.site import Site
from optimizer.design import Design, Link, Node

Points = NDArray[np.float64]  # [n, 2], metres or millimetres as the caller says

JOIN_M = 1.1  # features further apart than this are never joined (geometry joins a pump site within 1 m)
_FAR_COST = 2.0  # metres of length misfit that one metre beside the track weighs


@dataclass(frozen=True)
class Track:
    """A feature that carries tubing: vertices in plan metres, the first repeated at the end when closed."""

    points: Points
    closed: bool

    @property
    def chainage_m(self) -> NDArray[np.float64]:
        """Plan metres along the track at each vertex."""
        steps = np.hypot(*np.diff(self.points, axis=0).T)
        return np.concatenate([[0.0], np.cumsum(steps)])


@dataclass(frozen=True)
class Route:
    """A link's path, from its first to its second node; `side` +1 when it runs the way its track is drawn,
    else -1."""

    points: Points
    side: int


def track_of(points: Iterable[Sequence[float]]) -> Track:
    """Track through points (x, y, ...) in metres; repeated points are dropped."""
    plan = np.array([point[:2] for point in points], dtype=float)
    moved = np.concatenate([[True], np.any(np.diff(plan, axis=0) != 0, axis=1)])
    closed = len(plan) > 2 and bool(np.array_equal(plan[0], plan[-1]))
    return Track(plan[moved], closed)


def tracks_of(site: Site) -> tuple[Track, ...]:
    """The features of a site that may carry tubing: mounting lines, then links."""
    return tuple(track_of(line.coords) for line in ways(site))


def ways(site: Site) -> tuple[Any, ...]:
    """The lines, as drawn, of a site's mounting lines and tubing links."""
    return (*(one.line for one in site.lines), *(one.line for one in site.links))


def laid(design: Design) -> tuple[Link, ...]:
    """The links that are tubing on site: all but those between two nodes at one place, which stand for what a
    pump's manifold, filter and valve lose."""
    place = {node.id: (node.x_m, node.y_m, node.z_m) for node in design.nodes}
    return tuple(link for link in design.links if place[link.from_] != place[link.to])


def link_routes(links: Sequence[Link], nodes: Sequence[Node], tracks: Sequence[Track]) -> tuple[Route, ...]:
    """The route of each link: along the track that both its ends lie on and whose stretch fits its length
    best, else straight."""
    place = {node.id: np.array([node.x_m, node.y_m]) for node in nodes}
    feet = [
        {key: foot for key, point in place.items() if (foot := _foot(point, track))[1] <= JOIN_M} for track in tracks
    ]
    return tuple(_route(link, place, tracks, feet) for link in links)


def _route(
    link: Link,
    place: Mapping[str, Points],
    tracks: Sequence[Track],
    feet: Sequence[Mapping[str, tuple[float, float]]],
) -> Route:
    start, end = place[link.from_], place[link.to]
    straight = Route(np.array([start, end]), 1 if tuple(start) <= tuple(end) else -1)
    choices = [(_misfit(straight.points, link.length_m), straight)]
    for track, foot in zip(tracks, feet, strict=True):
        if link.from_ in foot and link.to in foot:
            beside = _FAR_COST * (foot[link.from_][1] + foot[link.to][1])
            for inner, side in _stretches(track, foot[link.from_][0], foot[link.to][0]):
                points = np.vstack([start, inner, end])
                choices.append((_misfit(points, link.length_m) + beside, Route(points, side)))
    return min(choices, key=lambda choice: choice[0])[1]


def _misfit(points: Points, length_m: float) -> float:
    return abs(path_length(points) - length_m)


def _stretches(track: Track, from_m: float, to_m: float) -> list[tuple[Points, int]]:
    """Inner vertices of the ways from one chainage to another: one on an open track, two on a closed one."""
    low, high = sorted((from_m, to_m))
    side = 1 if to_m >= from_m else -1
    at = track.chainage_m
    ways = [(track.points[(at > low) & (at < high)][::side], side)]
    if track.closed:
        outer = np.vstack([track.points[:-1][at[:-1] > high], track.points[:-1][at[:-1] < low]])
        ways.append((outer[::-side], -side))
    return ways


def part(track: Track, from_m: float, to_m: float) -> Points:
    """The track between two chainages in metres, with its bends; on a closed track `from_m` may be after
    `to_m`."""
    if track.closed and from_m > to_m:
        return np.vstack([part(track, from_m, track.chainage_m[-1]), part(track, 0.0, to_m)])
    at = track.chainage_m
    ends = np.column_stack([np.interp((from_m, to_m), at, track.points[:, axis]) for axis in (0, 1)])
    return np.vstack([ends[:1], track.points[(at > from_m) & (at < to_m)], ends[1:]])


def _foot(point: Points, track: Track) -> tuple[float, float]:
    """Chainage and distance, both in metres, of the track's place nearest to a point."""
    start, step = track.points[:-1], np.diff(track.points, axis=0)
    squared = np.sum(step**2, axis=1)
    share = np.clip(np.sum((point - start) * step, axis=1) / squared, 0.0, 1.0)
    distance = np.hypot(*(start + share[:, None] * step - point).T)
    nearest = int(np.argmin(distance))
    return float(track.chainage_m[nearest] + share[nearest] * np.sqrt(squared[nearest])), float(distance[nearest])


def path_length(points: Points) -> float:
    """Length of a path [n, 2], in the unit of its points."""
    return float(np.sum(np.hypot(*np.diff(points, axis=0).T)))


def sampled(points: Points, step: float) -> Points:
    """Points [m, 2] along a path, both ends among them, at most `step` apart."""
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    steps = np.linspace(0.0, at[-1], max(2, math.ceil(at[-1] / step) + 1))
    return np.column_stack([np.interp(steps, at, points[:, axis]) for axis in (0, 1)])
