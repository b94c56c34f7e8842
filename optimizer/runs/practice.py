"""A run split as done by hand: each nozzle from the nearest pump by the nearest way, one tubing size everywhere.

Common practice, no source. The measure that a run split is held against, so it gets the benefit of the doubt: ways are
tried by metres and by money, circuits get neighbours in even shares, and ground work is paid once for all tubes in it.
Run rules are not asked of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from hydraulics.friction import GRAVITY_M_S2
from hydraulics.units import show_both
from optimizer.errors import NoDesign
from optimizer.runs.budget import budget_pressures_pa
from optimizer.runs.plan import CircuitPlan, PieceUse, RunPlan
from optimizer.runs.problem import RunProblem
from optimizer.runs.segments import STRAIGHT_DEG, TURN_DEG, turn_deg

LEAST = 1e-9  # a piece weighs at least this, since sparse graphs drop zeros
Floats = NDArray[np.float64]


def by_hand(problem: RunProblem) -> RunPlan:
    """The run split of a designer by hand: the smallest size that gives the worst nozzle its need, everywhere.

    All nozzles are reckoned with at their highest flow, whatever the problem's flow factor. Of the nearest ways by
    metres and by money the cheaper plan is taken. Raises NoDesign where no pump with room reaches a nozzle, or no size
    by itself feeds the worst one.
    """
    highest = replace(problem, flow_factor=1.0)
    length = problem.layout.length_m
    price = length * min(t.cost_per_m for t in problem.tubing) + problem.layout.trench_cost
    plans, refusals = [], []
    for weight in (length, price):
        try:
            plans.append(_sized(highest, _circuits(highest, weight)))
        except NoDesign as refusal:
            refusals.append(refusal)
    if not plans:
        raise refusals[0]
    return min(plans, key=lambda plan: plan.cost)


@dataclass(frozen=True)
class _Ways:
    """Nearest ways from a pump: [P] weight of the way to each point, [P] point before it, piece between two points."""

    root: int
    weight: Floats
    before: NDArray[np.int32]
    piece: dict[tuple[int, int], int]

    def onward(self, points: list[int]) -> dict[int, list[int]]:
        """Points that follow each point on the ways to the given ones, in the order of their numbers."""
        before: dict[int, int] = {}
        for point in points:
            while point != self.root and point not in before:
                before[point] = int(self.before[point])
                point = before[point]
        onward: dict[int, list[int]] = {point: [] for point in (self.root, *before)}
        for point in sorted(before):
            onward[before[point]].append(point)
        return onward


def _ways(problem: RunProblem, pump: int, weight: Floats) -> _Ways:
    layout = problem.layout
    piece: dict[tuple[int, int], int] = {}
    for e, (a, b) in enumerate(zip(layout.tail.tolist(), layout.head.tolist(), strict=True)):
        for pair in ((a, b), (b, a)):
            if a != b and (pair not in piece or weight[e] < weight[piece[pair]]):
                piece[pair] = e
    pairs = sorted(piece)
    values = [max(LEAST, float(weight[piece[pair]])) for pair in pairs]
    ends = [a for a, _ in pairs], [b for _, b in pairs]
    graph = csr_array((values, ends), shape=(layout.points, layout.points))
    root = problem.outlet_point(pump)
    far, before = dijkstra(graph, indices=[root], return_predecessors=True)
    return _Ways(root, far[0], before[0], piece)


def _circuits(problem: RunProblem, weight: Floats) -> tuple[CircuitPlan, ...]:
    """Every circuit's tubes, all in the first size."""
    ways = [_ways(problem, pump, weight) for pump in range(len(problem.pumps))]
    owner = _owners(problem, ways)
    return tuple(
        _circuit(problem, c, ways[circuit.pump], [k for k, own in enumerate(owner) if own == c])
        for c, circuit in enumerate(problem.circuits)
    )


def _owners(problem: RunProblem, ways: list[_Ways]) -> list[int]:
    """Circuit of each nozzle: those of its pump and group take even shares of their nozzles in the order of a walk."""
    pools: dict[tuple[int, int], list[int]] = {}
    for c, circuit in enumerate(problem.circuits):
        pools.setdefault((circuit.pump, circuit.group), []).append(c)
    rooms = {key: sum(problem.circuits[c].nozzles_at_most for c in pool) for key, pool in pools.items()}
    fed_by = _nearest_pumps(problem, ways, rooms)
    owner = [-1] * problem.nozzles
    for (pump, group), pool in pools.items():
        own = [k for k in range(problem.nozzles) if fed_by[k] == pump and problem.group[k] == group]
        order = _walk(problem, ways[pump], own)
        shares = [problem.circuits[c].nozzles_at_most for c in pool]
        left = len(order)
        for i, c in enumerate(pool):
            take = -(-left * shares[i] // max(1, sum(shares[i:])))
            for k in order[len(order) - left : len(order) - left + take]:
                owner[k] = c
            left -= take
    return owner


def _nearest_pumps(problem: RunProblem, ways: list[_Ways], rooms: dict[tuple[int, int], int]) -> list[int]:
    """Pump of each nozzle: the nearest that has room for its group and can lift water to it; whoever would lose most
    by its second choice chooses first. Raises NoDesign where none is left for a nozzle."""
    layout, room = problem.layout, dict(rooms)
    at = layout.nozzle_point
    near = np.full((len(ways), problem.nozzles), np.inf)
    for p, way in enumerate(ways):
        rise = layout.z_m[at] - layout.z_m[problem.pump_point(p)]
        still = problem.pumps[p].set_pressure_pa - problem.water.density_kg_m3 * GRAVITY_M_S2 * rise
        near[p] = np.where(still >= problem.band_low_pa, way.weight[at], np.inf)
    group = np.array(problem.group, dtype=np.int64)
    for p in range(len(ways)):
        for g in sorted(set(problem.group)):
            if room.get((p, g), 0) <= 0:
                near[p, group == g] = np.inf
    fed_by = [-1] * problem.nozzles
    waiting = np.ones(problem.nozzles, dtype=bool)
    for _ in range(problem.nozzles):
        ordered = np.sort(np.vstack([near, np.full(problem.nozzles, np.inf)]), axis=0)
        if (lost := np.flatnonzero(waiting & ~np.isfinite(ordered[0]))).size:
            raise _left_out(problem, int(lost[0]))
        loss = np.where(waiting, ordered[1] - np.where(waiting, ordered[0], 0.0), -1.0)
        k = int(loss.argmax())
        p = fed_by[k] = int(near[:, k].argmin())
        waiting[k] = False
        room[p, problem.group[k]] -= 1
        if not room[p, problem.group[k]]:
            near[p, waiting & (group == problem.group[k])] = np.inf
    return fed_by


def _left_out(problem: RunProblem, nozzle: int) -> NoDesign:
    layout, point = problem.layout, int(problem.layout.nozzle_point[nozzle])
    return NoDesign(
        "capacity",
        f"by hand no pump that has room reaches nozzle {nozzle} at ({layout.x_m[point]:.1f}, {layout.y_m[point]:.1f}) "
        "m: drop nozzles, add a circuit or draw a tubing link",
    )


def _walk(problem: RunProblem, ways: _Ways, nozzles: list[int]) -> list[int]:
    """The nozzles in the order of a walk along their ways from the pump, each branch to its end."""
    at = {int(problem.layout.nozzle_point[k]): k for k in nozzles}
    onward = ways.onward(list(at))
    return [at[point] for point, _ in _visited(onward, ways.root) if point in at]


def _visited(onward: dict[int, list[int]], root: int) -> Iterator[tuple[int, int]]:
    """(point, point before it) of a tree, depth first, without the root."""
    stack = [(point, root) for point in reversed(onward[root])]
    while stack:
        point, before = stack.pop()
        yield point, before
        stack += [(following, point) for following in reversed(onward[point])]


def _circuit(problem: RunProblem, c: int, ways: _Ways, nozzles: list[int]) -> CircuitPlan:
    """One circuit's tubes in the order of a walk, in the first size."""
    at = {int(problem.layout.nozzle_point[k]): k for k in nozzles}
    onward = ways.onward(list(at))
    order = list(_visited(onward, ways.root))
    before = dict(order)
    runs = _runs(onward, order, ways.root)
    uses = []
    for point, start in order:
        piece = ways.piece[start, point]
        if start == ways.root:
            k = problem.k.entrance
        else:
            fed_by = ways.piece[before[start], start]
            turn = turn_deg(_heading(problem, fed_by, before[start]), _heading(problem, piece, start))
            k = _fitting_k(problem, len(onward[start]) + (start in at), turn)
        if not onward[point]:
            k += problem.k.elbow
        uses.append(PieceUse(piece, start, point, 0, runs[point], k))
    circuit = problem.circuits[c]
    return CircuitPlan(c, circuit.pump, circuit.group, tuple(at[p] for p, _ in order if p in at), tuple(uses))


def _runs(onward: dict[int, list[int]], order: list[tuple[int, int]], root: int) -> dict[int, int]:
    """Run of the tube to each point: 0 up to the first branching, 1, 2, ... for what each branch there feeds."""
    at = root
    while len(onward[at]) == 1:
        at = onward[at][0]
    branch = {point: n for n, point in enumerate(onward[at], start=1)}
    runs: dict[int, int] = {root: 0}
    for point, start in order:
        runs[point] = branch.get(point, runs[start])
    return runs


def _heading(problem: RunProblem, piece: int, start: int) -> float:
    """Azimuth of travel along a piece from one of its ends; NaN where vertical."""
    azimuth = float(problem.layout.azimuth_deg[piece])
    return azimuth if int(problem.layout.tail[piece]) == start else (azimuth + 180.0) % 360.0


def _fitting_k(problem: RunProblem, ways_on: int, turn: float) -> float:
    """Loss factor where flow goes on in one of `ways_on` ways, a nozzle being one, at a turn in degrees."""
    if ways_on < 2:
        return problem.k.elbow if turn > TURN_DEG else 0.0
    return problem.k.tee_run if turn < STRAIGHT_DEG else problem.k.tee_branch


def _sized(problem: RunProblem, circuits: tuple[CircuitPlan, ...]) -> RunPlan:
    """The circuits in the smallest size that feeds the worst nozzle. Raises NoDesign where none does."""
    by_bore = sorted(range(len(problem.tubing)), key=lambda i: (problem.tubing[i].bore_m, i))
    worst_pa = np.inf
    for size in by_bore:
        plan = _plan(problem, circuits, size)
        worst_pa = float(np.min(budget_pressures_pa(problem, plan), initial=np.inf))
        if worst_pa >= problem.band_low_pa:
            return plan
    raise NoDesign(
        "band",
        f"by hand the worst nozzle gets {show_both(worst_pa, 'pressure')} of the "
        f"{show_both(problem.band_low_pa, 'pressure')} it needs with {problem.tubing[by_bore[-1]].name} everywhere",
    )


def _plan(problem: RunProblem, circuits: tuple[CircuitPlan, ...], size: int) -> RunPlan:
    """The circuits in one size, priced."""
    laid = tuple(replace(c, pieces=tuple(replace(use, tubing=size) for use in c.pieces)) for c in circuits)
    pieces = [use.piece for circuit in laid for use in circuit.pieces]
    tubing = float(problem.layout.length_m[pieces].sum()) * problem.tubing[size].cost_per_m
    trench = float(problem.layout.trench_cost[sorted(set(pieces))].sum())
    return RunPlan(laid, tubing, trench, 0.0, "", "by hand")
