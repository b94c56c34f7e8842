"""Pareto labels (pressure needed, cost) in arrays: with this pressure at a place, all beyond it can be fed at
this cost.

Needs rise and costs fall along a list. Lists are exact as long as both lists that are merged fit into the
room; else labels whose needs lie in one step of a grid are thinned to the cheapest of them, whose own need is
kept: so that thinned labels still hold, and only cheaper ones of less need are lost.
"""

from __future__ import annotations

import math

from optimizer.runs.compiled import jit
from optimizer.runs.flat import Floats


@jit
def add(need: Floats, cost: Floats, count: int, new_need: float, new_cost: float, cap: float, grid: float) -> int:
    """Append a label no less in need than the last, unless it is worthless; returns the number of labels.

    Beyond the cap only the least need counts. grid: 0 to keep all.
    """
    if count > 0:
        if new_cost >= cost[count - 1] or new_need > cap:
            return count
        last = need[count - 1]
        same = last >= new_need
        if not same and grid > 0.0 and last > -math.inf:
            same = math.floor(last / grid) == math.floor(new_need / grid)
        if same or count == len(need):
            count -= 1
    need[count], cost[count] = new_need, new_cost
    return count + 1


@jit
def step_of(count: int, room: int, low: float, cap: float) -> float:
    """Grid for a merge that may give so many labels: 0 where they fit."""
    return 0.0 if count <= room else (cap - low) / (room - 4)


@jit
def joined(
    one: Floats, one_cost: Floats, ones: int, two: Floats, two_cost: Floats, twos: int,
    need: Floats, cost: Floats, cap: float, grid: float,
) -> int:  # fmt: skip
    """Labels of two branches together: the greater need, both costs."""
    i = j = count = 0
    here = max(one[0], two[0])
    while True:
        while i + 1 < ones and one[i + 1] <= here:
            i += 1
        while j + 1 < twos and two[j + 1] <= here:
            j += 1
        count = add(need, cost, count, here, one_cost[i] + two_cost[j], cap, grid)
        following = math.inf
        if i + 1 < ones:
            following = one[i + 1]
        if j + 1 < twos:
            following = min(following, two[j + 1])
        if following == math.inf:
            return count
        here = following


@jit
def extended(
    old: Floats, old_cost: Floats, olds: int, below: Floats, below_cost: Floats, belows: int,
    inner: float, drop: float, price: float, need: Floats, cost: Floats, cap: float, grid: float,
) -> int:  # fmt: skip
    """The old labels at a unit's start (of other sizes; perhaps none), with those of one more size.

    With it a label beyond becomes (max(inner, need + drop), cost + price).
    """
    i = j = count = 0
    while j + 1 < belows and below[j + 1] + drop <= inner:
        j += 1
    while i < olds or j < belows:
        shifted = max(inner, below[j] + drop) if j < belows else math.inf
        if i < olds and old[i] <= shifted:
            count = add(need, cost, count, old[i], old_cost[i], cap, grid)
            i += 1
        else:
            count = add(need, cost, count, shifted, below_cost[j] + price, cap, grid)
            j += 1
    return count


@jit
def cheapest(need: Floats, count: int, pressure: float) -> int:
    """The last label that a pressure allows, the first if none."""
    low, high = 0, count
    while high - low > 1:
        middle = (low + high) // 2
        if need[middle] <= pressure:
            low = middle
        else:
            high = middle
    return low
