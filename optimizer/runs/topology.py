"""Search over the circuits' trees: ruin and recreate, and exchanges on the cycle that one more way closes.

Ruin and recreate after Schrimpf, Schneider, Stamm-Wilbrandt and Dueck (2000), J. Comput. Phys. 159,
139-171 (memory); exchanges of key paths as in local search for Steiner trees (Uchoa and Werneck 2010,
memory). Annealed; deterministic for a seed and a number of evaluations.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

import numpy as np

from optimizer.runs.distances import Distances
from optimizer.runs.forest import Forest
from optimizer.runs.grow import grow
from optimizer.runs.prepared import Prepared
from optimizer.runs.sizing import Sizer

HOT, COLD = 0.01, 0.0003  # first and last temperature, as a share of the first cost
SHORT_PA = 1e5  # being this much short of pressure weighs as much as the first cost
MOVES = 8  # moves at most for each evaluation
HOPELESS = 12.0  # temperatures above the present value: accepted once in e^12
WATCH_EVERY = 64  # evaluations
RUIN_MOST = 48  # nozzles taken up at one place, at most
TWO_PLACES = 0.4  # share of such moves that take up nozzles at two places, where there are several circuits
LEANINGS = (1.0, 1.0, 2.5)  # factors on a circuit's distances at a place
PULLS = (0.0, 0.0, 0.2, 0.5, 1.0)
RECREATE_SHARE = 0.5  # share of moves that ruin and recreate; the others exchange ways


@dataclass(frozen=True)
class Value:
    """short_pa: pressure that circuits are short of, summed; cost: tubing and trench."""

    short_pa: float
    cost: float

    @property
    def order(self) -> tuple[float, float]:
        """Feasible before cheap."""
        return (self.short_pa, self.cost)


Rows = list[tuple[float, float]]  # (pressure short, tubing cost) of each circuit


def rows_of(sizer: Sizer, forest: Forest, known: Rows | None = None) -> Rows:
    """Rows of a forest; known: rows from before the changes that the forest has noted. Clears that note."""
    rows = []
    for c, circuit in enumerate(sizer.prepared.problem.circuits):
        if known is not None and c not in forest.changed:
            rows.append(known[c])
        else:
            rows.append(sizer.least(circuit.pump, forest.flags[c], forest.served[c]))
    forest.changed.clear()
    return rows


def value_of(forest: Forest, rows: Rows) -> Value:
    """Value of a forest from its circuits' rows."""
    return Value(sum(short for short, _ in rows), sum(cost for _, cost in rows) + forest.trench_cost())


def search(
    start: Forest,
    sizer: Sizer,
    both: tuple[Distances, Distances],
    *,
    seed: int,
    evaluations: int,
    watch: Callable[[int, Value], bool],
) -> tuple[Forest, Value]:
    """The best forest found from a start, and its value.

    evaluations: forests to size; moves that change nothing, or whose tubing would be too dear even in the
    cheapest size, are not sized, and at most `MOVES` moves are made for each. both: cheapest ways with
    trench and without; watch: told evaluations done and best value now and then, returns whether to go
    on.
    """
    draw, neighbours = Random(seed), _neighbours(sizer.prepared, both[0])
    cheapest = min(sizer.prepared.sizes[d].cost_per_m for d in sizer.sizes)
    now, rows = start.copy(), rows_of(sizer, start)
    value = value_of(now, rows)
    best, best_value, scale = now, value, max(value.cost, 1e-9)
    done = told = 0
    for _ in range(MOVES * evaluations):
        heat = scale * HOT * (COLD / HOT) ** (done / evaluations)
        if done >= told:
            if not watch(done, best_value):
                break
            told = done + WATCH_EVERY
        trial = _moved(now, draw, both, neighbours)
        if trial is None or trial.least_cost(cheapest) - _weight(value, scale) > HOPELESS * heat:
            continue
        done += 1
        trial_rows = rows_of(sizer, trial, rows)
        trial_value = value_of(trial, trial_rows)
        worse = _weight(trial_value, scale) - _weight(value, scale)
        if worse <= 0.0 or draw.random() < math.exp(-worse / heat):
            now, rows, value = trial, trial_rows, trial_value
            if value.order < best_value.order:
                best, best_value = now, value
        if done == evaluations:
            break
    return best, best_value


def _neighbours(prepared: Prepared, distances: Distances) -> list[list[int]]:
    """Nozzles nearest to each nozzle, itself first."""
    order = np.argsort(distances.cost[np.ix_(prepared.spot, prepared.spot)], axis=1, kind="stable")
    return [[int(k) for k in row[:RUIN_MOST]] for row in order]


def _moved(
    now: Forest, draw: Random, both: tuple[Distances, Distances], neighbours: list[list[int]]
) -> Forest | None:
    """A changed copy of a forest, None where the move failed or changed nothing."""
    trial = now.copy()
    trial.changed.clear()
    recreate = draw.random() < RECREATE_SHARE
    moved = _recreate(trial, draw, both, neighbours) if recreate else _exchange(trial, draw, both)
    return trial if moved and (trial.flags != now.flags or trial.owner != now.owner) else None


def _weight(value: Value, scale: float) -> float:
    short = value.short_pa
    return value.cost + (scale * (0.02 + short / SHORT_PA) if short > 0.0 else 0.0)


def _recreate(
    forest: Forest, draw: Random, both: tuple[Distances, Distances], neighbours: list[list[int]]
) -> bool:
    """Take up nozzles near one another, at one place or at two, and lead tubing to them anew.

    Two places let circuits that are full exchange nozzles; a leaning of each circuit for one place or the
    other makes them do so.
    """
    places = 2 if len(forest.room) > 1 and draw.random() < TWO_PLACES else 1
    chosen: dict[int, int] = {}
    for place in range(places):
        around = neighbours[draw.randrange(len(neighbours))]
        count = min(len(around), int(2 * (RUIN_MOST / 2) ** draw.random()))
        taken = (
            around[:count]
            if draw.random() < 0.5
            else draw.sample(around, min(2 * count, len(around)))[:count]
        )
        chosen.update((k, place) for k in taken if k not in chosen)
    for k in chosen:
        forest.take(k)
    pending = list(chosen)
    leaning = [[draw.choice(LEANINGS) for _ in range(places)] for _ in forest.room]
    bias = np.array([[lean[chosen[k]] * draw.uniform(1.0, 1.3) for k in pending] for lean in leaning])
    pull = draw.choice(PULLS)
    return grow(forest, pending, draw.choice(both), bias, regret=draw.random() < 0.3, pull=pull)


def _exchange(forest: Forest, draw: Random, both: tuple[Distances, Distances]) -> bool:
    """Close a cycle in one circuit's tree with a way that it does not hold, and open it elsewhere."""
    c = draw.randrange(len(forest.flags))
    free = [e for e, held in enumerate(forest.flags[c]) if not held]
    if not free:
        return False
    pieces, start, end = _gap(forest, c, draw.choice(free))
    distances = draw.choice(both)
    for point in (start, end):
        if not forest.holds(c, point):
            held = list(forest.depth(c, distances.weight))
            nearest = held[int(distances.cost[point, held].argmin())]
            if not math.isfinite(distances.cost[nearest, point]):
                return False
            way = distances.way(nearest, point)
            if not set(pieces).isdisjoint(way):
                return False
            forest.lay(c, way)
    if start == end:
        return False
    cycle = forest.path(c, start, end)
    forest.lay(c, pieces)
    weight = distances.weight
    cut = (
        max(draw.sample(cycle, min(len(cycle), 3)), key=lambda e: weight[e])
        if draw.random() < 0.7
        else draw.choice(cycle)
    )
    forest.lift(c, cut)
    return True


def _gap(forest: Forest, circuit: int, piece: int) -> tuple[list[int], int, int]:
    """The stretch of one segment round a piece that the circuit's tree does not hold, with its ends."""
    ends, degree, segments = forest.prepared.segments.ends, forest.degree[circuit], forest.prepared.segments
    low = high = piece
    while ends[low][0] < segments.inside and not degree[ends[low][0]]:
        low -= 1
    while ends[high][1] < segments.inside and not degree[ends[high][1]]:
        high += 1
    return list(range(low, high + 1)), ends[low][0], ends[high][1]
