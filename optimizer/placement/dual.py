"""Bound from prices: Lagrangean decomposition by line.

Relaxed are the rows (1) of model A for cells that several intervals cover, with multipliers m_c in
[0, v_c], and the capacity of the circuits, with a price p_g for a nozzle of each schedule group. With room
for r_g nozzles of each group and any such prices

    bound = sum_g p_g r_g + sum_c (v_c - m_c) + sum over lines of the best choice at these prices

is not below the best placement. Prices follow Polyak's step along an average of the slopes met so far, as
in the volume algorithm (Barahona and Anbil 2000).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimizer.placement.lines import Lines, best_by_line
from optimizer.placement.problem import BoolArray, FloatArray, IntArray, PlacementProblem

NEW_SLOPE = 0.3  # weight of the newest slope in the average
PATIENCE = 8  # iterations without a better bound before the step is halved
LEAST_STEP = 1e-3  # share of Polyak's step at which the descent ends
BETTER = 1e-6  # relative improvement of the bound that counts
NOZZLE_SCALE = 0.03  # moves of a nozzle's price against moves of multipliers: counts react steeply to prices


@dataclass(frozen=True, eq=False)
class Dual:
    """A problem ready for pricing.

    room [groups]: nozzles that the circuits of each group take; shared, covered [C]: several intervals, any
    interval covers the cell; group [P]: schedule group of each place.
    """

    problem: PlacementProblem
    lines: Lines
    room: FloatArray
    shared: BoolArray
    covered: BoolArray
    group: IntArray


@dataclass(frozen=True, eq=False)
class Prices:
    """cell [C]: multiplier of each cell; nozzle [groups]: price of a nozzle of each group."""

    cell: FloatArray
    nozzle: FloatArray


@dataclass(frozen=True, eq=False)
class Priced:
    """What prices tell: an upper bound, the choice behind it (places bool [P]), the bound's slope."""

    bound: float
    places: BoolArray
    slope: Prices


def dual_of(problem: PlacementProblem, lines: Lines, circuits: tuple[int, ...]) -> Dual:
    """Price `problem`, taken apart as `lines`, with so many circuits for each group."""
    tracks = lines.tracks
    room = np.array(circuits, dtype=float) * problem.per_circuit
    group = problem.group[tracks.order]
    return Dual(problem, lines, room, tracks.intervals > 1, tracks.intervals > 0, group)


def first_prices(dual: Dual, nozzle: FloatArray) -> Prices:
    """A cell's value divided evenly over its intervals; nozzle [groups]: prices to begin with."""
    return Prices(dual.problem.value / np.maximum(1, dual.lines.tracks.intervals), nozzle)


def priced(dual: Dual, prices: Prices) -> Priced:
    """Bound, choice and slope at the given prices."""
    problem, tracks = dual.problem, dual.lines.tracks
    by_line, places = best_by_line(dual.lines, prices.cell[tracks.cell], prices.nozzle[dual.group])
    kept = float((problem.value - prices.cell)[dual.covered].sum())
    bound = float(dual.room @ prices.nozzle) + kept + by_line
    before = np.concatenate([[0], np.cumsum(places)])
    hit = before[tracks.last + 1] > before[tracks.first]
    hits = np.bincount(tracks.cell[hit], minlength=len(problem.value))
    wanted = np.where(prices.cell < problem.value, 1, np.minimum(hits, 1))
    used = np.bincount(dual.group[places], minlength=problem.groups)
    return Priced(bound, places, Prices(np.where(dual.shared, hits - wanted, 0.0), dual.room - used))


def descend(
    dual: Dual,
    prices: Prices,
    visit: Callable[[int, Priced, float], float | None],
    iterations: int,
) -> float:
    """Lower the bound step by step; returns the best bound met.

    visit(iteration, priced, best bound) sees every choice and returns the value of the best placement
    known, at which the step aims, or None to end the descent.
    """
    value = dual.problem.value
    scale = NOZZLE_SCALE * np.maximum(prices.nozzle, 0.1 * value.sum() / max(1.0, dual.room.sum()))
    best, step, idle = np.inf, 1.0, 0
    centre = (prices, prices)  # prices of the best bound and the slope there
    direction: Prices | None = None
    for iteration in range(iterations):
        here = priced(dual, prices)
        slope = here.slope
        idle = 0 if here.bound < best * (1.0 - BETTER) else idle + 1
        if here.bound < best:
            best, centre = here.bound, (prices, slope)
        known = visit(iteration, here, best)
        if idle >= PATIENCE:
            step, idle, direction = step / 2.0, 0, None
            prices, slope = centre
        direction = _averaged(Prices(value * slope.cell, scale * slope.nozzle), direction)
        size = float(direction.cell @ direction.cell + direction.nozzle @ direction.nozzle)
        if known is None or size <= 0.0 or step < LEAST_STEP:
            break
        length = step * max(here.bound - known, BETTER * abs(best)) / size
        prices = Prices(
            np.clip(prices.cell - length * value * direction.cell, 0.0, value),
            np.maximum(prices.nozzle - length * scale * direction.nozzle, 0.0),
        )
    return float(best)


def _averaged(slope: Prices, before: Prices | None) -> Prices:
    if before is None:
        return slope
    old = 1.0 - NEW_SLOPE
    return Prices(
        NEW_SLOPE * slope.cell + old * before.cell, NEW_SLOPE * slope.nozzle + old * before.nozzle
    )
