"""The tubing as drawn: links strung into long strokes, tubes of different circuits in one corridor side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.design import Design, Link
from optimizer.report.routes import Points, laid, link_paths, run_key
from optimizer.report.sheet import View
from optimizer.report.style import RunKey, natural

_APART_MM = 0.9  # between the tubes of different circuits in one corridor


@dataclass(frozen=True)
class Tube:
    """A stretch of one run in one size, as drawn: points in mm, water flowing from first to last."""

    run: RunKey
    tubing: str
    points_mm: Points


def tubes(design: Design, view: View) -> tuple[Tube, ...]:
    """The tubing on paper."""
    links = laid(design)
    paths = link_paths(links, design.nodes)
    shifts = [_APART_MM * lane for lane in lanes(links, paths)]
    found = []
    for chain in chains(links, paths):
        points, shift = strung([paths[k] for k in chain], [shifts[k] for k in chain])
        if len(points) > 1:
            first = links[chain[0]]
            found.append(Tube(run_key(first), first.tubing, beside(view.mm(points), shift)))
    return tuple(found)


def lanes(links: Sequence[Link], paths: Sequence[Points]) -> tuple[float, ...]:
    """How many tube distances left of the middle of its corridor each link lies, seen along its flow; 0 where it is
    alone.

    Circuits that share a stretch lie in their order from left to right, seen along the flow of the first.
    """
    ends = [(tuple(path[0]), tuple(path[-1])) for path in paths]
    start_of: dict[frozenset[tuple[float, ...]], dict[str, tuple[float, ...]]] = {}
    for link, pair in zip(links, ends, strict=True):
        start_of.setdefault(frozenset(pair), {}).setdefault(_owner(link), pair[0])
    found = []
    for link, pair in zip(links, ends, strict=True):
        starts = start_of[frozenset(pair)]
        order = sorted(starts, key=lambda name: natural([name]))
        side = 1 if starts[order[0]] == pair[0] else -1
        found.append(side * ((len(order) - 1) / 2 - order.index(_owner(link))))
    return tuple(found)


def _owner(link: Link) -> str:
    """Whose tube it is: a circuit's, or a main of its own."""
    return run_key(link)[0] or link.run


def chains(links: Sequence[Link], paths: Sequence[Points]) -> tuple[tuple[int, ...], ...]:
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
                chain.append(min(onward, key=lambda k: _turn(paths[chain[-1]], paths[k])))
                left.remove(chain[-1])
            found.append(tuple(chain))
    return tuple(found)


def _kind(link: Link, node: str) -> tuple[str, ...]:
    return (link.circuit, link.run, link.tubing, node)


def _turn(before: Points, after: Points) -> float:
    """1 - cosine of the turn from one path into the next: straight on is 0."""
    first, second = before[-1] - before[-2], after[1] - after[0]
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
