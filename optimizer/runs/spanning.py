"""Every tree that one circuit may be: all spanning trees of the corridors, tubing that feeds nobody cut off."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations, pairwise
from math import comb
from typing import NamedTuple

from optimizer.runs.prepared import Prepared
from optimizer.runs.segments import Way


class _Stretch(NamedTuple):
    """Pieces between two points at which a tree may branch, end or feed a nozzle."""

    a: int
    b: int
    pieces: tuple[int, ...]


def every_tree(prepared: Prepared, root: int, served: frozenset[int], most: int) -> list[bytes] | None:
    """Flags by piece of every tree from the root whose ends are all served points; none where it does not reach them.

    root, served: points of the segments; most: spanning trees to look at, None is the answer where more may be.
    """
    stretches = _needed(
        [part for way in prepared.segments.ways[::2] for part in _parts(way, served)], root, served
    )
    points = {root, *(p for one in stretches for p in one[:2])}
    if not served <= points or len(_reached(stretches, root)) < len(points):
        return []
    loops = len(stretches) - len(points) + 1
    if comb(len(stretches), loops) > most:
        return None
    found: dict[bytes, None] = {}
    for cut in combinations(range(len(stretches)), loops):
        kept = [one for i, one in enumerate(stretches) if i not in cut]
        if len(_reached(kept, root)) == len(points):
            found.setdefault(_flags(prepared, _needed(kept, root, served)))
    return list(found)


def _parts(way: Way, served: frozenset[int]) -> list[_Stretch]:
    """A segment cut at the points served on it."""
    last = len(way.points) - 1
    stops = [i for i, point in enumerate(way.points) if i in (0, last) or point in served]
    return [_Stretch(way.points[i], way.points[j], way.pieces[i:j]) for i, j in pairwise(stops)]


def _needed(stretches: Sequence[_Stretch], root: int, served: frozenset[int]) -> list[_Stretch]:
    """Without stretches that lead nowhere, or that do not hang together with the root."""
    reached = _reached(stretches, root)
    left = [one for one in stretches if one.a in reached]
    while True:
        ends = [p for one in left for p in one[:2]]
        spare = {p for p in ends if ends.count(p) == 1} - served - {root}
        if not spare:
            return left
        left = [one for one in left if spare.isdisjoint(one[:2])]


def _reached(stretches: Iterable[_Stretch], root: int) -> set[int]:
    ways: dict[int, list[int]] = {}
    for one in stretches:
        ways.setdefault(one.a, []).append(one.b)
        ways.setdefault(one.b, []).append(one.a)
    reached, stack = {root}, [root]
    while stack:
        for p in ways.get(stack.pop(), ()):
            if p not in reached:
                reached.add(p)
                stack.append(p)
    return reached


def _flags(prepared: Prepared, stretches: Sequence[_Stretch]) -> bytes:
    flags = bytearray(len(prepared.segments.piece))
    for one in stretches:
        for e in one.pieces:
            flags[e] = 1
    return bytes(flags)
