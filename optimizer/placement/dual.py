"""Bound from prices: Lagrangean decomposition by strand.

Relaxed are the rows (1) of model A for cells that several intervals cover or that two nozzles must reach, with
multipliers m_c, the rows of `coupling` with prices p_r, and the floors (9) with prices r_f. With v'_c = v_c +
sum_f r_f area_fc, for any such prices that are not negative

    bound = sum_r p_r room_r - sum_f r_f least_f + sum_c (v'_c - need_c m_c)+ + best of every strand at these prices

is not below the best placement. Prices follow Polyak's step along an average of the slopes met so far, as in the
volume algorithm (Barahona and Anbil 2000).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from optimizer.placement.coupling import Coupling, coupling_of
from optimizer.placement.lines import Lines, best_by_line
from optimizer.placement.problem import BoolArray, FloatArray, PlacementProblem

NEW_SLOPE = 0.3  # weight of the newest slope in the average
PATIENCE = 12  # iterations without a better bound before the step is halved
LEAST_STEP = 1e-3  # share of Polyak's step at which the descent ends
AIM = 0.98  # of the best value known: steps aim below it, which halving takes back
BETTER = 1e-6  # relative improvement of the bound that counts
VALUE_POWER = 0.5  # of a cell's value in how far its multiplier moves, the rest of the mean
ROW_SCALE = 0.06  # moves of the prices of coupling rows against moves of multipliers: choices react steeply to them


@dataclass(frozen=True, eq=False)
class Dual:
    """A problem ready for pricing.

    coupling: its rows between strands; at_places [R, P]: their coefficients at the places of the tracks; floors
    [F, C]: area of each cell in each floor; least [F]; shared, covered [C]: several intervals or nozzles, enough
    candidates to count at all; summed [C]: two nozzles must reach it, or dosage be enough; twice [C, P]: what places
    bring to such cells; bonus [P].
    """

    problem: PlacementProblem
    lines: Lines
    coupling: Coupling
    at_places: sp.csr_array
    floors: FloatArray
    least: FloatArray
    shared: BoolArray
    covered: BoolArray
    summed: BoolArray
    twice: sp.csr_array
    bonus: FloatArray


@dataclass(frozen=True, eq=False)
class Prices:
    """cell [C]: multiplier of each cell; row [R]: price of each coupling row; floor [F]: price of each floor."""

    cell: FloatArray
    row: FloatArray
    floor: FloatArray


@dataclass(frozen=True, eq=False)
class Priced:
    """What prices tell: an upper bound, the choice behind it (places bool [P]), the bound's slope."""

    bound: float
    places: BoolArray
    slope: Prices


def dual_of(problem: PlacementProblem, lines: Lines) -> Dual:
    """Price `problem`, taken apart as `lines`."""
    tracks, cells = lines.tracks, len(problem.value)
    coupling = coupling_of(problem, tracks)
    floors = np.array([floor.area_m2 for floor in problem.floors]).reshape(-1, cells)
    least = np.array([floor.least_m2 for floor in problem.floors])
    twice = (problem.need > 1) | problem.dosed
    keep = sp.diags_array(twice.astype(float))
    return Dual(
        problem,
        lines,
        coupling,
        sp.csr_array(coupling.matrix[:, tracks.order]),
        floors,
        least,
        (tracks.intervals > 1) | twice,
        np.diff(problem.incidence.indptr) >= problem.need,
        twice,
        sp.csr_array(keep @ problem.incidence.astype(float)[:, tracks.order]),
        problem.bonus[tracks.order],
    )


def first_prices(dual: Dual, limit: FloatArray) -> Prices:
    """A cell's value divided evenly over its intervals; limit [limits]: prices to begin with."""
    evenly = dual.problem.value / np.maximum(dual.problem.need, np.maximum(1, dual.lines.tracks.intervals))
    row = np.zeros(len(dual.coupling.room))
    row[: dual.coupling.limits] = limit
    return Prices(evenly, row, np.zeros(len(dual.least)))


def priced(dual: Dual, prices: Prices) -> Priced:
    """Bound, choice and slope at the given prices."""
    problem, tracks = dual.problem, dual.lines.tracks
    worth = np.where(dual.covered, problem.value + prices.floor @ dual.floors, 0.0)
    multiplier = np.where(dual.shared, np.minimum(prices.cell, worth / problem.need), worth)
    once = ~dual.summed
    at_place = dual.at_places.T @ prices.row - dual.bonus - dual.twice.T @ multiplier
    by_line, places = best_by_line(dual.lines, np.where(once, multiplier, 0.0)[tracks.cell], at_place)
    kept = worth - problem.need * multiplier
    bound = float(dual.coupling.room @ prices.row - dual.least @ prices.floor + kept.sum()) + by_line
    before = np.concatenate([[0], np.cumsum(places)])
    hit = before[tracks.last + 1] > before[tracks.first]
    hits = np.bincount(tracks.cell[hit], minlength=len(problem.value))
    hits = np.where(once, hits, dual.twice @ places)
    counted = np.where(kept > 0.0, 1, np.minimum(hits // problem.need, 1))
    slope = Prices(
        np.where(dual.shared, hits - problem.need * counted, 0.0),
        dual.coupling.room - dual.at_places @ places,
        dual.floors @ np.where(dual.covered, counted, 0) - dual.least,
    )
    return Priced(bound, places, slope)


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
    scale = _scale(dual, prices)
    best, step, idle = np.inf, 1.0, 0
    centre = (prices, prices)  # prices of the best bound and the slope there
    direction: Prices | None = None
    for iteration in range(iterations):
        here = priced(dual, prices)
        slope = here.slope
        idle = 0 if here.bound < best - BETTER * abs(best) or best == np.inf else idle + 1
        if here.bound < best:
            best, centre = here.bound, (prices, slope)
        known = visit(iteration, here, best)
        if idle >= PATIENCE:
            step, idle, direction = step / 2.0, 0, None
            prices, slope = centre
        top = dual.problem.value + prices.floor @ dual.floors
        direction = _averaged(_times(scale, _inward(slope, prices, top)), direction)
        size = sum(float(part @ part) for part in (direction.cell, direction.row, direction.floor))
        if known is None or size <= 0.0 or step < LEAST_STEP:
            break
        length = step * (here.bound - AIM * known) / size
        move = _times(scale, direction)
        prices = Prices(
            np.clip(prices.cell - length * move.cell, 0.0, top),
            np.maximum(prices.row - length * move.row, 0.0),
            np.maximum(prices.floor - length * move.floor, 0.0),
        )
    return float(best)


def _inward(slope: Prices, prices: Prices, top: FloatArray) -> Prices:
    """The slope without what would only push a price below 0, or a multiplier above its cell's worth."""
    stuck = ((prices.cell <= 0.0) & (slope.cell > 0.0)) | ((prices.cell >= top) & (slope.cell < 0.0))
    return Prices(
        np.where(stuck, 0.0, slope.cell),
        np.where((prices.row <= 0.0) & (slope.row > 0.0), 0.0, slope.row),
        np.where((prices.floor <= 0.0) & (slope.floor > 0.0), 0.0, slope.floor),
    )


def _scale(dual: Dual, prices: Prices) -> Prices:
    """How far each price moves for a slope of one: between a cell's value and the mean, a share of a nozzle's worth."""
    problem, limits = dual.problem, dual.coupling.limits
    room = max(1.0, float(dual.coupling.room[:limits].sum()))
    nozzle = np.maximum(prices.row[:limits], 0.1 * problem.value.sum() / room)
    windows = np.full(len(prices.row) - limits, float(nozzle.mean() if limits else 1.0))
    weight = problem.value.sum() / max(1e-12, float(dual.floors.sum()))
    return Prices(
        problem.value**VALUE_POWER * float(problem.value[problem.value > 0.0].mean()) ** (1.0 - VALUE_POWER),
        ROW_SCALE * np.concatenate([nozzle, windows]),
        np.full(len(prices.floor), weight / max(1.0, np.sqrt(float(dual.least.sum())))),
    )


def _times(one: Prices, other: Prices) -> Prices:
    return Prices(one.cell * other.cell, one.row * other.row, one.floor * other.floor)


def _averaged(slope: Prices, before: Prices | None) -> Prices:
    if before is None:
        return slope
    new, old = NEW_SLOPE, 1.0 - NEW_SLOPE
    return Prices(
        new * slope.cell + old * before.cell,
        new * slope.row + old * before.row,
        new * slope.floor + old * before.floor,
    )
