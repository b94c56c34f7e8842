"""What it takes at least to feed given nozzles: data of the elastic model, below what every verified design needs.

Every nozzle draws the flow of the band's low edge. A bridge is a piece of corridor without which some nozzles are cut
off: each circuit's tube there carries all that the circuit feeds beyond. Elsewhere the shortest way counts, with one
nozzle's flow. Tubing is what loses least at each flow, fittings lose nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from hydraulics.friction import GRAVITY_M_S2, pressure_gradient_pa_m
from optimizer.runs.layout import Layout
from optimizer.runs.lines import Floats, Line, below
from optimizer.runs.problem import RunProblem

LINES = 6  # of a loss curve
LEAST_M = 1e-9  # of a piece, since sparse graphs drop zeros


@dataclass(frozen=True)
class Branch:
    """A stretch of bridges of one circuit that all lead to the same nozzles; each circuit's first is its pump unit.

    before: branch that leads to it, -1 at the pump; nozzles: those beyond; lines: loss >= slope x nozzles fed + value.
    """

    circuit: int
    before: int
    nozzles: tuple[int, ...]
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Required:
    """What the elastic model is built from, pressures in Pa.

    circuits C, nozzles K: carried [C]: nozzles at the band's low edge, perhaps with a fraction; pump, set_pa [C];
    able, own [C][K]: whether a corridor leads there, whether it is of the circuit's schedule group; need_pa [C][K]:
    pressure that the nozzle takes without the losses of branches; far_m [C][K]: shortest way from the outlet; at
    [C][K]: last branch on it; longest_m: of a run.
    """

    carried: tuple[float, ...]
    pump: tuple[int, ...]
    set_pa: tuple[float, ...]
    able: tuple[tuple[bool, ...], ...]
    own: tuple[tuple[bool, ...], ...]
    need_pa: tuple[tuple[float, ...], ...]
    far_m: tuple[tuple[float, ...], ...]
    at: tuple[tuple[int, ...], ...]
    branches: tuple[Branch, ...]
    longest_m: float

    @property
    def nozzles(self) -> int:
        """Number of nozzles."""
        return len(self.need_pa[0]) if self.need_pa else 0


def required(problem: RunProblem, carried: tuple[float, ...]) -> Required:
    """The data of a problem; carried: nozzles that each circuit feeds at the band's low edge, whatever its most."""
    layout, water = problem.layout, problem.water
    flow = float(problem.curve.flow_m3_s(problem.band_low_pa))
    flows = flow * np.arange(problem.nozzles + 1)
    gradients = [pressure_gradient_pa_m(flows, t.bore_m, t.roughness_m, water) for t in problem.tubing]
    gradient = np.asarray(np.min(gradients, axis=0), dtype=np.float64)
    spots = layout.nozzle_point
    rows: dict[str, list[tuple[float, ...]]] = {"need": [], "far": [], "able": [], "at": []}
    branches: list[Branch] = []
    for c, circuit in enumerate(problem.circuits):
        root = problem.outlet_point(circuit.pump)
        unit = problem.pumps[circuit.pump].set_pressure_pa - problem.supply_pa(circuit.pump, flows)
        tree = _walk(layout, root)
        first = len(branches)
        branches.append(Branch(c, -1, tuple(range(problem.nozzles)), below(unit, LINES)))
        branches += tree.branches(c, first, layout, gradient)
        far = _ways_m(layout, root)[spots]
        rest = far - np.array([tree.bridged_m.get(int(p), 0.0) for p in spots])
        rise = water.density_kg_m3 * GRAVITY_M_S2 * (layout.z_m[spots] - layout.z_m[root])
        need = problem.band_low_pa + rise + np.maximum(0.0, rest) * float(gradient[min(1, problem.nozzles)])
        rows["need"].append(tuple(map(float, need)))
        rows["far"].append(tuple(map(float, far)))
        rows["able"].append(tuple(bool(np.isfinite(d)) for d in far))
        rows["at"].append(tuple(first + tree.number.get(int(p), 0) for p in spots))
    return Required(
        carried=carried,
        pump=tuple(circuit.pump for circuit in problem.circuits),
        set_pa=tuple(problem.pumps[circuit.pump].set_pressure_pa for circuit in problem.circuits),
        able=tuple(tuple(map(bool, row)) for row in rows["able"]),
        own=tuple(tuple(circuit.group == group for group in problem.group) for circuit in problem.circuits),
        need_pa=tuple(rows["need"]),
        far_m=tuple(rows["far"]),
        at=tuple(tuple(map(int, row)) for row in rows["at"]),
        branches=tuple(branches),
        longest_m=problem.longest_run_m,
    )


def _ways_m(layout: Layout, root: int) -> Floats:
    """[P] shortest way from the root."""
    shortest: dict[tuple[int, int], float] = {}
    for a, b, length in zip(layout.tail.tolist(), layout.head.tolist(), layout.length_m.tolist(), strict=True):
        pair = (min(a, b), max(a, b))
        shortest[pair] = min(shortest.get(pair, np.inf), max(LEAST_M, length))
    ends = [a for a, _ in shortest], [b for _, b in shortest]
    graph = csr_array((list(shortest.values()), ends), shape=(layout.points, layout.points))
    return np.asarray(dijkstra(graph, directed=False, indices=[root])[0], dtype=np.float64)


@dataclass
class _Tree:
    """A depth-first tree of the corridors from a root: points in the order of its visits, point and piece before each.

    bridged_m: metres of bridges before each point; number: of the branch that leads to it, 0 the pump unit's.
    """

    order: list[int]
    before: dict[int, tuple[int, int]]
    bridges: set[int]
    bridged_m: dict[int, float]
    number: dict[int, int]

    def branches(self, circuit: int, first: int, layout: Layout, gradient: Floats) -> list[Branch]:
        """Branches after the pump unit's, numbered from first + 1, and the branch of each point."""
        nozzle_at = {int(p): k for k, p in enumerate(layout.nozzle_point)}
        beyond: dict[int, set[int]] = {p: {nozzle_at[p]} if p in nozzle_at else set() for p in self.order}
        for point in reversed(self.order[1:]):
            beyond[self.before[point][0]] |= beyond[point]
        found: list[tuple[int, tuple[int, ...], float]] = []
        root = self.order[0]
        self.bridged_m[root], self.number[root] = 0.0, 0
        for point in self.order[1:]:
            start, piece = self.before[point]
            self.bridged_m[point], self.number[point] = self.bridged_m[start], self.number[start]
            if piece not in self.bridges:
                continue
            length, fed = float(layout.length_m[piece]), tuple(sorted(beyond[point]))
            self.bridged_m[point] += length
            at = self.number[start]
            if at and found[at - 1][1] == fed:
                found[at - 1] = (*found[at - 1][:2], found[at - 1][2] + length)
            elif fed:
                found.append((at, fed, length))
                self.number[point] = len(found)
        curves = (below(gradient[: len(fed) + 1] * length, LINES) for _, fed, length in found)
        return [
            Branch(circuit, first + at, fed, lines) for (at, fed, _), lines in zip(found, curves, strict=True)
        ]


def _walk(layout: Layout, root: int) -> _Tree:
    """The depth-first tree with its bridges (Tarjan 1974, Inf. Process. Lett. 2, 160-161; memory)."""
    around: list[list[tuple[int, int]]] = [[] for _ in range(layout.points)]
    for e, (a, b) in enumerate(zip(layout.tail.tolist(), layout.head.tolist(), strict=True)):
        around[a].append((e, b))
        around[b].append((e, a))
    order, before = [root], {}
    rank, low = {root: 0}, {root: 0}
    stack = [(root, -1, iter(around[root]))]
    bridges: set[int] = set()
    while stack:
        here, came, steps = stack[-1]
        for piece, point in steps:
            if piece == came:
                continue
            if point in rank:
                low[here] = min(low[here], rank[point])
                continue
            rank[point] = low[point] = len(order)
            order.append(point)
            before[point] = (here, piece)
            stack.append((point, piece, iter(around[point])))
            break
        else:
            stack.pop()
            if stack:
                start = stack[-1][0]
                low[start] = min(low[start], low[here])
                if low[here] > rank[start]:
                    bridges.add(came)
    return _Tree(order, before, bridges, {}, {})
