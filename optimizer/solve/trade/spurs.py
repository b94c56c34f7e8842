"""What goes first where a trial must become cheaper, and what comes back first where money is left.

Whole branches of its trees and single nozzles go by what they cover for what they cost: the tubing and ground work
that nothing else needs, and the nozzles. Nozzles come back along tubing that lies there, or a little beyond its ends.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import dijkstra

from optimizer.placement.problem import FloatArray, IntArray, PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.runs.layout import Layout as Ground
from optimizer.runs.plan import CircuitPlan
from optimizer.solve.assemble import Layout
from optimizer.solve.supply import run_layout
from optimizer.solve.trade.carried import Ways, laid_pieces, spans, touched_points, ways_of
from optimizer.solve.trade.prices import LeastPrices
from optimizer.solve.trial import Trial, supply_of


@dataclass(frozen=True)
class Step:
    """A choice, what it saves against the trial at that trial's tubing, and its value in weighted m² of the cells."""

    chosen: tuple[int, ...]
    saved: float
    value: float


@dataclass(frozen=True, eq=False)
class _Trees:
    """The trees of a trial in the order of a walk. nozzle [K]: candidates; first, last [U]: what lies beyond a tube is
    nozzle[first:last]; end [U]: tubes beyond it follow it up to here; cost [U]: of tubing and ground work."""

    nozzle: IntArray
    first: IntArray
    last: IntArray
    end: IntArray
    cost: FloatArray


def thinned(
    problem: PlacementProblem, trial: Trial, prices: LeastPrices, least: float = 0.0
) -> Iterator[Step]:
    """Legal choices, each without one branch or nozzle of the one before: the one that covers least for its cost.

    least: value in weighted m² of the cells that no choice falls below.
    """
    trees = _trees(trial.layout, prices)
    gone = _Losses(problem, trees.nozzle)
    selection = Selection(Cover(problem), trees.nozzle.tolist())
    on, saved = np.ones(len(trees.nozzle), dtype=bool), 0.0
    first = np.concatenate([trees.first, np.arange(len(on))])
    last = np.concatenate([trees.last, np.arange(1, len(on) + 1)])
    while on.sum() > 1:
        count = np.concatenate([[0], np.cumsum(on)])
        live = count[trees.last] > count[trees.first]
        cost = np.concatenate([[0.0], np.cumsum(trees.cost * live)])
        tubing = np.concatenate([cost[trees.end] - cost[:-1], np.zeros(len(on))])
        saving = tubing + prices.nozzle * (count[last] - count[first])
        some = np.flatnonzero((count[last] > count[first]) & (count[last] - count[first] < on.sum()) & (saving > 0.0))
        ratio = gone.lost(on, first[some], last[some]) / saving[some]
        for i in some[np.lexsort((-saving[some], ratio))].tolist():
            went = [k for k in range(first[i], last[i]) if on[k]]
            kept = np.array(on)
            kept[went] = False
            selection.become(trees.nozzle[kept].tolist())
            if selection.value >= least and selection.is_legal():
                on, saved = kept, saved + float(saving[i])
                break
        else:
            return
        yield Step(selection.members(), saved, selection.value)


class _Losses:
    """Value that goes with nozzles that follow each other in a walk. Cells under the same nozzles are one."""

    def __init__(self, problem: PlacementProblem, nozzle: IntArray) -> None:
        under = sp.csr_array(problem.incidence)[:, nozzle].toarray().astype(bool)
        met = np.flatnonzero(under.any(axis=1))
        keys = np.column_stack([np.packbits(under[met], axis=1), problem.need[met]])
        _, one, same = np.unique(keys, axis=0, return_index=True, return_inverse=True)
        self.under, self.need = under[met][one], problem.need[met][one]
        self.value = np.bincount(same.ravel(), weights=problem.value[met])
        self.bonus = np.asarray(problem.bonus)[nozzle]

    def lost(self, on: np.ndarray, first: IntArray, last: IntArray) -> FloatArray:
        """[intervals]: value lost with the nozzles first:last that are on."""
        hits = np.zeros((len(self.value), len(on) + 1), dtype=np.int16)
        np.cumsum(self.under & on, axis=1, out=hits[:, 1:])
        counted = hits[:, -1] >= self.need
        hits, value = hits[counted], self.value[counted]
        left = hits[:, -1:] - (hits[:, last] - hits[:, first])
        bonus = np.concatenate([[0.0], np.cumsum(self.bonus * on)])
        lost: FloatArray = value @ (left < self.need[counted, None]) + bonus[last] - bonus[first]
        return lost


def _trees(made: Layout, prices: LeastPrices) -> _Trees:
    tubes = [use.piece for circuit in made.plan.circuits for use in circuit.pieces]
    inside = np.bincount(tubes, minlength=made.problem.layout.pieces)
    nozzle: list[int] = []
    rows: list[list[float]] = []
    for circuit in made.plan.circuits:
        _walk(made, circuit, prices, inside, nozzle, rows)
    table = np.array(rows, dtype=float).reshape(-1, 4)
    first, last, end = (table[:, i].astype(np.int64) for i in range(3))
    return _Trees(np.array(nozzle, dtype=np.int64), first, last, end, table[:, 3])


def _walk(
    made: Layout,
    circuit: CircuitPlan,
    prices: LeastPrices,
    inside: IntArray,
    nozzle: list[int],
    rows: list[list[float]],
) -> None:
    """One circuit's nozzles and tubes; ground work is shared by the tubes inside."""
    ground = made.problem.layout
    at = {int(ground.nozzle_point[k]): made.chosen[k] for k in circuit.served}
    onward = defaultdict(list)
    for use in circuit.pieces:
        onward[use.from_point].append(use)
    root = made.problem.outlet_point(circuit.pump)
    nozzle += [at[root]] if root in at else []
    stack = [(use, -1) for use in reversed(onward[root])]
    while stack:
        use, row = stack.pop()
        if row >= 0:
            rows[row][1], rows[row][2] = len(nozzle), len(rows)
            continue
        tube = float(ground.length_m[use.piece]) * made.problem.tubing[use.tubing].cost_per_m
        cost = prices.dug * (tube + float(ground.trench_cost[use.piece]) / inside[use.piece])
        rows.append([len(nozzle), 0, 0, cost])
        stack.append((use, len(rows) - 1))
        nozzle += [at[use.to_point]] if use.to_point in at else []
        stack += [(then, -1) for then in reversed(onward[use.to_point])]


@dataclass(frozen=True)
class Grown:
    """A choice with nozzles more, ways that lead to all, and what they add at the trial's mean price of a metre."""

    chosen: tuple[int, ...]
    ways: list[Ways]
    cost: float


def grown(problem: PlacementProblem, trial: Trial, prices: LeastPrices, least_gain: float) -> Iterator[Grown]:
    """Legal choices, each with one nozzle more than the one before: the one that covers most for its cost."""
    made = trial.layout
    found = made.instance.candidates
    one_of_place = [int(j) for j in np.unique(found.place, return_index=True)[1]]
    ground = run_layout(made.instance, one_of_place, supply_of(trial))
    point = ground.nozzle_point[found.place]
    selection, ways = Selection(Cover(problem), made.chosen), [dict(own) for own in ways_of(made)]
    room = [c.nozzles_at_most - len(p.served) for c, p in zip(made.problem.circuits, made.plan.circuits, strict=True)]
    start, end = spans(ground)
    metre = prices.dug * made.plan.tubing_cost / max(1.0, _metres(made))
    root = [made.problem.outlet_point(plan.pump) for plan in made.plan.circuits]
    reach = [_Reach(ground, top, own, metre, prices.dug) for top, own in zip(root, ways, strict=True)]
    cost = 0.0
    while True:
        gain = np.where(selection.addable(), selection.value_gain(), 0.0)
        best = (0.0, -1, -1)
        for c, one in enumerate(reach):
            allowed = (gain > least_gain) & (found.group == made.problem.circuits[c].group) & (room[c] > 0)
            ratio = np.where(allowed, gain / (prices.nozzle + one.far[point]), 0.0)
            if ratio.max(initial=0.0) > best[0]:
                best = (float(ratio.max()), c, int(ratio.argmax()))
        _, c, j = best
        if j < 0:
            return
        cost += prices.nozzle + float(reach[c].far[point[j]])
        for piece in reach[c].way(int(point[j])):
            if ground.edge[piece] >= 0:
                edge = int(ground.edge[piece])
                ways[c][edge] = [*ways[c].get(edge, []), (float(start[piece]), float(end[piece]))]
        reach[c] = _Reach(ground, root[c], ways[c], metre, prices.dug)
        room[c] -= 1
        selection.add(j)
        if not selection.is_legal():
            return
        yield Grown(selection.members(), [dict(own) for own in ways], cost)


def _metres(made: Layout) -> float:
    return sum(float(made.problem.layout.length_m[use.piece]) for c in made.plan.circuits for use in c.pieces)


class _Reach:
    """What a tube from a circuit's tubing to each point costs: far [P]."""

    def __init__(self, ground: Ground, root: int, ways: Ways, metre: float, dug: float) -> None:
        laid = sorted(touched_points(ground, laid_pieces(ways, ground)) | {root})
        cost = ground.length_m * metre + dug * ground.trench_cost + 1e-9
        order = np.argsort(-cost, kind="stable")  # the cheapest of twins is written last
        self.piece = {frozenset((int(ground.tail[e]), int(ground.head[e]))): int(e) for e in order}
        ends = np.array([sorted(pair) if len(pair) == 2 else [*pair, *pair] for pair in self.piece], dtype=np.int64)
        weight = cost[list(self.piece.values())]
        graph = sp.csr_array((weight, (ends[:, 0], ends[:, 1])), shape=(ground.points, ground.points))
        self.far, self.before, _ = dijkstra(
            graph, directed=False, indices=laid, min_only=True, return_predecessors=True
        )

    def way(self, point: int) -> Iterator[int]:
        """Pieces from a point back to the tubing."""
        while self.before[point] >= 0:
            yield self.piece[frozenset((point, int(self.before[point])))]
            point = int(self.before[point])
