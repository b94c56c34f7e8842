"""Quick looks at positions and tubing together: what the compiled search is given, and what it hands back.

Nothing here is proven: costs are those of a tree at prices that a verified trial has shown, so that the search knows
what a metre costs before any run split is made.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from optimizer.instance import Instance
from optimizer.placement.problem import DRIFT_TOLERANCE, FloatArray, Floor, IntArray, PlacementProblem
from optimizer.placement.selection import Cover
from optimizer.solve.trade.hosts import rehost
from optimizer.solve.trade.kernel import Aim, Fixed, Host, State, anneal, change
from optimizer.solve.trade.network import Network
from optimizer.solve.trade.prices import LeastPrices

KIN = 12  # candidates near enough to shift to
STEPS = 300  # of annealing, for each candidate
LEAST_STEPS = 150_000
ROUNDS = 3  # of annealing and better hosts
HOT, COLD = 0.6, 0.01  # temperatures, in what a nozzle gains on average
SAID = 0.1  # of the ground and tubing of a piece, that it costs a host where the relaxation lays it whole


@dataclass(frozen=True, eq=False)
class Look:
    """An instance for the compiled search. roots: indices into `net.sites` of the pumps that stand; room: nozzles that
    each feeds at most; others: cost of all but nozzles, tubing and ground."""

    net: Network
    fixed: Fixed
    roots: tuple[int, ...]
    room: tuple[int, ...]
    others: float
    laid: FloatArray

    def priced(self, tube: FloatArray, others: float) -> Look:
        """The same with other prices of a metre, by nozzles fed, and of what stands besides."""
        return replace(self, fixed=self.fixed._replace(tube=tube), others=others)


@dataclass(frozen=True)
class Seen:
    """A choice that a look found, with its value (of the cells) and estimated cost."""

    chosen: tuple[int, ...]
    value: float
    cost: float


def look(
    instance: Instance,
    problem: PlacementProblem,
    net: Network,
    roots: Sequence[int],
    room: Sequence[int],
    prices: LeastPrices,
    laid: FloatArray | None = None,
    standing: Iterable[int] = (),
) -> Look:
    """The search's view of a placement. problem: with its limits; prices: of nozzles and of ground; laid [2 E]: pieces
    as a relaxation laid them, to lean on; standing: of lines of even pitch these candidates stay, no other comes."""
    problem = _with_drift_as_ground(problem)
    cover, found, count = Cover(problem), instance.candidates, problem.candidates
    stays = np.zeros(count, dtype=bool)
    stays[list(standing)] = True
    tree = cKDTree(np.column_stack([found.x_m, found.y_m]))
    near = tree.query(np.column_stack([found.x_m, found.y_m]), min(KIN + 1, count))[1].reshape(count, -1)
    kin = [[int(i) for i in row if i != j] for j, row in enumerate(near)]
    cell_start, cells = _rows([cover.cells(j) for j in range(count)])
    close_start, close = _rows([cover.neighbours(j) for j in range(count)])
    kin_start, kin_list = _rows(kin)
    limit_start, limits = _rows([cover.limits(j) for j in range(count)])
    window_start, windows = _rows([cover.windows(j) for j in range(count)])
    fixed = Fixed(
        cell_start,
        cells,
        close_start,
        close,
        kin_start,
        kin_list,
        limit_start,
        limits,
        window_start,
        windows,
        problem.value.astype(float),
        problem.need.astype(np.int64),
        problem.bonus.astype(float),
        ~cover.barred & (~cover.in_pattern | stays),
        cover.locked | (cover.in_pattern & stays),
        net.at,
        cover.most,
        np.zeros(count + 2),
        float(prices.nozzle),
        cover.floor_area,
        cover.floor_least,
    )
    weight = np.zeros(2 * net.pieces) if laid is None else laid
    net = replace(net, ground=prices.dug * net.ground)
    return Look(net, fixed, tuple(roots), tuple(room), 0.0, weight)


def _with_drift_as_ground(problem: PlacementProblem) -> PlacementProblem:
    """The problem for a search that knows floors and no drift: each candidate covers a cell of its own, worth nothing
    and of no area but what its drift leaves of what is allowed; a limit of drift is a floor of 0 on these."""
    if not problem.drifts:
        return problem
    count, cells = problem.candidates, len(problem.value)
    floors = [replace(f, area_m2=np.append(f.area_m2, np.zeros(count))) for f in problem.floors]
    worth = float(np.mean(problem.incidence.T @ problem.value))  # a nozzle's mist weighs as much as a nozzle's cells
    floors += [
        Floor(drift.name, np.append(np.zeros(cells), -worth * drift.excess), -worth * DRIFT_TOLERANCE)
        for drift in problem.drifts
    ]
    return replace(
        problem,
        value=np.append(problem.value, np.zeros(count)),
        incidence=sp.csr_array(sp.vstack([problem.incidence, sp.eye_array(count, dtype=bool)])),
        need=np.append(problem.need, np.ones(count, dtype=np.int64)),
        floors=tuple(floors),
        drifts=(),
    )


def seen(view: Look, chosen: Iterable[int], aim: Aim, seed: int, steps: int = STEPS, heat: float = 1.0) -> Seen:
    """The best choice found from a start, legal or not, by annealing and better hosts in turn; heat: 1 to look far,
    less to stay near the start."""
    inner = aim._replace(budget=aim.budget - view.others)
    start, best = tuple(sorted(chosen)), Seen((), 0.0, np.inf)
    parent, length, ground = _spread(view, start)
    for number in range(ROUNDS):
        host = _host(view, parent, length, ground)
        state = _state(view, host, start)
        gain = max(1.0, float(state.sums[0]) / max(1, len(start)))
        hot = heat * HOT if number == 0 else max(COLD, heat * HOT / 3)
        on = anneal(
            view.fixed,
            host,
            state,
            inner,
            max(LEAST_STEPS, steps * len(view.fixed.at)),
            hot * gain,
            COLD * gain,
            gain,
            seed + number,
        )
        start = tuple(int(j) for j in np.flatnonzero(on))
        _better_host(view, parent, length, ground, start)
        sums = _state(view, _host(view, parent, length, ground), start).sums
        best = best_of([best, Seen(start, float(sums[0]), float(sums[2]) + view.others)], aim)
    return best


def estimate(view: Look, chosen: Sequence[int]) -> Seen:
    """A choice with its value and estimated cost on the best host found for it."""
    parent, length, ground = _spread(view, chosen)
    _better_host(view, parent, length, ground, chosen)
    sums = _state(view, _host(view, parent, length, ground), chosen).sums
    return Seen(tuple(sorted(chosen)), float(sums[0]), float(sums[2]) + view.others)


def best_of(found: Iterable[Seen], aim: Aim) -> Seen:
    """What comes nearest to an aim."""

    def order(s: Seen) -> tuple[float, float]:
        missing = aim.over * max(0.0, s.cost - aim.budget) + aim.short * max(0.0, aim.target - s.value)
        return missing, aim.cost_weight * s.cost - aim.value_weight * s.value

    return min(found, key=order)


def _rows(lists: Sequence[Sequence[int] | IntArray]) -> tuple[IntArray, IntArray]:
    """Lists one after the other, and where each starts."""
    start = np.concatenate([[0], np.cumsum([len(row) for row in lists])]).astype(np.int64)
    return start, np.array([i for row in lists for i in row], dtype=np.int64)


def _spread(view: Look, chosen: Iterable[int]) -> tuple[IntArray, FloatArray, FloatArray]:
    """Parent, length and ground of a first host: cheapest ways from the pumps, leaning on what the relaxation laid."""
    net, roots = view.net, [view.net.roots[i] for i in view.roots]
    cost = net.length_m * float(view.fixed.tube[1:].mean()) + net.ground + 1e-6
    e = net.pieces
    weights = np.concatenate([cost, cost]) * (1.0 - (1.0 - SAID) * np.clip(view.laid, 0.0, 1.0))
    tail, head = np.concatenate([net.tail, net.head]), np.concatenate([net.head, net.tail])
    order = np.lexsort((weights, head, tail))
    keep = order[np.r_[True, np.diff(tail[order] * net.points + head[order]) != 0]]  # the cheapest of twins
    graph = sp.csr_array((weights[keep], (tail[keep], head[keep])), shape=(net.points, net.points))
    far, before, _ = dijkstra(graph, indices=roots, min_only=True, return_predecessors=True)
    piece_of = {(int(tail[a]), int(head[a])): int(a) % e for a in keep}
    parent = np.full(net.points, -2, dtype=np.int64)
    length, ground = np.zeros(net.points), np.zeros(net.points)
    for p in np.flatnonzero(np.isfinite(far)).tolist():
        parent[p] = -1 if p in roots else int(before[p])
        if parent[p] >= 0:
            piece = piece_of[int(parent[p]), p]
            length[p], ground[p] = net.length_m[piece], net.ground[piece]
    _better_host(view, parent, length, ground, tuple(chosen))
    return parent, length, ground


def _better_host(view: Look, parent: IntArray, length: FloatArray, ground: FloatArray, chosen: Sequence[int]) -> None:
    net = view.net
    spots = net.at[[j for j in chosen if parent[net.at[j]] != -2]]
    pieces, costs = np.column_stack([net.tail, net.head]), np.column_stack([net.length_m, net.ground])
    rehost(parent, length, ground, spots, view.fixed.tube, pieces, costs)


def _host(view: Look, parent: IntArray, length: FloatArray, ground: FloatArray) -> Host:
    """The host with its candidates in the order of a walk through it."""
    net = view.net
    kids: list[list[int]] = [[] for _ in range(net.points)]
    for p in np.flatnonzero(parent >= 0).tolist():
        kids[int(parent[p])].append(p)
    at: list[list[int]] = [[] for _ in range(net.points)]
    for j, p in enumerate(net.at.tolist()):
        at[p].append(j)
    first, own, last = (np.zeros(net.points, dtype=np.int64) for _ in range(3))
    root, room = np.full(net.points, -1, dtype=np.int64), np.zeros(net.points, dtype=np.int64)
    order: list[int] = []
    for index, most in zip(view.roots, view.room, strict=True):
        top = net.roots[index]
        room[top] = most
        stack = [(top, False)]
        while stack:
            p, done = stack.pop()
            if done:
                last[p] = len(order)
                continue
            root[p], first[p] = top, len(order)
            order += at[p]
            own[p] = len(order)
            stack.append((p, True))
            stack += [(q, False) for q in reversed(kids[p])]
    return Host(parent, length, ground, root, room, first, own, last, np.array(order, dtype=np.int64))


def _state(view: Look, host: Host, chosen: Iterable[int]) -> State:
    """The state of those chosen that may come, in their order; locked ones first."""
    fixed = view.fixed
    count = len(fixed.at)
    state = State(
        np.zeros(count, dtype=np.int64),
        np.zeros(count, dtype=np.int64),
        np.zeros(len(fixed.value), dtype=np.int64),
        np.zeros(view.net.points, dtype=np.int64),
        np.zeros(len(fixed.most), dtype=np.int64),
        np.zeros(int(fixed.windows.max(initial=-1)) + 1, dtype=np.int64),
        np.zeros(3 + len(fixed.floor_least)),
    )
    wanted = {int(j) for j in chosen} | {int(j) for j in np.flatnonzero(fixed.locked)}
    for j in sorted(wanted, key=lambda j: (not fixed.locked[j], j)):
        if host.root[fixed.at[j]] >= 0 and state.crowd[j] == 0 and fixed.may[j]:
            change(fixed, host, state, j, 1)
    return state
