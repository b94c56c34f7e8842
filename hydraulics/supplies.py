"""What several pumps do together, where net flows follow pressures linearly.

Each supply holds its set pressure while its net flow is at most what its pump delivers, starves below it where more
is taken, and its non-return valve shuts where the others hold it above its set pressure:

    p = set and 0 <= F <= D(p),    or p < set and F = D(p),    or p > set and F = 0

The net flows rise with the own pressure and fall with the others', so one answer exists; it is found by changing what
one supply does at a time, the first that is wrong (principal pivoting by least index, Murty 1974, memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hydraulics.pump import Pump

Floats = NDArray[np.float64]

HOLDS, STARVES, SHUT = 0, 1, 2
SLIGHT = 1e-12  # relative, of set pressure and delivery
SECANT = 1e-6  # relative, of the set pressure: over which the slope of a delivery is read


class Held(NamedTuple):
    """Pressures [S] and net flows [S] of the supplies."""

    pressure_pa: Floats
    net_m3_s: Floats


def held_together(pumps: Sequence[Pump], pressure_pa: Floats, net_m3_s: Floats, slope_m3_s_pa: Floats) -> Held:
    """What the pumps hold against net flows net + slope @ (p - pressure), slope: [S, S]."""
    count, does = len(pumps), [HOLDS] * len(pumps)
    if count == 1:
        at = np.array([pumps[0].held_pa(float(pressure_pa[0]), float(net_m3_s[0]), float(slope_m3_s_pa[0, 0]))])
        return Held(at, net_m3_s + slope_m3_s_pa @ (at - pressure_pa))
    at, net = pressure_pa, net_m3_s
    for _ in range(8 * count):
        at = _pressures_pa(pumps, does, pressure_pa, net_m3_s, slope_m3_s_pa)
        net = net_m3_s + slope_m3_s_pa @ (at - pressure_pa)
        wrong = _first_wrong(pumps, does, at, net)
        if wrong is None:
            break
        does[wrong[0]] = wrong[1]
    return Held(at, np.where(np.equal(does, SHUT), 0.0, net))  # without what rounding lets through


def supply_residual(pump: Pump, pressure_pa: float, net_m3_s: float) -> float:
    """How far a supply is off its law, over the set pressure or the delivery."""
    idle = 1 - pressure_pa / pump.set_pressure_pa
    flow = net_m3_s / pump.delivery_m3_s
    most = pump.delivery_at_m3_s(min(pressure_pa, pump.set_pressure_pa)) / pump.delivery_m3_s
    return abs(flow - min(max(flow + idle, 0.0), most))


def _pressures_pa(
    pumps: Sequence[Pump], does: Sequence[int], pressure_pa: Floats, net_m3_s: Floats, slope_m3_s_pa: Floats
) -> Floats:
    """Where all do what they are said to do; where nothing is left to hold a pressure, at the set pressures."""
    matrix, right = np.eye(len(pumps)), np.array([pump.set_pressure_pa for pump in pumps])
    for i, pump in enumerate(pumps):
        if does[i] != HOLDS:
            matrix[i], right[i] = slope_m3_s_pa[i], slope_m3_s_pa[i] @ pressure_pa - net_m3_s[i]
        if does[i] == STARVES:
            delivery, by_pressure = _delivery(pump, float(pressure_pa[i]))
            matrix[i, i] -= by_pressure
            right[i] += delivery - by_pressure * pressure_pa[i]
    if HOLDS not in does and not np.linalg.cond(matrix) < 1 / np.finfo(float).eps:
        return np.array([pump.set_pressure_pa for pump in pumps])
    return np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)


def _first_wrong(pumps: Sequence[Pump], does: Sequence[int], at_pa: Floats, net_m3_s: Floats) -> tuple[int, int] | None:
    """The first supply that cannot do what it is said to do, and what it does instead."""
    for i, pump in enumerate(pumps):
        slight = SLIGHT * pump.delivery_m3_s
        over = (float(at_pa[i]) - pump.set_pressure_pa) / pump.set_pressure_pa
        if does[i] == HOLDS and net_m3_s[i] < -slight:
            return i, SHUT
        if does[i] == HOLDS and net_m3_s[i] > pump.delivery_m3_s + slight:
            return i, STARVES
        if (does[i] == SHUT and over < -SLIGHT) or (does[i] == STARVES and over > SLIGHT):
            return i, HOLDS
    return None


def _delivery(pump: Pump, pressure_pa: float) -> tuple[float, float]:
    """Delivery at a pressure below the set pressure and its slope there."""
    below = SECANT * pump.set_pressure_pa
    high = min(pressure_pa, pump.set_pressure_pa)
    low_flow, flow = pump.delivery_at_m3_s(high - below), pump.delivery_at_m3_s(high)
    return flow, min(0.0, (flow - low_flow) / below)
