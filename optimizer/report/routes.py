"""The tubing of a design in plan, and what drawing needs of lines: lengths, parts, points along them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.site import Site
from optimizer.design import Design, Link, Node

Points = NDArray[np.float64]  # [n, 2], metres or millimetres as the caller says


def ways(site: Site) -> tuple[Any, ...]:
    """The lines, as drawn, of a site's mounting lines and tubing links."""
    return (*(one.line for one in site.lines), *(one.line for one in site.links))


def laid(design: Design) -> tuple[Link, ...]:
    """The links that are tubing on site: all but those between two nodes at one place, which stand for what a
    pump's manifold, filter and valve lose."""
    place = {node.id: (node.x_m, node.y_m, node.z_m) for node in design.nodes}
    return tuple(link for link in design.links if place[link.from_] != place[link.to])


def run_key(link: Link) -> tuple[str, str]:
    """Circuit and run that a link is drawn for; a main belongs to no circuit."""
    return ("" if link.shared else link.circuit, link.run)


def valve_boxes(design: Design) -> dict[str, str]:
    """The node of each valve box in the field, where a main ends, with the pump's main that leads there."""
    mains = [link for link in design.links if link.shared]
    return {link.to: link.run for link in mains if all(link.to != other.from_ for other in mains)}


def link_paths(links: Sequence[Link], nodes: Iterable[Node]) -> tuple[Points, ...]:
    """The path [2, 2] of each link in plan metres, straight from its first node to its second."""
    place = {node.id: (node.x_m, node.y_m) for node in nodes}
    return tuple(np.array([place[link.from_], place[link.to]]) for link in links)


def part(points: Points, from_m: float, to_m: float) -> Points:
    """A path between two chainages in the unit of its points, with its bends."""
    at = _chainages(points)
    return _interpolated(points, at, np.array([from_m, *at[(at > from_m) & (at < to_m)], to_m]))


def path_length(points: Points) -> float:
    """Length of a path [n, 2], in the unit of its points."""
    return float(_chainages(points)[-1])


def sampled(points: Points, step: float) -> Points:
    """Points [m, 2] along a path, both ends among them, at most `step` apart."""
    at = _chainages(points)
    return _interpolated(points, at, np.linspace(0.0, at[-1], max(2, math.ceil(at[-1] / step) + 1)))


def _chainages(points: Points) -> Points:
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def _interpolated(points: Points, at: Points, places: Points) -> Points:
    return np.column_stack([np.interp(places, at, points[:, axis]) for axis in (0, 1)])
