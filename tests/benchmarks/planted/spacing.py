"""Least spacing as the rule's words have it, from the drawn lines and footprints alone.

Along one line nozzles stand at least so far apart by chainage. In straight distance they also do, on one line or two,
unless they mist no common ground. Planted designs and judged ones each leave a margin, on their own side of the rule,
for ground that is shared or not by a hair.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from shapely import LineString, Polygon

NEAR_M = 1e-6
CLEAR_M = 0.25  # between the footprints of planted nozzles that stand close: they mist no common ground
GRAIN = math.sqrt(0.5)  # a disc of this share of a square grid's step holds one of its points wherever it lies


@dataclass(frozen=True)
class Spot:
    """A nozzle: its line, its chainage on it, and what it mists."""

    line: LineString
    chainage_m: float
    footprint: Polygon


def stand_apart(one: Spot, other: Spot, least_m: float) -> bool:
    """Whether two nozzles keep the least spacing, whatever is taken as shared ground."""
    if along_m(one, other) < least_m - NEAR_M:
        return False
    return straight_m(one, other) >= least_m or float(one.footprint.distance(other.footprint)) > CLEAR_M


def stand_close(one: Spot, other: Spot, least_m: float, ground: Polygon, grain_m: float) -> bool:
    """Whether two nozzles break the least spacing, the ground that they share in any case a point of a grid's step.

    ground: where mist counts.
    """
    if along_m(one, other) < least_m - NEAR_M:
        return True
    if straight_m(one, other) >= least_m - NEAR_M:
        return False
    shared = one.footprint.intersection(other.footprint).intersection(ground)
    return not shared.buffer(-GRAIN * grain_m).is_empty


def along_m(one: Spot, other: Spot) -> float:
    """Distance along a line, the shorter way round on a closed one; infinite on different lines."""
    if not one.line.equals(other.line):
        return math.inf
    apart = abs(one.chainage_m - other.chainage_m)
    return min(apart, float(one.line.length) - apart) if one.line.is_closed else apart


def straight_m(one: Spot, other: Spot) -> float:
    """Distance in plan."""
    a, b = (spot.line.interpolate(spot.chainage_m) for spot in (one, other))
    return float(a.distance(b))
