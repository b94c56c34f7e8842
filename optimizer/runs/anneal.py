"""Annealing of a forest with one set of sizes, compiled; it pauses every so many evaluations."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from optimizer.runs.compiled import Dice, jit, uniform
from optimizer.runs.flat import Flat, Floats, Ints
from optimizer.runs.grow import Pending
from optimizer.runs.moves import exchange, hand_over, recreate
from optimizer.runs.rules import COLUMNS, circuit_row, cost, fault
from optimizer.runs.sizing import Sizing
from optimizer.runs.state import State, copy_state, trench_cost

HOPELESS = 12.0  # temperatures above the present value: accepted once in e^12
MOVES = 8  # moves at most for each evaluation
RECREATE, EXCHANGE = 0.4, 0.85  # share of ruin and recreate; of that and exchanges; the others hand over subtrees
FAULT_STEP = 0.02  # any fault weighs at least this share of the scale
# places in `Search.value` and `Search.tally`
NOW_FAULT, NOW_COST, BEST_FAULT, BEST_COST, SCALE, HOT, COLD, CHEAPEST = range(8)
DONE, MOVED, TOTAL = range(3)


class Search(NamedTuple):
    """A search that may pause. now, trial, best: forests, with rows: [C, columns]; value: fault and cost of now
    and best, scale of costs, temperatures as shares of it, the cheapest tubing; tally: evaluations done, moves
    made, evaluations in all."""

    now: State
    trial: State
    best: State
    now_rows: Floats
    trial_rows: Floats
    value: Floats
    tally: Ints


@jit
def rows_of(flat: Flat, state: State, work: Sizing, rows: Floats) -> None:
    """Bring the rows of changed circuits up to date."""
    for c in range(len(rows)):
        if state.changed[c]:
            circuit_row(flat, state, c, work, rows[c])
            state.changed[c] = 0


@jit
def valued(flat: Flat, state: State, work: Sizing) -> tuple[float, float]:
    """Fault and cost of a forest."""
    rows = np.zeros((len(flat.pump), COLUMNS))
    state.changed[:] = 1
    rows_of(flat, state, work, rows)
    return fault(flat, rows), cost(flat, state, rows)


@jit
def anneal(flat: Flat, work: Sizing, search: Search, pending: Pending, dice: Dice, until: int) -> None:
    """Go on until so many evaluations are done."""
    value, tally = search.value, search.tally
    scale = value[SCALE]
    while tally[DONE] < until and tally[MOVED] < MOVES * tally[TOTAL]:
        heat = scale * value[HOT] * (value[COLD] / value[HOT]) ** (tally[DONE] / tally[TOTAL])
        tally[MOVED] += 1
        copy_state(search.now, search.trial)
        search.trial.changed[:] = 0
        if not _move(flat, search.trial, pending, dice):
            continue
        weight = _weight(value[NOW_FAULT], value[NOW_COST], scale)
        if _least(flat, search.trial, value[CHEAPEST]) - weight > HOPELESS * heat:
            continue
        tally[DONE] += 1
        search.trial_rows[:] = search.now_rows
        rows_of(flat, search.trial, work, search.trial_rows)
        wrong, price = fault(flat, search.trial_rows), cost(flat, search.trial, search.trial_rows)
        worse = _weight(wrong, price, scale) - weight
        if worse <= 0.0 or uniform(dice) < math.exp(-worse / heat):
            copy_state(search.trial, search.now)
            search.now_rows[:] = search.trial_rows
            value[NOW_FAULT], value[NOW_COST] = wrong, price
            if wrong < value[BEST_FAULT] or (wrong == value[BEST_FAULT] and price < value[BEST_COST]):
                copy_state(search.trial, search.best)
                value[BEST_FAULT], value[BEST_COST] = wrong, price


@jit
def _move(flat: Flat, state: State, pending: Pending, dice: Dice) -> bool:
    draw = uniform(dice)
    if draw < RECREATE:
        return recreate(flat, state, pending, dice)
    if draw < EXCHANGE or len(flat.pump) == 1:
        return exchange(flat, state, pending, dice)
    return hand_over(flat, state, pending, dice)


@jit
def _weight(wrong: float, price: float, scale: float) -> float:
    """Cost with a price on faults."""
    return price + (scale * (FAULT_STEP + wrong) if wrong > 0.0 else 0.0)


@jit
def _least(flat: Flat, state: State, cheapest: float) -> float:
    """Cost of the trees if all tubing were the cheapest."""
    total = trench_cost(flat, state)
    for c in range(len(state.length_m)):
        total += state.length_m[c] * cheapest
    return total
