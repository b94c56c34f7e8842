"""The tubing as drawn: links strung into long strokes, tubes of different circuits in one corridor side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geometry.site import Site
from optimizer.design import Design, Link
from optimizer.report.routes import Points, Route, laid, link_routes, sampled, tracks_of
from optimizer.report.sheet import View
from optimizer.report.style import RunKey, natural

_APART_MM = 0.9  # between the tubes of different circuits in one corridor
_CELL_M, _SHARED = 0.5, 0.6  # circuits share a link's corridor when they share this part of its squares of ground


@dataclass(frozen=True)
class Tube:
    """A stretch of one run in one size, as drawn: points in mm, water flowing from first to last."""

    run: RunKey
    tubing: str
    points_mm: Points


def tubes(design: Design, site: Site, view: View) -> tuple[Tube, ...]:
    """The tubing on paper."""
    links = laid(design)
    routes = link_routes(links, design.nodes, tracks_of(site))
    shifts = [_APART_MM * route.side * lane for route, lane in zip(routes, lanes(links, routes), strict=True)]
    found = []
    for chain in chains(links, routes):
        points, shift = strung([routes[k].points for k in chain], [shifts[k] for k in chain])
        if len(points) > 1:
            first = links[chain[0]]
            found.append(Tube((first.circuit, first.run), first.tubing, beside(view.mm(points), shift)))
    return tuple(found)


def lanes(links: Sequence[Link], routes: Sequence[Route]) -> tuple[float, ...]:
    """How many tube distances left of the middle of its corridor, as drawn, each link lies; 0 where it is alone."""
    ground = [_squares(route) for route in routes]
    by_circuit: dict[str, set[tuple[int, int]]] = {}
    for link, squares in zip(links, ground, strict=True):
        by_circuit.setdefault(link.circuit, set()).update(squares)
    found = []
    for link, squares in zip(links, ground, strict=True):
        here = [c for c, of_all in by_circuit.items() if len(squares & of_all) >= _SHARED * len(squares)]
        order = sorted(here, key=lambda name: natural([name]))
        found.append((len(order) - 1) / 2 - order.index(link.circuit))
    return tuple(found)


def _squares(route: Route) -> set[tuple[int, int]]:
    """The squares of ground that a route passes, those of its ends left out where it has others."""
    cells = np.rint(sampled(route.points, _CELL_M / 2) / _CELL_M).astype(int)
    inner = cells[2:-2] if len(cells) > 6 else cells
    return set(map(tuple, inner.tolist()))


def chains(links: Sequence[Link], routes: Sequence[Route]) -> tuple[tuple[int, ...], ...]:
    """Links (by index) strung together: each chain is of one circuit, run and tubing and follows the water.

    Every link is in exactly one chain. Long chains keep dash patterns whole across nozzles.
    """
    start_of: dict[tuple[str, ...], list[int]] = {}
    for index, link in enumerate(links):
        start_of.setdefault(_kind(link, link.from_), []).append(index)
    ends = {_kind(link, link.to) for link in links}
    heads = [index for index, link in enumerate(links) if _kind(link, link.from_) not in ends]
    found, left = [], set(range(len(links)))
    for head in (*heads, *range(len(links))):
        while head in left:
            chain = [head]
            left.remove(head)
            while onward := [k for k in start_of.get(_kind(links[chain[-1]], links[chain[-1]].to), ()) if k in left]:
                chain.append(min(onward, key=lambda k: _turn(routes[chain[-1]], routes[k])))
                left.remove(chain[-1])
            found.append(tuple(chain))
    return tuple(found)


def _kind(link: Link, node: str) -> tuple[str, ...]:
    return (link.circuit, link.run, link.tubing, node)


def _turn(before: Route, after: Route) -> float:
    """1 - cosine of the turn from one route into the next: straight on is 0."""
    first, second = before.points[-1] - before.points[-2], after.points[1] - after.points[0]
    scale = np.hypot(*first) * np.hypot(*second)
    return 1.0 - float(first @ second / scale) if scale > 0 else 0.0


def strung(paths: Sequence[Points], shifts: Sequence[float]) -> tuple[Points, Points]:
    """Paths one after the other as one, without repeated points, and the shift of each of its straight parts."""
    points = np.vstack(paths)
    steps = np.concatenate([np.full(len(path), shift) for path, shift in zip(paths, shifts, strict=True)])
    moved = np.hypot(*np.diff(points, axis=0).T) > 1e-9
    return points[np.concatenate([[True], moved])], steps[1:][moved]


def beside(points: Points, shift: Points) -> Points:
    """The path with each straight part shifted to its left (negative: right); unit of the points.

    Corners are mitred; where the shift changes the path jumps from the one to the other.
    """
    step = np.diff(points, axis=0)
    normal = np.column_stack([-step[:, 1], step[:, 0]]) / np.hypot(*step.T)[:, None]
    found = [points[0] + shift[0] * normal[0]]
    for k in range(1, len(step)):
        if shift[k - 1] == shift[k]:
            middle = normal[k - 1] + normal[k]
            scale = max(float(middle @ normal[k]), 0.4)  # a sharp turn is cut short, not drawn as a spike
            found.append(points[k] + shift[k] * middle / scale)
        else:
            found += [points[k] + shift[k - 1] * normal[k - 1], points[k] + shift[k] * normal[k]]
    return np.array([*found, points[-1] + shift[-1] * normal[-1]])
