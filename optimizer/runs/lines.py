"""Straight lines above and below a loss curve that is given at 0, 1, 2, ... nozzles."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Line = tuple[float, float]  # slope (Pa a nozzle) and value at 0 (Pa)
Floats = NDArray[np.float64]


def above(curve: Floats, most: int) -> tuple[Line, ...]:
    """At most so many lines whose greatest value is nowhere below a curve given at 0, 1, 2, ...: chords,
    raised where the curve is not convex.
    """
    last = len(curve) - 1
    if last == 0:
        return ((0.0, float(curve[0])),)
    knots = sorted({round(last * (i / most) ** 1.5) for i in range(most + 1)})
    return _shifted(curve, [_through(curve, a, b) for a, b in pairwise(knots)])


def _shifted(curve: Floats, lines: list[Line]) -> tuple[Line, ...]:
    at = np.arange(len(curve))
    greatest = np.max([slope * at + value for slope, value in lines], axis=0)
    lack = max(0.0, float((curve - greatest).max()))
    return tuple((slope, value + lack) for slope, value in lines)


def below(curve: Floats, most: int) -> tuple[Line, ...]:
    """At most so many lines nowhere above a curve given at 0, 1, 2, ...: edges of its lower hull."""
    hull: list[int] = []
    for i in range(len(curve)):
        while len(hull) > 1 and _turns_down(curve, hull[-2], hull[-1], i):
            hull.pop()
        hull.append(i)
    if len(hull) == 1:
        return ((0.0, float(curve[0])),)
    edges = list(pairwise(hull))
    picked = sorted({round(i * (len(edges) - 1) / max(1, most - 1)) for i in range(most)})
    return tuple(_through(curve, *edges[i]) for i in picked)


def _through(curve: Floats, a: int, b: int) -> Line:
    slope = float(curve[b] - curve[a]) / (b - a)
    return slope, float(curve[a]) - slope * a


def _turns_down(curve: Floats, a: int, b: int, c: int) -> bool:
    return bool((curve[b] - curve[a]) * (c - b) >= (curve[c] - curve[b]) * (b - a))
